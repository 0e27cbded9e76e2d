"""``plan`` and ``stage``: every gain of a folder of stems set with a reason and verified; sheets, and stems with it."""

import argparse
from dataclasses import replace
from functools import partial
from pathlib import Path

from gainlib.cli import Verb, plan_input
from gainlib.cli.output import (
    Bar,
    Column,
    check_target,
    figure,
    former_option,
    former_values,
    layout,
    path_of,
    plain,
    wrapped,
)  # fmt: skip
from gainlib.cli.report import jsonable

PLAN = f"""\
Plan every gain of a folder of stems: what to set where, and why. The balance stays, the bus comes to its target, and
the result is rendered and measured. A plan that fails its own verification is not written anywhere.

{plan_input.CHAINS_HELP}"""
STAGE = f"""\
Plan the gains of a folder of stems and write the stems anew into OUT, which must not exist yet or be empty.

--through trim: polarity, DC block and trim; load them into the mixer in place of the raw stems. --through bus:
everything, fader and pan included; their sum is the bus, where the master is linear. The originals are only read, and
their checksums compared afterwards. SHA256SUMS lists those of the new files. Turn your monitors down before you load
the new stems: on the same faders they can be much louder than the raw ones.

{plan_input.CHAINS_HELP}"""
THROUGH = ("trim", "bus")
BITS = {"16": "PCM_16", "24": "PCM_24", "32f": "FLOAT"}
_SUBTYPES = {"PCM_24": "24", "FLOAT": "32f"}
SHEETS = {
    "plan.html": "html", "plan.csv": "csv", "levels.csv": "levels", "hand-off.txt": "note", "session.json": "save",
}  # fmt: skip


def plan_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the folder, what is asked for, and the sheets."""
    plan_input.declare(parser)
    parser.add_argument("--out", metavar="DIR", help=f"write {', '.join(SHEETS)} into DIR")
    parser.add_argument("--csv", metavar="F", help="write the plan sheet to F, as comma-separated values")
    parser.add_argument("--levels", metavar="F", help="write the level sheet to F, as comma-separated values")
    parser.add_argument("--html", metavar="F", help="write all sheets to F, as a page to print")
    parser.add_argument("--save", metavar="F", help="write the planned session to F, as JSON")
    parser.add_argument("--compare", metavar="F", help="print what differs from a sheet (CSV) written earlier")
    former_option(parser, "--against", "--compare")


def run_plan(options: argparse.Namespace) -> int:
    """Plan, tell, write; 1 if the plan could not be verified or a file could not be read."""
    targets, old = _check(options)
    bar = Bar(options.quiet)
    try:
        made = plan_input.make(options, bar)
        bar.close()
        plan_input.tell(options.report, made)
        if not made.plan.verification.passed:
            options.report.result |= plan_input.facts(made, None, options.target)
            return 1
        _write(options, targets, made, bar, old)
    finally:
        bar.close()
    return 1 if made.unreadable else 0


def stage_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the folders, what is asked for, how much is in the stems, and the sheets."""
    plan_arguments(parser)
    parser.add_argument("stems", metavar="OUT", help="the folder to make")
    parser.add_argument("--through", choices=THROUGH, default="trim", help="how much is in the stems (trim)")
    former_option(parser, "--upto", "--through", choices=THROUGH)
    parser.add_argument(
        "--bits", choices=tuple(BITS), type=former_values("--bits", _SUBTYPES), default="24",
        help="16 or 24 bits, or 32-bit float (24)",
    )  # fmt: skip
    former_option(parser, "--subtype", "--bits", _SUBTYPES, choices=tuple(BITS))
    parser.add_argument("--gain-only", action="store_true", help="leave the DC block out of stems up to the trim")


def run_stage(options: argparse.Namespace) -> int:
    """Plan, tell, write; 1 if anything could not be read, verified or written."""
    from gainlib.audio import GainlibError
    from gainlib.mix.export import write_stems
    from gainlib.mix.paths import check_new

    if options.gain_only and options.through == "bus":
        options.usage_error("--gain-only goes with --through trim; up to the bus, the files include everything")
    targets, old = _check(options)
    target = path_of(options.stems)
    check_new(target)
    for each in targets.values():
        if each.resolve().is_relative_to(target.resolve()):
            options.usage_error(f"{each} is in the folder for the stems; write the sheets beside it")
    bar = Bar(options.quiet)
    try:
        made = plan_input.make(options, bar)
        bar.close()
        plan_input.tell(options.report, made)
        if made.unreadable:
            raise GainlibError("a stem is missing, so none is written; repair it, or leave it out with --leave-out")
        export = write_stems(
            made.plan, target, through=options.through, subtype=BITS[options.bits], gain_only=options.gain_only,
            progress=bar,
        )  # fmt: skip
        bar.close()
        _tell_export(options.report, export)
        _write(options, targets, replace(made, notes=(*made.notes, *export.notes)), bar, old)
    finally:
        bar.close()
    return 0


def _tell_export(report, export):
    columns = [
        Column(("peak", "dBFS"), tuple(figure(file.peak_dbfs) for file in export.files)),
        Column(("dither", ""), tuple("yes" if file.dithered else "no" for file in export.files)),
        Column(("SHA-256", ""), tuple(file.sha256[:12] for file in export.files)),
    ]
    lines = layout([file.name for file in export.files], columns)
    report.result["staged"] = {
        "files": jsonable(export.files), "notes": export.notes, "originals_unchanged": export.originals
    }  # fmt: skip
    report.show(["", f"Staged stems in {plain(str(export.folder))}:", *lines, ""])
    for note in export.notes:
        report.show(wrapped(note, then="  "))
    if export.originals:
        report.show([f"Originals: {export.originals}, unchanged."])


def _check(options: argparse.Namespace) -> tuple[dict[str, Path], str]:
    """Check where the sheets shall go, and read the one to compare with, before anything long begins."""
    from gainlib.cli.sheets import read

    targets = {key: path_of(text) for key in ("csv", "levels", "html", "save") if (text := vars(options)[key])}
    if options.out:
        folder = path_of(options.out)
        if folder.exists() and not folder.is_dir():
            options.usage_error(f"{folder} is a file; name a folder for --out")
        if not folder.is_dir() and not folder.resolve().parent.is_dir():
            options.usage_error(f"{folder}: the folder {folder.resolve().parent} does not exist; make it first")
        targets |= {name: folder / name for name in SHEETS}
    given = [path_of(text).resolve() for text in (options.chains, options.session) if text]
    seen: set[Path] = set()
    for key, target in targets.items():
        option = "--out" if key in SHEETS else f"--{key}"
        if target.resolve() in given and key != "save":
            options.usage_error(f"{target} is read here; choose another for {option}")
        if key not in SHEETS or target.parent.is_dir():
            check_target(options, target, option)
        if target.resolve() in seen:
            options.usage_error(f"{target} is named twice; give each sheet a name of its own")
        seen.add(target.resolve())
    return targets, read(options.compare) if options.compare else ""


def _write(options: argparse.Namespace, targets: dict[str, Path], made: plan_input.Planned, bar: Bar, old: str) -> None:
    """Write the sheets that were asked for, each whole or not at all."""
    from datetime import date

    from gainlib.audio import GainlibError, replacing
    from gainlib.mix import sheet_of

    report = options.report
    sheet, wanted = None, {SHEETS.get(key, key) for key in targets}
    if wanted - {"save"} or old or report.as_json:
        today = date.today().isoformat()
        sheet = sheet_of(
            made.found, made.plan, options.target, stems=made.stems, notes=made.notes, made=today, progress=bar
        )
        bar.close()
    if report.as_json:
        report.result |= plan_input.facts(made, sheet, options.target)
    if old:
        _tell_difference(report, old, sheet)
    if options.out:
        try:
            path_of(options.out).mkdir(exist_ok=True)
        except OSError as error:
            raise GainlibError(f"{options.out} cannot be made ({error.strerror or error})") from None
    texts = _texts(options, made, sheet)
    for key, target in targets.items():
        with replacing(target) as part:
            part.write_text(texts[SHEETS.get(key, key)](), encoding="utf-8", newline="\n")
    report.result["written"] = [target.name for target in targets.values()]
    if targets:
        report.show(["", f"Written: {', '.join(plain(str(target)) for target in targets.values())}"])


def _texts(options, made, sheet):
    """Return what writes each kind of sheet."""
    from gainlib.mix.sheet import hand_off_note
    from gainlib.mix.sheet_files import level_csv, plan_csv
    from gainlib.mix.sheet_page import page
    from gainlib.session import to_json

    makers = {"csv": plan_csv, "levels": level_csv, "html": page, "note": hand_off_note}
    save = {"save": lambda: to_json(made.plan.session, path_of(options.folder))}
    return save | {kind: partial(make, sheet) for kind, make in makers.items()}


def _tell_difference(report, old, sheet):
    from gainlib.cli.sheets import tell
    from gainlib.mix.sheet_files import difference, is_level_sheet, level_csv, plan_csv

    report.show([""])
    tell(report, "", difference(old, (level_csv if is_level_sheet(old) else plan_csv)(sheet)))


VERBS = (
    Verb("plan", "plan every gain of a folder of stems, with reasons", PLAN, plan_arguments, run_plan),
    Verb("stage", "write stems with their planned gain", STAGE, stage_arguments, run_stage),
)
