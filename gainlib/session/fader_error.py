"""A hand on a fader: it means a place and lands beside it, and it moves by millimetres, not by decibels.

The millimetres by which a hand misses are the same all along the travel (σ of half a millimetre is our own example
figure); what they amount to in dB is the slope of the law at that place.
"""

import math

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.levels import db_to_ratio
from gainlib.session.fader import FaderLaw, travel_db

RAMP_S = 0.030


def hits_db(law: FaderLaw, level_db: float, sigma_mm: float = 0.5, count: int = 60, seed: int = 0) -> np.ndarray:
    """Return where a hand lands that means one level: hits spread normally in mm, read in dB.

    Parameters
    ----------
    law : FaderLaw
        Travel of the fader.
    level_db : float
        What is meant.
    sigma_mm : float
        Standard deviation of the hand, in mm.
    count : int
        Number of hits.
    seed : int
        The same seed gives the same hand at every place.

    Returns
    -------
    array, shape (count,)
        dB off what was meant; a hit past an end of the travel stops there, at the bottom that is −∞.

    Examples
    --------
    >>> law = FaderLaw()
    >>> [round(float(np.std(hits_db(law, level, 0.5, 4000))), 2) for level in (0, -40)]
    [0.23, 0.73]
    """
    if not 0 <= sigma_mm < math.inf:
        raise GainlibError(f"a hand of σ = {sigma_mm} mm; give a finite number, 0 or more")
    off_mm = sigma_mm * np.random.Generator(np.random.PCG64(seed)).standard_normal(count)
    return moved_db(law, level_db, off_mm)


def moved_db(law: FaderLaw, level_db: float, by_mm) -> np.ndarray:
    """Return what a move in mm changes at one place, in dB.

    Parameters
    ----------
    law : FaderLaw
        Travel of the fader.
    level_db : float
        Where it stands.
    by_mm : array_like
        Moves in mm, positive is up; the ends of the travel stop them.

    Returns
    -------
    array
        Changes in dB, −∞ at the bottom.

    Examples
    --------
    >>> law = FaderLaw()
    >>> moved_db(law, 0, -2).round(2).item(), moved_db(law, -40, -2).round(2).item()
    (-0.94, -3.06)
    """
    start_mm = law.mm_at(level_db)
    if start_mm == 0:
        raise GainlibError("a closed fader has no level to move away from; open it first")
    new_mm = np.clip(start_mm + np.asarray(by_mm, float), 0.0, law.length_mm)
    return travel_db(law.exponent, start_mm, new_mm)


def spread_db(off_db) -> float:
    """Return how far hits spread: their standard deviation in dB, those at −∞ left out; 0 without any.

    Parameters
    ----------
    off_db : array_like
        dB off what was meant.

    Examples
    --------
    >>> spread_db([-1.0, 1.0, float("-inf")])
    1.0
    """
    off = np.asarray(off_db, float)
    off = off[np.isfinite(off)]
    return float(np.std(off)) if off.size else 0.0


def nudged(audio: Audio, change_db: float, every_s: float = 1.0) -> Audio:
    """Return a sound whose level steps to and fro, as when a hand moves a fader a little and takes it back.

    Parameters
    ----------
    audio : Audio
        Any sound.
    change_db : float
        The change; the sound begins without it.
    every_s : float
        Time between two moves; each takes 30 ms, so that none clicks.

    Returns
    -------
    Audio
        Same frames, channels and rate.

    Examples
    --------
    >>> steady = Audio(np.full(48000, 0.5), 48000)
    >>> moved = nudged(steady, -6.0206, every_s=0.5)
    >>> moved.samples[[0, -1], 0].round(3).tolist()
    [0.5, 0.25]
    """
    if not every_s > RAMP_S:
        raise GainlibError(f"moves every {every_s} s; each takes {RAMP_S} s, so give more")
    time_s = np.arange(audio.frames) / audio.rate_hz
    turn = np.floor(time_s / every_s)
    ramp = np.minimum((time_s - turn * every_s) / RAMP_S, 1.0)
    there = np.where(turn % 2 == 1, ramp, np.where(turn > 0, 1.0 - ramp, 0.0))
    gain = db_to_ratio(change_db * there)
    return audio.with_samples(audio.samples * gain[:, np.newaxis], audio.name)
