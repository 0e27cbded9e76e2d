"""The samples of a weighted sum that stand above a level: the worst instants, and how many are over full scale."""

from typing import NamedTuple

import numpy as np

from gainlib.session.peak_bounds import FINE_FRAMES

_BATCH = 1024
_STEP = 10 ** (-0.5 / 20)
_REACH = 10 ** (-12 / 20)


class Instant(NamedTuple):
    """The bus at one sample.

    Attributes
    ----------
    time_s : float
    channel : int
        0 left, 1 right.
    value : float
        Signed, full scale 1.
    strips : dict of str to float
        What each strip has in it, by every way it takes.
    """

    time_s: float
    channel: int
    value: float
    strips: dict[str, float]


def above(survey, gains: list[np.ndarray], level: float, patience: float) -> tuple[np.ndarray, ...] | None:
    """Return the samples of a sum whose magnitude is above a level.

    Parameters
    ----------
    survey : Survey
    gains : list of array
        Of all lanes, left and right.
    level : float
        Full scale 1.
    patience : float
        The most work: blocks to be summed, each counted for every lane in its sum.

    Returns
    -------
    frames, channels, values : arrays, or None
        None where it would be more work.
    """
    found = [(np.zeros(0, int), np.zeros(0, int), np.zeros(0))]
    for side, gain in enumerate(gains):
        extremes = survey.extremes[side]
        mixes = extremes.mixes(gain)
        bound, samples = extremes.coarse_bounds(mixes, level)
        parents = np.flatnonzero((bound > level) & (samples > level))
        blocks, bounds = extremes.fine_bound(mixes, parents)
        blocks = blocks[bounds > level]
        mix = min(mixes, key=np.count_nonzero)
        patience -= len(blocks) * np.count_nonzero(mix)
        if patience < 0:
            return None
        for start in range(0, len(blocks), _BATCH):
            some = blocks[start : start + _BATCH]
            total = survey.sums_at(side, some, mix)[survey.interpolator.before :][:FINE_FRAMES]
            inside, column = np.nonzero(np.abs(total) > level)
            frames = some[column] * FINE_FRAMES + inside
            found.append((frames, np.full(len(frames), side), total[inside, column]))
    frames, channels, values = (np.concatenate(parts) for parts in zip(*found, strict=True))
    kept = frames < survey.frames
    return frames[kept], channels[kept], values[kept]


def worst(
    survey, gains, highest: float, count: int, apart: int, patience: float
) -> list[tuple[int, int, float]] | None:
    """Return the highest samples of a sum, worst first, at least so far apart.

    Parameters
    ----------
    survey, gains, patience
        As for :func:`above`; the patience is for each level that is looked at.
    highest : float
        The sum's sample peak.
    count : int
    apart : int
        Frames.

    Returns
    -------
    list of (frame, channel, value), or None
        None where that is too much work, or where they are more than 12 dB below the highest.
    """
    level = highest
    while level > _REACH * highest:
        level *= _STEP
        found = above(survey, gains, level, patience)
        if found is None:
            return None
        chosen = _apart(*found, count, apart)
        if len(chosen) == count:
            return chosen
    return None


def _apart(frames, channels, values, count, apart):
    """Choose the highest ones greedily."""
    chosen = []
    left = np.argsort(-np.abs(values), kind="stable")
    while len(left) and len(chosen) < count:
        best = left[0]
        chosen.append((int(frames[best]), int(channels[best]), float(values[best])))
        left = left[np.abs(frames[left] - frames[best]) >= apart]
    return chosen
