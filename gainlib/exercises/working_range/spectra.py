"""The spectrum of a sound, in bins that are evenly spaced on a logarithmic scale."""

from functools import cache

import numpy as np

WINDOW = 4096
RATE_HZ = 48000
BINS = 240
LOW_HZ, HIGH_HZ = 20.0, 20000.0
_FLOOR = 1e-20


@cache
def bins_hz() -> np.ndarray:
    """Return the middles of the bins."""
    edges = _edges_hz()
    return np.sqrt(edges[1:] * edges[:-1])


def _edges_hz():
    return np.geomspace(LOW_HZ, HIGH_HZ, BINS + 1)


@cache
def _ends():
    """Return the first line of each bin and the one behind its last; a bin between two lines takes the nearest."""
    first, behind = np.searchsorted(np.fft.rfftfreq(WINDOW, 1.0 / RATE_HZ), [_edges_hz()[:-1], _edges_hz()[1:]])
    nearest = np.rint(bins_hz() * WINDOW / RATE_HZ).astype(int)
    empty = first == behind
    return np.where(empty, nearest, first), np.where(empty, nearest + 1, behind)


def spectrum_db(line: np.ndarray) -> np.ndarray:
    """Return the level of a sound in each bin: mean over windows and lines; a full-scale sine on a line reads 0.

    Every second window is taken, which is plenty for a picture and half the time.

    Parameters
    ----------
    line : array, shape (frames,)
        At 48 kHz, 4096 frames or more.

    Returns
    -------
    array, shape (BINS,)

    Examples
    --------
    >>> tone = np.sin(2 * np.pi * 8 / WINDOW * np.arange(4 * WINDOW))
    >>> bool(abs(spectrum_db(tone).max()) < 0.01)
    True
    """
    frames = line[: len(line) // WINDOW * WINDOW].reshape(-1, WINDOW)[::2]
    window = np.hanning(WINDOW)
    power = (np.abs(np.fft.rfft(frames * window, axis=1)) ** 2).mean(axis=0) * (2.0 / window.sum()) ** 2
    first, behind = _ends()
    sums = np.concatenate([[0.0], np.cumsum(power)])
    return 10.0 * np.log10(np.maximum((sums[behind] - sums[first]) / (behind - first), _FLOOR))
