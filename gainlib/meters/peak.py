"""Peaks: the highest sample, the highest point between samples, and flat tops that speak of clipping.

Sources: AES17 (full scale), ITU-R BS.1770-4 Annex 2 (true peak). The interpolator is a windowed sinc, so that samples
themselves stay exactly as they are: true peak is never under sample peak, and it is linear. It raises the rate to
192 kHz or more and at least fourfold, so by Annex 2, Attachment 1 it under-reads a tone at 0.45 of the sample rate by
0.55 dB at most, and one at a quarter of it by 0.17 dB.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib import kernels_meters
from gainlib.audio import Audio
from gainlib.audio.types import as_block, checked_block, checked_run
from gainlib.levels import ratio_to_db
from gainlib.meters.average import averages
from gainlib.meters.series import Joined, feed

TAPS = 16
WINDOW_BETA = 4.5
MIN_RATE_HZ = 192000
MIN_FACTOR = 4

NEAR = 10.0 ** (-0.01 / 20.0)
EDGE = 10.0 ** (-0.35 / 20.0)
LONGEST_EDGE_S = 0.1


@dataclass(frozen=True, eq=False)
class Interpolator:
    """The one interpolator behind every true-peak reading; see :func:`interpolator`.

    Attributes
    ----------
    factor : int
        Points a sample period is divided into.
    taps : array, shape (factor, 16)
        ``taps[k]`` gives the point k / factor after sample n from samples n − 7 … n + 8. ``taps[0]`` is the sample
        itself.
    even, odd : array, shape (factor // 2, 8)
        Half the sum and half the difference of the taps and their mirror image, for the loops: the points k and
        factor − k share them.
    before, after : int
        Frames needed before and after a sample: 7 and 8. Outside of the audio they are silence.
    gain : float
        The most a point can exceed the highest sample magnitude around it: the largest sum of absolute taps.
    """

    factor: int
    taps: np.ndarray
    even: np.ndarray
    odd: np.ndarray
    gain: float
    before: int = TAPS // 2 - 1
    after: int = TAPS // 2

    def pad(self, samples: np.ndarray) -> np.ndarray:
        """Return samples of shape (frames, channels) with the silence around them that a whole signal needs."""
        return np.pad(as_block(samples), ((self.before, self.after), (0, 0)))

    def block_peaks(self, padded: np.ndarray, block_frames: int | None = None) -> np.ndarray:
        """Return the highest magnitude of every block and channel, on and between samples.

        Parameters
        ----------
        padded : array, shape (frames + 15, channels)
            Samples with 7 more frames before and 8 after: their neighbours, or silence at the ends of a signal.
        block_frames : int, optional
            Frames in a block; the last may be shorter. Default: one block.

        Returns
        -------
        array, shape (blocks, channels)
            Linear magnitudes. The point k / factor after a frame belongs to that frame.
        """
        padded = as_block(padded)
        frames = max(len(padded) - TAPS + 1, 0)
        size = block_frames or max(frames, 1)
        out = np.zeros((-(-frames // size), padded.shape[1]))
        self._run(padded, size, -1.0, out)
        return out

    def highest(self, padded: np.ndarray, floor: float = 0.0) -> float:
        """Return the overall highest magnitude or `floor`, whichever is larger; stretches too low are passed over."""
        padded = as_block(padded)
        out = np.zeros((1, padded.shape[1]))
        self._run(padded, max(len(padded), 1), floor, out)
        return max(floor, float(out.max()))

    def upsample(self, samples: np.ndarray) -> np.ndarray:
        """Return the interpolated samples, shape (frames × factor, channels), silence around them."""
        return self.between(self.pad(samples))

    def between(self, padded: np.ndarray) -> np.ndarray:
        """Return the interpolated samples of what was padded as for :meth:`block_peaks`."""
        padded = as_block(padded)
        frames, channels = len(padded) - TAPS + 1, padded.shape[1]
        out = np.empty((frames, self.factor, channels))
        for k, row in enumerate(self.taps):
            out[:, k] = sum(row[i] * padded[i : i + frames] for i in range(TAPS))
        return out.reshape(frames * self.factor, channels)

    def _run(self, padded, block_frames, floor, out):
        # A hair on the gain keeps the bound a bound when sums are rounded.
        gain = self.gain * (1.0 + 1e-9)
        kernels_meters.interpolated_peaks(padded, self.even, self.odd, block_frames, gain, floor, out)


def windowed_sinc(factor: int, taps: int, beta: float) -> np.ndarray:
    """Return interpolating taps under a Kaiser window, shape (factor, taps), read-only; row 0 is the sample itself."""
    distance = np.arange(factor)[:, np.newaxis] / factor - (np.arange(taps) - (taps // 2 - 1))
    window = np.i0(beta * np.sqrt(np.maximum(1.0 - (2.0 * distance / taps) ** 2, 0.0))) / np.i0(beta)
    table = np.sinc(distance) * window
    table[0] = np.arange(taps) == taps // 2 - 1
    table.flags.writeable = False
    return table


@lru_cache(maxsize=32)
def interpolator(rate_hz: int) -> Interpolator:
    """Return the true-peak interpolator of a sample rate: at least fourfold, to 192 kHz or more, an even factor.

    An even factor looks half-way between samples, where a tone of a quarter of the sample rate may have its peaks.

    Examples
    --------
    >>> [interpolator(rate).factor for rate in (8000, 44100, 48000, 96000)]
    [24, 6, 4, 4]
    """
    factor = max(MIN_FACTOR, 2 * -(-MIN_RATE_HZ // (2 * rate_hz)))
    taps = windowed_sinc(factor, TAPS, WINDOW_BETA)
    rows, half = taps[1 : factor // 2 + 1], TAPS // 2
    even = np.ascontiguousarray((rows[:, :half] + rows[:, : half - 1 : -1]) / 2)
    odd = np.ascontiguousarray((rows[:, :half] - rows[:, : half - 1 : -1]) / 2)
    for array in (even, odd):
        array.flags.writeable = False
    return Interpolator(factor, taps, even, odd, float(np.abs(taps).sum(axis=1).max()))


def upsample(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return samples as the true-peak meter sees them.

    Parameters
    ----------
    samples : array, shape (frames, channels)
        Full scale ±1.
    rate_hz : int
        Their sample rate.

    Returns
    -------
    array, shape (frames × factor, channels)
        Every sample, and the points between it and the next.
    """
    return interpolator(rate_hz).upsample(samples)


class TruePeakMeter:
    """True peak of a signal pushed through in blocks.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels; the reading is the worst of them.
    """

    def __init__(self, rate_hz: int, channels: int):
        rate_hz, self._channels = checked_run(rate_hz, channels)
        self._interpolator = interpolator(rate_hz)
        self._joined = Joined(TAPS - 1, channels, self._interpolator.before)
        self._highest = 0.0

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        joined = self._joined(checked_block(block, self._channels))
        self._highest = self._interpolator.highest(joined, self._highest)

    def magnitude(self) -> float:
        """Return the highest magnitude so far, full scale 1, as if silence followed."""
        end = np.pad(self._joined.tail, ((0, self._interpolator.after), (0, 0)))
        return self._interpolator.highest(end, self._highest)


def true_peak_dbtp(audio: Audio) -> float:
    """Return the true peak of the worst channel in dBTP; −inf for silence (BS.1770-4 Annex 2).

    Points from the first sample to one sample period after the last count; before and after stands silence, as when
    the file is played. A signal that is cut off in mid-swing therefore overshoots at the cut, by up to 1.1 dB.
    """
    return ratio_to_db(feed(TruePeakMeter(audio.rate_hz, audio.channels), audio).magnitude())


class FlatRunMeter:
    """Flat tops of a signal pushed through in blocks: runs of samples that clipping would leave.

    Runs are judged against the highest sample so far; those that turn out to lie more than 0.01 dB under the signal's
    own maximum are not counted.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels; runs of all of them are added.
    """

    def __init__(self, rate_hz: int, channels: int):
        rate_hz, self._channels = checked_run(rate_hz, channels)
        self._reach = max(int(rate_hz * LONGEST_EDGE_S), 3)
        self._joined = Joined(3 * self._reach, channels)
        self._states = np.zeros((2 * channels, 5))
        self._found = [[] for _ in self._states]

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        joined = self._joined(checked_block(block, self._channels))
        for found, levels in zip(self._found, self._search(joined, self._states), strict=True):
            if levels.size:
                found.append(levels)

    def count(self) -> int:
        """Return the number of runs so far, as if silence followed."""
        states, end = self._states.copy(), np.pad(self._joined.tail, ((0, self._reach + 1), (0, 0)))
        last = self._search(end, states)
        rows = zip(self._found, last, NEAR * states[:, 0], strict=True)
        return sum(int(np.count_nonzero(np.concatenate([*found, levels]) >= near)) for found, levels, near in rows)

    def _search(self, joined, states):
        """Return the levels of the runs on each side, those that still stand."""
        room = np.empty((len(states), (len(joined) - 3 * self._reach) // 4 + 2))
        counts = np.zeros(len(states), int)
        kernels_meters.flat_runs(joined, 2 * self._reach, self._reach, NEAR, EDGE, states, room, counts)
        levels = (line[:count] for line, count in zip(room, counts, strict=True))
        return [each[each >= near] for each, near in zip(levels, NEAR * states[:, 0], strict=True)]


def flat_runs(audio: Audio) -> int:
    """Count flat tops: three or more samples in a row within 0.01 dB of the file's positive or negative maximum.

    A run of r samples counts only if the sample r before it and the sample r after it lie 0.35 dB or more under the
    maximum, as the top of an unclipped low tone does not; runs of more than 0.1 s are tested at that distance. A
    limiter or a square wave gives the same picture. A signal whose peak without offset is under −90 dBFS has none.

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> bass = tone(50, 0.0, 1.0)
    >>> flat_runs(bass), flat_runs(bass.with_samples(bass.samples.clip(-0.7, 0.7)))
    (0, 100)
    """
    return 0 if averages(audio).silent else feed(FlatRunMeter(audio.rate_hz, audio.channels), audio).count()
