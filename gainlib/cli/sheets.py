"""``sheets compare``: what changed from one sheet to another."""

import argparse
from typing import TYPE_CHECKING

from gainlib.cli import Verb
from gainlib.cli.output import Column, decimal, former_values, layout, path_of, plain, shortened, told
from gainlib.cli.report import Report, jsonable

if TYPE_CHECKING:
    from gainlib.mix.sheet_files import Difference

DESCRIPTION = """\
Compare two sheets: what changed by more than 0.1 dB from OLD to NEW, and which strips came or went.

OLD and NEW are two plan sheets or two level sheets (CSV), or two folders that "plan --out" wrote.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the two sheets."""
    action = former_values("sheets", {"diff": "compare"})
    parser.add_argument("action", metavar="compare", choices=("compare",), type=action, help="the word compare")
    parser.add_argument("old", metavar="OLD", help="a sheet (CSV), or a folder of sheets")
    parser.add_argument("new", metavar="NEW", help="another one of the same kind")
    parser.add_argument("--limit", metavar="DB", type=_limit, default=0.1, help="ignore changes up to this (0.1 dB)")


def run(options: argparse.Namespace) -> int:
    """Compare and print a table."""
    from gainlib.audio import GainlibError
    from gainlib.mix.sheet_files import difference

    old, new = path_of(options.old), path_of(options.new)
    if old.is_dir() != new.is_dir():
        raise GainlibError(f"{old} and {new}: one is a folder and one is not; give two sheets or two folders")
    names = ("levels.csv", "plan.csv") if old.is_dir() else (None,)
    for name in names:
        one, other = (each / name if name else each for each in (old, new))
        if name:
            options.report.show([f"{name}:"])
        tell(options.report, name or "", difference(read(one), read(other), options.limit))
    return 0


def _limit(text):
    try:
        limit = decimal(text)
    except ValueError:
        limit = -1.0
    if not 0.0 <= limit < 100.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a limit; give decibels, such as 0.1")
    return limit


def read(path) -> str:
    """Return the text of a sheet; names of the version before are told."""
    from gainlib.audio import GainlibError
    from gainlib.mix.sheet_files import former_names, is_level_sheet

    path = path_of(str(path))
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


def tell(report: "Report", sheet: str, difference: "Difference") -> None:
    """Tell a difference as a table."""
    from gainlib.levels.printing import number
    from gainlib.mix.sheet_files import shown

    lines = []
    for word, strips in (("added", difference.added), ("removed", difference.removed)):
        if strips:
            lines.append(f"{word}: {', '.join(map(plain, strips))}")
    changes = difference.changes
    if changes:
        columns = [
            Column(("before", ""), tuple(_short(plain(shown(each.before))) for each in changes)),
            Column(("after", ""), tuple(_short(plain(shown(each.after))) for each in changes)),
            Column(
                ("change", ""),
                tuple("" if each.change is None else number(each.change, 2, signed=True) for each in changes),
            ),
        ]
        names = [plain(f"{each.strip}: {each.item}") for each in changes]
        lines += layout(names, columns, head="what")
    if difference.drifted:
        lines += ["", f"More than 1 dB in active level: {', '.join(map(plain, difference.drifted))}; plan anew."]
    report.show(lines or ["Nothing changed by more than the limit."])
    found = {"sheet": sheet, **jsonable(difference), "drifted": difference.drifted}
    report.result.setdefault("compared", []).append(found)


def _short(text):
    return shortened(text or "nothing", 24)


VERBS = (Verb("sheets", "compare two sheets", DESCRIPTION, arguments, run),)
