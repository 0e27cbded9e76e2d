"""A take of drums, a held chord and hiss, with an offset: what its crest factor is worked out from.

A bar of two of the demo's stems, and noise that comes out the same everywhere. The readings are rounded as they are
shown, and the crest factor follows from the rounded ones.
"""

import math
from functools import lru_cache

import numpy as np

from gainlib.audio import Audio
from gainlib.demo.recordings import BARS, BEAT_S, RATE_HZ, recorded
from gainlib.demo.rng import chance, noise
from gainlib.exercises.variants import draws, grid, one_of
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters.average import SINE_CREST_DB, averages

DRUMS = ("01 kick", "02 snare", "03 overheads")
HELD = ("05 bass", "08 pad", "10 backing")
REFRAIN_BARS = 4
FADE_S = 0.005
ROOM = 0.98
# Under these a forgotten offset would change the crest factor by hardly more than the tolerance.
LEAST_PERCENT = ((-20.0, 2.0), (-12.0, 3.0))


def _tells(made):
    """Whether the offset is large enough for the level of the take."""
    return abs(made["offset_percent"]) >= np.interp(made["level_dbfs"], *zip(*LEAST_PERCENT, strict=True))


RECIPES = draws(
    drum=one_of(*DRUMS),
    held=one_of(*HELD),
    bar=one_of(*range(REFRAIN_BARS)),
    drum_db=one_of(-9, -6, -3, 0),
    hiss_db=one_of(-40, -34, -28),
    level_dbfs=grid(-20, -12, 0.1),
    offset_percent=grid(-5, 5, 0.1),
    where=_tells,
)
ROUNDED_TO = {"highest": 3, "lowest": 3, "offset": 3, "rms_dbfs": 2}


class Takes:
    """The draw of a take, and of what is read from it.

    How the take is made: ``drum``, ``held``, ``bar``, ``drum_db``, ``hiss_db``, ``level_dbfs``, ``offset_percent``.
    What is read: ``highest``, ``lowest`` and ``offset``, full scale = 1, and ``rms_dbfs``, sine-referred, offset taken
    off.
    """

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return a take with its readings; None where it would not fit below full scale."""
        made = RECIPES(rng)
        return {**made, **readings(made)} if np.abs(take(made).samples).max() <= ROOM else None

    def holds(self, given: dict) -> bool:
        """Whether the take could be drawn and reads as given; the last digit may differ on another machine."""
        return RECIPES.holds(given) and all(
            abs(given[name] - value) <= 1.01 * 10.0 ** -ROUNDED_TO[name] for name, value in readings(given).items()
        )


def readings(made: dict) -> dict[str, float]:
    """Return what the panel shows of a take, rounded as it is shown."""
    audio = take(made)
    read = averages(audio)
    exact = {
        "highest": float(audio.samples.max()),
        "lowest": float(audio.samples.min()),
        "offset": read.dc_offset,
        "rms_dbfs": read.rms_dbfs,
    }
    return {name: round(value, ROUNDED_TO[name]) for name, value in exact.items()}


def take(given: dict) -> Audio:
    """Return the take of a variant, mono."""
    names = ("drum", "held", "bar", "drum_db", "hiss_db", "level_dbfs", "offset_percent")
    return _made(*(given[name] for name in names))


@lru_cache(maxsize=32)
def _made(drum, held, bar, drum_db, hiss_db, level_dbfs, offset_percent):
    hits, chord = _bar(drum, bar), _bar(held, bar)
    hiss = noise(chance(bar, -hiss_db, DRUMS.index(drum), HELD.index(held)), len(hits))
    mixed = hits * db_to_ratio(drum_db) + chord + hiss * db_to_ratio(hiss_db)
    mixed -= mixed.mean()
    plain = math.sqrt(np.mean(mixed**2))
    mixed *= db_to_ratio(level_dbfs - SINE_CREST_DB) / plain
    return Audio(mixed + offset_percent / 100, RATE_HZ, "take")


@lru_cache(maxsize=32)
def _bar(stem, bar):
    """Return a bar of the refrain at an RMS of 1, both channels in one, its ends faded."""
    frames = round(4 * BEAT_S * RATE_HZ)
    start = round((BARS - REFRAIN_BARS + bar) * 4 * BEAT_S * RATE_HZ)
    samples = recorded(stem).samples[start : start + frames].astype(np.float64).mean(axis=1)
    fade = round(FADE_S * RATE_HZ)
    slope = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    samples[:fade] *= slope
    samples[-fade:] *= slope[::-1]
    return samples / math.sqrt(np.mean(samples**2))


def plain_rms_dbfs(given: dict) -> float:
    """Return the plain RMS that belongs to the reading: 3.01 dB under the sine-referred one."""
    return given["rms_dbfs"] - SINE_CREST_DB


def peak_dbfs(given: dict) -> float:
    """Return the sample peak, offset included."""
    return float(ratio_to_db(max(abs(given["highest"]), abs(given["lowest"]))))


def clear_peak(given: dict) -> float:
    """Return the highest distance of a sample from the offset, full scale = 1."""
    return max(given["highest"] - given["offset"], given["offset"] - given["lowest"])


def clear_peak_dbfs(given: dict) -> float:
    """Return the peak with the offset taken off."""
    return float(ratio_to_db(clear_peak(given)))


def crest_db(given: dict) -> float:
    """Return the crest factor: peak over plain RMS, both without the offset."""
    return clear_peak_dbfs(given) - plain_rms_dbfs(given)
