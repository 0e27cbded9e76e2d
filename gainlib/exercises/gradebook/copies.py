"""Answers taken from somebody else: whose record holds lines or answers of another's, and of whom.

Everybody has numbers of their own, so a copied answer is wrong for the one who copies and right for the other. The same
answer to the last decimal in one exercise may be chance; from three exercises of one lab on the two are named. Lines
that stand in both records under one event number need no second. What is reported is a reason to ask, not a proof.
"""

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gainlib.exercises.bank import exercise
from gainlib.exercises.checks import Checked
from gainlib.exercises.gradebook.marks import Answer, question, same_values
from gainlib.exercises.gradebook.submissions import Line

FEWEST = 3

Who = tuple[str, str]


@dataclass(frozen=True)
class Copied:
    """Two learners of whom one seems to have the other's answers.

    Attributes
    ----------
    who, source : tuple of str
        Class code and learner in normal form: whose record it is, and whose answers they are.
    exercises : tuple of str
        Exercises in which an answer is wrong for their own numbers, and the other's right one to the last decimal.
    lines : int
        Lines that stand in both records under one event number.
    """

    who: Who
    source: Who
    exercises: tuple[str, ...] = ()
    lines: int = 0

    def sentence(self, source: str) -> str:
        """Return what was found, with the other's name in it."""
        found = []
        if self.lines:
            found.append(f"{self.lines} lines have the event numbers of {source}")
        if self.exercises:
            listed = ", ".join(self.exercises)
            found.append(f"answers that are right for the numbers of {source}, not for their own: {listed}")
        return "; ".join(found)


def copies(answers: Sequence[Answer], shared: Iterable[tuple[Line, Line]] = ()) -> tuple[Copied, ...]:
    """Return who has whose answers, sorted, from a class marked again and the lines that stand under two names."""
    typed = {pair: ids for pair, ids in _typed(answers).items() if max(Counter(map(_lab, ids)).values()) >= FEWEST}
    lines = _taken_over(shared, answers)
    pairs = sorted({*typed, *lines})
    return tuple(Copied(*pair, tuple(sorted(typed.get(pair, ()))), lines.get(pair, 0)) for pair in pairs)


def _typed(answers) -> dict[tuple[Who, Who], set[str]]:
    """Return the exercises in which each pair (copier, source) has the same answer, right for the source only."""
    right: dict[tuple[str, str], list[Answer]] = {}
    for answer in answers:
        if answer.verdict.state == "right":
            right.setdefault(_same(answer), []).append(answer)
    found: dict[tuple[Who, Who], set[str]] = {}
    for answer in answers:
        if answer.verdict.state in ("right", "unattempted") or not _tells(answer.exercise):
            continue
        for other in right.get(_same(answer), ()):
            if other.who != answer.who and question(other.given) != question(answer.given):
                found.setdefault((answer.who, other.who), set()).add(answer.exercise)
    return found


def _lab(id):
    return id.rpartition("-")[0]


def _same(answer):
    return answer.exercise, json.dumps(answer.value, sort_keys=True)


def _tells(id):
    """Whether the answer holds a number or places of controls; the same choice of a few is nobody's alone."""
    return any(part.kind == "number" or isinstance(part, Checked) for part in exercise(id).parts)


def _taken_over(shared, answers) -> dict[tuple[Who, Who], int]:
    """Return how many lines each pair (copier, source) shares; the source is whose numbers the lines hold."""
    owned: dict[Who, int] = {}
    for answer in answers:
        stored = answer.line.event.get("given")
        owned[answer.who] = owned.get(answer.who, 0) + (stored is not None and same_values(stored, answer.given))
    counts: dict[tuple[Who, Who], int] = {}
    for first, second in shared:
        source, copier = sorted((first.who, second.who), key=lambda who: owned.get(who, 0), reverse=True)
        counts[copier, source] = counts.get((copier, source), 0) + 1
    return counts
