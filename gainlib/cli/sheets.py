"""``sheets compare``: what changed from one sheet to another."""

import argparse
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.cli.output import Column, Report, jsonable, layout, path_of, plain, shortened, told
from gainlib.levels.printing import number
from gainlib.mix.sheet_files import Difference, difference, former_names, is_level_sheet, shown


def run(options: argparse.Namespace) -> int:
    """Compare and print a table."""
    old, new = path_of(options.old), path_of(options.new)
    if old.is_dir() != new.is_dir():
        raise GainlibError(f"{old} and {new}: one is a folder and one is not; give two sheets or two folders")
    for name in ("levels.csv", "plan.csv") if old.is_dir() else ("",):
        if name:
            options.report.show([f"{name}:"])
        tell(options.report, name, difference(read(old / name), read(new / name), options.limit))
    return 0


def read(path: Path) -> str:
    """Return the text of a sheet; names of the version before are told."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise GainlibError(f"{path} is not UTF-8 text") from None
    except OSError as error:
        raise GainlibError(f"{path} cannot be read ({error.strerror or error})") from None
    is_level_sheet(text)  # refuses what is no sheet
    for old, new in former_names(text).items():
        told(f"{path.name}: {old}", new)
    return text


def tell(report: Report, sheet: str, difference: Difference) -> None:
    """Tell a difference as a table."""
    changes = difference.changes
    lines = [
        f"{word}: {', '.join(map(plain, strips))}"
        for word, strips in (("added", difference.added), ("removed", difference.removed))
        if strips
    ]
    if changes:
        apart = ("" if each.change is None else number(each.change, 2, signed=True) for each in changes)
        columns = [
            Column(("before", ""), tuple(_short(each.before) for each in changes)),
            Column(("after", ""), tuple(_short(each.after) for each in changes)),
            Column(("change", ""), tuple(apart)),
        ]
        lines += layout([plain(f"{each.strip}: {each.item}") for each in changes], columns, head="what")
    if difference.drifted:
        lines += ["", f"More than 1 dB in active level: {', '.join(map(plain, difference.drifted))}; plan anew."]
    report.show(lines or ["Nothing changed by more than the limit."])
    found = {"sheet": sheet, **jsonable(difference), "drifted": difference.drifted}
    report.result.setdefault("compared", []).append(found)


def _short(cell):
    return shortened(plain(shown(cell)) or "nothing", 24)
