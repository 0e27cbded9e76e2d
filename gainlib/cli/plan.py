"""``plan``: every gain of a folder of stems set with a reason, verified, and written as sheets."""

import argparse
from pathlib import Path

from gainlib.cli import plan_input

SUMMARY = "plan every gain of a folder of stems, with reasons"
DESCRIPTION = f"""\
Plan every gain of a folder of stems: what to set where, and why. The balance stays, the bus comes to its target, and
the result is rendered and measured. A plan that fails its own verification is not written anywhere.

{plan_input.CHAINS_HELP}"""
SHEETS = ("plan.html", "plan.csv", "levels.csv", "hand-off.txt", "session.json")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the folder, what is asked for, and what is written."""
    plan_input.declare(parser)
    sheets(parser)


def sheets(parser: argparse.ArgumentParser) -> None:
    """Declare what is written."""
    parser.add_argument("--out", metavar="DIR", help=f"write {', '.join(SHEETS)} into DIR")
    parser.add_argument("--csv", metavar="F", help="write the plan sheet to F, as comma-separated values")
    parser.add_argument("--levels", metavar="F", help="write the level sheet to F, as comma-separated values")
    parser.add_argument("--html", metavar="F", help="write all sheets to F, as a page to print")
    parser.add_argument("--save", metavar="F", help="write the planned session to F, as JSON")
    parser.add_argument("--against", metavar="F", help="print what differs from a sheet (CSV) written earlier")


def run(options: argparse.Namespace) -> int:
    """Plan, tell, write; 1 if the plan could not be verified or a file could not be read."""
    targets, old = check(options)
    bar = plan_input.Bar(options.quiet)
    try:
        made = plan_input.make(options, bar)
        bar.close()
        plan_input.tell(made)
        if not made.plan.verification.passed:
            return 1
        write(options, targets, made, bar, old)
    finally:
        bar.close()
    return 1 if made.unreadable else 0


def check(options: argparse.Namespace) -> tuple[dict[str, Path], str]:
    """Check where the sheets shall go, and read the one to compare with, before anything long begins."""
    from gainlib.audio import audio_suffixes
    from gainlib.cli.sheets import read
    from gainlib.mix.sheet_csv import is_level_sheet

    targets = {
        key: plan_input.path_of(text) for key in ("csv", "levels", "html", "save") if (text := vars(options)[key])
    }
    if options.out:
        folder = plan_input.path_of(options.out)
        if folder.exists() and not folder.is_dir():
            options.usage_error(f"{folder}: is a file; name a folder for --out")
        if not folder.is_dir() and not folder.resolve().parent.is_dir():
            options.usage_error(f"{folder}: the folder {folder.resolve().parent} does not exist; make it first")
        targets |= {name: folder / name for name in SHEETS}
    given = [plan_input.path_of(text).resolve() for text in (options.chains, options.session) if text]
    seen: set[Path] = set()
    for key, target in targets.items():
        option = "--out" if key in SHEETS else f"--{key}"
        if target.suffix.lower() in audio_suffixes():
            options.usage_error(f"{target}: is a sound file by its name; choose another for {option}")
        if target.resolve() in given and key != "save":
            options.usage_error(f"{target}: is read here; choose another for {option}")
        if target.is_dir():
            options.usage_error(f"{target}: is a folder; name a file in it for {option}")
        if key not in SHEETS and not target.resolve().parent.is_dir():
            options.usage_error(f"{target}: the folder {target.resolve().parent} does not exist; make it first")
        if target.resolve() in seen:
            options.usage_error(f"{target}: is named twice; give each sheet a name of its own")
        seen.add(target.resolve())
    old = read(options.against) if options.against else ""
    if old:
        is_level_sheet(old)  # refuses what is no sheet
    return targets, old


def write(
    options: argparse.Namespace, targets: dict[str, Path], made: plan_input.Planned, bar: plan_input.Bar, old: str
) -> None:
    """Write the sheets that were asked for, each whole or not at all."""
    from gainlib.audio import GainlibError, replacing

    if not targets and not old:
        return
    texts = _texts(options, made, bar, {_kind(key) for key in targets})
    bar.close()
    if old:
        _tell_difference(old, texts)
    if options.out:
        try:
            plan_input.path_of(options.out).mkdir(exist_ok=True)
        except OSError as error:
            raise GainlibError(f"{options.out}: cannot be made ({error.strerror or error})") from None
    for key, target in targets.items():
        with replacing(target) as part:
            part.write_text(texts[_kind(key)], encoding="utf-8", newline="\n")
    if targets:
        print(f"\nWritten: {', '.join(plan_input.plain(str(target)) for target in targets.values())}")


def _kind(key):
    """Return which sheet goes to a target."""
    kinds = ("html", "csv", "levels", "note", "save")
    return dict(zip(SHEETS, kinds, strict=True)).get(key, key)


def _texts(options, made, bar, wanted):
    from datetime import date

    from gainlib.mix.sheet import sheet_of
    from gainlib.mix.sheet_csv import level_csv, plan_csv
    from gainlib.mix.sheet_html import page
    from gainlib.mix.sheet_words import hand_off_note
    from gainlib.session import to_json

    texts = {}
    if "save" in wanted:
        texts["save"] = to_json(made.plan.session, plan_input.path_of(options.folder))
    if wanted - {"save"} or options.against:
        today = date.today().isoformat()
        whole = sheet_of(
            made.found, made.plan, options.target, stems=made.stems, notes=made.notes, made=today, progress=bar
        )
        texts |= {"csv": plan_csv(whole), "levels": level_csv(whole), "html": page(whole), "note": hand_off_note(whole)}
    return texts


def _tell_difference(old, texts):
    from gainlib.cli.sheets import tell
    from gainlib.mix.sheet_csv import difference, is_level_sheet

    print()
    tell(difference(old, texts["levels" if is_level_sheet(old) else "csv"]))
