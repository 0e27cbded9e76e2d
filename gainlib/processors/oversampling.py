"""Oversampling for stages that bend: only what a curve adds to its input makes the trip up and down.

The input itself passes as a wire, delayed to match, so a straight stretch of a curve changes no bit, and a bypass lines
up to the sample. Half-band filters double the rate three times, up to six times for curves that are bent hard: flat to
0.4 of the sample rate, their own images 110 dB down. They are sincs under a Kaiser window (Kaiser's design formulas as
in Oppenheim and Schafer, Discrete-Time Signal Processing, section 7.6; from memory).
"""

from functools import lru_cache

import numpy as np

from gainlib import kernels_saturation

TAPS = (24, 9, 6, 5, 5, 4)
WINDOW_BETA = 11.0
TANH, BEND, CUT, HYSTERESIS = range(4)


@lru_cache(maxsize=4)
def half_bands(doublings: int) -> np.ndarray:
    """Return one side of the half-band filters, each summing to 1/2; shape (doublings, 24), zeros behind, read-only."""
    bands = np.zeros((doublings, TAPS[0]))
    for band, count in zip(bands, TAPS, strict=False):
        distance = np.arange(count) + 0.5
        taps = np.sinc(distance) * np.i0(WINDOW_BETA * np.sqrt(1.0 - (distance / count) ** 2))
        band[:count] = taps * (0.5 / taps.sum())
    bands.flags.writeable = False
    return bands


@lru_cache(maxsize=4)
def lost_top(doublings: int) -> np.ndarray:
    """Return what a trip up and down takes away, as a filter on the samples: middle and one side, read-only."""
    wave = np.ones(1)
    for band, count in zip(half_bands(doublings), TAPS, strict=False):
        whole = np.zeros(4 * count - 1)
        whole[::2] = np.concatenate([band[:count][::-1], band[:count]])
        whole[2 * count - 1] = 1.0
        stretched = np.zeros(2 * len(wave) - 1)
        stretched[::2] = wave
        wave = np.convolve(stretched, whole)
    factor = 2**doublings
    lost = -np.convolve(wave, wave)[len(wave) - 1 :: factor] / factor
    lost[0] += 1.0
    lost.flags.writeable = False
    return lost


class Oversampled:
    """A static stage at work, its latency still in; see :func:`gainlib.kernels_saturation.static_stage`.

    Parameters
    ----------
    kind : int
        ``TANH``, ``BEND``, ``CUT`` or ``HYSTERESIS``.
    shape : sequence of float
        Numbers of the curve.
    end : float
        Highest magnitude of the curve. Band-limited, it may be passed by a few decibels, but never by more than 6 dB.
    channels : int
        Number of channels.
    doublings : int
        3 to 6.
    """

    def __init__(self, kind: int, shape, end: float, channels: int, doublings: int = 3):
        # One sample more on the way up: a hard clip looks at the points around those it works on.
        span = sum(1 + (count - 1 >> level) for level, count in enumerate(TAPS[:doublings]))
        self.latency = 2 * span + 1
        self._kind, self._limit, self._shape = kind, 2.0 * end, np.zeros(13)
        self._shape[: len(shape)] = shape
        self._filters = half_bands(doublings), np.array(TAPS[:doublings]), lost_top(doublings)
        self._history = np.zeros((channels, 2 * self.latency))
        self._added = np.zeros((channels, 2**doublings + 2, 2 * span))
        self._memory = np.zeros((channels, 5))

    def run(self, block: np.ndarray) -> np.ndarray:
        """Return as many frames as come in."""
        out = np.empty(block.shape)
        state = self._history, self._added, self._memory
        kernels_saturation.static_stage(block, self._kind, self._shape, self._limit, *self._filters, *state, out)
        return out
