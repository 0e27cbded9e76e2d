"""The rule of points, in one place: what each set of numbers of an exercise has earned, and whether it is still open.

- A *try* is an answer that can be read. A blank or unreadable one is none, and the same twice in a row is one.
- A set solved unaided earns all points; each paid hint takes 15 %. Hints of one set do not follow to the next. The best
  set counts, and two sets solved without any hint make an exercise *mastered*; a review that is right at the first try
  is one of them.
- Numbers and controls: a wrong try tells what is off and in which direction. From the second wrong try on the next hint
  is free, one more with every further wrong try, and the solution can be asked for. That ends the set for points. A
  number earns all in its first two tries, half at the third and a quarter at the fourth; what is left then is closing
  in by high and low. A try that a slip explains, heard for the first time with these numbers, is not counted among
  them: that is learning, not trying.
- Choices, ticks, maps and orders: how many are right is told from the second try on, and until then what a first try
  has earned is not shown either. At one of several only the first try earns points; ticks, maps and orders are paid in
  part at the first try, and all right they earn half at the second and a quarter at the third. After the third wrong
  try the set is *spent*: the solution is shown, and only new numbers earn points.
- A choice beside numbers, controls or a blind run is what follows from those: it counts once one of them has earned
  something by itself.
- Blind tests have no free hints and no solution before the end. The first complete run with a set of numbers counts,
  and the next set's has to be better by itself.
- In an exam nothing is told, so an answer may be changed until its end, and only the last one is a try (a blind run
  stays as it was first done).
- A series (lab 12) has one hint a task for all its sessions, its measurements are told each time, and no set is spent.
  How much of a list is right is told in the first three tries at a session; then only a right answer counts.

Answers of records written before this rule keep what they earned by the rule before, below; so do those
written while later tries counted more.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from gainlib.exercises.marking import PartVerdict, Verdict, overall, score
from gainlib.exercises.model import Exercise, Part
from gainlib.exercises.record import ALL_TRIES_ALIKE, FIVE_TRIES, RULE, is_new
from gainlib.exercises.variants import EXAM, REVIEW

MOST_TRIES = 3
NUMBER_PAY = (1.0, 1.0, 0.5, 0.25)
TOLD_FROM = 2
MASTERED = 2
LIST_TRIES, NUMBER_TRIES = 3, 5  # of the rule before


def chosen(exercise: Exercise) -> tuple[int, ...]:
    """Return the places of the parts that are answered by choosing, in an exercise whose sets can be spent."""
    return () if exercise.series else tuple(k for k, part in enumerate(exercise.parts) if part.chosen)


def limited(exercise: Exercise) -> tuple[int, ...]:
    """Return the places of the parts whose wrong tries are counted: choices, and numbers."""
    return () if exercise.series else tuple(k for k, part in enumerate(exercise.parts) if part.chosen or _typed(part))


def _typed(part):
    return part.kind == "number"


def pay(part: Part, missed: int, whole: bool = True) -> float:
    """Return the share of its points that a part still earns after so many wrong tries; `whole` where all is right.

    Examples
    --------
    >>> from gainlib.exercises import Choice, Multi, Number
    >>> [[pay(part, missed) for missed in (0, 1, 2, 5)] for part in (Choice(), Multi(), Number())]
    [[1.0, 0.0, 0.0, 0.0], [1.0, 0.5, 0.25, 0.03125], [1.0, 1.0, 0.5, 0.0]]
    """
    if _typed(part):
        return NUMBER_PAY[missed] if missed < len(NUMBER_PAY) else 0.0
    if not missed:
        return 1.0
    return 0.5**missed if whole and part.kind != "choice" else 0.0


def worth(
    exercise: Exercise, verdict: Verdict, missed: tuple[int, ...] = (), told: bool = True, paid: Callable = pay
) -> float:
    """Return what an answer earns before hints.

    Parameters
    ----------
    exercise, verdict : Exercise, Verdict
        What was asked, and the verdict on the answer.
    missed : tuple of int
        How many wrong tries each part of :func:`limited` had before.
    told : bool
        False leaves the choices out, as far as a first try was told of.
    paid : callable
        The rule: :func:`pay`, or that of an earlier time.
    """
    places, choices = limited(exercise), chosen(exercise)
    if not places or not verdict.parts:
        return verdict.points
    shares = dict.fromkeys(range(len(verdict.parts)), 1.0)
    for k, count in zip(places, missed or (0,) * len(places), strict=True):
        shares[k] = paid(exercise.parts[k], count, verdict.parts[k].state == "right")
    beside = [
        part.points * (shares[k] if paid is pay else 1) for k, part in enumerate(verdict.parts) if k not in choices
    ]
    follows = not beside or any(beside)
    for k in () if told and follows else choices:
        shares[k] = 0.0
    whole = sum(part.points for part in verdict.parts)
    counted = sum(shares[k] * part.points for k, part in enumerate(verdict.parts))
    return verdict.points * counted / whole if whole else 0.0


def guided(exercise: Exercise) -> bool:
    """Whether hints become free, and the solution can be asked for: an exercise with numbers or controls."""
    by_ear = any(part.kind == "listening" for part in exercise.parts)
    return not exercise.series and not by_ear and not all(part.chosen for part in exercise.parts)


def in_words(exercise: Exercise) -> str:
    """Return how an exercise is counted, for a teacher."""
    if exercise.series:
        rule = "each hint takes 15 %; hints stay open in every session; no session is closed by wrong tries"
        lists = all(part.chosen for part in exercise.parts)
        return rule + (f"; how much is right is shown {LIST_TRIES} times a session" if lists else "")
    rules = ["best set of numbers; each paid hint takes 15 %"]
    if guided(exercise):
        rules.append("hints are free from the second wrong try on, one a try; asking for the solution ends a set")
    if any(_typed(part) for part in exercise.parts):
        rules.append(
            "a number earns all in two tries, half at the third, a quarter at the fourth; a known mistake is no try"
        )
    if chosen(exercise):
        rules.append(f"a set ends with wrong try {MOST_TRIES} of a choice")
        kinds = {exercise.parts[k].kind for k in chosen(exercise)}
        if "choice" in kinds:
            rules.append("at one of several only the first try earns points")
        if kinds != {"choice"}:
            rules.append("ticks, maps and orders, all right, earn half at the second try, a quarter at the third")
        if len(chosen(exercise)) < len(exercise.parts):
            rules.append("choices count once something beside them has earned points")
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
        Answered rightly while it was open, without a hint, and each choice at the first try.
    last : tuple
        The last answer as it was read, part by part.
    earned : float
        What it is worth before hints.
    missed : tuple of int
        How many wrong tries each part of :func:`limited` has had.
    heard : tuple of str
        The slips it was told of.
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
    earned: float = 0.0
    missed: tuple[int, ...] = ()
    heard: tuple[str, ...] = ()
    _runs: tuple[PartVerdict | None, ...] = ()

    @property
    def closed(self) -> bool:
        """Whether the solution is out, so that only new numbers earn points."""
        return self.asked or self.spent or self.named

    @property
    def counts_are_told(self) -> bool:
        """Whether how many choices are right is told by now."""
        return self.tries >= TOLD_FROM

    @property
    def veiled(self) -> bool:
        """Whether a first try of choices has earned something that is not told yet."""
        return self.verdict is not None and self.verdict.veiled and not (self.counts_are_told or self.closed)

    def told(self, exercise: Exercise) -> "SetOfNumbers":
        """Return the set as far as its learner was told of it."""
        if not self.veiled:
            return self
        told = score(worth(exercise, self.verdict, told=False), self.paid)
        beside = [part.state for k, part in enumerate(self.verdict.parts) if k not in chosen(exercise)]
        state = "partly" if {"right", "partly"} & {*beside} else "wrong"
        return replace(self, points=told, verdict=replace(self.verdict, state=state, closer=self.verdict.feedback))

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

    def after_answer(self, exercise: Exercise, verdict: Verdict, event: dict) -> "SetOfNumbers":
        """Return the set after one more answer; one that the earlier rule has counted earns nothing here."""
        if verdict.state in ("invalid", "unattempted"):
            return self
        runs = self._first_runs(exercise, verdict)
        verdict = _with_runs(verdict, runs)
        rule = event.get("rule")
        alike = rule == ALL_TRIES_ALIKE or not is_new(event)
        paid = pay if rule == RULE else pay_of_five
        earned = verdict.points if alike else worth(exercise, verdict, self.missed, paid=paid)
        points, counts = score(earned, self.paid), is_new(event) and not self.closed
        now = replace(self, earned=earned)
        if counts and (self.verdict is None or points > self.points):
            now = replace(now, verdict=verdict, points=points, time=event["time"])
        if self.tries and verdict.values == self.last:
            return now
        learnt = rule == RULE and bool(set(verdict.slips) - set(self.heard))
        right, missed = verdict.state == "right", self._missed_by(exercise, verdict, learnt)
        wrong = any(part.state in ("wrong", "partly") for part in verdict.parts)
        return replace(
            now,
            tries=self.tries + 1,
            wrong=self.wrong + wrong,
            right=self.right or right,
            unaided=self.unaided or (right and not self.closed and not self.hints and earned >= verdict.points),
            spent=self.spent or (not right and self._is_spent(exercise, missed)),
            named=self.named or (not is_new(event) and not exercise.series and named_value(exercise, verdict)),
            last=verdict.values,
            missed=missed,
            heard=self.heard + verdict.slips,
            _runs=runs,
        )

    def _first_runs(self, exercise, verdict):
        """Return the verdict on the first answer to each part that is answered once; None where there is none yet."""
        first = self._runs or (None,) * len(exercise.parts)
        now = (each if part.once else None for part, each in zip(exercise.parts, verdict.parts, strict=True))
        return tuple(
            was or (each if each and each.state != "unattempted" else None)
            for was, each in zip(first, now, strict=True)
        )

    @staticmethod
    def _is_spent(exercise, missed):
        counts = zip(limited(exercise), missed, strict=True)
        return any(exercise.parts[k].chosen and count >= MOST_TRIES for k, count in counts)

    def _missed_by(self, exercise, verdict, learnt):
        """Return how many wrong tries each part has had; an entry that was left as it is does not count again."""

        def counts(k):
            left = bool(self.last) and self.last[k] == verdict.values[k]
            spared = learnt and _typed(exercise.parts[k])
            return verdict.parts[k].state in ("wrong", "partly") and not (left or spared)

        places = limited(exercise)
        return tuple(count + counts(k) for count, k in zip(self.missed or (0,) * len(places), places, strict=True))


def _with_runs(verdict, runs):
    """Return a verdict in which first answers stand in the place of later ones."""
    if not any(runs):
        return verdict
    parts = tuple(first or each for first, each in zip(runs, verdict.parts, strict=True))
    state = overall(each.state for each in parts)
    return replace(verdict, parts=parts, state=state, points=sum(each.points for each in parts))


def is_exam(event: dict) -> bool:
    """Whether an event is about the numbers of an exam."""
    return EXAM <= event.get("attempt", 0) < REVIEW


def first_tries(events: Iterable[dict], marked: Callable[[dict], Verdict]) -> dict[int, Verdict]:
    """Return the verdict on the first readable answer to each set of numbers asked in a review, in order."""
    found: dict[int, Verdict] = {}
    for event in events:
        if event["kind"] == "review" and event["attempt"] >= REVIEW and event["attempt"] not in found:
            verdict = marked(event)
            if verdict.state not in ("invalid", "unattempted"):
                found[event["attempt"]] = verdict
    return found


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
            sets[attempt] = replace(now, asked=True)
        elif kind == "answer" and attempt >= 0:
            if is_exam(event):
                now = SetOfNumbers(attempt, _runs=now._runs)
            sets[attempt] = now.after_answer(exercise, marked(event), event)
    return sets


# ------------------------------------------------------------------------------------------------------ the rule before

# The best answer of an exercise counted, each at its points × max(0.4, 1 − 0.15 × hints opened before it, with whatever
# numbers). A wrong verdict on a number named the right value; an answer to the same numbers after that counted like any
# other, and is told from the rest (`named`). The series of lab 12 keeps to it, since what it measures never was named.
# Its lists alone would be found by ticking box after box and counting: how much of one is right is told in the first
# three tries at a session, and after those only a right answer counts.


def best_of(
    exercise: Exercise, events: Iterable[dict], marked: Callable[[dict], Verdict], most: int | None = None
) -> SetOfNumbers:
    """Return the set with the answer that counts among one learner's events about an exercise, in order of time."""
    best, hints, told, before = SetOfNumbers(), set(), set(), {}
    for event in events:
        if event["kind"] == "hint":
            hints.add(event["hint"])
        if event["kind"] != "answer" or event["attempt"] < 0:
            continue
        attempt, verdict = event["attempt"], marked(event)
        if told_no_more(exercise, event, verdict, before):
            continue
        if (most is None or attempt < most) and verdict.state not in ("invalid", "unattempted"):
            points = score(verdict.points, len(hints))
            now = SetOfNumbers(attempt, verdict=verdict, points=points, time=event["time"], named=attempt in told)
            if best.verdict is None or (now.points, not now.named) > (best.points, not best.named):
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
