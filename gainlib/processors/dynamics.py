"""Dynamics: a gain that follows the level. All channels share one gain, the loudest decides.

Textbook models, not of any particular device. A time constant τ is the time to 63 % of the way: exp(−1/(τ·rate)) a
sample.

Sources: Giannoulis, Massberg, Reiss, "Digital Dynamic Range Compressor Design", JAES 60(6), 399–408, 2012 (static curve
with knee, smoothing by branches in the decibel domain); ITU-R BS.1770-4 Annex 2 (true peak).
"""

import math
from dataclasses import dataclass

import numpy as np

from gainlib import kernels_dynamics
from gainlib.audio import Audio
from gainlib.meters import interpolator
from gainlib.processors.base import Aligned, Processor, number

WORKING_REDUCTION_DB = 6.0
LONGEST_HOLD_S = 0.020
SHORTEST_RAMP_FRAMES = 12
NEPERS = math.log(10.0) / 20.0


def _pole(time_s, rate_hz):
    return math.exp(-1.0 / (time_s * rate_hz)) if time_s > 0 else 0.0


class _Peaks:
    """Highest magnitude on each sample and between it and the next, over all channels, `latency` frames late."""

    def __init__(self, rate_hz, channels):
        self._eye = interpolator(rate_hz)
        self.latency = self._eye.after
        self._seen = np.zeros((self._eye.before + self._eye.after, channels))

    def next(self, block):
        """Return the samples, late, and their peaks."""
        eye, peaks = self._eye, np.empty(len(block))
        seen = np.concatenate([self._seen, block])
        self._seen = seen[len(block) :].copy()
        kernels_dynamics.interpolated_maxima(seen, eye.even, eye.odd, peaks)
        return seen[eye.before : eye.before + len(block)], peaks


class _Queue:
    """Room for the highest value of the last `length` frames."""

    def __init__(self, length):
        self.length, self.position = length, 0
        self.parts = np.zeros(length + 1), np.zeros(length + 1, np.int64), np.zeros(2, np.int64)


def _followed(audio, frames):
    """Return float64 samples followed by some frames of silence."""
    return np.pad(np.asarray(audio.samples, dtype=np.float64), ((0, frames), (0, 0)))


def over_the_knee(over_db: np.ndarray, knee_db: float) -> np.ndarray:
    """Return by how much a level counts as over a threshold that it is over by `over_db` (Giannoulis et al., eq. 4)."""
    half = knee_db / 2.0
    inside = (over_db + half) ** 2 / (2.0 * knee_db) if knee_db > 0 else 0.0
    return np.where(over_db >= half, np.maximum(over_db, 0.0), np.where(over_db > -half, inside, 0.0))


@dataclass(frozen=True)
class Compressor(Processor):
    """Turn down by a share of what the peak level exceeds a threshold by.

    The level is the highest point, on samples or between them, of the last 20 ms (of half the release time, if that is
    less), so that the static curve holds for the peak level of any steady sine from 25 Hz up. The reduction in dB then
    approaches what the curve asks for with the attack time when it grows and the release time when it falls; the hold
    is part of the release time. Feed-forward, channels linked. A textbook model, not of any particular device.

    Parameters
    ----------
    threshold_dbfs : float
        Peak level where it starts (the middle of the knee).
    ratio : float
        Input dB for one output dB above; 1 does nothing.
    knee_db : float
        Width of the knee; 0 is a corner.
    attack_s, release_s : float
        Time to 63 % of a growing, of a falling reduction.
    makeup_db : float
        Fixed gain behind.

    Examples
    --------
    >>> Compressor(-20, 4, 0).static_db([-30.0, -20.0, -10.0]).tolist()
    [-30.0, -20.0, -17.5]
    """

    threshold_dbfs: float = number(-20.0)
    ratio: float = number(3.0, 1.0)
    knee_db: float = number(6.0, 0.0)
    attack_s: float = number(0.010, 0.0)
    release_s: float = number(0.120, 0.0)
    makeup_db: float = number(0.0, -120.0, 120.0)

    @property
    def reference_dbfs(self) -> float:
        """Average level at which it works well: 6 dB over the threshold (common practice, no source)."""
        return self.threshold_dbfs + WORKING_REDUCTION_DB

    def static_db(self, level_dbfs) -> np.ndarray:
        """Return the output level of a steady input level, both peak levels in dBFS."""
        over = np.asarray(level_dbfs, dtype=np.float64) - self.threshold_dbfs
        reduction = (1.0 - 1.0 / self.ratio) * over_the_knee(over, self.knee_db)
        return over + self.threshold_dbfs - reduction + self.makeup_db

    def reduction_db(self, audio: Audio) -> np.ndarray:
        """Return the gain reduction of every frame in dB, not negative, without makeup; shape (frames,)."""
        following = _Following(self, audio.rate_hz, audio.channels)
        return following.reduction(_followed(audio, following.latency))[following.latency :]

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        following = _Following(self, rate_hz, channels)
        return Aligned(following.run, channels, following.latency)


class _Following:
    def __init__(self, owner, rate_hz, channels):
        hold_s = min(LONGEST_HOLD_S, owner.release_s / 2.0)
        self._queue = _Queue(max(1, round(hold_s * rate_hz)))
        release = _pole(owner.release_s - hold_s, rate_hz)
        slope = 1.0 - 1.0 / owner.ratio
        attack = _pole(owner.attack_s, rate_hz)
        self._settings = np.array([owner.threshold_dbfs, slope, owner.knee_db, attack, release], dtype=np.float64)
        self._makeup, self._state = 10.0 ** (owner.makeup_db / 20.0), np.zeros(1)
        self._peaks = _Peaks(rate_hz, channels)
        self.latency = self._peaks.latency

    def reduction(self, block):
        return self._reduction(*self._peaks.next(block))[1]

    def run(self, block):
        samples, reduction = self._reduction(*self._peaks.next(block))
        return samples * (self._makeup * np.exp(-NEPERS * reduction))[:, np.newaxis]

    def _reduction(self, samples, peaks):
        queue, out = self._queue, np.empty(len(samples))
        kernels_dynamics.compressor_reduction(
            peaks, self._settings, queue.length, queue.position, *queue.parts, self._state, out
        )
        queue.position += len(samples)
        return samples, out


@dataclass(frozen=True)
class Limiter(Processor):
    """Keep the true peak under a ceiling: look ahead, ramp the gain down in time, let it rise slowly.

    The gain is min(1, ceiling / true peak), its lowest value over the look-ahead, released by one pole, then averaged
    over the look-ahead, which makes a ramp of each step. As a moving gain shifts the peaks between samples by a few
    hundredths of a decibel, a second pass takes what the first left over. Linear up to the ceiling; channels linked. A
    textbook model, not of any particular device.

    Parameters
    ----------
    ceiling_dbtp : float
        Highest true peak.
    lookahead_s : float
        Time of the ramp, twelve samples at least; its latency is cut.
    release_s : float
        Time to 63 % of the way back.
    """

    ceiling_dbtp: float = number(-1.0)
    lookahead_s: float = number(0.002, 0.0, 1.0)
    release_s: float = number(0.080, 0.0)

    def static_db(self, level_dbfs) -> np.ndarray:
        """Return the peak level of a steady sine that comes in at `level_dbfs`."""
        return np.minimum(level_dbfs, float(self.ceiling_dbtp))

    def reduction_db(self, audio: Audio) -> np.ndarray:
        """Return the gain reduction of every frame in dB, not negative; shape (frames,)."""
        first, second = (_Limiting(self, audio.rate_hz, audio.channels) for _ in range(2))
        out, early = first.run_with_gain(_followed(audio, first.latency + second.latency))
        late = second.run_with_gain(out)[1]
        gain = early[first.latency : first.latency + audio.frames] * late[first.latency + second.latency :]
        return np.maximum(-20.0 * np.log10(gain), 0.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        first, second = (_Limiting(self, rate_hz, channels) for _ in range(2))
        return Aligned(lambda block: second.run(first.run(block)), channels, first.latency + second.latency)


class _Limiting:
    def __init__(self, owner, rate_hz, channels):
        self._ceiling, self._release = 10.0 ** (owner.ceiling_dbtp / 20.0), _pole(owner.release_s, rate_hz)
        ahead = max(SHORTEST_RAMP_FRAMES, round(owner.lookahead_s * rate_hz))
        self._peaks, self._queue = _Peaks(rate_hz, channels), _Queue(ahead + 1)
        self._ring, self._state = np.zeros(ahead + 1), np.zeros(2)
        self._waiting = np.zeros((ahead, channels))
        self.latency = ahead + self._peaks.latency

    def run(self, block):
        return self.run_with_gain(block)[0]

    def run_with_gain(self, block):
        """Return the frames `latency` late, and the gain of each of them."""
        samples, peaks = self._peaks.next(block)
        queue, gain = self._queue, np.empty(len(block))
        kernels_dynamics.limiter_gain(
            peaks, self._ceiling, self._release, queue.position, *queue.parts, self._ring, self._state, gain
        )
        queue.position += len(block)
        waiting = np.concatenate([self._waiting, samples])
        self._waiting = waiting[len(block) :].copy()
        return waiting[: len(block)] * gain[:, np.newaxis], gain


@dataclass(frozen=True)
class Gate(Processor):
    """Let through what is loud, turn down what is soft.

    It opens with the first sample at `open_dbfs`, and closes when for the hold time none has reached the closing level,
    `hysteresis_db` lower. The gain goes to 1 and back by one pole each. It starts closed; channels linked. A textbook
    model, not of any particular device.

    Parameters
    ----------
    open_dbfs : float
        Sample level that opens it.
    hysteresis_db : float
        How far under that the closing level lies.
    range_db : float
        Attenuation when closed.
    attack_s, hold_s, release_s : float
        Time to 63 % of the way open, time it stays open, time to 63 % of the way closed.
    """

    open_dbfs: float = number(-50.0)
    hysteresis_db: float = number(4.0, 0.0)
    range_db: float = number(60.0, 0.0)
    attack_s: float = number(0.001, 0.0)
    hold_s: float = number(0.040, 0.0)
    release_s: float = number(0.120, 0.0)

    def static_db(self, level_dbfs) -> np.ndarray:
        """Return the peak level of a steady sine that comes in at `level_dbfs` and finds the gate closed."""
        level = np.asarray(level_dbfs, dtype=np.float64)
        return np.where(level >= self.open_dbfs, level, level - self.range_db)

    def reduction_db(self, audio: Audio) -> np.ndarray:
        """Return the attenuation of every frame in dB, 0 … range; shape (frames,)."""
        gain = _Gating(self, audio.rate_hz).gain(np.ascontiguousarray(audio.samples, dtype=np.float64))
        return np.maximum(-20.0 * np.log10(gain), 0.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        return Aligned(_Gating(self, rate_hz).run, channels)


class _Gating:
    def __init__(self, owner, rate_hz):
        opening, closing = (
            10.0 ** (level / 20.0) for level in (owner.open_dbfs, owner.open_dbfs - owner.hysteresis_db)
        )
        closed = 10.0 ** (-owner.range_db / 20.0)
        rise, fall = _pole(owner.attack_s, rate_hz), _pole(owner.release_s, rate_hz)
        self._settings = np.array([opening, closing, closed, rise, fall])
        self._hold = round(owner.hold_s * rate_hz)
        self._state, self._left = np.array([closed]), np.zeros(1, np.int64)

    def gain(self, block):
        out = np.empty(len(block))
        kernels_dynamics.gate_gain(block, self._settings, self._hold, self._state, self._left, out)
        return out

    def run(self, block):
        return block * self.gain(block)[:, np.newaxis]
