"""Where a weighted sum can peak: extremes of its parts, kept block by block on two levels.

The highest value of a sum is at most the sum of the highest values of its parts, each times its gain, and likewise
below (handbook algebra). Interpolation for true peak is linear too, so extremes of the interpolated parts bound the
true peak of the sum. Kept with their signs over short blocks they are tight where few parts differ: only a handful of
blocks can hold the peak, and only these are summed and measured.

Beside the parts stands their sum at one setting, the anchor. A sum near that setting is the anchor times a factor,
plus what little each part differs; that bound is the tighter one for a move of few faders or of all together.

A steady tone comes within a hair of its peak in every block. What could exceed the highest found by less than
0.0005 dB is therefore not looked at; and since between the samples it may stay higher than any sample, extremes of the
samples alone are kept as well, over the longer blocks.

The same bounds tell where a sum stands above a level: :func:`above` and :func:`worst`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from gainlib import kernels_mixing
from gainlib.session.cross_products import without_rounding

FINE_FRAMES = 32
FINE_IN_COARSE = 16
COARSE_FRAMES = FINE_FRAMES * FINE_IN_COARSE
_RUN = 1024
_RARE = 64  # bounding scattered blocks takes about so many times as long, each, as bounding runs of them
_FIRST_BATCH, _LARGEST_BATCH = 8, 512
_HAIR = 10 ** (0.0005 / 20)
_BATCH = 1024
_STEP = 10 ** (-0.5 / 20)
_REACH = 10 ** (-12 / 20)


class Envelope:
    """Lowest and highest value of some lanes, block by block, in 16 bit rounded outwards.

    Each lane has a range of its own, which is doubled when a value exceeds it.
    """

    def __init__(self, lanes: int, blocks: int):
        self.low = np.zeros((lanes, blocks), np.int16)
        self.high = np.zeros((lanes, blocks), np.int16)
        self.steps = np.full(lanes, 2.0**-20)

    def put(self, lane: int, first: int, low: np.ndarray, high: np.ndarray) -> None:
        """Set the blocks of a lane from `first` on."""
        reach = max(float(high.max(initial=0.0)), -float(low.min(initial=0.0)))
        while reach > 32000 * self.steps[lane]:
            self.low[lane] = np.floor_divide(self.low[lane], 2)
            self.high[lane] = -np.floor_divide(-self.high[lane], 2)
            self.steps[lane] *= 2.0
        self.low[lane, first : first + len(low)] = np.floor(low / self.steps[lane])
        self.high[lane, first : first + len(high)] = np.ceil(high / self.steps[lane])

    def coarser(self, children: int) -> "Envelope":
        """Return the envelope over runs of `children` blocks."""
        starts = np.arange(0, self.low.shape[1], children)
        out = Envelope(0, 0)
        out.low = np.ascontiguousarray(np.minimum.reduceat(self.low, starts, axis=1))
        out.high = np.ascontiguousarray(np.maximum.reduceat(self.high, starts, axis=1))
        out.steps = self.steps
        return out

    def bounds(self, gains: np.ndarray, parents: np.ndarray, children: int) -> np.ndarray:
        """Return what the weighted sum does not exceed in the blocks of some runs."""
        out = np.empty(len(parents) * children, np.float32)
        used = np.flatnonzero(gains)
        count = kernels_mixing.sum_bounds(self.low, self.high, used, gains * self.steps, parents, children, out)
        return out[:count]


@dataclass(frozen=True, eq=False)
class PeakBounds:
    """Lowest and highest value of the anchor and of each lane of one bus channel.

    Attributes
    ----------
    fine, coarse : Envelope
        On and between the samples, in blocks of 32 and of 512 frames; the anchor first, then the lanes.
    samples : Envelope
        On the samples, in blocks of 512 frames.
    anchor : array, shape (lanes,)
        The gains of the anchor.
    """

    fine: Envelope
    coarse: Envelope
    samples: Envelope
    anchor: np.ndarray

    @classmethod
    def of(cls, fine: Envelope, samples: Envelope, anchor: np.ndarray) -> "PeakBounds":
        """Return all levels from the finer one and that of the samples."""
        return cls(fine, fine.coarser(FINE_IN_COARSE), samples, anchor)

    def mixes(self, gains: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the two ways to write the sum: its lanes alone, and the anchor with what the lanes differ."""
        factor = _weighted_median(gains, self.anchor, self._reach())
        anchored = np.concatenate([[factor], without_rounding(gains, factor * self.anchor)])
        return np.concatenate([[0.0], gains]), anchored

    def _reach(self):
        peaks = np.maximum(self.coarse.high[1:].max(axis=1), -self.coarse.low[1:].min(axis=1))
        return peaks * self.coarse.steps[1:]

    def coarse_bounds(self, mixes, level: float) -> tuple[np.ndarray, np.ndarray]:
        """Return magnitudes that the sum does not exceed in the coarse blocks: anywhere, and on the samples.

        Where the first is under `level` neither is worked out to the end.
        """
        runs = np.arange(-(-self.coarse.low.shape[1] // _RUN))
        shorter, longer = sorted(mixes, key=np.count_nonzero)
        bound = self.coarse.bounds(shorter, runs, _RUN)
        _lower(bound, self.coarse, [longer], level)
        samples = bound.copy()
        _lower(samples, self.samples, mixes, level)
        return bound, samples

    def fine_bound(self, mixes, parents: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the fine blocks inside the coarse blocks `parents`, and a bound for each."""
        blocks = (parents[:, np.newaxis] * FINE_IN_COARSE + np.arange(FINE_IN_COARSE)).ravel()
        bounds = np.minimum(*(self.fine.bounds(mix, parents, FINE_IN_COARSE) for mix in mixes))
        return blocks[: len(bounds)], bounds


def _lower(bound, envelope, mixes, level):
    """Take other bounds into account, in the blocks that are above a level."""
    for mix in mixes:
        still = np.flatnonzero(bound > level)
        if len(still) > len(bound) // _RARE:
            runs = np.arange(-(-len(bound) // _RUN))
            np.minimum(bound, envelope.bounds(mix, runs, _RUN), out=bound)
        elif len(still):
            bound[still] = np.minimum(bound[still], envelope.bounds(mix, still, 1))


def _weighted_median(gains, anchor, reach):
    """Return the factor that makes Σ |gains − factor · anchor| · reach smallest."""
    weight = np.abs(anchor) * reach
    sounding = weight > 0.0
    if not sounding.any():
        return 0.0
    ratios, weight = gains[sounding] / anchor[sounding], weight[sounding]
    order = np.argsort(ratios)
    running = np.cumsum(weight[order])
    return float(ratios[order[np.searchsorted(running, running[-1] / 2)]])


@dataclass(frozen=True)
class Peak:
    """The highest magnitudes found.

    Attributes
    ----------
    sample, between : float
        On the samples; on and between them.
    side, block : int
        Where `between` stands: bus channel and fine block.
    work : int
        Blocks that had to be summed, each counted for every lane in its sum.
    mix : array or None
        Gains of the anchor and of each lane that gave the sum.
    """

    sample: float = 0.0
    between: float = 0.0
    side: int = 0
    block: int = 0
    work: int = 0
    mix: np.ndarray | None = None


class _Search:
    def __init__(self, evaluate, mixes):
        self._evaluate = evaluate
        self._shortest = [min(pair, key=np.count_nonzero) for pair in mixes]
        self._seen = set()
        self.sample = self.between = 0.0
        self.at, self.work = (0, 0), 0

    def look(self, side, blocks):
        fresh = [int(block) for block in blocks if (side, int(block)) not in self._seen]
        if not fresh:
            return
        self._seen.update((side, block) for block in fresh)
        self.work += len(fresh) * np.count_nonzero(self._shortest[side])
        samples, betweens = self._evaluate(side, np.array(fresh), self._shortest[side])
        best = int(np.argmax(betweens))
        self.sample = max(self.sample, float(samples.max()))
        if betweens[best] > self.between:
            self.between, self.at = float(betweens[best]), (side, fresh[best])

    def may_exceed(self, bounds, samples):
        """Return where a bound, or one on the samples, leaves room for more than was found."""
        return (bounds > _HAIR * self.between) | (samples > _HAIR * self.sample)

    def result(self):
        return Peak(self.sample, self.between, *self.at, self.work, self._shortest[self.at[0]])


def search(
    extremes: list[PeakBounds],
    gains: list[np.ndarray],
    evaluate: Callable[[int, np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]],
    first=(),
    patience: float = math.inf,
) -> Peak | None:
    """Find the sample peak and the true peak of the weighted sums, each within 0.0005 dB.

    Parameters
    ----------
    extremes : list of PeakBounds
        One for each bus channel.
    gains : list of array
        Gains of each channel's lanes.
    evaluate : callable
        Takes a bus channel, an array of fine blocks, and gains of the anchor and of each lane; returns the sum's
        sample peaks and true peaks there.
    first : iterable of (channel, block)
        Where to look first; a good guess saves work and changes nothing else.
    patience : float
        The most work, see :class:`Peak`.

    Returns
    -------
    peak : Peak or None
        None when the bounds are too loose for that much work.
    """
    mixes = [each.mixes(gain) for each, gain in zip(extremes, gains, strict=True)]
    found = _Search(evaluate, mixes)
    for side in range(len(extremes)):
        found.look(side, [block for at, block in first if at == side])
    coarse = [each.coarse_bounds(mix, found.sample) for each, mix in zip(extremes, mixes, strict=True)]
    for side in np.argsort([-bound.max(initial=0.0) for bound, _ in coarse]):
        bound, samples = coarse[side]
        top = np.array([np.argmax(bound)])
        blocks, bounds = extremes[side].fine_bound(mixes[side], top)
        found.look(int(side), blocks[np.argsort(bounds)[-_FIRST_BATCH:]])
        parents = np.flatnonzero(found.may_exceed(bound, samples))
        blocks, bounds = extremes[side].fine_bound(mixes[side], parents)
        inside = np.minimum(bounds, np.repeat(samples[parents], FINE_IN_COARSE)[: len(bounds)])
        if not _in_order(found, int(side), blocks, bounds, inside, patience):
            return None
    return found.result()


def _in_order(found, side, blocks, bounds, samples, patience):
    """Look into the blocks with the highest bounds first; return whether patience lasted."""
    order = np.argsort(-bounds)
    order, size = order[found.may_exceed(bounds[order], samples[order])], _FIRST_BATCH
    while len(order) and found.work <= patience:
        found.look(side, blocks[order[:size]])
        order, size = order[size:], min(2 * size, _LARGEST_BATCH)
        order = order[found.may_exceed(bounds[order], samples[order])]
    return not len(order)


class BusPeak(NamedTuple):
    """One of the worst instants of the bus.

    Attributes
    ----------
    time_s : float
        Time from the start; times the sample rate it is the frame.
    channel : int
        0 left, 1 right.
    value : float
        The bus there, signed, full scale 1.
    strips : dict of str to float
        What each strip has in it there, signed.
    """

    time_s: float
    channel: int
    value: float
    strips: dict[str, float]

    @property
    def rest(self) -> float:
        """What no single strip owns: the bus less the sum over strips; 0 within rounding when all is linear."""
        return self.value - sum(self.strips.values())


def above(survey, gains: list[np.ndarray], level: float, patience: float) -> tuple[np.ndarray, ...] | None:
    """Return frames, channels and values of the samples of a sum whose magnitude is above a level (full scale 1).

    None where it would be more work than `patience`: blocks to be summed, each counted for every lane in its sum.
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
    """Return frame, channel and value of the highest samples of a sum, worst first, at least `apart` frames apart.

    `highest` is the sum's sample peak. None where a level takes more work than `patience` (:func:`above`), or where
    they are more than 12 dB below the highest.
    """
    level = highest
    while level > _REACH * highest:
        level *= _STEP
        found = above(survey, gains, level, patience)
        if found is None:
            return None
        frames, channels, values = found
        chosen = spaced(frames, values, count, apart)
        if len(chosen) == count:
            return [(int(frames[k]), int(channels[k]), float(values[k])) for k in chosen]
    return None


def spaced(frames: np.ndarray, values: np.ndarray, count: int, apart: int) -> list[int]:
    """Return the places of the values of largest magnitude, largest first, whose frames lie at least `apart`."""
    chosen = []
    left = np.argsort(-np.abs(values), kind="stable")
    while len(left) and len(chosen) < count:
        chosen.append(int(left[0]))
        left = left[np.abs(frames[left] - frames[left[0]]) >= apart]
    return chosen
