"""The exercises of all labs, one module a lab, and as they were: a lab exists when its module does.

Whenever what an exercise draws, asks or takes for an answer changes, its edition goes up by one. Lines of a record
carry it. An answer to an earlier edition is marked as that edition marked it, from the numbers that stand in its line,
and the better of the editions counts; so a change of the course takes nothing from anybody.
"""

import importlib
import importlib.util
import pkgutil
from dataclasses import replace
from functools import cache

from gainlib.audio import GainlibError
from gainlib.exercises.marking import Verdict, mark
from gainlib.exercises.model import Exercise


@cache
def bank() -> tuple[Exercise, ...]:
    """Return every exercise of every lab that exists, sorted by id.

    Examples
    --------
    >>> [exercise.id for exercise in bank() if exercise.lab == "05"][:2]
    ['05-1', '05-2']
    """
    exercises = sorted((each for number in lab_numbers() for each in declared(number).exercises), key=lambda e: e.id)
    ids = [each.id for each in exercises]
    doubled = {name for name in ids if ids.count(name) > 1}
    if doubled:
        raise GainlibError(f"two exercises are called {', '.join(sorted(doubled))}; give each its own id")
    return tuple(exercises)


@cache
def lab_numbers() -> tuple[str, ...]:
    """Return the numbers of the labs that are declared in :mod:`gainlib.labs`, found by looking, not imported."""
    home = importlib.util.find_spec("gainlib.labs")
    names = [found.name for found in pkgutil.iter_modules(home.submodule_search_locations)]
    return tuple(sorted(name[3:] for name in names if name.startswith("lab") and name[3:].isdigit()))


def declared(number: str):
    """Return what a lab declares, a :class:`gainlib.exercises.lab.Lab`."""
    if number not in lab_numbers():
        raise GainlibError(f"there is no lab {number!r}; there is {', '.join(lab_numbers())}")
    return importlib.import_module(f"gainlib.labs.lab{number}").LAB


def exercise(id: str) -> Exercise:
    """Return the exercise of that id."""
    found = {each.id: each for each in bank()}
    if id in found:
        return found[id]
    lab = str(id).rpartition("-")[0]
    near = [name for name in found if name.startswith(f"{lab}-")] or list(found)
    raise GainlibError(f"there is no exercise {id!r}; there are {', '.join(near)}")


# ------------------------------------------------------------------------------------------------------------ editions


def edition_now(id: str) -> int:
    """Return the edition of an exercise; 1 for an id that no lab has. The other labs are not imported for it."""
    lab = id.rpartition("-")[0]
    exercises = declared(lab).exercises if lab in lab_numbers() else ()
    return next((each.edition for each in exercises if each.id == id), 1)


def edition_of(event: dict) -> int:
    """Return the edition of the exercise that an event is about; lines written before there were editions are of 1."""
    edition = event.get("edition", 1)
    return edition if isinstance(edition, int) and not isinstance(edition, bool) else 1


def in_edition(exercise: Exercise, edition: int) -> Exercise:
    """Return an exercise as it was asked and answered in an earlier edition."""
    if edition >= exercise.edition:
        return exercise
    was = replace(exercise, edition=exercise.edition - 1, slips=())
    if before := exercise.before:
        was = replace(was, parts=before.parts, solve=before.solve, before=before.before)
    return in_edition(was, edition)


def mark_earlier(exercise: Exercise, event: dict) -> Verdict:
    """Return the verdict on an answer to an earlier edition, from its own numbers, on the scale of today's points."""
    was = in_edition(exercise, edition_of(event))
    verdict = mark(was, event.get("given"), event["answer"], drawn=False)
    scale = exercise.points / was.points
    return replace(verdict, points=verdict.points * scale, max_points=exercise.points)
