"""The mark: one verdict for the notebook, the batch and the tests; and marks that were made before.

Five states. *Unattempted*: nothing was given. *Invalid*: it cannot be marked, costs nothing and says what was expected.
*Wrong*, *partly* (some parts, or some of a part) and *right*.

A class is marked again in the time that its new answers take: marks lie in the user's own cache folder, under a digest
of all code that can change one; no version reads another's.
"""

import hashlib
import logging
import math
import numbers
import pickle
import shutil
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gainlib.audio import prepared, replacing
from gainlib.exercises.model import Exercise, Judgement, Slip
from gainlib.exercises.text import Unreadable, describe
from gainlib.session.surveys import cache_folder
from gainlib.words import number

HINT_COST = 0.15
HINT_FLOOR = 0.4
NO_ANSWER = "there is no answer yet"
SEVERAL = "not all of these are right yet"

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class PartVerdict:
    """What one part earned.

    Attributes
    ----------
    state : str
        One of the five states.
    points, max_points : float
        Before hints, and possible.
    feedback : str
        Measured, wanted, distance.
    """

    state: str
    points: float
    max_points: float
    feedback: str


@dataclass(frozen=True)
class Verdict:
    """What an answer earned.

    Attributes
    ----------
    state : str
        "unattempted", "invalid", "wrong", "partly" or "right".
    points, max_points : float
        Earned without regard to hints, and possible.
    feedback : str
        What was given and how it is off, for each part, then the sentence of every slip that was recognised; never the
        right value, and not which of several choices are wrong.
    closer : str
        The same from the second try on: how many choices are right, or which.
    parts : tuple of PartVerdict
        The same, part by part; empty when the answer as a whole could not be read.
    slips : tuple of str
        Names of the slips recognised.
    values : tuple
        The answer part by part as it was read, None for a part left empty.
    """

    state: str
    points: float
    max_points: float
    feedback: str
    parts: tuple[PartVerdict, ...] = ()
    slips: tuple[str, ...] = ()
    closer: str = ""
    values: tuple = ()

    @property
    def veiled(self) -> bool:
        """Whether the first feedback keeps back how much of it is right."""
        return self.closer != self.feedback

    def said(self, closer: bool) -> str:
        """Return the feedback, for a first try or a later one."""
        return self.closer if closer else self.feedback


def mark(exercise: Exercise, given: dict, answer: Any, *, drawn: bool = True) -> Verdict:
    """Mark an answer; never raises.

    Parameters
    ----------
    exercise : Exercise
        The declaration.
    given : dict
        The variant that was shown.
    answer : object
        JSON in the exercise's shape; anything else is answered with what was expected.
    drawn : bool
        Whether the values have to be ones that the exercise could draw; those of an earlier edition are taken as they
        are.

    Returns
    -------
    Verdict
        State, points, feedback.

    Examples
    --------
    >>> from gainlib.exercises import bank, mark
    >>> sums = bank()[0]
    >>> mark(sums, sums.variant("anna"), "loud").state, mark(sums, sums.variant("anna"), None).state
    ('invalid', 'unattempted')
    """
    try:
        return _mark(exercise, given, answer, drawn)
    except Unreadable as problem:
        return _invalid(exercise, str(problem))
    except Exception as problem:
        _LOG.debug("%s could not be marked", exercise.id, exc_info=True)
        return _invalid(exercise, f"This could not be marked ({type(problem).__name__}); you lose no points.")


def score(points: float, hints: int) -> float:
    """Return points after hints: × max(0.4, 1 − 0.15 for each hint opened before the answer).

    Parameters
    ----------
    points : float
        What the answer earned.
    hints : int
        Hints opened before it.

    Returns
    -------
    float
        Points that count.

    Examples
    --------
    >>> score(2.0, 0), score(2.0, 2), score(2.0, 9)
    (2.0, 1.4, 0.8)
    """
    return points * max(HINT_FLOOR, 1.0 - HINT_COST * hints)


def is_empty(answer: Any) -> bool:
    """Whether nothing was answered: None, blank text, an empty list or table, or a list of such."""
    if answer is None or (isinstance(answer, str) and not answer.strip()):
        return True
    if isinstance(answer, dict):
        return not answer
    return isinstance(answer, (list, tuple)) and all(is_empty(entry) for entry in answer)


def _invalid(exercise, sentence, parts=()):
    return Verdict("invalid", 0.0, exercise.points, sentence, parts, closer=sentence)


def _mark(exercise, given, answer, drawn):
    if drawn:
        _check_given(exercise, given)
    if is_empty(answer):
        return Verdict("unattempted", 0.0, exercise.points, "There is no answer yet.", closer="There is no answer yet.")
    entries = [None if is_empty(entry) else entry for entry in _entries(exercise, answer)]
    values, unread = _read_all(exercise, given, entries)
    if unread:
        parts = tuple(
            PartVerdict("invalid" if said else "unattempted", 0.0, part.points, said or "")
            for part, said in zip(exercise.parts, unread, strict=True)
        )
        return _invalid(exercise, _lines(exercise, given, [said or "" for said in unread]), parts)
    key = _key(exercise, given)
    judged = [
        None if value is None else part.judge(value, right, given, values)
        for part, value, right in zip(exercise.parts, values, key, strict=True)
    ]
    return _verdict(exercise, given, values, key, judged)


def _key(exercise, given):
    """Return the right answer as read; what is measured needs none, and to find one may take a render."""
    if not any(part.keyed for part in exercise.parts):
        return [None] * len(exercise.parts)
    solution = exercise.values(exercise.solve(given))
    return [part.read(entry, given) for part, entry in zip(exercise.parts, solution, strict=True)]


def _entries(exercise, answer):
    if len(exercise.parts) == 1:
        return [answer]
    names = ", ".join(part.label for part in exercise.parts)
    if not isinstance(answer, (list, tuple)):
        raise Unreadable(f"Give {len(exercise.parts)} answers ({names}); {describe(answer)} is none.")
    if len(answer) != len(exercise.parts):
        raise Unreadable(f"Give {len(exercise.parts)} answers ({names}); you gave {len(answer)}.")
    return list(answer)


def _read_all(exercise, given, entries):
    """Return the read values, and per part the sentence of what could not be read (empty list if all could)."""
    values, unread = [], []
    for part, entry in zip(exercise.parts, entries, strict=True):
        try:
            values.append(None if entry is None else part.read(entry, given))
            unread.append(None)
        except Unreadable as problem:
            values.append(None)
            unread.append(str(problem))
    return values, unread if any(unread) else []


def _verdict(exercise, given, values, key, judged):
    parts = tuple(_part_verdict(part, judgement) for part, judgement in zip(exercise.parts, judged, strict=True))
    state = overall(part.state for part in parts)
    slips = [] if state == "right" else _recognised(exercise, given, values, key, parts)
    closer = [judgement.closer or judgement.feedback if judgement else NO_ANSWER for judgement in judged]
    first = closer if exercise.series else _veiled(exercise, [part.feedback for part in parts], parts)
    said, later = ("\n".join([_lines(exercise, given, each), *(s.sentence for s in slips)]) for each in (first, closer))
    points, names = sum(part.points for part in parts), tuple(slip.name for slip in slips)
    return Verdict(state, points, exercise.points, said, parts, names, later, tuple(values))


def _veiled(exercise, sentences, parts):
    """Return what a first try is told: of several choices not which are wrong, while any is."""
    chosen = [k for k, part in enumerate(exercise.parts) if part.chosen and parts[k].state != "unattempted"]
    if len(chosen) < 2 or all(parts[k].state == "right" for k in chosen):
        return sentences
    return [SEVERAL if k == chosen[0] else "" if k in chosen else said for k, said in enumerate(sentences)]


def _part_verdict(part, judgement: Judgement | None):
    if judgement is None:
        return PartVerdict("unattempted", 0.0, part.points, NO_ANSWER)
    share = judgement.share
    state = "right" if share >= 1 else "wrong" if share <= 0 else "partly"
    return PartVerdict(state, share * part.points, part.points, judgement.feedback)


def overall(states: Iterable[str]) -> str:
    """Return the state of an answer from those of its parts."""
    states = tuple(states)
    if all(state == "right" for state in states):
        return "right"
    return "partly" if any(state in ("right", "partly") for state in states) else "wrong"


def _lines(exercise, given, sentences):
    """Return the parts' sentences, each behind its label where there are several."""
    if len(exercise.parts) == 1:
        return f"{sentences[0][:1].upper()}{sentences[0][1:]}".rstrip(".") + "."
    labelled = zip(exercise.parts, sentences, strict=True)
    return "\n".join(f"{part.label_for(given)}: {said.rstrip('.')}." for part, said in labelled if said)


def _recognised(exercise, given, values, key, parts) -> list[Slip]:
    """Return the slips that explain the answer: those that fit every part they speak of, else those that fit any."""
    fits = []
    for slip in exercise.slips:
        if not slip.active(given):
            continue
        if slip.spots is not None:
            if slip.spots(exercise.answer(values), given):
                fits.append((slip, True))
            continue
        matches = _matches(exercise, given, values, key, parts, slip)
        if any(matches):
            fits.append((slip, all(matches)))
    whole = [slip for slip, complete in fits if complete]
    return whole or [slip for slip, _ in fits]


def _matches(exercise, given, values, key, parts, slip):
    """Return for each part the slip speaks of whether a wrong entry is the slip's."""
    matches = []
    rows = zip(exercise.parts, exercise.values(slip.answer(given)), values, key, parts, strict=True)
    for part, entry, value, right, verdict in rows:
        if entry is None:
            continue
        same = value is not None and part.distance(value, part.read(entry, given), right, given) <= 1.0
        if same and verdict.state == "right":
            continue
        matches.append(same)
    return matches


def _check_given(exercise, given):
    """Refuse values that this exercise cannot have drawn."""
    foreign = Unreadable(
        f"These given values are not a variant of exercise {exercise.id}; draw them with its variant()."
    )
    if not isinstance(given, dict) or given.get("exercise") != exercise.id:
        raise foreign
    attempt = given.get("attempt")
    if not isinstance(attempt, int) or isinstance(attempt, bool) or attempt < 0:
        raise foreign
    sample = exercise.sample
    if set(sample) != set(given) or not all(_alike(sample[name], given[name]) for name in sample):
        raise foreign
    holds = getattr(exercise.given, "holds", None)
    if holds is not None and not holds(given):
        raise foreign


def _alike(sample, value):
    """Whether a value has the JSON type of a sample, all the way down, and is finite."""
    if isinstance(sample, (list, tuple)):
        return isinstance(value, (list, tuple)) and len(value) == len(sample) and all(map(_alike, sample, value))
    if isinstance(sample, (bool, str)) or sample is None:
        return type(value) is type(sample)
    return isinstance(value, numbers.Real) and not isinstance(value, bool) and math.isfinite(value)


def hint_price(points: float, hints: int) -> str:
    """Return what the next hint costs, in words for the button that opens it.

    Parameters
    ----------
    points : float
        What the exercise is worth.
    hints : int
        Hints open already.

    Returns
    -------
    str
        Follows the name of the hint.

    Examples
    --------
    >>> hint_price(2.0, 0), hint_price(2.0, 4)
    ('costs 0.3 of 2 points', 'costs nothing more')
    """
    price = score(points, hints) - score(points, hints + 1)
    if price < 1e-9:
        return "costs nothing more"
    return f"costs {number(round(price, 2))} of {number(points)} points"


# ---------------------------------------------------------------------------------------------------- marks made before


WORTH_S = 0.005
_place: list[Path] = []


def marks_folder() -> Path | None:
    """Return where this version keeps its marks; None where nothing is to be kept."""
    cache = cache_folder()
    digest = hashlib.sha256(prepared.folder().name.encode())
    for path in sorted((prepared.LIBRARY / "labs").rglob("*.py")):
        digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return cache and cache.parent / "marks" / digest.hexdigest()[:16]


def remember_in(place: Path | None) -> None:
    """Keep the marks that are made from now on, and take those that are kept; what earlier versions kept goes."""
    _place[:] = [place] if place else []
    with suppress(OSError):
        for folder in _place:
            folder.mkdir(parents=True, exist_ok=True)
            for old in set(folder.parent.iterdir()) - {folder}:
                shutil.rmtree(old, ignore_errors=True)


def remembered(about: tuple, make: Callable[[], Any], always: bool = False) -> Any:
    """Return what was made before of the same, or make it; what takes no time is made again, unless `always`."""
    if not _place:
        return make()
    path = _place[0] / hashlib.sha256(repr(about).encode()).hexdigest()[:32]
    with suppress(Exception):  # whatever is wrong with such a file, its mark is made anew
        if path.exists():
            return pickle.loads(path.read_bytes())
    begun = time.perf_counter()
    made = make()
    if always or time.perf_counter() - begun > WORTH_S:
        with suppress(OSError, ValueError, pickle.PicklingError), replacing(path) as part:
            part.write_bytes(pickle.dumps(made))
    return made
