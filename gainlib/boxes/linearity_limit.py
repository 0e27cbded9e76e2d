"""Where a box stops being linear, and whether it stops at a corner or in a bend."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from gainlib.boxes.probing import EXACT_DB, NOISE_MARGIN_DB, Residual, Response

SEARCH_STEPS = 13
STEP_DB, FARTHEST_DB = 6.0, 30.0
NEAR_DB, NOISY_DB = ((0.01, 0.02, 0.04), (0.05, 0.1, 0.2)), (0.25, 0.5, 1.0)
PLAIN_DB = -60.0
CORNER = 1.8

Fed = Callable[[float], Response]


class LinearityLimit(NamedTuple):
    """The end of a linear stretch.

    Attributes
    ----------
    level_dbfs : float
        Highest peak level that still passes.
    sharp : bool
        Whether it ends at a corner: within a decibel what is left is plain to see, and its height grows in step with
        the excess, as behind a clip, a limiter or a compressor without a knee. In a knee or a bend it grows with the
        square of the excess, or faster.
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


def find_edge(
    fed: Fed, compare: Callable[[Response, Response], Residual], passed: float, failed: float
) -> LinearityLimit:
    """Look for the end of a linear stretch between two levels.

    Parameters
    ----------
    fed : callable
        Gives the response at a peak level in dBFS.
    compare : callable
        Tells what is left of a response against another.
    passed, failed : float
        Where to look first: a level that should pass, and a higher one that should not.

    Returns
    -------
    LinearityLimit
    """
    # Among other sounds a sound may pass where alone it does not, and the other way round: boxes have memories.
    lowest, highest = passed - FARTHEST_DB, failed + FARTHEST_DB
    while passed > lowest and not compare(fed(passed), fed(passed - STEP_DB)).passed:
        passed -= STEP_DB
    reference = fed(passed)
    while failed < highest and compare(fed(failed), reference).passed:
        failed += STEP_DB
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
    if noisy:
        grown = _growth(_powers_in_noise([compare(fed(low + step), reference) for step in NOISY_DB]) ** 0.5)
    else:
        grown = min(_growth([_height(fed(low + step), reference) for step in steps]) for steps in NEAR_DB)
    plain = left.residual_db > max(PLAIN_DB, left.floor_db + 6.0)
    falls = np.sum(above.line**2) < np.sum(reference.line**2)
    return LinearityLimit(low, bool(plain and grown < CORNER), bool(falls))


def _growth(excess):
    """Return how the root of what is left grows over two doublings of the excess: 1.4 behind a corner, 2 for a square.

    For a square it is 2 wherever the excess is counted from; in noise, the edge is found late.
    """
    first, second = np.diff(np.sqrt(excess))
    return second / first if first > 0.0 else np.inf


def _height(response, reference):
    """Return the highest deviation: unlike a power, it does not grow with the number of crests that reach the edge."""
    return np.abs(response.line - reference.line).max()


def _powers_in_noise(left):
    """Return relative powers of what is left, noise taken off."""
    powers = [
        10.0 ** (min(each.residual_db, 200.0) / 10.0) - 10.0 ** ((each.floor_db - NOISE_MARGIN_DB) / 10.0)
        for each in left
    ]
    return np.maximum(powers, 0.0)
