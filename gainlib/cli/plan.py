"""``plan``, ``stage``, ``sheets``: every gain of a folder of stems set with a reason and verified; sheets compared."""

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import NamedTuple

from gainlib import mix
from gainlib.audio import GainlibError, audio_files, write_whole
from gainlib.boxes import refreshed
from gainlib.cli.output import (
    Bar,
    check_target,
    figure,
    grid,
    jsonable,
    layout,
    path_of,
    plain,
    rack_of,
    screen_width,
    shortened,
    told,
    wrapped,
)
from gainlib.cli.verbs import BITS, DRIVES, FORMER_DRIVES, SHEET_FILES
from gainlib.errors import STILL_READ
from gainlib.mix.console import HEADS, LEGEND, cell_text, console_rows, console_table
from gainlib.mix.findings import Stem, ranked
from gainlib.mix.inserts import boxes_in, what_is_known
from gainlib.mix.moves import Plan, said_once
from gainlib.mix.paths import check_new, text_of
from gainlib.mix.sheet import bus_rows, hand_off_note, raised_floors
from gainlib.mix.sheet_files import difference, former_forms, is_level_sheet, level_csv, page, plan_csv, shown
from gainlib.session import Session, from_json, to_json
from gainlib.session.files import fits, strips_of_folder
from gainlib.words import Table, number

WIDE = 90
_NUMBERS = ("input trim", "output trim", "fader", "pan")


@dataclass(frozen=True)
class Planned:
    """A plan and what it was made of; `notes` go on the sheets and hold no paths, `unreadable` counts files."""

    found: Session
    plan: Plan
    stems: tuple[Stem, ...]
    notes: tuple[str, ...]
    unreadable: int


class Target(NamedTuple):
    """A sheet to be written: the option that asks for it, its kind, and where to."""

    option: str
    kind: str
    path: Path


def run_plan(options: argparse.Namespace) -> int:
    """Plan, tell, write; 1 if the plan could not be verified or a file could not be read."""
    targets, old = _check(options)
    bar = Bar(options.quiet)
    try:
        made = _made(options, bar)
        if not made.plan.verification.passed:
            options.report.result |= _facts(made, None, options.target)
            return 1
        _write(options, targets, made, bar, old)
    finally:
        bar.close()
    return 1 if made.unreadable else 0


def run_stage(options: argparse.Namespace) -> int:
    """Plan, tell, write; 1 if anything could not be read, verified or written."""
    if options.gain_only and options.through == "bus":
        options.usage_error("--gain-only goes with --through trim; up to the bus, the files include everything")
    targets, old = _check(options)
    folder = path_of(options.stems)
    check_new(folder)
    for each in targets:
        if each.path.resolve().is_relative_to(folder.resolve()):
            options.usage_error(f"{each.path} is in the folder for the stems; write the sheets beside it")
    bar = Bar(options.quiet)
    try:
        made = _made(options, bar)
        if made.unreadable:
            raise GainlibError("a stem is missing, so none is written; repair it, or leave it out with --leave-out")
        export = mix.write_stems(
            made.plan, folder, through=options.through, subtype=BITS[options.bits], gain_only=options.gain_only,
            progress=bar,
        )  # fmt: skip
        bar.close()
        _tell_export(options.report, export)
        _write(options, targets, replace(made, notes=(*made.notes, *export.notes)), bar, old)
    finally:
        bar.close()
    return 0


# ---- opened, looked at, planned --------------------------------------------------------------------------------------


def _made(options, bar) -> Planned:
    """Open, look, plan, tell; what cannot be read is told on the error stream and left out."""
    report, unreadable = options.report, []
    session, notes = _session(options, unreadable)
    if any(box.name for each in (*session.strips, *session.groups, session.master) for box in boxes_in(each.inserts)):
        session, known = refreshed(session, rack_of(options))
        notes = (*notes, *(f"{name}: as measured, from your rack" for name in known))
    session, stems = _looked_at(session, unreadable, bar, report)
    for sentence in unreadable:
        report.problem(sentence)
    made = mix.plan(
        session, options.target, policy=DRIVES.get(options.drive), average=options.average, match=options.match,
        progress=bar,
    )  # fmt: skip
    plain_notes = (f"not read: {report.without_places(sentence)}" for sentence in unreadable)
    notes = (*plain_notes, *notes, *raised_floors(made.session, stems))
    planned = Planned(session, made, stems, notes, len(unreadable))
    bar.close()
    report.show(list(_lines(planned)))
    return planned


def _session(options, unreadable):
    """Open the folder or the session, and read the chains."""
    folder, notes, left_out = path_of(options.folder), (), options.leave_out
    if options.session:
        path = path_of(options.session)
        with _naming(path):
            text = text_of(path, "a saved session")
            session = from_json(text, folder)
        if '"Unseen"' in text:
            told(f"{path}: Unseen", "BlackBox")
        _tell_idle(left_out, [strip.name for strip in session.strips])
        kept = (strip for strip in session.strips if not any(fits(strip.name, pattern) for pattern in left_out))
        session = session.with_(strips=tuple(kept))
    else:
        _tell_idle(left_out, [name for each in _files(folder) for name in (each.stem, each.name)])
        strips = strips_of_folder(folder, left_out, unreadable)
        for sentence in unreadable if not strips else ():
            options.report.problem(sentence)
        session = Session(strips, name=folder.resolve().name)
    if not session.strips:
        raise GainlibError(f"{folder}: no stem is left to plan")
    if options.chains:
        path = path_of(options.chains)
        with _naming(path):
            session, notes = mix.apply_chains(session, text_of(path, "a chains file"))
    for note in notes:
        if note.endswith(STILL_READ):
            print(f"{options.chains}: {note.removeprefix('the chains file: ')}", file=sys.stderr)
    return session, tuple(note for note in notes if not note.endswith(STILL_READ))


@contextmanager
def _naming(path):
    """Put the name of a file in front of what is wrong with it."""
    try:
        yield
    except GainlibError as error:
        if str(path) in str(error):
            raise
        raise GainlibError(f"{path}: {error}") from None


def _files(folder):
    try:
        return audio_files(folder)
    except GainlibError:
        return []  # said by whoever opens the folder


def _tell_idle(patterns, names):
    """Tell which patterns leave nothing out: a name misspelt would count without a word."""
    for pattern in patterns:
        if not any(fits(name, pattern) for name in names):
            print(f"--leave-out {plain(pattern)}: fits no stem, so it leaves none out", file=sys.stderr)


def _looked_at(session, unreadable, bar, report):
    """Measure all stems; those that turn out to be damaged on the way are left out."""
    try:
        return session, mix.checkup(session.strips, bar)
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
        return session, mix.checkup(session.strips, bar)


def _decodes(strip, unreadable):
    try:
        for _ in strip.audio.blocks():
            pass
        return True
    except GainlibError as error:
        unreadable.append(str(error))
        return False


# ---- told ------------------------------------------------------------------------------------------------------------


def _facts(planned, sheet, target_dbtp):
    """Return what a script is told of a plan; the lines are those of the sheets, figure for figure."""
    plan, found = planned.plan, planned.found
    checks = [jsonable(check) | {"passed": check.passed} for check in plan.verification.checks]
    levels = [
        {"strip": stem.name, "channels": stem.channels, "rate_hz": stem.rate_hz, "frames": stem.frames}
        | {**jsonable(stem.reading), "noise_dbfs": jsonable(stem.noise_dbfs)}
        | {"findings": [{name: getattr(each, name) for name in ("tag", "sure", "sentence")} for each in stem.findings]}
        for stem in planned.stems
    ]
    bus = bus_rows(sheet.before, sheet.after) if sheet else ()
    return {
        "name": found.name, "rate_hz": found.rate_hz, "drive": FORMER_DRIVES[plan.policy], "target_dbtp": target_dbtp,
        "offset_db": plan.offset_db, "kept": plan.verification.passed,
        "verified": plan.verification.verdict == "verified", "rows": jsonable(console_rows(plan)),
        "moves": jsonable(plan.moves), "checks": checks, "levels": levels,
        "bus": [dict(zip(("item", "unit", "before", "after"), row, strict=True)) for row in bus],
        "warnings": plan.warnings, "advice": plan.advice, "notes": planned.notes,
    }  # fmt: skip


def _lines(planned) -> Iterator[str]:
    """Yield what was found, what to set and why, what came up, and whether it holds."""
    plan, found = planned.plan, planned.found
    count, drive = len(found.strips), FORMER_DRIVES[plan.policy]
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
    lines = [[plain(cell_text(cell)) for cell in cells] for _, cells in console_table(console_rows(plan))]
    used = [k for k in range(1, len(HEADS)) if any(line[k] for line in lines)]
    if screen_width() < WIDE:
        shown = [0, *(k for k in used if HEADS[k] in _NUMBERS)]
        head, _, *told = layout(Table("", [HEADS[k] for k in shown], ([line[k] for k in shown] for line in lines)))
        yield head
        for line, text in zip(lines, told, strict=True):
            more = "; ".join(line[k] for k in used if HEADS[k] in ("processors", "sends") and line[k])
            yield from (text, *wrapped(more, "    "))
    else:
        yield from grid([HEADS[k] for k in (0, *used)], [[line[k] for k in (0, *used)] for line in lines], _NUMBERS)
    yield from ("", *wrapped(LEGEND))


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


def _tell_export(report, export):
    rows = (
        (file.name, figure(file.peak_dbfs), "yes" if file.dithered else "no", file.sha256[:12]) for file in export.files
    )
    lines = layout(Table("", ("file", "peak\ndBFS", "dither", "SHA-256"), rows))
    report.result["staged"] = {
        "files": jsonable(export.files), "notes": export.notes, "originals_unchanged": export.originals
    }  # fmt: skip
    report.show(["", f"Staged stems in {plain(str(export.folder))}:", *lines, ""])
    for note in export.notes:
        report.show(wrapped(note, then="  "))
    if export.originals:
        report.show([f"Originals: {export.originals}, unchanged."])


# ---- sheets ----------------------------------------------------------------------------------------------------------


def _check(options) -> tuple[list[Target], str]:
    """Check where the sheets shall go, and read the one to compare with, before anything long begins."""
    asked = {kind: getattr(options, kind) for kind in ("csv", "levels", "html", "save")}
    targets = [Target(f"--{kind}", kind, path_of(text)) for kind, text in asked.items() if text]
    if options.out:
        folder = path_of(options.out)
        if folder.exists() and not folder.is_dir():
            options.usage_error(f"{folder} is a file; name a folder for --out")
        if not folder.is_dir() and not folder.resolve().parent.is_dir():
            options.usage_error(f"{folder}: the folder {folder.resolve().parent} does not exist; make it first")
        targets += [Target("--out", kind, folder / name) for name, kind in SHEET_FILES.items()]
    read = [path_of(text).resolve() for text in (options.chains, options.session) if text]
    seen: set[Path] = set()
    for option, _, path in targets:
        if path.resolve() in read and option != "--save":
            options.usage_error(f"{path} is read here; choose another for {option}")
        if option != "--out" or path.parent.is_dir():
            check_target(options, path, option)
        if path.resolve() in seen:
            options.usage_error(f"{path} is named twice; give each sheet a name of its own")
        seen.add(path.resolve())
    return targets, _read(path_of(options.compare)) if options.compare else ""


def _write(options, targets, made, bar, old):
    """Write the sheets that were asked for, each whole or not at all."""
    report, sheet = options.report, None
    if old or report.as_json or any(each.kind != "save" for each in targets):
        today = date.today().isoformat()
        sheet = mix.sheet_of(
            made.found, made.plan, options.target, stems=made.stems, notes=made.notes, made=today, progress=bar
        )
        bar.close()
    if report.as_json:
        report.result |= _facts(made, sheet, options.target)
    if old:
        report.show([""])
        _tell_difference(report, "", difference(old, (level_csv if is_level_sheet(old) else plan_csv)(sheet)))
    if options.out:
        try:
            path_of(options.out).mkdir(exist_ok=True)
        except OSError as error:
            raise GainlibError(f"{options.out} cannot be made ({error.strerror or error})") from None
    makers = {"csv": plan_csv, "levels": level_csv, "html": page, "note": hand_off_note}
    makers["save"] = lambda _: to_json(made.plan.session, path_of(options.folder))
    for _, kind, path in targets:
        write_whole(path, makers[kind](sheet))
    report.result["written"] = [each.path.name for each in targets]
    if targets:
        report.show(["", f"Written: {', '.join(plain(str(each.path)) for each in targets)}"])


# ---- two sheets ------------------------------------------------------------------------------------------------------


def run_sheets(options: argparse.Namespace) -> int:
    """Compare and print a table."""
    old, new = path_of(options.old), path_of(options.new)
    if old.is_dir() != new.is_dir():
        raise GainlibError(f"{old} and {new}: one is a folder and one is not; give two sheets or two folders")
    for name in ("levels.csv", "plan.csv") if old.is_dir() else ("",):
        if name:
            options.report.show([f"{name}:"])
        _tell_difference(options.report, name, difference(_read(old / name), _read(new / name), options.limit))
    return 0


def _read(path):
    """Return the text of a sheet; form and names of the version before are told."""
    text = text_of(path, "a sheet")
    is_level_sheet(text)  # refuses what is no sheet
    for sentence in former_forms(text):
        print(f"{path.name}: {sentence}", file=sys.stderr)
    return text


def _tell_difference(report, sheet, difference):
    """Tell a difference as a table."""
    changes = difference.changes
    lines = [
        f"{word}: {', '.join(map(plain, strips))}"
        for word, strips in (("added", difference.added), ("removed", difference.removed))
        if strips
    ]
    if changes:
        lines += layout(Table("", ("what", "before", "after", "change"), map(_line, changes)))
    if difference.drifted:
        lines += ["", f"More than 1 dB in active level: {', '.join(map(plain, difference.drifted))}; plan anew."]
    report.show(lines or ["Nothing changed by more than the limit."])
    found = {"sheet": sheet, **jsonable(difference), "drifted": difference.drifted}
    report.result.setdefault("compared", []).append(found)


def _line(each):
    change = "" if each.change is None else number(each.change, 2, signed=True)
    return plain(f"{each.strip}: {each.item}"), _short(each.before), _short(each.after), change


def _short(cell):
    return shortened(plain(shown(cell)) or "nothing", 24)
