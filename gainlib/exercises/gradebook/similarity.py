"""How alike two answers to different numbers are, and how likely that is by chance."""

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from gainlib.exercises.bank import exercise as exercise_of
from gainlib.exercises.checks import Checked
from gainlib.exercises.gradebook.marks import Answer, question
from gainlib.exercises.marking import mark
from gainlib.exercises.model import Exercise
from gainlib.exercises.practical import State
from gainlib.exercises.tally import numbers
from gainlib.exercises.text import Unreadable

PANEL = 16
_FINEST = 0.02
_ONE_CONTROL = 0.01
_ONE_NUMBER = 0.01
_DECIMALS = re.compile(r"\d[.,](\d+)")


@dataclass(frozen=True)
class Alike:
    """Two answers that are alike.

    Attributes
    ----------
    kind : str
        "solved": wrong for one's own numbers and right for the other's; "same": the same answer.
    chance : float
        That it is one, 0 to 1; of "solved" only the share for being typed with the same decimals.
    """

    kind: str
    chance: float


def alikes(
    exercise: Exercise, suspects: Iterable[Answer], answers: Iterable[Answer]
) -> Iterator[tuple[Answer, Answer, Alike]]:
    """Yield every answer that is like another learner's answer to other numbers, that other, and how they are alike.

    Parameters
    ----------
    exercise : Exercise
        The question.
    suspects : iterable of Answer
        Whose authors may have copied.
    answers : iterable of Answer
        What they are compared with.
    """
    performed = any(isinstance(part, Checked) for part in exercise.parts)
    others = [(each, question(each.given), None if performed else _read_own(exercise, each)) for each in answers]
    for one in suspects:
        asked = question(one.given)
        for other, other_asked, theirs in others:
            if other.who == one.who or other_asked == asked:
                continue
            alike = _same_places(exercise, one, other) if performed else _typed(exercise, one, other, theirs)
            if alike is not None:
                yield one, other, alike


def _read_own(exercise, answer):
    return _read(exercise, answer.value, answer.given)


def _typed(exercise, one, other, theirs):
    """Compare what was typed or chosen."""
    try:
        mine = _read(exercise, one.value, other.given)
    except Unreadable:
        return None
    if None in mine or None in theirs:
        return None
    rows = zip(exercise.parts, mine, theirs, strict=True)
    apart = max(part.distance(a, b, b, other.given) for part, a, b in rows)
    if other.verdict.state == "right" and apart <= 2:
        solves = mark(exercise, other.given, one.value).state == "right"
        return Alike("solved", _typed_alike(exercise, one, other, theirs)) if solves else None
    return _same_figures(exercise, one) if apart < 1e-9 else None


def coincidence(exercise: Exercise, right: tuple) -> float:
    """Return the chance that the right answer to one set of numbers does for another, counted on sixteen sets.

    Parameters
    ----------
    exercise : Exercise
        The question.
    right : tuple of (dict, object)
        Given values and right answers at hand; more are drawn where they are too few.

    Returns
    -------
    float
        Above 0, since what never happens in sixteen sets may still happen.
    """
    panel = [(given, _read(exercise, value, given)) for given, value in right[:PANEL]]
    panel += [_solved(exercise.id, index) for index in range(PANEL - len(panel))]
    hits = pairs = 0
    for one, (_, value) in enumerate(panel):
        for other, (given, wanted) in enumerate(panel):
            if one != other:
                pairs += 1
                hits += _does(exercise, value, wanted, given)
    return (hits + 0.5) / (pairs + 1)


def _does(exercise, value, wanted, given):
    rows = zip(exercise.parts, value, wanted, strict=True)
    return all(part.distance(a, b, b, given) <= 1 for part, a, b in rows)


def _solved(id, index):
    found = exercise_of(id)
    given = numbers(id, f"nobody {index}", 0, "no class")
    return given, _read(found, found.solve(given), given)


def _read(exercise, value, given):
    several = len(exercise.parts) > 1
    if several and not (isinstance(value, list) and len(value) == len(exercise.parts)):
        raise Unreadable("An answer of another shape.")
    entries = zip(exercise.parts, exercise.values(value), strict=True)
    return [None if entry is None else part.read(entry, given) for part, entry in entries]


def _typed_alike(exercise, one, other, wanted):
    """Return the share of the numbers within the tolerance that are typed the same, as far as they are the same."""
    chance = 1.0
    rows = zip(exercise.parts, exercise.values(one.value), exercise.values(other.value), wanted, strict=True)
    for part, mine, theirs, key in rows:
        if part.kind == "number" and part.read(mine, other.given) == part.read(theirs, other.given):
            low, high = part.limits(key, other.given)
            chance *= min(1.0, max(_FINEST, 10.0 ** -decimals(mine) / max(high - low, 1e-9)))
    return chance


def _same_figures(exercise, one):
    """Return the chance of the same wrong answer: only numbers with two decimals or more are nobody's guess."""
    typed = [
        entry for part, entry in zip(exercise.parts, exercise.values(one.value), strict=True) if part.kind == "number"
    ]
    fine = [entry for entry in typed if decimals(entry) >= 2]
    return Alike("same", _ONE_NUMBER ** len(fine)) if fine else None


def decimals(entry: object) -> int:
    """Return how many decimals a number was typed with.

    Examples
    --------
    >>> decimals("−3,25 dB"), decimals(-3.5), decimals("12")
    (2, 1, 0)
    """
    found = _DECIMALS.search(str(entry))
    return len(found.group(1)) if found else 0


def _same_places(exercise, one, other):
    """Compare what was performed: the same places of all controls, by moves that differ because the starts do."""
    places = [_places(exercise, each.value) for each in (one, other)]
    if None in places or places[0] != places[1]:
        return None
    solved = one.verdict.state != "right" and other.verdict.state == "right"
    states = [(index, part) for index, part in enumerate(exercise.parts) if isinstance(part, State)]
    moved = sum(max(_moves(exercise, index, part, each) for each in (one, other)) for index, part in states)
    return Alike("solved" if solved else "same", _ONE_CONTROL**moved) if moved else None


def _places(exercise, value):
    """Return an answer in a form that compares, controls rounded to 0.01; None where there is nothing to compare."""
    read = []
    for part, entry in zip(exercise.parts, exercise.values(value), strict=True):
        if isinstance(part, State) and isinstance(entry, str):
            entry = json.loads(entry)  # it was marked, so it is JSON
        if isinstance(part, Checked) and not isinstance(entry, dict):
            return None
        read.append(_rounded(entry))
    return read


def _rounded(value):
    if isinstance(value, dict):
        return {"master" if name == "bus" else name: _rounded(entry) for name, entry in value.items()}
    if isinstance(value, float | int) and not isinstance(value, bool):
        return round(float(value), 2)
    return value


def _moves(exercise, index, part, answer):
    """Return by how many different distances controls were moved: one distance for all is one decision."""
    placed = part.read(exercise.values(answer.value)[index], answer.given)
    starts = {(control.target, control.name): control.start for control in part.controls_for(answer.given)}
    moves = {
        round(value - starts[target, name], 1)
        for target, fields in placed.items()
        for name, value in fields.items()
        if value != starts[target, name]
    }
    return len(moves)
