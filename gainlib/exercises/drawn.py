"""What an exercise is about, drawn from a recipe for each learner, with the readings that the page shows of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from gainlib.exercises.experiment import Experiment, Run
from gainlib.words import Table, level_text, number_text

LAST_DIGITS = 2.2
"""By how many of its last digits a reading may differ on another machine."""


@dataclass(frozen=True)
class Drawn:
    """The draw of an exercise whose numbers are read off something: how it is made, and what is read of it.

    Parameters
    ----------
    recipe : callable
        A draw of how the thing is made, with ``holds`` (:func:`gainlib.exercises.draws`).
    read : callable
        ``read(made)`` returns the readings by name, rounded as they are shown.
    rows : tuple of (str or callable, str, str)
        What the page shows: name of the reading, or ``value(given)`` for what follows from several; label; unit, "" for
        sample values, None where the head has it.
    fair : callable
        ``fair(given)`` is False for what is drawn again.
    experiment : callable or None
        ``experiment(given)`` returns what is drawn beside the readings; None where the table is all there is.
    caption : str
        Of the table.
    heads : (str, str)
        Of its columns.
    digits : mapping of str to int
        Decimals of a reading where they are not two.

    Examples
    --------
    >>> from gainlib.exercises.variants import draws, one_of, variant
    >>> drawn = Drawn(draws(x=one_of(1, 2)), lambda made: {"double": 2.0 * made["x"]}, (("double", "twice", "dB"),))
    >>> given = drawn(np.random.default_rng(1))
    >>> drawn.holds(given), drawn.holds({**given, "double": 5.0})
    (True, False)
    """

    recipe: Callable
    read: Callable[[dict], dict[str, float]]
    rows: tuple[tuple[str | Callable[[dict], float], str, str | None], ...] = ()
    fair: Callable[[dict], bool] = lambda given: True
    experiment: Callable[[dict], Experiment] | None = None
    caption: str = "What is read"
    heads: tuple[str, str] = ("reading", "value")
    digits: Mapping[str, int] = field(default_factory=dict)

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return what was drawn with its readings, None where it is not fair."""
        made = self.recipe(rng)
        given = {**made, **self.read(made)}
        return given if self.fair(given) else None

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn and reads as given; the last digit may differ on another machine."""
        own = self.read(given) if self.recipe.holds(given) else {}
        off = {name: LAST_DIGITS * 10.0 ** -self._digits(name) for name in own}
        return bool(own) and all(abs(given[name] - value) <= off[name] for name, value in own.items())

    def of(self, given: dict) -> Experiment:
        """Return the experiment of a variant."""
        return self.experiment(given)

    def table(self, _run: Run | None, given: dict) -> Table:
        """Return the readings as they are shown."""
        rows = tuple((label, self._text(name, unit, given)) for name, label, unit in self.rows)
        return Table(self.caption, self.heads, rows)

    def _digits(self, name):
        return self.digits.get(name, 2)

    def _text(self, name, unit, given):
        value, digits = name(given) if callable(name) else given[name], self._digits(name)
        if not unit:
            return number_text(value, digits, sign=unit is not None)
        return level_text(value, unit, digits, sign=unit != "dB")
