"""Review: two questions from earlier labs before a lab begins, drawn from what a learner's record shows as weak.

An exercise is asked anew, with numbers of its own, if it can be answered in place: numbers and choices, no desk, no
listening. Weakest first; of equally weak ones the one not seen for longest, and rather from another lab than the first
question; what was asked last time comes last. Labs without an answer are left out while there is anything else; without
anything, the questions come from the lab before.

A review earns no points. Right at the first try it is one set of numbers solved unaided; wrong, it makes the exercise
weak again.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from gainlib.exercises.bank import bank, declared
from gainlib.exercises.model import Exercise, nothing
from gainlib.exercises.sets import REVIEW, first_tries
from gainlib.exercises.tally import ExerciseScore, marked_again, scores_of
from gainlib.exercises.variants import seed_for, shuffled

QUESTIONS = 2
IN_PLACE = ("number", "choice", "multi", "order", "map")
MASTERED, SOLVED, HELPED, OPEN = range(4)
"""How weak an exercise is."""


def in_place(exercise: Exercise) -> bool:
    """Whether an exercise can be answered without a desk, a player or the exercises beside it."""
    if exercise.series or exercise.material is not nothing or exercise.id in declared(exercise.lab).tasks:
        return False
    return all(part.kind in IN_PLACE and not part.read_off for part in exercise.parts)


def drawn(events: Sequence[dict], learner: str, class_code: str, lab: str, avoid: Iterable[str] = ()) -> tuple:
    """Return what to ask before a lab: exercise and number of its set of numbers, two of them if there are.

    Parameters
    ----------
    events : sequence of dict
        The learner's own, in the order of their time.
    learner, class_code, lab : str
        Who, and before which lab.
    avoid : iterable of str
        Exercises that come last, besides those asked last time.
    """
    earlier = [each for each in bank() if each.lab < lab and in_place(each)]
    begun = {event["exercise"].rpartition("-")[0] for event in events if event["kind"] in ("answer", "review")}
    tried = [each for each in earlier if each.lab in begun]
    scores = scores_of(tried, events, learner, class_code)
    last = {*avoid, *_asked_last(events)}
    ranks = {each.id: _rank(each, scores[each.id], events, learner, class_code) for each in tried}
    picked: list[Exercise] = []
    while tried and len(picked) < QUESTIONS:
        labs = {each.lab for each in picked}
        tried.sort(key=lambda each: (each.id in last, -ranks[each.id][0], each.lab in labs, ranks[each.id][1]))
        picked.append(tried.pop(0))
    picked += _before(earlier, picked, learner, class_code, lab)[: QUESTIONS - len(picked)]
    return tuple((each, _next_set(each.id, events)) for each in picked)


def _rank(exercise, score: ExerciseScore, events, learner, class_code):
    """Return how weak an exercise is, and when it was seen last."""
    own = [each for each in events if each.get("exercise") == exercise.id and each["kind"] in ("answer", "review")]
    reviews = list(first_tries(own, lambda event: marked_again(event, learner, class_code)[0]).values())
    return _weakness(score, reviews), max((each["time"] for each in own), default="")


def _weakness(score, reviews):
    if reviews and reviews[-1].state != "right":
        return OPEN
    if score.mastered:
        return MASTERED
    if reviews or score.state == "unattempted":
        return SOLVED
    if score.state != "right":
        return OPEN
    return SOLVED if score.unaided else HELPED


def _asked_last(events):
    reviews = [(each["exercise"], each["attempt"]) for each in events if each["kind"] == "review"]
    return [id for id, _ in list(dict.fromkeys(reversed(reviews)))[:QUESTIONS]]


def _before(earlier, picked, learner, class_code, lab):
    """Return exercises of the lab before in a drawn order, then of the one before that."""
    rng = np.random.Generator(np.random.PCG64(seed_for(learner, f"{lab} review", 0, class_code)))
    order = shuffled(rng, [each for each in earlier if each not in picked])
    return sorted(order, key=lambda each: each.lab, reverse=True)


def _next_set(id, events):
    used = [each["attempt"] for each in events if each["kind"] == "review" and each["exercise"] == id]
    return max(used, default=REVIEW - 1) + 1
