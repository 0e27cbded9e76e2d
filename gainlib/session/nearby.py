"""Energies of a mix that is the anchor but for a few lanes: a move of one fader, a mute.

Write the gains as a factor times the anchor's gains, plus what a few lanes differ, ``g = f·a + d``. The energy of a hop
is then ``f²·e + 2f·Σ d_i r_i + Σ d_i d_j ⟨x_i, x_j⟩``, with the anchor's energy e and its products r_i with every lane
(handbook algebra). With e, r and the lanes' own energies in memory, every short hop is known, or bounded where several
lanes differ (Cauchy and Schwarz: ``|⟨x_i, x_j⟩| ≤ ‖x_i‖‖x_j‖``), without reading the table of products.
"""

import numpy as np

from gainlib.session.cross_products import CrossProducts, pairs

FEW = 6
_ROWS = 1024
_ROUNDING = 1e-6  # of float32 tables, several terms together
_WEAK = 1e-11  # below this share of the anchor's energy a difference of large numbers is not trusted


def factor_and_rest(gains: np.ndarray, anchor: np.ndarray) -> tuple[float, np.ndarray]:
    """Write gains as a factor times the anchor plus a rest, with as few lanes in the rest as most lanes agree on.

    Parameters
    ----------
    gains, anchor : array, shape (lanes,)

    Returns
    -------
    factor : float
    rest : array, shape (lanes,)
        Exactly 0 where a lane differs by rounding only.

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
    """Return gains − others, exactly 0 where they differ by rounding only.

    Parameters
    ----------
    gains, others : array

    Returns
    -------
    array
    """
    difference = gains - others
    return np.where(np.abs(difference) <= 1e-13 * np.abs(others), 0.0, difference)


class Nearby:
    """The products of one bus channel, with those of the anchor at hand.

    Parameters
    ----------
    products : CrossProducts
    anchor : array, shape (lanes,)
        Gains of the anchor.
    """

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
