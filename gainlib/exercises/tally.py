"""Points from a record: every answer is marked again, from the numbers its learner must have had.

The best answer of an exercise counts, each at its points × max(0.4, 1 − 0.15 × hints opened before it). Sentences of
slips are free. A wrong verdict on a number tells the right one; an answer given to the *same* numbers after that counts
like any other, and is told from the rest (``told``), so that a teacher can ask for new numbers.
"""

import json
from dataclasses import dataclass, field
from functools import lru_cache

from gainlib.exercises.bank import bank, exercise
from gainlib.exercises.events import Events
from gainlib.exercises.marking import Verdict, mark, score
from gainlib.exercises.variants import PRACTICE

_CACHED = 8192


@dataclass(frozen=True)
class ExerciseScore:
    """What one learner has in one exercise.

    Attributes
    ----------
    exercise : str
        Its id.
    state : str
        Of the answer that counts; "unattempted" without one.
    points, max_points : float
        After hints, and possible.
    hints : int
        Hints opened in all.
    answers, attempts : int
        Answers given, and sets of numbers used.
    altered : int
        Answers whose stored given values are not the ones this learner must have had.
    feedback : str
        Of the answer that counts.
    attempt, time : int or None, str
        Its set of numbers, 0 for the first, and when it was given; None and empty without one.
    told : bool
        Whether an earlier verdict on the same numbers had named the right value.
    """

    exercise: str
    state: str = "unattempted"
    points: float = 0.0
    max_points: float = 0.0
    hints: int = 0
    answers: int = 0
    attempts: int = 0
    altered: int = 0
    feedback: str = ""
    attempt: int | None = None
    time: str = ""
    told: bool = False


@dataclass(frozen=True)
class Score:
    """What one learner has in all exercises that were counted.

    Attributes
    ----------
    learner, class_code : str
        Who, as last written.
    scores : dict of str to ExerciseScore
        By the id of the exercise.
    unknown : tuple of str
        Ids in the record that no exercise has.
    """

    learner: str
    class_code: str
    scores: dict[str, ExerciseScore] = field(default_factory=dict)
    unknown: tuple[str, ...] = ()

    @property
    def points(self) -> float:
        """Points earned."""
        return sum(each.points for each in self.scores.values())

    @property
    def max_points(self) -> float:
        """Points possible."""
        return sum(each.max_points for each in self.scores.values())


def tally(
    events: Events,
    learner: str,
    class_code: str = "",
    *,
    lab: str | None = None,
    salt: str = "",
    most: int | None = None,
) -> Score:
    """Mark a learner's answers again and count them.

    Parameters
    ----------
    events : Events
        From a record; other learners' events are passed over.
    learner, class_code : str
        Who.
    lab : str or None
        Count one lab only, "05".
    salt : str
        The course's salt, if it has one.
    most : int or None
        Count only the first so many sets of numbers, as in a graded run; None counts all.

    Returns
    -------
    Score
        A score for every exercise of the bank (or of the lab), attempted or not.
    """
    mine = events.of(learner, class_code).events
    chosen = [each for each in bank() if lab is None or each.lab == lab]
    scores = {each.id: _scored(each, mine, learner, class_code, salt, most) for each in chosen}
    named = {event["exercise"] for event in mine if "exercise" in event}
    unknown = sorted(named - {each.id for each in bank()})
    return Score(learner, class_code, scores, tuple(unknown))


def _scored(exercise, events, learner, class_code, salt, most):
    best, hints, used, told, answers, altered = None, set(), set(), set(), 0, 0
    for event in events:
        if event.get("exercise") != exercise.id or is_practice(exercise, event):
            continue
        if event["kind"] == "hint":
            hints.add(event["hint"])
        if event["kind"] != "answer" or event["attempt"] < 0:
            continue
        answers += 1
        attempt = event["attempt"]
        used.add(attempt)
        verdict, given = marked(exercise.id, learner, attempt, class_code, salt, json.dumps(event["answer"]))
        altered += event.get("given") not in (None, given)
        if most is None or attempt < most:
            worth = (score(verdict.points, len(hints)), attempt not in told)
            if verdict.state not in ("invalid", "unattempted") and (best is None or worth > best[0]):
                best = (worth, verdict, attempt, event["time"])
        if verdict.shows_key:
            told.add(attempt)
    worth, verdict, *when = best or ((0.0, True), Verdict("unattempted", 0.0, exercise.points, ""), None, "")
    points, untold = worth
    counts = (len(hints), answers, len(used), altered)
    said = (verdict.feedback, *when, not untold)
    return ExerciseScore(exercise.id, verdict.state, points, exercise.points, *counts, *said)


def is_practice(exercise, event: dict) -> bool:
    """Whether an event belongs to a practice run: its hints cost nothing and its answers earn nothing."""
    return bool(exercise.series) and event.get("attempt", 0) >= PRACTICE


@lru_cache(maxsize=_CACHED)
def numbers(id: str, learner: str, attempt: int = 0, class_code: str = "", salt: str = "") -> dict:
    """Return the given values of a variant; kept, since some take a rendered mix to draw. Not to be changed."""
    return exercise(id).variant(learner, attempt, class_code, salt)


@lru_cache(maxsize=_CACHED)
def marked(id: str, learner: str, attempt: int, class_code: str, salt: str, answer: str) -> tuple[Verdict, dict]:
    """Return verdict and given values of an answer in JSON; kept, since a screen counts again after every answer."""
    given = numbers(id, learner, attempt, class_code, salt)
    return mark(exercise(id), given, json.loads(answer)), given
