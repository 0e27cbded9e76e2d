"""A draw together with what is read off it, so that an answer follows from the digits a learner sees."""

import math

import numpy as np


class Readings:
    """A draw together with what is read off it, rounded as it is shown.

    Parameters
    ----------
    recipe : Draws
        How the box is set.
    read : callable
        ``read(made)`` returns the readings by name.
    accepts : callable
        ``accepts(given)`` is False where the readings are too small to work with.
    """

    def __init__(self, recipe, read, accepts=lambda given: True):
        self._recipe, self._read, self._accepts = recipe, read, accepts

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return a variant, or None where it will not do."""
        made = self._recipe(rng)
        given = {**made, **self._read(made)}
        return given if self._accepts(given) else None

    def holds(self, given: dict) -> bool:
        """Whether it could be drawn and reads as given; the last digit may differ on another machine."""
        return self._recipe.holds(given) and all(
            math.isclose(given[name], value, rel_tol=1e-6, abs_tol=0.00101) for name, value in self._read(given).items()
        )
