"""The sheet: ten cells drawn at random, held against what the session measures as its controls stand."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from gainlib.demo.chains import drawn as drawn_chains
from gainlib.exercises.capstone import assignment
from gainlib.exercises.capstone.measurements import Figures, figures_of
from gainlib.exercises.capstone.parts import Beside
from gainlib.exercises.model import Judgement, Probes
from gainlib.exercises.text import Unreadable, describe, parse_number
from gainlib.exercises.variants import pick, shuffled
from gainlib.levels.printing import number
from gainlib.session.strip import BUS

CELLS = 10
WITHIN_DB = 0.3
FARTHER_DB = (10.0, 3.0, 1.0)
METERS = {
    "active": "active level",
    "peak": "sample peak",
    "rms": "RMS",
    "true peak": "true peak",
    "loudness": "loudness",
}
UNITS = {"active": "dBFS", "peak": "dBFS", "rms": "dBFS", "true peak": "dBTP", "loudness": "LUFS"}
_FIELDS = {
    "active": "active_dbfs",
    "peak": "clear_peak_dbfs",
    "rms": "energy_dbfs",
    "true peak": "true_peak_dbtp",
    "loudness": "loudness_lufs",
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


class Sheets(assignment.Drawn):
    """The draw of a session and of ten cells of its sheet, one of them of the bus."""

    def __init__(self):
        super().__init__("sheet")

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
    return f"{place(node)}: {METERS[meter]} ({UNITS[meter]})"


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
    return getattr(figures.levels[node], _FIELDS[meter])


def statement_list(given: dict) -> str:
    """Return the cells as a list in Markdown."""
    return "\n".join(f"{k}. {label(cell)}" for k, cell in enumerate(given["cells"], start=1))


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
            raise Unreadable(f"Expected {len(given['cells'])} readings, got {describe(entry)}.")
        values, unread = [], []
        for cell, each in zip(given["cells"], entry, strict=True):
            if each is None or (isinstance(each, str) and not each.strip()):
                values.append(None)
                continue
            try:
                values.append(parse_number(each, UNITS[cell.partition("|")[2]]))
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
                said.append(f"{label(cell)}: no entry yet")
                continue
            off = entered - reading(figures, cell)
            right += abs(off) <= WITHIN_DB
            if abs(off) > WITHIN_DB:
                said.append(
                    f"{label(cell)}: {number(entered, 1)}, {_about(abs(off))} too {'high' if off > 0 else 'low'}"
                )
        total = len(given["cells"])
        opening = f"{right} of {total} cells within {WITHIN_DB:g} dB of what the session measures, wanted {total}"
        return Judgement(right / total, "; ".join([opening, *said]))

    def probes(self, key: Any, given: dict) -> Probes:
        """A tenth of a dB off is right, all cells off are wrong."""
        near = {**key, "cells": [round(each + 0.1, 1) for each in key["cells"]]}
        far = {**key, "cells": [round(each - 2 * WITHIN_DB, 1) for each in key["cells"]]}
        short = {**key, "cells": key["cells"][:-1]}
        bad = {**key, "cells": ["loud", *key["cells"][1:]]}
        return Probes((key, near), (far,), (*self.invalid(key), short, bad, {**key, "cells": "−18 dBFS"}))

    def show(self, value: dict, given: dict) -> str:
        """Return the readings of one right way; they follow from the controls."""
        rows = zip(given["cells"], value["cells"], strict=True)
        return "; ".join(f"{label(cell)} {number(each, 1)}" for cell, each in rows)


def _about(off):
    farther = next((limit for limit in FARTHER_DB if off > limit), WITHIN_DB)
    return f"more than {farther:g} dB"
