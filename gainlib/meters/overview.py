"""A signal from end to end: its outline, and how often it is at which level."""

import numpy as np


def envelope_of(samples, columns: int = 1200) -> tuple[np.ndarray, np.ndarray]:
    """Return the lowest and the highest sample of each column of a waveform picture.

    Parameters
    ----------
    samples : array, shape (frames, channels)
        Signal.
    columns : int
        Wanted number of columns; fewer come back when there are fewer frames.

    Returns
    -------
    low, high : arrays, shape (columns,)
        Over all channels.

    Examples
    --------
    >>> low, high = envelope_of(np.array([[0.1], [-0.5], [0.9], [0.2]]), columns=2)
    >>> low.tolist(), high.tolist()
    ([-0.5, 0.2], [0.1, 0.9])
    """
    samples = np.asarray(samples)
    columns = min(columns, len(samples))
    starts = np.arange(columns) * len(samples) // columns
    return np.minimum.reduceat(samples, starts).min(axis=1), np.maximum.reduceat(samples, starts).max(axis=1)


def level_counts(samples, edges_db) -> np.ndarray:
    """Return the share of samples, in percent, whose level lies in each bin.

    Parameters
    ----------
    samples : array
        Any shape.
    edges_db : sequence of float
        Rising bin edges in dBFS; what lies beyond the ends counts to the end bins, digital silence to the first.

    Returns
    -------
    array
        One share a bin.

    Examples
    --------
    >>> level_counts(np.array([0.0, 0.4, 0.6, 2.0]), [-60, -6, 0, 6]).tolist()
    [50.0, 25.0, 25.0]
    """
    edges = 10 ** (np.asarray(edges_db, float) / 20)
    place = np.searchsorted(edges[1:-1], np.abs(np.asarray(samples)).ravel(), side="right")
    return 100 * np.bincount(place, minlength=len(edges) - 1) / place.size
