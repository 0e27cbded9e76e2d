"""Energies of a weighted sum without the sum: products between its parts, kept hop by hop.

K-weighting and summing are linear. With x_i the K-weighted parts and g_i their gains, the energy of a hop is the
quadratic form ``Σ_ij g_i g_j ⟨x_i, x_j⟩`` (handbook algebra), so that the products of a hop give its energy for any
gains. They are kept for hops of 100 ms, half of the symmetric table each, and for hops of 10 ms, in a file where they
are many. Windows that start off the 100 ms grid are bounded by the hops they touch, and worked out from the short hops
only when they may hold the maximum.

A mix that is the anchor but for a few lanes, after a move of one fader or a mute, takes less. Write its gains as a
factor times the anchor's, plus what a few lanes differ, ``g = f·a + d``. The energy of a hop is then
``f²·e + 2f·Σ d_i r_i + Σ d_i d_j ⟨x_i, x_j⟩``, with the anchor's energy e and its products r_i with every lane. With e,
r and the lanes' own energies in memory, every short hop is known, or bounded where several lanes differ (Cauchy and
Schwarz: ``|⟨x_i, x_j⟩| ≤ ‖x_i‖‖x_j‖``), without reading the table of products.
"""

import functools
import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import BinaryIO

import numpy as np
from threadpoolctl import ThreadpoolController

from gainlib.meters.series import hop_ends

FINE_PER_S = 100
FINE_IN_COARSE = 10
_FIRST, _BATCH = 4, 32
FEW = 6
IN_MEMORY_BYTES = 64_000_000
_ROWS = 1024
_ROUNDING = 1e-6  # of float32 tables, several terms together
_WEAK = 1e-11  # below this share of the anchor's energy a difference of large numbers is not trusted


def one_thread():
    """Return a context in which the matrix library computes on one thread.

    A product here takes a millisecond. Shared out among threads it takes as long on an idle machine, and ten times as
    long on a busy one, where the threads wait for each other.
    """
    return _matrix_libraries().limit(limits=1, user_api="blas")


@functools.cache
def _matrix_libraries():
    return ThreadpoolController()


class Table:
    """Rows of numbers, in memory while they are few and in a file without a name otherwise.

    That file goes away with the table, and with the process, however that ends. On disk numbers are float32.
    """

    def __init__(self, rows: int, columns: int, _file=None, array: np.ndarray | None = None):
        self.rows, self._columns, self._lock = rows, columns, Lock()
        self._array, self._file = array, _file
        if array is None and _file is None and rows * columns * 8 <= IN_MEMORY_BYTES:
            self._array = np.zeros((rows, columns))
        elif array is None and _file is None:
            self._file = tempfile.TemporaryFile(prefix="gainlib-products-")

    @classmethod
    def load(cls, path: Path, rows: int) -> "Table":
        """Return a table that reads from a file that :meth:`save` wrote; it stays open."""
        size = path.stat().st_size
        if rows and size % (4 * rows):
            raise ValueError(f"{path}: {size} bytes do not hold {rows} rows")
        return cls(rows, size // (4 * rows) if rows else 0, path.open("rb"))

    def save(self, file: BinaryIO) -> None:
        """Append all rows to a file, as float32."""
        if self._array is not None:
            file.write(self._array.astype(np.float32).tobytes())
            return
        with self._lock:
            self._file.seek(0)
            shutil.copyfileobj(self._file, file, 2**20)

    def whole(self) -> np.ndarray:
        """Return all rows."""
        return self.read(0, self.rows)

    def write(self, first: int, rows: np.ndarray) -> None:
        """Put rows in, from row `first` on."""
        if self._array is not None:
            self._array[first : first + len(rows)] = rows
            return
        with self._lock:
            self._file.seek(first * self._columns * 4)
            self._file.write(rows.astype(np.float32).tobytes())

    def read(self, first: int, count: int) -> np.ndarray:
        """Return up to `count` rows from `first` on; fewer, or none, past the end."""
        count = max(min(count, self.rows - first), 0)
        if self._array is not None:
            return self._array[first : first + count]
        with self._lock:
            self._file.seek(first * self._columns * 4)
            found = np.frombuffer(self._file.read(count * self._columns * 4), np.float32)
        return found.reshape(-1, self._columns).astype(float)


def hop_edges(frames: int, rate_hz: int, per_second: int = FINE_PER_S) -> np.ndarray:
    """Return the first frame of every full hop and the end of the last one, rounded to the nearest frame.

    Examples
    --------
    >>> hop_edges(1000, 44100).tolist()
    [0, 441, 882]
    """
    edges = hop_ends(frames * per_second // rate_hz + 1, rate_hz, per_second)
    return edges[edges <= frames]


def pairs(lanes: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows and the columns of the half table of products that is kept."""
    return np.triu_indices(lanes)


def _weights(gains):
    """Return what each kept product counts: g_i² on the diagonal, 2·g_i·g_j off it."""
    rows, columns = pairs(len(gains))
    return np.where(rows == columns, 1.0, 2.0) * gains[rows] * gains[columns]


class ProductsBuilder:
    """Collects the products of one bus channel's lanes while their audio passes by; `fine` has a row for each hop."""

    def __init__(self, lanes: int, edges: np.ndarray, fine: Table):
        self._edges, self._fine = edges, fine
        self._pairs = pairs(lanes)
        self._position, self._hop = 0, 0
        self._open = np.zeros(len(self._pairs[0]))
        hops = max(len(edges) - 1, 0)
        self._coarse = np.zeros((hops // FINE_IN_COARSE, len(self._pairs[0])))

    def push(self, block: np.ndarray) -> None:
        """Take the next K-weighted frames of every lane, shape (lanes, frames)."""
        start, stop = self._position, self._position + block.shape[1]
        self._position = stop
        done, first = [], self._hop
        while self._hop < len(self._edges) - 1:
            left, right = max(self._edges[self._hop], start), min(self._edges[self._hop + 1], stop)
            if left >= stop:
                break
            part = block[:, left - start : right - start]
            self._open += (part @ part.T)[self._pairs]
            if right < self._edges[self._hop + 1]:
                break
            done.append(self._open)
            coarse = self._hop // FINE_IN_COARSE
            if coarse < len(self._coarse):
                self._coarse[coarse] += self._open
            self._open = np.zeros_like(self._open)
            self._hop += 1
        if done:
            self._fine.write(first, np.array(done))

    def result(self) -> "CrossProducts":
        """Return the products."""
        return CrossProducts(self._coarse, self._fine)


@dataclass(frozen=True, eq=False)
class CrossProducts:
    """Products between the lanes of one bus channel.

    Attributes
    ----------
    coarse : array, shape (hops of 100 ms, products)
    fine : Table, shape (hops of 10 ms, products)
    """

    coarse: np.ndarray
    fine: Table = field(repr=False)

    def coarse_energy(self, gains: np.ndarray, hops=slice(None)) -> np.ndarray:
        """Return the energy of every 100 ms hop, or of some, of the sum with these gains, one a lane."""
        return self.coarse[hops] @ _weights(gains)

    def fine_energy(self, first: np.ndarray, gains: np.ndarray) -> np.ndarray:
        """Return the energies of ten 10 ms hops from each of `first` on, shape (len(first), 10); 0 past the end."""
        weights = _weights(gains)
        out = np.zeros((len(first), FINE_IN_COARSE))
        for row, start in zip(out, first, strict=True):
            found = self.fine.read(int(start), FINE_IN_COARSE)
            row[: len(found)] = found @ weights
        return out


def highest_window(products, gains, coarse: np.ndarray, fine: np.ndarray | None, edges: np.ndarray, hops: int) -> float:
    """Return the highest mean power of a window of `hops` coarse hops, stepped by 10 ms.

    Parameters
    ----------
    products : sequence of CrossProducts
        One for each bus channel.
    gains : sequence of array
        Gains of each channel's lanes.
    coarse : array
        Energies of the 100 ms hops, channels added.
    fine : array or None
        Energies that the 10 ms hops do not exceed, channels added, where they are known.
    edges : array
        Borders of the 10 ms hops.
    hops : int
        Window length in coarse hops: 4 for momentary, 30 for short-term loudness.

    Returns
    -------
    float
        Mean power; 0 when no window fits.
    """
    length = hops * FINE_IN_COARSE
    if len(edges) - 1 < length:
        return 0.0
    running = np.concatenate([[0.0], np.cumsum(coarse)])
    starts = np.arange(len(coarse) - hops + 1)
    widths = edges[starts * FINE_IN_COARSE + length] - edges[starts * FINE_IN_COARSE]
    best = float(((running[starts + hops] - running[starts]) / widths).max(initial=0.0))
    # A window that starts inside hop k touches hops k … k + hops; the last of them may be cut off by the end.
    last_start = len(edges) - 1 - length
    inner = np.arange((last_start + FINE_IN_COARSE - 1) // FINE_IN_COARSE)
    if not len(inner):
        return best
    middle = running[inner + hops] - running[inner + 1]
    if fine is None:
        ends = coarse[inner] + _tails(products, gains, coarse, inner + hops)
    else:
        ends = _highest_ends(fine, inner, hops)
    bound = (ends + middle) / (widths.min() - 1)
    order = np.flatnonzero(bound > best)
    order = order[np.argsort(bound[order])[::-1]]
    at, size = 0, _FIRST
    while at < len(order) and bound[order[at]] > best:
        batch = order[at : at + size]
        at, size = at + size, min(2 * size, _BATCH)
        best = max(best, _highest_inside(products, gains, middle, edges, hops, batch))
    return best


def _highest_inside(products, gains, middle, edges, hops, batch):
    """Return the highest mean power of the windows that start off the grid inside some coarse hops."""
    length = hops * FINE_IN_COARSE
    last_start = len(edges) - 1 - length
    head, tail = (
        sum(each.fine_energy(first, gain) for each, gain in zip(products, gains, strict=True))
        for first in (batch * FINE_IN_COARSE, (batch + hops) * FINE_IN_COARSE)
    )
    highest = 0.0
    for step in range(1, FINE_IN_COARSE):
        start = batch * FINE_IN_COARSE + step
        energy = head[:, step:].sum(axis=1) + middle[batch] + tail[:, :step].sum(axis=1)
        stop = np.minimum(start + length, len(edges) - 1)
        power = np.where(start <= last_start, energy / (edges[stop] - edges[np.minimum(start, last_start)]), 0.0)
        highest = max(highest, float(power.max()))
    return highest


def _highest_ends(fine, inner, hops):
    """Return the most that both ends of a window hold together, for each coarse hop it may start in, off the grid."""
    table = np.zeros((inner[-1] + hops + 1, FINE_IN_COARSE))
    table.ravel()[: len(fine)] = fine[: table.size]
    before = np.cumsum(table, axis=1)  # of a hop, up to and with each step
    after = before[:, -1:] - before
    return (after[inner, :-1] + before[inner + hops, :-1]).max(axis=1)


def _tails(products, gains, coarse, hops):
    """Return the energies of some coarse hops, the unfinished one at the end included."""
    inside = hops < len(coarse)
    energy = np.where(inside, coarse[np.where(inside, hops, 0)], 0.0)
    if not inside.all():
        first = hops[~inside] * FINE_IN_COARSE
        rest = sum(each.fine_energy(first, gain).sum(axis=1) for each, gain in zip(products, gains, strict=True))
        energy[~inside] = rest
    return energy


def factor_and_rest(gains: np.ndarray, anchor: np.ndarray) -> tuple[float, np.ndarray]:
    """Write gains as a factor times the anchor plus a rest, with as few lanes in the rest as most lanes agree on.

    The rest is exactly 0 where a lane differs by rounding only.

    Examples
    --------
    >>> import numpy as np
    >>> factor_and_rest(np.array([2.0, 2.0, 2.0, 7.0]), np.ones(4))
    (2.0, array([0., 0., 0., 5.]))
    """
    sounding = anchor != 0.0
    if not sounding.any():
        return 0.0, gains.copy()
    ratios = np.sort(gains[sounding] / anchor[sounding])
    factor = float(ratios[len(ratios) // 2])
    return factor, without_rounding(gains, factor * anchor)


def without_rounding(gains: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Return gains − others, exactly 0 where they differ by rounding only."""
    difference = gains - others
    return np.where(np.abs(difference) <= 1e-13 * np.abs(others), 0.0, difference)


class Nearby:
    """The products of one bus channel, with those of the anchor at hand; `anchor` holds its gains."""

    def __init__(self, products: CrossProducts, anchor: np.ndarray):
        self.products, self._anchor = products, anchor
        lanes = len(anchor)
        self._place = np.empty((lanes, lanes), int)
        rows, columns = pairs(lanes)
        self._place[rows, columns] = self._place[columns, rows] = np.arange(len(rows))
        self._lean = np.zeros((len(rows), lanes))  # takes a row of products to those with the anchor
        for lane in range(lanes):
            self._lean[self._place[lane], lane] = anchor
        self._coarse_with = products.coarse @ self._lean
        self._coarse_own = self._coarse_with @ anchor
        fine = products.fine
        self._fine_with = np.empty((fine.rows, lanes), np.float32)
        self._fine_norm = np.empty((fine.rows, lanes), np.float32)
        self._fine_own = np.empty(fine.rows)
        for start in range(0, fine.rows, _ROWS):
            table = fine.read(start, _ROWS)
            part = slice(start, start + len(table))
            leaning = table @ self._lean
            self._fine_with[part], self._fine_own[part] = leaning, leaning @ anchor
            self._fine_norm[part] = np.sqrt(table[:, np.diagonal(self._place)])

    def coarse_energy(self, gains: np.ndarray) -> np.ndarray:
        """Return the energy of every 100 ms hop of the sum with these gains, one a lane."""
        factor, rest = factor_and_rest(gains, self._anchor)
        moved = np.flatnonzero(rest)
        if len(moved) > FEW:
            return self.products.coarse_energy(gains)
        scale = factor**2 * self._coarse_own
        places = self._place[np.ix_(moved, moved)].ravel()
        added = self.products.coarse[:, places] @ np.outer(rest[moved], rest[moved]).ravel()
        energy = scale + 2.0 * factor * (self._coarse_with[:, moved] @ rest[moved]) + added
        weak = np.flatnonzero(energy < _WEAK * (np.abs(scale) + added))
        if len(weak):
            energy[weak] = self.products.coarse_energy(gains, weak)
        return energy

    def fine_bound(self, gains: np.ndarray) -> np.ndarray | None:
        """Return for every 10 ms hop an energy that the sum does not exceed, or None where many lanes differ."""
        factor, rest = factor_and_rest(gains, self._anchor)
        moved = np.flatnonzero(rest)
        if len(moved) > FEW:
            return None
        scale = factor**2 * self._fine_own
        added = (self._fine_norm[:, moved] @ np.abs(rest[moved])) ** 2
        energy = scale + 2.0 * factor * (self._fine_with[:, moved] @ rest[moved]) + added
        return energy + _ROUNDING * (np.abs(scale) + added)
