"""Where a box stops being linear, and whether it stops at a corner or in a bend."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from gainlib.staging.probing import EXACT_DB, NOISE_MARGIN_DB, Left, Response

SEARCH_STEPS = 13
NEAR_DB, NOISY_DB = (0.05, 0.1, 0.2), (0.25, 0.5, 1.0)
PLAIN_DB = -60.0
CORNER = 3.0

Fed = Callable[[float], Response]


class Edge(NamedTuple):
    """The end of a linear stretch.

    Attributes
    ----------
    level_dbfs : float
        Highest peak level that still passes.
    sharp : bool
        Whether it ends at a corner: within a decibel what is left is plain to see, and it grew in step with the excess.
        Behind a corner, what is missing grows with the excess (a clipped sine: with its power of 1.25); in a knee or
        a smooth bend, with its square or faster.
    held_back : bool
        Whether the gain falls above it, rather than rise as that of a gate.
    """

    level_dbfs: float
    sharp: bool
    held_back: bool

    @property
    def ceiling(self) -> bool:
        """Whether the box is a wire up to here and holds back what exceeds it."""
        return self.sharp and self.held_back


def find_edge(fed: Fed, compare: Callable[[Response, Response], Left], passed: float, failed: float) -> Edge:
    """Look for the end of a linear stretch between two levels.

    Parameters
    ----------
    fed : callable
        Gives the response at a peak level in dBFS.
    compare : callable
        Tells what is left of a response against another.
    passed, failed : float
        A level that passes, which all are compared with, and a higher one that does not.

    Returns
    -------
    Edge
    """
    reference = fed(passed)
    low, high = passed, failed
    for _ in range(SEARCH_STEPS):
        middle = (low + high) / 2.0
        if compare(fed(middle), reference).passed:
            low = middle
        else:
            high = middle
    above = fed(low + 1.0)
    left = compare(above, reference)
    noisy = left.floor_db > EXACT_DB
    steps = [compare(fed(low + step), reference) for step in (NOISY_DB if noisy else NEAR_DB)]
    plain = left.residual_db > max(PLAIN_DB, left.floor_db + 6.0)
    falls = np.sum(above.line**2) < np.sum(reference.line**2)
    return Edge(low, bool(plain and _growth(steps, noisy) < CORNER), bool(falls))


def _growth(steps, noisy):
    """Return by how much the second of two doublings of the excess adds more than the first: corners 2, squares 4."""
    # Differences, because in noise the edge is found late; of a noisy residual, the noise is taken off.
    residuals = [10.0 ** (min(step.residual_db, 200.0) / 10.0) for step in steps]
    powers = [
        each - noisy * 10.0 ** ((step.floor_db - NOISE_MARGIN_DB) / 10.0)
        for each, step in zip(residuals, steps, strict=True)
    ]
    first, second = np.diff(np.sqrt(np.maximum(powers, 0.0)))
    return second / first if first > 0.0 else np.inf
