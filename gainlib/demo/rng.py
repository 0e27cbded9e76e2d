"""Chance that comes out the same everywhere.

Only the raw words of a PCG64 generator are used. The algorithm fixes them, whereas NumPy does not promise the same
normal or shuffled numbers from one version to the next. A class marked next year must hear the noise of this year.
"""

from collections.abc import Sequence

import numpy as np

_LOW_HALVES = np.uint64(0x0000FFFF_0000FFFF)
_LOW_WORD = np.uint64(0xFFFFFFFF)
_MEAN = 4 * 65_535 / 2
_DEVIATION = np.sqrt(4 * (65_536**2 - 1) / 12)


def chance(*key: int) -> np.random.PCG64:
    """Return the generator of this key: the same whole numbers, the same chance."""
    return np.random.PCG64([int(part) for part in key])


def noise(source: np.random.PCG64, frames: int) -> np.ndarray:
    """Return white noise of unit RMS, close to normal: each sample is the sum of four uniform numbers.

    Samples lie between −3.47 and +3.47; the generator moves on by one word for each.

    Examples
    --------
    >>> hiss = noise(chance(1), 48_000)
    >>> round(float(hiss.std()), 2), round(float(abs(hiss).max()), 1)
    (1.0, 3.3)
    """
    words = source.random_raw(frames)
    pairs = (words & _LOW_HALVES) + (words >> np.uint64(16) & _LOW_HALVES)
    return ((pairs & _LOW_WORD) + (pairs >> np.uint64(32)) - _MEAN) / _DEVIATION


def uniform(source: np.random.PCG64, low: float = 0.0, high: float = 1.0) -> float:
    """Return a number from `low` up to `high`."""
    return low + (high - low) * (source.random_raw() / 2**64)


def varied(source: np.random.PCG64, spread: float) -> float:
    """Return a factor around 1 with the standard deviation `spread`: no two strokes of a hand are the same."""
    return 1 + spread * float(noise(source, 1)[0])


def pick(source: np.random.PCG64, choices: Sequence):
    """Return one of `choices`."""
    return choices[source.random_raw() % len(choices)]
