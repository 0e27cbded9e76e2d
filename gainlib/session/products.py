"""Energies of a weighted sum without the sum: products between its parts, kept hop by hop.

K-weighting and summing are linear. With x_i the K-weighted parts and g_i their gains, the energy of a hop is the
quadratic form ``Σ_ij g_i g_j ⟨x_i, x_j⟩`` (handbook algebra), so that the products of a hop give its energy for any
gains. They are kept for hops of 10 ms, and added up for hops of 100 ms; windows that start off the 100 ms grid are
bounded by the hops they touch, and worked out only when they may hold the maximum.
"""

from dataclasses import dataclass

import numpy as np

FINE_PER_S = 100
FINE_IN_COARSE = 10
_BATCH = 32


def hop_edges(frames: int, rate_hz: int, per_second: int = FINE_PER_S) -> np.ndarray:
    """Return the first frame of every full hop and the end of the last one, rounded to the nearest frame.

    Examples
    --------
    >>> hop_edges(1000, 44100).tolist()
    [0, 441, 882]
    """
    count = frames * per_second // rate_hz + 1
    edges = (2 * np.arange(count + 1) * rate_hz + per_second) // (2 * per_second)
    return edges[edges <= frames]


class ProductsBuilder:
    """Collects the products of one bus channel's lanes while their audio passes by.

    Parameters
    ----------
    lanes : int
    edges : array of int
        Hop borders, see :func:`hop_edges`.
    """

    def __init__(self, lanes: int, edges: np.ndarray):
        self._edges = edges
        self._position = 0
        self._fine = np.zeros((max(len(edges) - 1, 0), lanes, lanes))

    def push(self, block: np.ndarray) -> None:
        """Take the next K-weighted frames of every lane, shape (lanes, frames)."""
        start, stop = self._position, self._position + block.shape[1]
        self._position = stop
        first = np.searchsorted(self._edges, start, side="right") - 1
        for hop in range(first, len(self._fine)):
            left, right = max(self._edges[hop], start), min(self._edges[hop + 1], stop)
            if left >= stop:
                break
            part = block[:, left - start : right - start]
            self._fine[hop] += part @ part.T

    def result(self) -> "Products":
        """Return the products."""
        whole = len(self._fine) // FINE_IN_COARSE
        lanes = self._fine.shape[1]
        coarse = self._fine[: whole * FINE_IN_COARSE].reshape(whole, FINE_IN_COARSE, lanes, lanes).sum(axis=1)
        return Products(self._fine, coarse)


@dataclass(frozen=True, eq=False)
class Products:
    """Products between the lanes of one bus channel.

    Attributes
    ----------
    fine : array, shape (hops of 10 ms, lanes, lanes)
    coarse : array, shape (hops of 100 ms, lanes, lanes)
    """

    fine: np.ndarray
    coarse: np.ndarray

    def coarse_energy(self, gains: np.ndarray) -> np.ndarray:
        """Return the energy of every 100 ms hop of the sum with these gains, one a lane."""
        return _forms(self.coarse, gains)

    def fine_energy(self, first: np.ndarray, gains: np.ndarray) -> np.ndarray:
        """Return the energies of ten 10 ms hops from each of `first` on, shape (len(first), 10); 0 past the end."""
        index = first[:, np.newaxis] + np.arange(FINE_IN_COARSE)
        inside = index < len(self.fine)
        energy = _forms(self.fine[np.where(inside, index, 0).ravel()], gains).reshape(index.shape)
        return np.where(inside, energy, 0.0)


def _forms(products, gains):
    hops, lanes = products.shape[:2]
    return (products.reshape(hops * lanes, lanes) @ gains).reshape(hops, lanes) @ gains


def highest_window(products, gains, coarse: np.ndarray, edges: np.ndarray, hops: int) -> float:
    """Return the highest mean power of a window of `hops` coarse hops, stepped by 10 ms.

    Parameters
    ----------
    products : sequence of Products
        One for each bus channel.
    gains : sequence of array
        Gains of each channel's lanes.
    coarse : array
        Energies of the 100 ms hops, channels added.
    edges : array
        Borders of the 10 ms hops.
    hops : int
        Window length in coarse hops: 4 for momentary, 30 for short-term loudness.

    Returns
    -------
    float
        Mean power; 0 when no window fits.
    """
    if len(edges) - 1 < hops * FINE_IN_COARSE:
        return 0.0
    length = hops * FINE_IN_COARSE
    running = np.concatenate([[0.0], np.cumsum(coarse)])
    starts = np.arange(len(coarse) - hops + 1)
    widths = edges[starts * FINE_IN_COARSE + length] - edges[starts * FINE_IN_COARSE]
    best = float(((running[starts + hops] - running[starts]) / widths).max(initial=0.0))
    # A window that starts inside hop k touches hops k … k + hops; the last of them may be cut off by the end.
    last_start = len(edges) - 1 - length
    inner = np.arange((last_start + FINE_IN_COARSE - 1) // FINE_IN_COARSE)
    if not len(inner):
        return best
    tails = _tails(products, gains, coarse, inner + hops)
    middle = running[inner + hops] - running[inner + 1]
    bound = (coarse[inner] + middle + tails) / (widths.min() - 1)
    order = np.argsort(bound)[::-1]
    for at in range(0, len(order), _BATCH):
        batch = order[at : at + _BATCH]
        batch = batch[bound[batch] > best]
        if not len(batch):
            break
        head, tail = (
            sum(each.fine_energy(first, gain) for each, gain in zip(products, gains, strict=True))
            for first in (batch * FINE_IN_COARSE, (batch + hops) * FINE_IN_COARSE)
        )
        for step in range(1, FINE_IN_COARSE):
            start = batch * FINE_IN_COARSE + step
            fits = start <= last_start
            energy = head[:, step:].sum(axis=1) + middle[batch] + tail[:, :step].sum(axis=1)
            stop = np.minimum(start + length, len(edges) - 1)
            power = np.where(fits, energy / (edges[stop] - edges[np.minimum(start, last_start)]), 0.0)
            best = max(best, float(power.max()))
    return best


def _tails(products, gains, coarse, hops):
    """Return the energies of some coarse hops, the unfinished one at the end included."""
    inside = hops < len(coarse)
    energy = np.where(inside, coarse[np.where(inside, hops, 0)], 0.0)
    if not inside.all():
        first = hops[~inside] * FINE_IN_COARSE
        rest = sum(each.fine_energy(first, gain).sum(axis=1) for each, gain in zip(products, gains, strict=True))
        energy[~inside] = rest
    return energy
