"""The rule of points, in one place: what each set of numbers of an exercise has earned, and whether it is still open.

- A *try* is an answer that can be read. A blank or unreadable one is none, and the same twice in a row is one.
- A set solved unaided earns all points; each paid hint takes 15 %. Hints of one set do not follow to the next. The best
  set counts, and two sets solved without any hint make an exercise *mastered*.
- Numbers and controls: a wrong try tells what is off and in which direction. From the second wrong try on the next hint
  is free, one more with every further wrong try, and the solution can be asked for. That ends the set for points.
- Choices, ticks, maps and orders: how many are right is told from the second try on. After the third wrong try the set
  is *spent*: the solution is shown, and only new numbers earn points.
- Blind tests have no free hints and no solution before the end. The first complete run with a set of numbers counts,
  and the next set's has to be better by itself.
- A series (lab 12) has one hint a task for all its sessions, its measurements are told each time, and no set is spent.

Answers of records written before this rule keep what they earned by :mod:`~gainlib.exercises.earlier`.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from gainlib.exercises.earlier import named_value
from gainlib.exercises.events import is_new
from gainlib.exercises.marking import PartVerdict, Verdict, overall, score
from gainlib.exercises.model import Exercise

MOST_TRIES = 3
TOLD_FROM = 2
MASTERED = 2


def chosen(exercise: Exercise) -> tuple[int, ...]:
    """Return the places of the parts that are answered by choosing, in an exercise whose sets can be spent."""
    return () if exercise.series else tuple(k for k, part in enumerate(exercise.parts) if part.chosen)


def guided(exercise: Exercise) -> bool:
    """Whether hints become free, and the solution can be asked for: an exercise with numbers or controls."""
    by_ear = any(part.kind == "listening" for part in exercise.parts)
    return not exercise.series and not by_ear and not all(part.chosen for part in exercise.parts)


def in_words(exercise: Exercise) -> str:
    """Return how an exercise is counted, for a teacher."""
    if exercise.series:
        return "each hint takes 15 %; hints stay open in every session; no session is closed by wrong tries"
    rules = ["best set of numbers; each paid hint takes 15 %"]
    if guided(exercise):
        rules.append("hints are free from the second wrong try on, one a try; asking for the solution ends a set")
    if chosen(exercise):
        rules.append(f"a set ends with wrong try {MOST_TRIES} of a choice")
    return "; ".join(rules)


@dataclass(frozen=True)
class SetOfNumbers:
    """One set of numbers of one exercise: what was done with it, and what it has earned.

    Attributes
    ----------
    attempt : int
        Which one, 0 for the first.
    tries, wrong : int
        Readable answers, the same in a row once; and those in which something entered was wrong.
    hints, paid : int
        Hints opened, and how many of them cost points.
    asked, spent, named : bool
        What closed it: the learner asked for the solution; the third wrong try of a choice; a verdict of the earlier
        rule, which named the right value.
    right : bool
        Whether it was answered rightly.
    verdict : Verdict or None
        On the answer that earned most.
    points : float
        What that earned, after hints.
    time : str
        When it was given.
    unaided : bool
        Answered rightly while it was open, and without a hint.
    """

    attempt: int = 0
    tries: int = 0
    wrong: int = 0
    hints: int = 0
    paid: int = 0
    asked: bool = False
    spent: bool = False
    named: bool = False
    right: bool = False
    verdict: Verdict | None = None
    points: float = 0.0
    time: str = ""
    unaided: bool = False
    last: tuple = ()
    _runs: tuple[PartVerdict | None, ...] = ()
    _missed: tuple[int, ...] = ()

    @property
    def closed(self) -> bool:
        """Whether the solution is out, so that only new numbers earn points."""
        return self.asked or self.spent or self.named

    @property
    def counts_are_told(self) -> bool:
        """Whether how many choices are right is told by now."""
        return self.tries >= TOLD_FROM

    def hint_is_free(self, exercise: Exercise) -> bool:
        """Whether the next hint costs nothing."""
        return guided(exercise) and self.hints - self.paid < self.wrong - 1

    def may_be_asked(self, exercise: Exercise) -> bool:
        """Whether the solution can be asked for now."""
        return guided(exercise) and self.wrong >= 2 and not self.closed and not self.right

    # ---- event by event ----------------------------------------------------------------------------------------------

    def after_hint(self, exercise: Exercise) -> "SetOfNumbers":
        """Return the set with one more hint open."""
        return replace(self, hints=self.hints + 1, paid=self.paid + (not self.hint_is_free(exercise)))

    def after_solution(self) -> "SetOfNumbers":
        """Return the set with its solution asked for."""
        return replace(self, asked=True)

    def after_answer(self, exercise: Exercise, verdict: Verdict, event: dict) -> "SetOfNumbers":
        """Return the set after one more answer; one that the earlier rule has counted earns nothing here."""
        if verdict.state in ("invalid", "unattempted"):
            return self
        runs = self._first_runs(exercise, verdict)
        verdict = _with_runs(verdict, runs)
        worth, counts = score(verdict.points, self.paid), is_new(event) and not self.closed
        now = self
        if counts and (self.verdict is None or worth > self.points):
            now = replace(now, verdict=verdict, points=worth, time=event["time"])
        if self.tries and verdict.values == self.last:
            return now
        right, missed = verdict.state == "right", self._missed_by(exercise, verdict)
        wrong = any(part.state in ("wrong", "partly") for part in verdict.parts)
        return replace(
            now,
            tries=self.tries + 1,
            wrong=self.wrong + wrong,
            right=self.right or right,
            unaided=self.unaided or (right and not self.closed and not self.hints),
            spent=self.spent or (not right and max(missed, default=0) >= MOST_TRIES),
            named=self.named or (not is_new(event) and not exercise.series and named_value(exercise, verdict)),
            last=verdict.values,
            _runs=runs,
            _missed=missed,
        )

    def _first_runs(self, exercise, verdict):
        """Return the verdict on the first answer to each part that is answered once; None where there is none yet."""
        first = self._runs or (None,) * len(exercise.parts)
        now = (each if part.once else None for part, each in zip(exercise.parts, verdict.parts, strict=True))
        return tuple(
            was or (each if each and each.state != "unattempted" else None)
            for was, each in zip(first, now, strict=True)
        )

    def _missed_by(self, exercise, verdict):
        """Return how many wrong tries each choice has had; one that was left as it is does not count again."""
        places = chosen(exercise)
        missed = self._missed or (0,) * len(places)
        return tuple(
            count
            + (verdict.parts[k].state in ("wrong", "partly") and (not self.last or self.last[k] != verdict.values[k]))
            for count, k in zip(missed, places, strict=True)
        )


def _with_runs(verdict, runs):
    """Return a verdict in which first answers stand in the place of later ones."""
    if not any(runs):
        return verdict
    parts = tuple(first or each for first, each in zip(runs, verdict.parts, strict=True))
    state = overall(each.state for each in parts)
    return replace(verdict, parts=parts, state=state, points=sum(each.points for each in parts))


def sets_of(exercise: Exercise, events: Iterable[dict], marked: Callable[[dict], Verdict]) -> dict[int, SetOfNumbers]:
    """Return the sets of numbers of one exercise by their number.

    Parameters
    ----------
    exercise : Exercise
        Which.
    events : iterable of dict
        One learner's, about this exercise, in the order of their time; those of practice are not among them.
    marked : callable
        ``marked(event)`` returns the verdict on the answer of an event.

    Returns
    -------
    dict of int to SetOfNumbers
        Those with a hint, an answer or a solution.
    """
    sets: dict[int, SetOfNumbers] = {}
    opened: set[tuple[int, int]] = set()
    for event in events:
        attempt, kind = event["attempt"], event["kind"]
        now = sets.get(attempt, SetOfNumbers(attempt))
        if kind == "hint" and (attempt, event["hint"]) not in opened:
            opened.add((attempt, event["hint"]))
            sets[attempt] = now.after_hint(exercise)
        elif kind == "solution":
            sets[attempt] = now.after_solution()
        elif kind == "answer" and attempt >= 0:
            sets[attempt] = now.after_answer(exercise, marked(event), event)
    return sets
