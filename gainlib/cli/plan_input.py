"""What ``plan`` and ``stage`` share: a folder opened, its chains read, the plan made and told."""

import argparse
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from gainlib.cli.output import (
    Bar,
    Column,
    decimal,
    declare_rack,
    former_option,
    former_values,
    grid,
    layout,
    path_of,
    plain,
    rack_of,
    screen_width,
    told,
    wrapped,
)
from gainlib.cli.report import Report, jsonable
from gainlib.errors import STILL_READ

if TYPE_CHECKING:
    from gainlib.mix import Plan, Sheet, Stem
    from gainlib.session import Session

CHAINS_HELP = """\
CHAINS is TOML (step 3 of the bench writes it); a stem is named as its file is, or by a pattern:

  [stems.kick]
  inserts = ["filter", {box = "saturation", drive = 2}]

  [stems.bass]
  inserts = [{box = "black box", name = "opto", reference = -18}]
  fader = -6

  [stems."vocal *"]
  inserts = [{box = "compressor", threshold = -24, ratio = 3, attack = 10}]
  sends = {echo = -12}

  [groups.echo]
  fader = -3

Levels and gains are in dB, times in ms. Controls: fader, pan, input-trim, output-trim, inverted, dc-block, mute,
group, sends, leave-out. What cannot be run here and depends on level is a "black box". Without CHAINS and SESSION every
stem is linear and every control at 0 dB. JSON, the form of the version before, is still read.
"""
DRIVES = {"reference": "restage", "unchanged": "keep"}
_FORMER_DRIVES = {policy: drive for drive, policy in DRIVES.items()}


@dataclass(frozen=True)
class Planned:
    """A plan and what it was made of; `notes` go on the sheets and hold no paths, `unreadable` counts files."""

    found: "Session"
    plan: "Plan"
    stems: "tuple[Stem, ...]"
    notes: tuple[str, ...]
    unreadable: int


def declare(parser: argparse.ArgumentParser) -> None:
    """Declare what a plan is asked for."""
    parser.add_argument("folder", metavar="FOLDER", help="the folder that holds your stems")
    parser.add_argument("--chains", metavar="F", help="what each stem goes through, and the balance (see below)")
    parser.add_argument("--session", metavar="F", help="a session saved earlier; FOLDER holds its stems")
    declare_rack(parser)
    parser.add_argument(
        "--leave-out", metavar="NAME", action="append", default=[], help="a stem to leave out, or a pattern"
    )
    parser.add_argument(
        "--target", metavar="DBTP", type=_level, default=-6.0, help="true peak of the bus (default −6 dBTP)"
    )
    parser.add_argument(
        "--drive", choices=tuple(DRIVES), type=former_values("--drive", _FORMER_DRIVES),
        help="bring each processor to its reference, or leave every drive unchanged (reference, unless finished)",
    )  # fmt: skip
    former_option(parser, "--policy", "--drive", _FORMER_DRIVES, choices=tuple(DRIVES))
    parser.add_argument(
        "--average", choices=("active", "needle"), default="active", help="the meter that is brought to a reference"
    )
    parser.add_argument(
        "--match", choices=("energy", "loudness"), default="energy", help="the meter that relations are kept by"
    )
    parser.add_argument("-q", "--quiet", action="store_true", help="show no progress bar")


def _level(text):
    try:
        level = decimal(text)
    except ValueError:
        level = float("nan")
    if not -60.0 <= level <= 6.0:
        raise argparse.ArgumentTypeError(f"{text!r} is not a target; give −60 to +6 dBTP, such as -6")
    return level


def make(options: argparse.Namespace, bar: Bar) -> Planned:
    """Open, look, plan; what cannot be read is told on the error stream and left out."""
    from gainlib.boxes import refreshed
    from gainlib.mix import plan
    from gainlib.mix.advice import raised_floors
    from gainlib.mix.blackboxes import boxes_in

    unreadable: list[str] = []
    session, notes = _session(options, unreadable)
    if any(box.name for each in (*session.strips, *session.groups, session.master) for box in boxes_in(each.inserts)):
        session, known = refreshed(session, rack_of(options))
        notes = (*notes, *(f"{name}: as measured, from your rack" for name in known))
    session, stems = _looked_at(session, unreadable, bar, options.report)
    for sentence in unreadable:
        options.report.problem(sentence)
    made = plan(
        session, options.target, policy=DRIVES.get(options.drive), average=options.average, match=options.match,
        progress=bar,
    )  # fmt: skip
    plain_notes = (f"not read: {options.report.without_places(sentence)}" for sentence in unreadable)
    floors = raised_floors(made.session, stems)
    return Planned(session, made, stems, (*plain_notes, *notes, *floors), len(unreadable))


def _session(options, unreadable):
    """Open the folder or the session, and read the chains."""
    from gainlib.audio import GainlibError
    from gainlib.mix.chainsfile import apply_chains
    from gainlib.mix.paths import text_of
    from gainlib.session import Session, from_json
    from gainlib.session.files import strips_of_folder

    folder, notes = path_of(options.folder), ()
    if options.session:
        path = path_of(options.session)
        with _naming(path):
            text = text_of(path, "a saved session")
            session = from_json(text, folder)
        if '"Unseen"' in text:
            told(f"{path}: Unseen", "BlackBox")
        _tell_idle(options.leave_out, [strip.name for strip in session.strips])
        session = session.with_(strips=_without(session.strips, options.leave_out))
    else:
        _tell_idle(options.leave_out, [name for each in _files(folder) for name in (each.stem, each.name)])
        strips = strips_of_folder(folder, options.leave_out, unreadable)
        for sentence in unreadable if not strips else ():
            options.report.problem(sentence)
        session = Session(strips, name=folder.resolve().name)
    if not session.strips:
        raise GainlibError(f"{folder}: no stem is left to plan")
    if options.chains:
        path = path_of(options.chains)
        with _naming(path):
            session, notes = apply_chains(session, text_of(path, "a chains file"))
    for note in notes:
        if note.endswith(STILL_READ):
            print(f"{options.chains}: {note.removeprefix('the chains file: ')}", file=sys.stderr)
    return session, tuple(note for note in notes if not note.endswith(STILL_READ))


@contextmanager
def _naming(path):
    """Put the name of a file in front of what is wrong with it."""
    from gainlib.audio import GainlibError

    try:
        yield
    except GainlibError as error:
        if str(path) in str(error):
            raise
        raise GainlibError(f"{path}: {error}") from None


def _files(folder):
    from gainlib.audio import GainlibError, audio_files

    try:
        return audio_files(folder)
    except GainlibError:
        return []  # said by whoever opens the folder


def _without(strips, patterns):
    from gainlib.session.files import fits

    return tuple(strip for strip in strips if not any(fits(strip.name, pattern) for pattern in patterns))


def _tell_idle(patterns, names):
    """Tell which patterns leave nothing out: a name misspelt would count without a word."""
    from gainlib.session.files import fits

    for pattern in patterns:
        if not any(fits(name, pattern) for name in names):
            print(f"--leave-out {plain(pattern)}: fits no stem, so it leaves none out", file=sys.stderr)


def _looked_at(session, unreadable, bar, report):
    """Measure all stems; those that turn out to be damaged on the way are left out."""
    from gainlib.audio import GainlibError
    from gainlib.mix import checkup

    try:
        return session, checkup(session.strips, bar)
    except GainlibError:
        bar.close()
        found = len(unreadable)
        whole = tuple(strip for strip in session.strips if _decodes(strip, unreadable))
        if len(unreadable) == found:
            raise
        if not whole:
            for sentence in unreadable:
                report.problem(sentence)
            raise GainlibError("no stem is left to plan") from None
        session = session.with_(strips=whole)
        return session, checkup(session.strips, bar)


def _decodes(strip, unreadable):
    from gainlib.audio import GainlibError

    try:
        for _ in strip.audio.blocks():
            pass
        return True
    except GainlibError as error:
        unreadable.append(str(error))
        return False


# ------------------------------------------------------------------------------------------------------------- telling


def tell(report: Report, planned: Planned) -> None:
    """Tell what was found, what to set and why, what came up, and whether it holds."""
    report.show(list(_lines(planned)))


def facts(planned: Planned, sheet: "Sheet", target_dbtp: float) -> dict:
    """Return what a script is told of a plan; the lines are those of the sheets, figure for figure."""
    from gainlib.mix.console import console_rows
    from gainlib.mix.sheet import bus_rows

    plan, found = planned.plan, planned.found
    checks = [jsonable(check) | {"passed": check.passed} for check in plan.verification.checks]
    levels = [
        {"strip": stem.name, "channels": stem.channels, "rate_hz": stem.rate_hz, "frames": stem.frames}
        | {**jsonable(stem.reading), "noise_dbfs": jsonable(stem.noise_dbfs), "findings": _findings(stem)}
        for stem in planned.stems
    ]
    return {
        "name": found.name, "rate_hz": found.rate_hz, "drive": _FORMER_DRIVES[plan.policy], "target_dbtp": target_dbtp,
        "offset_db": plan.offset_db, "kept": plan.verification.passed,
        "verified": plan.verification.verdict == "verified", "rows": jsonable(console_rows(plan)),
        "moves": jsonable(plan.moves), "checks": checks, "levels": levels,
        "bus": [dict(zip(("item", "unit", "before", "after"), row, strict=True))
                for row in (bus_rows(sheet.before, sheet.after) if sheet else ())],
        "warnings": plan.warnings, "advice": plan.advice, "notes": planned.notes,
    }  # fmt: skip


def _findings(stem):
    return [{"tag": each.tag, "sure": each.sure, "sentence": each.sentence} for each in stem.findings]


def _lines(planned):
    from gainlib.levels.printing import number
    from gainlib.mix.blackboxes import what_is_known
    from gainlib.mix.findings import ranked
    from gainlib.mix.moves import said_once

    plan, found = planned.plan, planned.found
    count, drive = len(found.strips), _FORMER_DRIVES[plan.policy]
    yield f"{count} stem{'s' * (count > 1)}, {found.rate_hz} Hz, drive: {drive}"
    yield from _paragraphs("What the stems show", [finding.sentence for finding in ranked(planned.stems)])
    yield from ("", "What to set:")
    yield from _console(plan)
    yield from ("", "What moves, and why:" if plan.moves else "Nothing has to move.")
    for strips, move, reason in said_once(plan.moves):
        by = "on" if move.control == "DC block" else f"by {number(move.change_db, 1, signed=True)} dB"
        yield from wrapped(f"{', '.join(map(plain, strips))}: {plain(move.control)} {by} ({move.place})", "  ", "    ")
        yield from wrapped(plain(reason), "      ", " " * 8)
    yield from _paragraphs("Warnings", [*planned.notes, *plan.warnings])
    yield from _paragraphs("For you to decide: the plan moves nothing for these", plan.advice)
    yield from _paragraphs("What is known of the black boxes", list(what_is_known(plan.session)))
    yield from _verified(plan)


def _console(plan):
    """Lay out a line a strip; what is empty in every line is left out, and what has no room stands under its strip."""
    from gainlib.mix.console import HEADS, LEGEND, cell_text, console_rows, console_table

    lines = [[plain(cell_text(cell)) for cell in cells] for _, cells in console_table(console_rows(plan))]
    used = [k for k in range(1, len(HEADS)) if any(line[k] for line in lines)]
    if screen_width() < WIDE:
        columns = [Column((HEADS[k], ""), tuple(line[k] for line in lines)) for k in used if HEADS[k] in _NUMBERS]
        head, _, *told = layout([line[0] for line in lines], columns, HEADS[0])
        yield head
        for line, text in zip(lines, told, strict=True):
            more = "; ".join(line[k] for k in used if HEADS[k] in ("processors", "sends") and line[k])
            yield from (text, *wrapped(more, "    "))
    else:
        yield from grid([HEADS[k] for k in (0, *used)], [[line[k] for k in (0, *used)] for line in lines], _NUMBERS)
    yield from ("", *wrapped(LEGEND))


WIDE = 90
_NUMBERS = ("input trim", "output trim", "fader", "pan")


def _verified(plan):
    checks, missed = plan.verification.checks, plan.verification.missed
    yield ""
    if missed:
        yield f"NOT VERIFIED: {len(missed)} of {len(checks)} checks on a full render are missed; nothing is exported."
        for check in missed:
            yield from wrapped(plain(str(check)), "  ", "    ")
        return
    bus = next((str(check) for check in checks if check.name == "bus true peak"), "the bus is silent")
    verdict = plan.verification.verdict
    yield from wrapped(f"{verdict[:1].upper()}{verdict[1:]}. A full render keeps {len(checks)} checks; {bus}.")


def _paragraphs(title, sentences):
    if sentences:
        yield from ("", f"{title}:")
    for sentence in sentences:
        yield from wrapped(plain(sentence), "  ", "    ")
