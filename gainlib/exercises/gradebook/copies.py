"""Answers that fit somebody else's numbers: whose record looks as if it was copied, and from whom.

Everybody has numbers of their own, so a copied answer is wrong for the one who copies and right for the other. One such
answer may be chance, a slip that happens to land there; the more often it happens between the same two, the less so.
For every exercise the chance that an answer to one set of numbers does for another is counted on sixteen sets; the
chances of all exercises of a pair are multiplied (they are drawn independently), and a pair is reported when in a class
of this size less than one such pair in a hundred classes is to be expected. Controls that stand in the same places in
spite of different starts, and lines that were taken over with their event numbers, need no second exercise.

What is reported is a reason to ask, not a proof.
"""

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gainlib.exercises.bank import exercise
from gainlib.exercises.checks import Checked
from gainlib.exercises.gradebook.marks import Answer, same_values
from gainlib.exercises.gradebook.similarity import Alike, alikes, coincidence
from gainlib.exercises.gradebook.submissions import Line, same_json

EXPECTED_BY_CHANCE = 0.01

Who = tuple[str, str]


@dataclass(frozen=True)
class Copied:
    """Two learners of whom one seems to have the other's answers.

    Attributes
    ----------
    who, source : tuple of str
        Class code and learner in normal form: whose record it is, and whose numbers the answers fit.
    solved : tuple of str
        Exercises in which the answers are wrong for their own numbers and right for the other's.
    same : tuple of str
        Exercises with the same answers to different numbers.
    lines : int
        Lines that stand in both records under one event number.
    mutual : bool
        Whether nothing tells who copied from whom.
    """

    who: Who
    source: Who
    solved: tuple[str, ...] = ()
    same: tuple[str, ...] = ()
    lines: int = 0
    mutual: bool = False

    @property
    def exercises(self) -> tuple[str, ...]:
        """All exercises that tell."""
        return tuple(sorted({*self.solved, *self.same}))

    def sentence(self, source: str) -> str:
        """Return what was found, with the other's name in it."""
        found = []
        if self.lines:
            found.append(f"{self.lines} lines have the event numbers of {source}")
        if self.solved:
            found.append(f"answers that are right for the numbers of {source}, not for their own: {_list(self.solved)}")
        if self.same:
            found.append(f"the same answers as {source} to different numbers: {_list(self.same)}")
        return "; ".join(found)


def copies(answers: Sequence[Answer], shared: Iterable[tuple[Line, Line]] = ()) -> tuple[Copied, ...]:
    """Return the pairs of learners whose answers are alike beyond chance.

    Parameters
    ----------
    answers : sequence of Answer
        Of the whole class, marked again.
    shared : iterable of (Line, Line)
        Lines that stand under two names.

    Returns
    -------
    tuple of Copied
        Sorted by who copied.
    """
    pairs = len({answer.who for answer in answers})
    pairs *= pairs - 1
    found: dict[tuple[Who, Who], dict[str, tuple[str, float]]] = {}
    for id in sorted({answer.exercise for answer in answers}):
        for pair, evidence in _in_one_exercise(id, [each for each in answers if each.exercise == id]).items():
            found.setdefault(pair, {})[id] = evidence
    taken = _taken_over(shared, answers)
    reported = [_copied(pair, kinds, taken.get(pair, 0)) for pair, kinds in found.items() if _is_telling(kinds, pairs)]
    named = {(each.who, each.source) for each in reported}
    reported += [_copied(pair, found.get(pair, {}), count) for pair, count in taken.items() if pair not in named]
    return tuple(sorted(_once(reported), key=lambda each: (each.who, each.source)))


def _is_telling(kinds, pairs):
    return math.prod(chance for _, chance in kinds.values()) * pairs <= EXPECTED_BY_CHANCE


def _copied(pair, kinds, lines):
    solved = tuple(id for id, (kind, _) in kinds.items() if kind == "solved")
    same = tuple(id for id, (kind, _) in kinds.items() if kind == "same")
    return Copied(*pair, solved, same, lines, mutual=not solved and not lines)


def _once(reported):
    """Leave out the second of two that say the same of each other, and those explained by a third they both had."""
    directed = {(each.who, each.source) for each in reported if not each.mutual}
    sources = {who: {source for copier, source in directed if copier == who} for who, _ in directed}
    kept, seen = [], set()
    for each in reported:
        turned = (each.source, each.who)
        common = sources.get(each.who, set()) & sources.get(each.source, set())
        if each.mutual and (turned in seen or turned in directed or common):
            continue
        seen.add((each.who, each.source))
        kept.append(each)
    return kept


def _in_one_exercise(id, answers):
    """Return for each pair (copier, source) with answers alike how they are, and the chance of it."""
    own = exercise(id)
    distinct = _different([each for each in answers if each.verdict.state != "unattempted"])
    counted = [each for each in distinct if each.verdict.state != "invalid"]
    right = {each.who: (each.given, each.value) for each in reversed(counted) if each.verdict.state == "right"}
    performed = any(isinstance(part, Checked) for part in own.parts)
    # What one's own numbers do not even offer may be right for another's; places are compared where they can be read.
    suspects = counted if performed else [each for each in distinct if each.verdict.state != "right"]
    found: dict[tuple[Who, Who], Alike] = {}
    tries = Counter((one.who, other.who) for one in suspects for other in counted)
    for one, other, alike in alikes(own, suspects, counted):
        pair = (one.who, other.who)
        if pair not in found or alike.chance < found[pair].chance:
            found[pair] = alike
    solved = not performed and any(alike.kind == "solved" for alike in found.values())
    does = coincidence(own, tuple(right.values())) if solved else 1.0
    evidence = {}
    for pair, alike in found.items():
        chance = alike.chance * (does if alike.kind == "solved" else 1.0)
        evidence[pair] = (alike.kind, min(1.0, tries[pair] * chance))
    return evidence


def _different(answers):
    """Return the answers without those that repeat an earlier one of the same learner to the same numbers."""
    kept: dict = {}
    for answer in answers:
        others = kept.setdefault((answer.who, answer.attempt), [])
        if not any(same_json(answer.value, other.value) for other in others):
            others.append(answer)
    return [answer for others in kept.values() for answer in others]


def _taken_over(shared, answers):
    """Return how many lines each pair (copier, source) shares; the source is whose numbers the lines hold."""
    counts: dict[tuple[Who, Who], int] = {}
    owners = _owners(answers)
    for first, second in shared:
        pair = (second.who, first.who)
        counts[pair] = counts.get(pair, 0) + 1
    turned: dict[tuple[Who, Who], int] = {}
    for (copier, source), count in counts.items():
        back = owners.get(copier, 0) > owners.get(source, 0)
        pair = (source, copier) if back else (copier, source)
        turned[pair] = turned.get(pair, 0) + count
    return turned


def _owners(answers):
    """Return for each learner how many answers lie beside numbers that are their own."""
    owned: dict[Who, int] = {}
    for answer in answers:
        stored = answer.line.event.get("given")
        owned[answer.who] = owned.get(answer.who, 0) + (stored is not None and same_values(stored, answer.given))
    return owned


def _list(ids):
    return ", ".join(ids)
