"""What an exercise is: one frozen declaration that the notebook, the batch marker and the tests all read.

An :class:`Exercise` is a tuple of *parts* (:mod:`~gainlib.exercises.parts`, :mod:`~gainlib.exercises.practical`,
:mod:`~gainlib.exercises.listening`), a draw of the given values, a statement, the right answer and the usual mistakes.

Answers
-------
An answer is JSON. An exercise of one part takes the part's value bare; an exercise of several takes a list of them in
order, where ``None`` stands for a part left empty. The value of a part:

========== =====================================================================================================
kind       value
========== =====================================================================================================
number     a number, or text such as ``"−3,5 dB"``
choice     the key of an option
multi      a list of option keys, in any order
order      all option keys, in order
map        ``{item: option key}``, or ``{item: [option keys]}`` where several tags are allowed
state      ``{target: {control: value}}``, e.g. ``{"kick": {"fader_db": -7.5}, "master": {"fader_db": 0}}``;
           controls left out stay where the exercise put them; a whole session as JSON is taken too
listening  a list with one pick (or one setting) a trial, or ``{"silent": value}`` for the way without listening
========== =====================================================================================================

What it earns
-------------
Feedback on a wrong answer says what is off and in which direction, never the right value. What a set of numbers earns,
when hints are free, when the solution is shown and when a set is spent is the rule of :mod:`gainlib.exercises.sets`.

What a screen needs
-------------------
``e.id``, ``e.title``, ``e.lab``, ``e.points``, ``e.parts`` (each ``kind``, ``unit``, ``band``, ``points``,
``label_for(given)``, ``options_for(given)``, ``items_for(given)``, ``controls_for(given)``, ``trials_for(given)``);
``e.variant(learner, …)``, ``e.statement_for(given)``, ``e.hints_for(given)``, ``e.explain_for(given)``,
``e.cites``, ``e.material(given)`` and :func:`gainlib.exercises.mark`. Texts are Markdown.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

from gainlib.exercises.text import fill
from gainlib.exercises.variants import variant


def nothing(given: dict) -> None:
    """Return None: an exercise that needs neither audio nor a session."""
    return None


@dataclass(frozen=True)
class Option:
    """One thing to choose.

    Parameters
    ----------
    key : str
        Stands in the answer, and never changes.
    text : str
        What a learner reads; Markdown.
    """

    key: str
    text: str


@dataclass(frozen=True)
class Judgement:
    """What a part says of a readable answer.

    Attributes
    ----------
    share : float
        Share of the part's points, 0 to 1; 1 is right, 0 is wrong, between is partly.
    feedback : str
        Measured, wanted, distance.
    closer : str
        What takes the place of `feedback` from the second try on, where that tells more; empty where it is the same.
    """

    share: float
    feedback: str
    closer: str = ""


@dataclass(frozen=True)
class Part:
    """Base of the parts of an exercise: one thing asked for, with its unit, its band and its points.

    Parameters
    ----------
    label : str
        What is asked for; may hold fields of the given values.
    unit : str
        Unit of the answer, empty where there is none.
    points : float
        What a right answer is worth.
    read_off : bool
        Whether the answer is read off the desk's own meters and plots, and so stands nowhere in print.
    """

    label: str = ""
    unit: str = ""
    points: float = 1.0
    read_off: bool = False
    kind: ClassVar[str] = ""
    chosen: ClassVar[bool] = False  # True where options are chosen, so that trying them all would find the right ones
    once: ClassVar[bool] = False  # True where only the first answer to a set of numbers counts
    keyed: ClassVar[bool] = True  # False where an answer is measured, and no right one is needed to judge it

    @property
    def band(self) -> str:
        """What counts as right, in words."""
        return "exact"

    @property
    def way(self) -> str:
        """How it is answered: "hands-on", "choice" or "typed"."""
        if self.read_off or not (self.chosen or self.kind == "number"):
            return "hands-on"
        return "choice" if self.chosen else "typed"

    def label_for(self, given: dict) -> str:
        """Return the label with the given values in it."""
        return fill(self.label, given)

    def options_for(self, given: dict) -> tuple[Option, ...]:
        """Return what can be chosen; empty where the part is no choice."""
        return ()

    def items_for(self, given: dict) -> tuple[Option, ...]:
        """Return the items that options are matched to; empty unless the part is a map."""
        return ()

    def controls_for(self, given: dict) -> tuple:
        """Return the controls a learner may move; empty unless the part is a state."""
        return ()

    def trials_for(self, given: dict) -> int:
        """Return the number of trials; 0 unless the part is a listening test."""
        return 0

    def read(self, answer: Any, given: dict) -> Any:
        """Return the answer in one form, or raise `Unreadable` saying what was expected."""
        raise NotImplementedError

    def judge(self, value: Any, key: Any, given: dict, values: list) -> Judgement:
        """Return the judgement of a value from :meth:`read`; `values` holds those of all parts."""
        raise NotImplementedError

    def distance(self, first: Any, second: Any, key: Any, given: dict) -> float:
        """Return how far two values are apart, in tolerances; 0 or infinity where there is no scale."""
        return 0.0 if first == second else float("inf")

    def named(self, value: Any) -> bool:
        """Whether feedback on a wrong value named the right one before :mod:`gainlib.exercises.sets`."""
        return False

    def remark(self, value: Any) -> str:
        """Return what a teacher should know of a value from :meth:`read` that the verdict does not say, or ""."""
        return ""

    def show(self, value: Any, given: dict) -> str:
        """Return a value as a teacher's key prints it."""
        return str(value)


@dataclass(frozen=True)
class Before:
    """How answers to an earlier edition of an exercise are marked: from the numbers that stand in their lines.

    Parameters
    ----------
    parts : tuple of Part
        What was asked for.
    solve : callable
        ``solve(given)``, as it was.
    before : Before or None
        The edition before that, where it was asked or answered in another way again.
    """

    parts: tuple[Part, ...]
    solve: Callable[[dict], Any]
    before: "Before | None" = None


@dataclass(frozen=True)
class Slip:
    """A named wrong method: the answer it gives, and the sentence that answers it.

    Parameters
    ----------
    name : str
        Short name, for statistics.
    answer : callable
        ``answer(given)`` in the answer's JSON shape. In a list, ``None`` stands for "whatever is in this part".
    sentence : str
        What the learner is told at once, free of charge.
    active : callable
        ``active(given)`` is False where the method gives the right answer by construction; such a variant is kept and
        the slip is not looked for.
    spots : callable or None
        ``spots(answer, given)`` recognises the mistake where comparing answers would not do, as in "only one fader
        moved". None compares with `answer`, within the tolerance.
    """

    name: str
    answer: Callable[[dict], Any]
    sentence: str
    active: Callable[[dict], bool] = lambda given: True
    spots: Callable[[Any, dict], bool] | None = None


@dataclass(frozen=True)
class Exercise:
    """One question, declared once.

    Parameters
    ----------
    id : str
        Lab and number, "05-1".
    title : str
        What it is about.
    parts : tuple of Part
        What is asked for.
    given : callable
        ``given(rng)`` draws the values of a variant as a dict of JSON scalars, strings and lists, already rounded as
        they are shown; None asks for another draw. See :func:`gainlib.exercises.draws` and
        :func:`gainlib.exercises.either`.
    statement : str
        Markdown with fields of the given values.
    solve : callable
        ``solve(given)`` returns the right answer in the answer's JSON shape, computed from the rounded values.
    slips : tuple of Slip
        The usual mistakes.
    hints : tuple of str
        Opened in order on request; Markdown with fields of the given values, never the answer.
    explain : str or callable
        The derivation with numbers: a template with fields of the given values, of `terms`, and ``key``, the right
        answer; or ``explain(given)``.
    terms : callable
        ``terms(given)`` returns what the template says besides, by name.
    cites : tuple of str
        Standards and handbooks behind the question, or "common practice, no source".
    material : callable
        ``material(given)`` returns the audio or the session the question is about, or None.
    guard : bool
        Whether variants too close to a slip are redrawn; False only where `given` itself makes that impossible.
    series : str
        Exercises of one series are about the same thing, drawn alike for all of them, and change their numbers
        together. They may be practised: numbers from ``PRACTICE`` on are free of charge and earn nothing.
    graded_hints : int or None
        How many of the hints there are when it counts; None for all.
    edition : int
        1, and one more whenever what is drawn, asked or answered changes. Lines of a record carry it, so that old
        answers keep what they earned.
    before : Before or None
        How answers to the edition before are marked; None where they are marked as now.

    Examples
    --------
    >>> from math import log10
    >>> from gainlib.exercises import Exercise, Number, Slip, draws, grid, mark
    >>> doubling = Exercise(
    ...     id="99-1", title="Twice the voltage", parts=(Number("New level", "dBu", tolerance=0.05),),
    ...     given=draws(u=grid(-20, 4, 0.5)), statement="A level of {u} dBu, the voltage doubled. New level?",
    ...     solve=lambda g: g["u"] + 20 * log10(2),
    ...     slips=(Slip("ten", lambda g: g["u"] + 10 * log10(2), "A voltage ratio takes 20·log₁₀."),),
    ... )
    >>> given = doubling.variant("anna")
    >>> mark(doubling, given, doubling.solve(given)).state
    'right'
    >>> "20·log₁₀" in mark(doubling, given, given["u"] + 3.01).feedback
    True
    """

    id: str
    title: str
    parts: tuple[Part, ...]
    given: Callable[[Any], dict | None]
    statement: str
    solve: Callable[[dict], Any]
    slips: tuple[Slip, ...] = ()
    hints: tuple[str, ...] = ()
    explain: str | Callable[[dict], str] = ""
    terms: Callable[[dict], dict] = lambda given: {}
    cites: tuple[str, ...] = ()
    material: Callable[[dict], Any] = nothing
    guard: bool = True
    series: str = ""
    graded_hints: int | None = None
    edition: int = 1
    before: Before | None = None

    @property
    def lab(self) -> str:
        """The lab's number, "05" for "05-1"."""
        return self.id.rpartition("-")[0]

    @property
    def points(self) -> float:
        """What the whole exercise is worth."""
        return float(sum(part.points for part in self.parts))

    def variant(self, learner: str, attempt: int = 0, class_code: str = "", salt: str = "") -> dict:
        """Return the given values of one learner's attempt; the same for the same names in any spelling of case.

        Parameters
        ----------
        learner, class_code, salt : str
            Who; compared in normal form NFC, stripped, without case.
        attempt : int
            0 for the first set of numbers, then 1, 2, …

        Returns
        -------
        dict
            JSON scalars, strings and lists, among them ``exercise`` (the id) and ``attempt``.
        """
        return variant(self, learner, attempt, class_code, salt)

    @cached_property
    def sample(self) -> dict:
        """The given values of nobody, to compare the shape of others with."""
        return self.variant("")

    def values(self, answer: Any) -> list:
        """Return an answer's JSON as a list with one entry a part."""
        return [answer] if len(self.parts) == 1 else list(answer)

    def answer(self, values: list) -> Any:
        """Return a list with one entry a part as the answer's JSON."""
        return values[0] if len(self.parts) == 1 else list(values)

    def statement_for(self, given: dict) -> str:
        """Return the question with its numbers, in Markdown."""
        return fill(self.statement, given)

    def hints_for(self, given: dict) -> tuple[str, ...]:
        """Return the hints in the order in which they open."""
        return tuple(fill(hint, given) for hint in self.hints)

    def explain_for(self, given: dict) -> str:
        """Return the derivation with the numbers of this variant; shows the answer."""
        if callable(self.explain):
            return self.explain(given)
        key = {"key": self.solve(given)} if "{key" in self.explain else {}
        return fill(self.explain, {**given, **key, **self.terms(given)})
