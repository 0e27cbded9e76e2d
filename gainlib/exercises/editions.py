"""Editions of an exercise: whenever what is drawn, asked or answered changes, its number goes up by one.

Lines of a record carry it. An answer to an earlier edition is marked as that edition marked it, from the numbers that
stand in its line, and the better of the editions counts; so a change of the course takes nothing from anybody.
"""

from dataclasses import replace

from gainlib.audio import GainlibError
from gainlib.exercises.bank import declared
from gainlib.exercises.events import edition_of
from gainlib.exercises.marking import Verdict, mark
from gainlib.exercises.model import Exercise


def edition_now(id: str) -> int:
    """Return the edition of an exercise; 1 for an id that no lab has."""
    try:
        found = {each.id: each.edition for each in declared(id.rpartition("-")[0]).exercises}
    except GainlibError:
        return 1
    return found.get(id, 1)


def in_edition(exercise: Exercise, edition: int) -> Exercise:
    """Return an exercise as it was asked and answered in an earlier edition."""
    if edition >= exercise.edition:
        return exercise
    before, last = exercise.before, exercise.edition - 1
    if before is None:
        return in_edition(replace(exercise, edition=last, slips=()), edition)
    was = replace(exercise, edition=last, parts=before.parts, solve=before.solve, slips=(), before=before.before)
    return in_edition(was, edition)


def mark_earlier(exercise: Exercise, event: dict) -> Verdict:
    """Return the verdict on an answer to an earlier edition, from its own numbers, on the scale of today's points."""
    was = in_edition(exercise, edition_of(event))
    verdict = mark(was, event.get("given"), event["answer"], drawn=False)
    scale = exercise.points / was.points
    return replace(verdict, points=verdict.points * scale, max_points=exercise.points)
