"""Needles: the VU movement and two quasi-peak ballistics.

Sources: IEC 60268-17 (VU: full-wave rectified average, 99 % in 300 ms, 1 to 1.5 % overshoot); IEC 60268-10 (quasi-peak
types I and II: bursts and return times). The damping and frequency of the movement follow from the VU clause; the
charging times are fitted to the burst tables, and type II needs two branches, as one charging time misses its shortest
bursts.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib import kernels_meters
from gainlib.audio import Audio
from gainlib.audio.types import checked_block, checked_run
from gainlib.errors import GainlibError
from gainlib.levels import ratio_to_db
from gainlib.meters.peak import TAPS, WINDOW_BETA, interpolator, windowed_sinc
from gainlib.meters.series import Joined, Series, feed

DAMPING = 0.8127
FREQUENCY_RAD_S = 13.512
HIGH_PASS_HZ = 2.0
TICKS_PER_SECOND = 1000
RECTIFIER_RATE_HZ = 44100
BETWEEN_TAPS = 32
HOVER_RANGE_DB = 20.0
SHORTEST_HOVER_S = 0.3


@dataclass(frozen=True)
class Ballistics:
    """A quasi-peak meter's speed.

    Parameters
    ----------
    charge_s : tuple of float
        Time constant of each branch; the reading is the mean of the branches.
    fall_db_per_s : float
        Return speed.
    """

    charge_s: tuple[float, ...]
    fall_db_per_s: float

    @property
    def steady_share(self) -> float:
        """What the branches hold of a steady sine's peak: between its crests they fall by what a crest recharges.

        With r the fall in nepers a second, a branch of time constant T stays under the peak by e, where
        e^1.5 = 3 π r T / (4 √2): the area of a sine's crest above 1 − e over the fall of half a period. It does not
        depend on the sine's frequency.
        """
        fall = self.fall_db_per_s * math.log(10.0) / 20.0
        under = [(3.0 * math.pi * fall * t / (4.0 * math.sqrt(2.0))) ** (2.0 / 3.0) for t in self.charge_s]
        return 1.0 - sum(under) / len(under)


BALLISTICS = {
    "I": Ballistics(charge_s=(1.36e-3,), fall_db_per_s=20.0 / 1.7),
    "II": Ballistics(charge_s=(1.116e-3, 4.935e-3), fall_db_per_s=24.0 / 2.8),
}


@lru_cache(maxsize=64)
def high_pass(rate_hz: int) -> np.ndarray:
    """Return gain and pole of the first-order 2 Hz high-pass at a sample rate, shape (2,)."""
    k = math.tan(math.pi * HIGH_PASS_HZ / rate_hz)
    return np.array([1.0 / (1.0 + k), (1.0 - k) / (1.0 + k)])


@lru_cache(maxsize=64)
def movement(rate_hz: int) -> np.ndarray:
    """Return the exact step of the second-order movement over one sample, drive held, shape (6,)."""
    decay, turn = DAMPING * FREQUENCY_RAD_S, FREQUENCY_RAD_S * math.sqrt(1.0 - DAMPING**2)
    fade = math.exp(-decay / rate_hz)
    cosine, sine = math.cos(turn / rate_hz), math.sin(turn / rate_hz)
    place_place = fade * (cosine + decay / turn * sine)
    place_speed = fade * sine / turn
    speed_place = -(FREQUENCY_RAD_S**2) * place_speed
    speed_speed = fade * (cosine - decay / turn * sine)
    return np.array([place_place, place_speed, 1.0 - place_place, speed_place, speed_speed, -speed_place])


@lru_cache(maxsize=64)
def between(rate_hz: int) -> np.ndarray:
    """Return the taps of the points between samples that the needle's rectifier takes in, shape (points, taps).

    With the samples they make 44.1 kHz or more; from that rate up there are none. A 1 kHz tone then reads right within
    0.02 dB wherever its samples fall.
    """
    factor = -(-RECTIFIER_RATE_HZ // rate_hz)
    return windowed_sinc(factor, BETWEEN_TAPS if factor > 1 else 2, WINDOW_BETA)[1:]


class NeedleMeter:
    """The VU movement over a signal pushed through in blocks.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels; the needle shows the mean of their rectified samples.
    alignment_dbfs : float
        Level of a sine that reads 0 VU.
    """

    def __init__(self, rate_hz: int, channels: int, alignment_dbfs: float = -18.0):
        self._rate_hz, self._channels = checked_run(rate_hz, channels)
        self._alignment_dbfs = alignment_dbfs
        self._blocked = np.zeros((channels, 2))
        self._between = between(self._rate_hz)
        self._joined = Joined(self._between.shape[1] - 1, channels)
        self._state, self._waiting = np.zeros(2), 0.0
        self._frames = 0
        self._ticks = []

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        block = checked_block(block, self._channels)
        room = np.empty(len(block) * TICKS_PER_SECOND // self._rate_hz + 2)
        drive = np.empty(len(block) + 1)
        if len(self._between):
            filtered = np.empty(block.shape)
            kernels_meters.high_pass(block, high_pass(self._rate_hz), self._blocked, filtered)
            drive, joined = drive[1:], self._joined(filtered)
            if joined.any():
                kernels_meters.rectified_mean(joined, self._between, drive)
            else:  # hours of silence are to be passed quickly
                drive[:] = 0.0
        else:
            # A sample late, as if there were points between that wait for the sample after them.
            drive[0] = self._waiting
            kernels_meters.rectified(block, high_pass(self._rate_hz), self._blocked, drive[1:])
            self._waiting, drive = drive[-1], drive[:-1]
        count = kernels_meters.needle(drive, movement(self._rate_hz), self._frames, self._rate_hz, self._state, room)
        self._frames += len(block)
        # Hours at rest take no memory.
        self._ticks.append(room[:count] if room[:count].any() else np.broadcast_to(0.0, count))

    def series(self) -> Series:
        """Return where the needle stood in VU, every millisecond; −inf at or under its rest."""
        place = np.concatenate([*self._ticks, np.zeros(0)])
        return Series(np.arange(1, place.size + 1) / TICKS_PER_SECOND, self._vu(place), "VU")

    def hover_and_highest_vu(self) -> tuple[float | None, float | None]:
        """Return the median over the time within 20 dB of the highest reading, None under 0.3 s, and that reading."""
        if not any(len(each) for each in self._ticks):
            return None, None
        vu = self._vu(np.concatenate([*(each[each > 0.0] for each in self._ticks), np.zeros(1)]))
        return hover(vu) if self._frames >= SHORTEST_HOVER_S * self._rate_hz else None, float(vu.max())

    def _vu(self, place):
        # A sine's rectified mean is 2/π of its peak.
        return ratio_to_db(np.maximum(place, 0.0) * (math.pi / 2.0)) - self._alignment_dbfs


def hover(vu: np.ndarray) -> float:
    """Return the median of the needle over the time it is within 20 dB of its own maximum; −inf for silence.

    Parameters
    ----------
    vu : array, shape (n,)
        Needle over time in VU, n at least 1.
    """
    highest = vu.max()
    return float(np.median(vu[vu >= highest - HOVER_RANGE_DB])) if highest > -math.inf else -math.inf


def vu_needle(audio: Audio, alignment_dbfs: float = -18.0) -> Series:
    """Return the VU needle over time, every millisecond, behind a 2 Hz high-pass (IEC 60268-17).

    Parameters
    ----------
    audio : Audio
        What is measured.
    alignment_dbfs : float
        Level of a sine that reads 0 VU.

    Returns
    -------
    Series
        In VU.

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> needle = vu_needle(tone(1000, -18.0, 3.0))
    >>> round(needle.highest, 1)
    0.1
    """
    return feed(NeedleMeter(audio.rate_hz, audio.channels, alignment_dbfs), audio).series()


class QuasiPeakMeter:
    """A quasi-peak meter over a signal pushed through in blocks; it reads the interpolated signal.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels; the reading is the worst of them.
    ballistics : {"I", "II"}
        Type of IEC 60268-10.
    """

    def __init__(self, rate_hz: int, channels: int, ballistics: str = "I"):
        if ballistics not in BALLISTICS:
            raise GainlibError(f"ballistics {ballistics!r} is unknown; I and II are the types of IEC 60268-10")
        rate_hz, self._channels = checked_run(rate_hz, channels)
        self._kind = BALLISTICS[ballistics]
        self._interpolator = interpolator(rate_hz)
        self._rate = rate_hz * self._interpolator.factor
        self._charge = np.array([-math.expm1(-1.0 / (t * self._rate)) for t in self._kind.charge_s])
        self._fall = 10.0 ** (-self._kind.fall_db_per_s / (20.0 * self._rate))
        self._joined = Joined(TAPS - 1, channels, self._interpolator.before)
        self._blocked = np.zeros((channels, 2))
        self._branches = np.zeros((channels, self._charge.size))
        self._highest = np.zeros(1)
        self._points = 0
        self._ticks = []

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        self._ticks.append(self._run(self._joined(checked_block(block, self._channels))))

    def series(self) -> Series:
        """Return the readings in dBFS, the highest in every millisecond, as if silence followed."""
        kept = self._blocked.copy(), self._branches.copy(), self._highest.copy(), self._points
        end = self._run(np.pad(self._joined.tail, ((0, self._interpolator.after), (0, 0))))
        self._blocked, self._branches, self._highest, self._points = kept
        held = np.concatenate([*self._ticks, end]) / self._kind.steady_share
        return Series(np.arange(1, held.size + 1) / TICKS_PER_SECOND, ratio_to_db(held), "dBFS")

    def _run(self, buffer):
        if len(buffer) < TAPS:
            return np.zeros(0)
        points = self._interpolator.between(buffer)
        kernels_meters.high_pass(points, high_pass(self._rate), self._blocked, points)
        room = np.empty(len(points) * TICKS_PER_SECOND // self._rate + 2)
        count = kernels_meters.quasi_peak(
            points, self._charge, self._fall, self._points, self._rate, self._branches, self._highest, room
        )
        self._points += len(points)
        return room[:count]


def quasi_peak(audio: Audio, ballistics: str = "I") -> Series:
    """Return a quasi-peak meter's reading over time in dBFS, behind a 2 Hz high-pass (IEC 60268-10).

    Parameters
    ----------
    audio : Audio
        What is measured; the worst channel is shown.
    ballistics : {"I", "II"}
        Type I: a 5 ms burst reads 2 dB low, return 20 dB in 1.7 s. Type II: 10 ms and 24 dB in 2.8 s.

    Returns
    -------
    Series
        Highest reading of every millisecond. A steady sine reads its peak.

    Raises
    ------
    GainlibError
        For other ballistics.
    """
    return feed(QuasiPeakMeter(audio.rate_hz, audio.channels, ballistics), audio).series()
