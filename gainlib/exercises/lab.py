"""What a lab declares besides its notebook: heading, exercises, experiments, and what a prediction is compared with.

With it what an exercise is about (:class:`Drawn`), and a worked example: the lab's kind of question with fixed numbers,
solved in steps, the last one left to the learner. Its notebook shows that by two cells just before the heading of the
exercises: ``NN-worked-text``, Markdown, ``## A worked example``, and ``NN-worked``, code, ``lab.worked()``, with the
metadata of the cells around them.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from gainlib.errors import GainlibError
from gainlib.exercises.experiment import Experiment, Run
from gainlib.exercises.marking import mark
from gainlib.exercises.model import Exercise
from gainlib.exercises.parts import Number
from gainlib.exercises.set_and_measure import SetAndMeasure
from gainlib.exercises.variants import draws
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
            return number_text(value, digits, signed=unit is not None)
        return level_text(value, unit, digits, signed=unit != "dB")


@dataclass(frozen=True)
class Worked:
    """One worked example.

    Parameters
    ----------
    question : str
        What is asked, in Markdown with its numbers.
    steps : tuple of str
        What to do and why, each with its result, in Markdown; they open one after the other. The last step, which
        leads to the answer, is not among them.
    last : Number
        The last step, for the learner: its label says what is asked. It is worth nothing.
    key : float
        The right value of it.
    explain : str
        The last step with its numbers, in Markdown.

    Examples
    --------
    >>> from gainlib.exercises import Number
    >>> example = Worked(
    ...     "A bus peaks at +2.5 dBTP. By how much do all faders move for −6 dBTP?",
    ...     ("The move is the level you want minus the reading.",),
    ...     Number("Move of every fader", "dB", tolerance=0.05), -8.5, "−6 − 2.5 = −8.5 dB.",
    ... )
    >>> example.judge("-8,5"), example.judge(8.5), example.judge("loud")[0], example.judge("")[0]
    (('right', '−8.5 dB is right (−8.50 ± 0.05 dB).'), ('wrong', '8.5 dB is too high.'), 'invalid', 'unattempted')
    """

    question: str
    steps: tuple[str, ...]
    last: Number
    key: float
    explain: str

    def __post_init__(self):
        if not self.question.strip() or not self.steps or not all(step.strip() for step in self.steps):
            raise GainlibError("a worked example needs a question and at least one step")
        if not self.last.label.strip() or not self.explain.strip():
            raise GainlibError("a worked example needs a label for its last step, and an explanation of it")
        if self.judge(self.key)[0] != "right":
            raise GainlibError(f"{self.key} is no right answer to the last step of a worked example")

    def judge(self, answer: Any) -> tuple[str, str]:
        """Return what the learner's last step is ("unattempted", "invalid", "wrong" or "right"), and what to say."""
        asked = Exercise("", "", (self.last,), draws(), self.question, lambda given: self.key)
        verdict = mark(asked, {}, answer, drawn=False)
        return verdict.state, verdict.feedback


@dataclass(frozen=True)
class Lab:
    """One lab.

    Parameters
    ----------
    title, question : str
        What it is about, and the one question it answers.
    minutes : int
        Working alone.
    lessons : str
        In a class.
    exercises : tuple of Exercise
        In order.
    experiments : mapping of str to callable
        ``experiments[name]()`` returns the experiment of that panel.
    personal : mapping of str to callable
        ``personal[name](rng)`` returns the experiment of a panel that is drawn for each learner.
    tasks : mapping of str to SetAndMeasure, Drawn or callable
        What an exercise is answered from or read from, by its id; ``task(given)`` returns an experiment that is just
        looked at.
    compare : callable or None
        ``compare()`` returns what the prediction is compared with: outcome, sentence, table.
    worked : Worked or None
        The worked example before the exercises.
    """

    title: str
    question: str
    minutes: int
    lessons: str
    exercises: tuple[Exercise, ...]
    experiments: Mapping[str, Callable[[], Experiment]] = field(default_factory=dict)
    personal: Mapping[str, Callable[[np.random.Generator], Experiment]] = field(default_factory=dict)
    tasks: Mapping[str, SetAndMeasure | Drawn | Callable[[dict], Experiment]] = field(default_factory=dict)
    compare: Callable[[], tuple[str, str, Table]] | None = None
    worked: Worked | None = None
