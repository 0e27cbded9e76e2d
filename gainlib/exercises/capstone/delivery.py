"""What is handed over besides the controls: the mix and its stems as files, and a sheet of levels.

The bus has to be in its window, and the mix a file of 24 bit with stems that add up to it. What counts is measured on a
run of the controls handed in. The files are measured once, where they were written; the answer holds what was measured
and the checksum of the mix, never its place, and is held against that run: a file that is not the mix of these controls
does not count, and marking again next year opens no file. The sheet has ten cells drawn at random, held against what
the session measures as its controls stand.
"""

import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, NamedTuple

import numpy as np

from gainlib.audio import AudioFile, GainlibError, write
from gainlib.demo.session import drawn_chains
from gainlib.exercises.capstone import assignment, measurements
from gainlib.exercises.capstone.marks import Beside, Found
from gainlib.exercises.capstone.measurements import Figures, figures_of
from gainlib.exercises.masters import word_in_use
from gainlib.exercises.model import Judgement
from gainlib.exercises.text import Unreadable, describe, parse_number, sentences
from gainlib.exercises.variants import pick, shuffled
from gainlib.levels import ratio_to_db
from gainlib.meters import levels_of, measure
from gainlib.mix.export import write_stems
from gainlib.mix.moves import Plan, Verification
from gainlib.session.strip import BUS
from gainlib.words import Table, level_text, number, quantity

MIX, STEMS = "mix.wav", "stems"
LOW_DBTP, HIGH_DBTP, NULL_DB = -6.5, -6.0, -90.0
FILE_DB = 0.05
BITS = 24
_BUS_SHARE = 2 / 3
_SUM = re.compile(r"[0-9a-f]{64}")
WANTED = "bus −6.5 to −6.0 dBTP; a 24-bit mix and 24-bit stems that leave less than −90 dB when subtracted"
FACTS = ("bits", "frames", "true_peak_dbtp", "rms_dbfs", "null_db", "sha256")


def bus(figures: Figures) -> Found:
    """Return what is found of the bus."""
    peak = figures.bus.true_peak_dbtp
    said = f"the bus peaks at {quantity(peak, 'dBTP', 2, signed=True)}"
    off = max(LOW_DBTP - peak, peak - HIGH_DBTP)
    if off > 0:
        aim = f"{number(LOW_DBTP, 1)} to {quantity(HIGH_DBTP, 'dBTP', 1)}"
        said += f", {quantity(off, 'dB', 2)} too {'hot' if peak > HIGH_DBTP else 'low'}; aim for {aim}"
    if figures.over_samples:
        count = "1 sample is" if figures.over_samples == 1 else f"{figures.over_samples} samples are"
        said += f". It clips: {count} over full scale, and a 24-bit file cuts off what is over"
    return Found(off <= 0 and not figures.over_samples, said)


def stems(figures: Figures) -> list[Found]:
    """Return whether the parts of the mix fit into files of 24 bit and add up to it."""
    part, peak = assignment.short_name(figures.loudest_part), figures.part_peak_dbfs
    fits = f"{part} peaks at {quantity(peak, 'dBFS', 1, signed=True)} in the mix"
    null = f"subtracting the stems leaves {quantity(figures.null_db, 'dB', 0)} of the mix"
    return [
        Found(peak <= 0.0, f"{fits}; bring it to 0 dBFS or less, since a 24-bit file cuts off what is over"),
        Found(figures.null_db < NULL_DB, _null(null, figures.null_db)),
    ]


def _null(said, left_db):
    return said if left_db < NULL_DB else f"{said}, and it should leave less than {quantity(NULL_DB, 'dB', 0)}"


def export(facts: dict, figures: Figures, frames: int) -> list[Found]:
    """Return whether a file on which these ``FACTS`` were measured is the mix that gives these figures."""
    found = [
        Found(facts["bits"] == BITS, f"the file has {facts['bits']} bits, and it should have {BITS}"),
        Found(facts["frames"] == frames, f"the file has {facts['frames']} frames, and it should have {frames}"),
        Found(
            facts["null_db"] < NULL_DB,
            _null(f"subtracting the exported stems leaves {quantity(facts['null_db'], 'dB', 0)}", facts["null_db"]),
        ),
    ]
    for name, unit, value in (
        ("true_peak_dbtp", "dBTP", figures.bus.true_peak_dbtp),
        ("rms_dbfs", "dBFS", figures.bus.energy_dbfs),
    ):
        off = abs(facts[name] - value)
        said = f"the file reads {quantity(facts[name], unit, 2)}, but these controls give {quantity(value, unit, 2)}"
        found.append(Found(off <= FILE_DB, f"{said}; it is the mix of other settings, so export again"))
    return found


def facts_of(figures: Figures, frames: int) -> dict:
    """Return what is measured on the file that a render would be written to."""
    return _facts(BITS, frames, figures.bus, figures.null_db, "0" * 64)


def _facts(bits, frames, level, null_db, sha256):
    measured = round(level.true_peak_dbtp, 3), round(level.energy_dbfs, 3), round(null_db, 1)
    return dict(zip(FACTS, (bits, frames, *measured, sha256), strict=True))


@dataclass(frozen=True)
class HandedOver(Beside):
    """The controls, and what was measured on the exported mix and its stems.

    The bus counts two thirds; the export counts the rest, once the bus is right.
    """

    name: ClassVar[str] = "export"

    @property
    def band(self) -> str:
        """What is wanted."""
        return WANTED

    def read_more(self, entry: Any, given: dict) -> dict | None:
        """Return the facts of an export; None while there is none."""
        if entry is None:
            return None
        if not isinstance(entry, dict) or set(entry) != set(FACTS):
            raise Unreadable(
                f"{describe(entry)} cannot be read; give what was measured on the exported mix ({', '.join(FACTS)})."
            )
        if not isinstance(entry["sha256"], str) or not _SUM.fullmatch(entry["sha256"]):
            raise Unreadable("Give the SHA-256 of the exported mix in 64 hexadecimal digits.")
        numbers = {name: parse_number(entry[name]) for name in FACTS if name != "sha256"}
        whole = {name: int(numbers[name]) for name in ("bits", "frames")}
        return {**numbers, **whole, "sha256": entry["sha256"]}

    def judge(self, value: dict, key: Any, given: dict, values: list) -> Judgement:
        """Return what is not as wanted."""
        figures = figures_of(value["controls"], given)
        failing = [found.said for found in (bus(figures), *stems(figures)) if not found.passed]
        if failing:
            return Judgement(0.0, sentences(failing))
        said, frames = bus(figures).said, assignment.session(given).frames
        if value["export"] is None:
            return Judgement(
                _BUS_SHARE, f"{said}, which is right. You have not exported anything yet; export the mix and its stems"
            )
        wrong = [each.said for each in export(value["export"], figures, frames) if not each.passed]
        if wrong:
            return Judgement(_BUS_SHARE, sentences([f"{said}, which is right", *wrong]))
        left = quantity(value["export"]["null_db"], "dB", 0)
        return Judgement(1.0, sentences([f"{said}, which is right", f"subtracting the stems leaves {left} of the mix"]))

    def show(self, value: dict, given: dict) -> str:
        """Return what the mix reads."""
        return bus(figures_of(value["controls"], given)).said


# ------------------------------------------------------------------------------------------------------------ the files


class Written(NamedTuple):
    """An export: its folder, what was measured on it as an answer takes it, and what mastering will read of its mix."""

    folder: Path
    facts: dict
    handed_off: Table


def write_export(answer: dict, given: dict, folder: str | Path, progress=None) -> Written:
    """Write the mix, and the stems as they arrive at the bus, and measure what was written.

    An export of before is replaced once the new one is whole. Refused is a mix or a stem that would clip, and a folder
    that holds anything but an export; nothing is left behind then.
    """
    told, folder = progress or (lambda done, text: None), Path(folder)
    inside = {each.name for each in folder.iterdir()} if folder.is_dir() else set()
    other = sorted(inside - {MIX, STEMS} if MIX in inside else inside)
    if other:
        raise GainlibError(f"{folder} holds {other[0]!r}, which is not part of an export; name another folder")
    told(0.05, "Rendering the mix …")
    session = measurements.mixed(given["seed"], answer)
    bus = session.render().bus
    peak = float(np.abs(bus.samples).max())
    if peak > 1.0:
        raise GainlibError(
            f"the bus peaks at {ratio_to_db(peak):+.1f} dBFS, and a 24-bit file would cut that off; bring everything "
            "that feeds the bus down together, then export again"
        )
    folder.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        facts = _write_into(part, session, bus, told)
        if folder.is_dir():
            shutil.rmtree(folder)
        os.replace(part, folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return Written(folder, facts, handed_off(folder / MIX))


def _write_into(folder, session, bus, told):
    """Write stems and mix into a new folder, and return what is measured on them."""
    told(0.3, "Writing the stems …")
    nothing_asked = Plan(session, (), (), (), Verification(()), "restage", 0.0)
    stems = write_stems(nothing_asked, folder / STEMS, through="bus")
    told(0.8, "Writing the mix …")
    write(folder / MIX, bus, "PCM_24")
    told(0.9, "Subtracting the stems from the mix …")
    return measured(folder / MIX, [folder / STEMS / file.name for file in stems.files])


def measured(mix: Path, stems: list[Path]) -> dict:
    """Return what is measured on an exported mix and the stems that should add up to it: ``FACTS``."""
    file = AudioFile(mix)
    samples = np.asarray(file.load().samples, np.float64)
    left = samples.copy()
    for stem in stems:
        part = np.asarray(AudioFile(stem).load().samples, np.float64)
        left[: len(part)] -= part
    level = levels_of(file, ("rms", "true_peak"))
    null_db = float(ratio_to_db(np.linalg.norm(left) / np.linalg.norm(samples)))
    bits = int(file.subtype.removeprefix("PCM_")) if file.subtype.startswith("PCM_") else 32
    return _facts(bits, file.frames, level, max(null_db, -300.0), file.sha256)


def handed_off(mix: Path) -> Table:
    """Return what is read of a file before anybody masters it: room, flat tops, loudness, and the word in use."""
    audio = AudioFile(mix).load()
    found = measure(audio)
    levels = (("true peak", found.true_peak_dbtp, "dBTP"), ("sample peak", found.sample_peak_dbfs, "dBFS"))
    levels += (("loudness", found.loudness_lufs, "LUFS"),)
    rows = [(name, level_text(value, unit)) for name, value, unit in levels]
    rows += [("flat tops", str(found.flat_runs)), ("word in use", word_in_use(audio)), ("rate", f"{audio.rate_hz} Hz")]
    return Table("The mix, as whoever masters it will measure it", ("reading", "value"), tuple(rows))


# ------------------------------------------------------------------------------------------------------------ the sheet

CELLS = 10
WITHIN_DB = 0.3
FARTHER_DB = (10.0, 3.0, 1.0)
METERS = {  # by what a cell calls it: name, unit, and where it stands in the levels at a node
    "active": ("active level", "dBFS", "active_dbfs"),
    "peak": ("sample peak", "dBFS", "clear_peak_dbfs"),
    "rms": ("RMS", "dBFS", "energy_dbfs"),
    "true peak": ("true peak", "dBTP", "true_peak_dbtp"),
    "loudness": ("loudness", "LUFS", "loudness_lufs"),
}
_OF_BUS = ("true peak", "loudness")


def cells_of(seed: int) -> Iterator[str]:
    """Yield all cells of a session's sheet but those of the bus: a node, a bar, and a meter."""
    chains = drawn_chains(seed)
    for stem in assignment.SOUNDING:
        yield f"{stem}/source|active"
        yield f"{stem}/trim|peak"
        for k in range(1, len(chains[stem]) + 1):
            yield f"{stem}/insert {k}/in|active"
            yield f"{stem}/insert {k}/out|rms"
        yield f"{stem}/post|peak"
        yield f"{stem}/out|rms"
    for group in assignment.GROUPS:
        yield f"{group}/in|rms"
        yield f"{group}/out|rms"


class Sheets(assignment.SessionDraw):
    """The draw of a session and of ten cells of its sheet, one of them of the bus."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return the session's number and the cells."""
        given = super().__call__(rng)
        cells = shuffled(rng, list(cells_of(given["seed"])), CELLS - 1)
        return {**given, "cells": [*cells, f"{BUS}|{pick(rng, _OF_BUS)}"]}

    def holds(self, given: dict) -> bool:
        """Whether these values could have been drawn here."""
        if not super().holds(given):
            return False
        *cells, last = given["cells"]
        known = set(cells_of(given["seed"]))
        return (
            len(set(cells)) == CELLS - 1 and known.issuperset(cells) and last in {f"{BUS}|{name}" for name in _OF_BUS}
        )


def label(cell: str) -> str:
    """Return what a cell asks for, in words with its unit.

    Examples
    --------
    >>> label("05 bass/insert 2/in|active"), label("bus|true peak")
    ('05 bass, into box 2: active level (dBFS)', 'bus: true peak (dBTP)')
    """
    node, _, meter = cell.partition("|")
    return f"{place(node)}: {METERS[meter][0]} ({METERS[meter][1]})"


def place(node: str) -> str:
    """Return a node in words."""
    owner, _, rest = node.partition("/")
    if not rest:
        return owner
    words = {"source": "the stem as it came", "trim": "behind its trim", "post": "ahead of its fader", "in": "its sum"}
    words |= {"out": "at the bus", "post trim": "ahead of its fader"}
    if rest == "out" and owner in assignment.DRUM_STRIPS:
        return f"{owner}, at the drum group"
    if rest.startswith("insert"):
        _, box, end = rest.replace("/", " ").split()
        return f"{owner}, {'into' if end == 'in' else 'out of'} box {box}"
    return f"{owner}, {words[rest]}"


def reading(figures: Figures, cell: str) -> float:
    """Return what a cell holds."""
    node, _, meter = cell.partition("|")
    return getattr(figures.levels[node], METERS[meter][2])


@dataclass(frozen=True)
class FilledSheet(Beside):
    """The controls, and ten readings of the session as they leave it; each is worth the same."""

    name: ClassVar[str] = "cells"

    @property
    def band(self) -> str:
        """How near each has to be."""
        return f"each within {WITHIN_DB:g} dB of what the session measures"

    def read_more(self, entry: Any, given: dict) -> list[float | None]:
        """Return ten numbers, None for cells left empty."""
        if not isinstance(entry, (list, tuple)) or len(entry) != len(given["cells"]):
            raise Unreadable(f"Give {len(given['cells'])} readings; {describe(entry)} is not that.")
        values, unread = [], []
        for cell, each in zip(given["cells"], entry, strict=True):
            if each is None or (isinstance(each, str) and not each.strip()):
                values.append(None)
                continue
            try:
                values.append(parse_number(each, METERS[cell.partition("|")[2]][1]))
            except Unreadable as problem:
                unread.append(f"{label(cell)}: {problem}")
        if unread:
            raise Unreadable(" ".join(unread))
        return values

    def judge(self, value: dict, key: Any, given: dict, values: list) -> Judgement:
        """Return which cells are off, about how far and which way; not what they read, which is what is asked."""
        figures = figures_of(value["controls"], given)
        said, right = [], 0
        for cell, entered in zip(given["cells"], value["cells"], strict=True):
            if entered is None:
                said.append(f"{label(cell)}: there is no entry yet")
                continue
            off = entered - reading(figures, cell)
            right += abs(off) <= WITHIN_DB
            if abs(off) > WITHIN_DB:
                said.append(
                    f"{label(cell)}: {number(entered, 1)} is {_about(abs(off))} too {'high' if off > 0 else 'low'}"
                )
        total = len(given["cells"])
        opening = f"{right} of {total} cells are within {WITHIN_DB:g} dB of what the session measures"
        return Judgement(right / total, sentences([opening, *said]))

    def show(self, value: dict, given: dict) -> str:
        """Return the readings of one right way; they follow from the controls."""
        rows = zip(given["cells"], value["cells"], strict=True)
        return "; ".join(f"{label(cell)} {number(each, 1)}" for cell, each in rows)


def _about(off):
    farther = next((limit for limit in FARTHER_DB if off > limit), WITHIN_DB)
    return f"more than {farther:g} dB"
