"""The rule by which answers were counted before :mod:`~gainlib.exercises.sets`; only old records are read by it.

The best answer of an exercise counts, each at its points × max(0.4, 1 − 0.15 × hints opened before it, with whatever
numbers). A wrong verdict on a number named the right value; an answer to the *same* numbers after that counted like any
other, and is told from the rest (``told``).

The series of lab 12 keeps to it, since what it measures never was named. Its lists alone would be found by ticking box
after box and counting: how much of one is right is told in the first three tries at a session, and after those only a
right answer counts.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from gainlib.exercises.events import FIVE_TRIES, RULE
from gainlib.exercises.marking import Verdict, score
from gainlib.exercises.model import Exercise, Part

LIST_TRIES = 3
NUMBER_TRIES = 5


@dataclass(frozen=True)
class Best:
    """The answer that counts.

    Attributes
    ----------
    verdict : Verdict or None
        On it; None without one.
    points : float
        After hints.
    attempt, time : int or None, str
        Its set of numbers, and when it was given.
    told : bool
        Whether an earlier verdict on the same numbers had named the right value.
    """

    verdict: Verdict | None = None
    points: float = 0.0
    attempt: int | None = None
    time: str = ""
    told: bool = False


def best_of(
    exercise: Exercise, events: Iterable[dict], marked: Callable[[dict], Verdict], most: int | None = None
) -> Best:
    """Return the answer that counts among one learner's events about an exercise, in the order of their time."""
    best, hints, told, before = Best(), set(), set(), {}
    for event in events:
        if event["kind"] == "hint":
            hints.add(event["hint"])
        if event["kind"] != "answer" or event["attempt"] < 0:
            continue
        attempt, verdict = event["attempt"], marked(event)
        if told_no_more(exercise, event, verdict, before):
            continue
        if (most is None or attempt < most) and verdict.state not in ("invalid", "unattempted"):
            now = Best(verdict, score(verdict.points, len(hints)), attempt, event["time"], attempt in told)
            if best.verdict is None or (now.points, not now.told) > (best.points, not best.told):
                best = now
        if named_value(exercise, verdict):
            told.add(attempt)
    return best


def told_no_more(exercise: Exercise, event: dict, verdict: Verdict, before: dict[int, list]) -> bool:
    """Whether a try at a list of a series comes too late to count or to be told of: a fourth one that is not right.

    `before` holds the tries at each session, and takes this one in.
    """
    lists = exercise.series and all(part.chosen for part in exercise.parts)
    if not lists or event.get("rule") not in (RULE, FIVE_TRIES) or verdict.state in ("invalid", "unattempted"):
        return False
    tries = before.setdefault(event["attempt"], [])
    if verdict.values not in tries[-1:]:
        tries.append(verdict.values)
    return len(tries) > LIST_TRIES and verdict.state != "right"


def pay_of_five(part: Part, missed: int, whole: bool) -> float:
    """Return what a part earned after so many wrong tries while a number had five, and a list was paid in part."""
    if part.kind == "number":
        return 1.0 if missed < NUMBER_TRIES else 0.0
    return float(not missed) if part.kind == "choice" else 0.5**missed


def named_value(exercise: Exercise, verdict: Verdict) -> bool:
    """Whether the feedback of a verdict named a right value, as it did for every number that was judged."""
    if verdict.state not in ("wrong", "partly"):
        return False
    judged = zip(exercise.parts, verdict.values, strict=True)
    return any(value is not None and part.named(value) for part, value in judged)
