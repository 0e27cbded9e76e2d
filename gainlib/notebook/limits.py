"""How loud a player may be: what sources measure at the loudspeakers, and what everything is turned down by.

The limits are this workbook's own choice, made for safe classrooms. Loudness is measured as ITU-R BS.1770-5 does, a
mono source as the two loudspeakers it will come from.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib import meters
from gainlib.audio import Audio
from gainlib.meters.loudness import OFFSET_LU, k_coefficients
from gainlib.meters.peak import interpolator

START_LUFS = -30.0
CEILING_LUFS = -12.0
CEILING_DBTP = -6.0
MATCH_LU = 0.1
MOST_GAIN_DB = 24.0
SHORTEST_METERED_S = 0.4  # one block of the loudness meter


@dataclass(frozen=True)
class Heard:
    """What a source would measure at the loudspeakers if it were played as it is.

    Attributes
    ----------
    loudness_lufs : float
        Integrated loudness; the ungated K-weighted level if shorter than 0.4 s; −inf for silence.
    loudest_lufs : float
        Loudest 400 ms.
    true_peak_dbtp : float
        Worst channel.
    """

    loudness_lufs: float
    loudest_lufs: float
    true_peak_dbtp: float


@dataclass(frozen=True)
class Gains:
    """What the player does to the level of its sources, in dB.

    Attributes
    ----------
    match_db : tuple of float
        One a source, never positive: what makes all as loud as the softest.
    start_db : float
        Applied to everything at the start, never positive.
    ceiling_db : float
        The most that may be applied to everything.
    loudest_lufs, true_peak_dbtp : float
        Loudness of the loudest source and highest true peak after matching, before ``start_db``.
    """

    match_db: tuple[float, ...]
    start_db: float
    ceiling_db: float
    loudest_lufs: float
    true_peak_dbtp: float


def heard(audio: Audio) -> Heard:
    """Measure `audio` as it comes out of two loudspeakers; mono comes out of both."""
    pair = audio if audio.channels == 2 else audio.with_samples(np.repeat(audio.samples, 2, axis=1))
    peak = meters.true_peak_dbtp(pair)
    if audio.duration_s < SHORTEST_METERED_S:
        power = np.mean(meters.k_weighted(pair.samples, pair.rate_hz) ** 2, axis=0).sum()
        loudness = -0.691 + 10 * math.log10(power) if power > 0 else -math.inf
        return Heard(loudness, loudness, peak)
    loudness = meters.integrated_lufs(pair)
    return Heard(loudness, float(np.max(meters.momentary(pair).value)), peak)


def gains(sources: tuple[Heard, ...], match: bool = True, ceiling_dbtp: float = CEILING_DBTP) -> Gains:
    """Work out how much to turn down.

    Parameters
    ----------
    sources : tuple of Heard
        What is to be played.
    match : bool
        Whether all are made as loud as the softest that is not silent.
    ceiling_dbtp : float
        Highest true peak that may leave the workbook.

    Examples
    --------
    >>> found = gains((Heard(-20.0, -15.0, -3.0), Heard(-14.0, -10.0, 1.0)))
    >>> found.match_db, found.start_db, found.ceiling_db
    ((0.0, -6.0), -10.0, -3.0)
    """
    sounding = [s.loudness_lufs for s in sources if s.loudness_lufs > -math.inf]
    softest = min(sounding, default=0.0)
    match_db = tuple(
        round(softest - s.loudness_lufs, 2) + 0.0 if match and s.loudness_lufs > -math.inf else 0.0 for s in sources
    )
    after = [
        Heard(s.loudness_lufs + g, s.loudest_lufs + g, s.true_peak_dbtp + g)
        for s, g in zip(sources, match_db, strict=True)
    ]
    loudest = max(s.loudness_lufs for s in after)
    peak = max(s.true_peak_dbtp for s in after)
    room = [CEILING_LUFS - s.loudest_lufs for s in after] + [ceiling_dbtp - s.true_peak_dbtp for s in after]
    ceiling = _down_to_tenth(min(*room, MOST_GAIN_DB))
    start = _down_to_tenth(min(0.0, START_LUFS - loudest, ceiling)) if sounding else min(0.0, ceiling)
    return Gains(match_db, start, ceiling, loudest, peak)


def _down_to_tenth(db):
    return math.floor(round(db * 10, 6)) / 10  # rounding up would break the limit


@lru_cache(maxsize=8)
def guard_of(rate_hz: int, ceiling_dbtp: float = CEILING_DBTP) -> dict:
    """Return what the last limiter in the browser needs at a sample rate."""
    return {
        "weighting": k_coefficients(rate_hz).tolist(),
        "taps": interpolator(rate_hz).taps.tolist(),
        "power": 10.0 ** ((CEILING_LUFS - OFFSET_LU) / 10.0),
        "ceiling": 10.0 ** (ceiling_dbtp / 20.0),
    }
