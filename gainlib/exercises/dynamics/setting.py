"""A compressor to be set by hand: how much it takes while something plays, its bypass, and the peak behind it."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib.exercises.dynamics.readings import Squeezed, active_reduction_db, peak_dbfs, squeezed
from gainlib.exercises.model import Probes
from gainlib.exercises.practical import Control
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, grid, one_of
from gainlib.exercises.working_range.stages import STEMS, bar
from gainlib.levels import db_to_ratio
from gainlib.meters.average import averages
from gainlib.processors import Compressor

NAME = "compressor"
FIELDS = ("trim_db", "threshold_db", "makeup_db")
LOW_DB, HIGH_DB = -60.0, 24.0
WITHIN_DB, MATCH_DB, PEAK_DBFS = 0.5, 0.2, -1.0
ROOM_DB = 1.0
_STEPS = 14

DRAW = draws(
    stem=one_of(*STEMS),
    g=one_of(2, 3, 4),
    ratio=one_of(2, 3, 4),
    trim=grid(4, 12, 0.5),
    threshold=grid(-58, -50, 0.5),
    makeup=grid(12, 18, 0.5),
)


def controls(given: dict) -> tuple[Control, ...]:
    """Return trim, threshold and makeup as they are found: hot, low, and too loud."""
    starts = (given["trim"], given["threshold"], given["makeup"])
    units = ("dB", "dBFS", "dB")
    return tuple(
        Control(NAME, name, float(start), LOW_DB, HIGH_DB, unit)
        for name, start, unit in zip(FIELDS, starts, units, strict=True)
    )


# ------------------------------------------------------------------------------------------------------------- measured


@dataclass(frozen=True)
class Reading:
    """What is measured on a setting.

    Attributes
    ----------
    reduction_db : float
        Mean while something plays.
    most_db : float
        Largest reduction.
    difference_db : float
        Active against bypass, by energy; the trim is in both.
    peak_dbfs : float
        Highest sample behind the makeup.
    """

    reduction_db: float
    most_db: float
    difference_db: float
    peak_dbfs: float


@lru_cache(maxsize=4)
def sound(stem: str, ratio: float, trim_db: float, threshold_db: float) -> Squeezed:
    """Return a stem's bar behind a trim, before and after the compressor, makeup left out."""
    audio = bar(stem)
    fed = audio.with_samples(np.asarray(audio.samples, np.float64) * db_to_ratio(trim_db))
    return squeezed(fed, Compressor(threshold_db, ratio))


@lru_cache(maxsize=256)
def _read(stem, ratio, trim_db, threshold_db):
    through = sound(stem, ratio, trim_db, threshold_db)
    difference = averages(through.after).rms_dbfs - averages(through.before).rms_dbfs
    return active_reduction_db(through), float(through.reduction_db.max()), difference, peak_dbfs(through.after.samples)


def read(answer: dict, given: dict) -> Reading:
    """Return what a setting amounts to."""
    trim, threshold, makeup = (answer[NAME][name] for name in FIELDS)
    reduction, most, difference, peak = _read(given["stem"], given["ratio"], trim, threshold)
    return Reading(reduction, most, difference + makeup, peak + makeup)


def wanted(given: dict) -> tuple[float, float]:
    """Return the band of the mean reduction."""
    return given["g"] - WITHIN_DB, given["g"] + WITHIN_DB


def _reduced(found, given):
    low, high = wanted(given)
    return low <= found.reduction_db <= high


def _matched(found):
    return abs(found.difference_db) <= MATCH_DB


# --------------------------------------------------------------------------------------------------- answers and slips


def _answer(trim, threshold, makeup):
    return {NAME: dict(zip(FIELDS, (round(trim, 2), round(threshold, 2), round(makeup, 2)), strict=True))}


def by_the_book(given: dict, raised_db: float = 0.0) -> dict:
    """Return an answer: threshold for the reduction, makeup for the match, then both ends down for the peak.

    Parameters
    ----------
    given : dict
        The variant.
    raised_db : float
        By how much trim and threshold stand higher than the peak allows with a decibel to spare.
    """
    threshold, makeup, down = _book(given["stem"], given["ratio"], given["g"])
    return _answer(raised_db - down, threshold + raised_db - down, makeup)


@lru_cache(maxsize=64)
def _book(stem, ratio, wanted_db):
    low, high = LOW_DB + 20.0, 0.0
    for _ in range(_STEPS):
        middle = (low + high) / 2
        low, high = (middle, high) if _read(stem, ratio, 0.0, middle)[0] > wanted_db else (low, middle)
    threshold = round((low + high) / 2, 2)
    _, _, difference, peak = _read(stem, ratio, 0.0, threshold)
    return threshold, -difference, round(peak - difference - (PEAK_DBFS - ROOM_DB), 2)


def by_most(given: dict) -> dict:
    """Return an answer whose makeup is the largest reduction."""
    right = by_the_book(given)[NAME]
    return _answer(right["trim_db"], right["threshold_db"], read(by_the_book(given), given).most_db)


def unmatched(given: dict) -> dict:
    """Return an answer whose makeup is still where it was found."""
    right = by_the_book(given)[NAME]
    return _answer(right["trim_db"], right["threshold_db"], given["makeup"])


def made_up_by_most(answer: dict, given: dict) -> bool:
    """Whether the makeup is the largest reduction, which is too much."""
    found = read(answer, given)
    off = abs(answer[NAME]["makeup_db"] - found.most_db)
    return off <= MATCH_DB / 2 and _reduced(found, given) and not _matched(found) and not _untouched(answer, given)


def _untouched(answer, given):
    return abs(answer[NAME]["makeup_db"] - given["makeup"]) < 0.01


def makeup_left(answer: dict, given: dict) -> bool:
    """Whether the reduction is right and the makeup was not touched."""
    found = read(answer, given)
    return _reduced(found, given) and not _matched(found) and _untouched(answer, given)


def too_hot(answer: dict, given: dict) -> bool:
    """Whether all is well but the peak."""
    found = read(answer, given)
    return _reduced(found, given) and _matched(found) and found.peak_dbfs > PEAK_DBFS


def nudges(key: dict, given: dict) -> Probes:
    """Return moves within half of a band, and moves beyond."""
    trim, threshold, makeup = (key[NAME][name] for name in FIELDS)
    half, two = MATCH_DB / 2, 2 * MATCH_DB
    right = [_answer(trim, threshold, makeup + half), _answer(trim, threshold, makeup - half)]
    right.append(_answer(trim - 3.0, threshold - 3.0, makeup))
    wrong = [_answer(trim, threshold, makeup + two), _answer(trim, threshold, makeup - two)]
    wrong += [_answer(trim + 6.0, threshold, makeup), _answer(trim, threshold + 6.0, makeup)]
    return Probes(tuple(right), tuple(wrong))


def derivation(given: dict) -> str:
    """Return how it is set with this variant's numbers, in Markdown."""
    answer = by_the_book(given)
    found = read(answer, given)
    return fill(
        "With the trim at {trim:+.1f} dB, a threshold of {threshold:.1f} dBFS takes {mean:.2f} dB on average while "
        "something plays, and {most:.1f} dB at most. Measured behind it, a makeup of {makeup:+.2f} dB brings the "
        "energy back to that of the bypass. The peak is then {peak:.1f} dBFS. Any other trim does as well, if the "
        "threshold moves along and the peak stays under −1 dBFS.",
        {
            "trim": answer[NAME]["trim_db"],
            "threshold": answer[NAME]["threshold_db"],
            "makeup": answer[NAME]["makeup_db"],
            "mean": found.reduction_db,
            "most": found.most_db,
            "peak": found.peak_dbfs,
        },
    )
