"""Eightfold oversampling for stages that bend: only what a curve adds to its input makes the trip up and down.

The input itself passes as a wire, delayed to match, so a straight stretch of a curve changes no bit, and a bypass lines
up to the sample. Three half-band filters double the rate one after the other: flat to 0.4 of the sample rate, their
own images 110 dB down. They are sincs under a Kaiser window (Kaiser's design formulas as in Oppenheim and Schafer,
Discrete-Time Signal Processing, section 7.6; from memory).
"""

from functools import lru_cache

import numpy as np

from gainlib import kernels

TAPS = (24, 9, 6)
WINDOW_BETA = 11.0
LOOK_AROUND = 1
TANH, BEND, CUT, HYSTERESIS = range(4)


@lru_cache(maxsize=1)
def half_bands() -> tuple[np.ndarray, ...]:
    """Return the one-sided taps of the three half-band filters, each summing to 1/2, read-only."""
    made = []
    for count in TAPS:
        distance = np.arange(count) + 0.5
        window = np.i0(WINDOW_BETA * np.sqrt(1.0 - (distance / count) ** 2))
        taps = np.sinc(distance) * window
        taps *= 0.5 / taps.sum()
        taps.flags.writeable = False
        made.append(taps)
    return tuple(made)


@lru_cache(maxsize=1)
def lost_top() -> np.ndarray:
    """Return what a trip up and down takes away, as a filter on the samples: middle and one side, read-only."""
    wave = np.ones(1)
    for taps in half_bands():
        whole = np.zeros(4 * len(taps) - 1)
        whole[::2] = np.concatenate([taps[::-1], taps])
        whole[2 * len(taps) - 1] = 1.0
        stretched = np.zeros(2 * len(wave) - 1)
        stretched[::2] = wave
        wave = np.convolve(stretched, whole)
    both = np.convolve(wave, wave)[len(wave) - 1 :: 8] / 8.0
    lost = -both
    lost[0] += 1.0
    lost.flags.writeable = False
    return lost


def _spans():
    """Return how many samples the way up and the way down look ahead."""
    up = TAPS[0] + TAPS[1] // 2 + TAPS[2] // 4 + 2 + LOOK_AROUND
    down = (2 * TAPS[2] + 6) // 8 + (2 * TAPS[1] + 2) // 4 + TAPS[0]
    return up, down


def latency() -> int:
    """Return the frames that a stage holds back."""
    return sum(_spans())


class Oversampled:
    """A static stage at work, its latency still in; see :func:`gainlib.kernels.static_stage`.

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
    """

    latency = latency()

    def __init__(self, kind: int, shape, end: float, channels: int):
        up, down = _spans()
        self._kind, self._limit, self._shape = kind, 2.0 * end, np.zeros(13)
        self._shape[: len(shape)] = shape
        self._history = np.zeros((channels, 2 * (up + down)))
        self._added = np.zeros((channels, 10, 2 * down))
        self._memory = np.zeros((channels, 5))

    def run(self, block: np.ndarray) -> np.ndarray:
        """Return as many frames as come in."""
        out = np.empty(block.shape)
        filters = (*half_bands(), lost_top())
        kernels.static_stage(
            block, self._kind, self._shape, self._limit, *filters, self._history, self._added, self._memory, out
        )
        return out
