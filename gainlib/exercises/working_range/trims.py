"""A stem at a drawn level, what meters read on it, and the trim that follows from the right one."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from gainlib.audio import Audio
from gainlib.demo.recordings import recorded
from gainlib.exercises.variants import draws, grid, one_of
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters.average import SINE_CREST_DB, averages

WITH_PAUSES = ("01 kick", "02 snare", "03 overheads", "04 toms", "06 guitar", "09 lead vocal", "10 backing")
REFERENCES_DBFS = (-20, -18, -16, -14)
ROUNDING_DB = 0.051

RECIPES = draws(stem=one_of(*WITH_PAUSES), gain_db=grid(-20, 8, 0.1), reference=one_of(*REFERENCES_DBFS))


class LevelledStems:
    """The draw of a stem, its gain and the reference, and of what is read from it.

    How it is made: ``stem``, ``gain_db``, ``reference``. What is read, in dBFS: ``active``, ``whole`` (RMS of the whole
    file) and ``peak``.
    """

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return a stem with its readings."""
        made = RECIPES(rng)
        return {**made, **readings(made)}

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn and reads as given; the last digit may differ on another machine."""
        own = readings(given) if RECIPES.holds(given) else {}
        return bool(own) and all(abs(given[name] - value) <= 2 * ROUNDING_DB for name, value in own.items())


@dataclass(frozen=True)
class _Clean:
    active_dbfs: float
    whole_dbfs: float
    peak_dbfs: float


@cache
def _clean(stem):
    read = averages(recorded(stem))
    return _Clean(read.active_dbfs, read.rms_dbfs, float(ratio_to_db(read.clear_peak)))


def readings(given: dict) -> dict[str, float]:
    """Return what is shown of a stem, rounded as it is shown; a gain shifts every reading by itself."""
    clean, gain = _clean(given["stem"]), given["gain_db"]
    exact = {"active": clean.active_dbfs, "whole": clean.whole_dbfs, "peak": clean.peak_dbfs}
    return {name: round(value + gain, 1) for name, value in exact.items()}


def levelled(given: dict) -> Audio:
    """Return the stem at its drawn level."""
    audio = recorded(given["stem"])
    return audio.with_samples((audio.samples * db_to_ratio(given["gain_db"])).astype(np.float32))


def trim_db(given: dict) -> float:
    """Return the trim that brings the active level to the reference."""
    return round(given["reference"] - given["active"], 1)


# -------------------------------------------------------------------------------------------------- two limits at once


def by_average(given: dict) -> float:
    """Return the trim that the average asks for."""
    return round(given["ref"] - given["A"], 1)


def by_peak(given: dict) -> float:
    """Return the highest trim that the peaks allow."""
    return round(given["Pm"] - given["P"], 1)


def crest_db(given: dict) -> float:
    """Return peak over plain active level."""
    return given["P"] - given["A"] + SINE_CREST_DB


def percussive(binds: str):
    """Return the draw of a percussive stem whose trim is bound by the "average" or by the "peak".

    Parameters
    ----------
    binds : {"average", "peak"}
        Which of the two rules is the tighter one.

    Returns
    -------
    Draws
        Active level ``A``, peak ``P``, reference ``ref``, highest peak ``Pm``, all in dBFS.
    """

    def fits(given):
        apart = by_peak(given) - by_average(given)
        wide = 10.0 <= crest_db(given) <= 24.0 and given["P"] <= 6.0
        return wide and (apart <= -1.0 if binds == "peak" else apart >= 1.0) and abs(by_average(given)) >= 1.0

    return draws(
        A=grid(-40, -10, 0.1),
        P=grid(-30, 6, 0.1),
        ref=one_of(*REFERENCES_DBFS),
        Pm=one_of(-6, -3, 0),
        where=fits,
    )
