"""Points from a record: every answer is marked again, from the numbers its learner must have had; and what to review.

What counts is the rule of :mod:`~gainlib.exercises.sets`. Lines written before it are counted by the rule they were
written under, and answers to an earlier edition of an exercise as that was marked (:mod:`~gainlib.exercises.bank`); of
all these the best counts.

Before a lab two questions of earlier labs are asked anew, drawn from what the record shows as weak, if they can be
answered in place: numbers and choices, no desk, no listening. Weakest first; of equally weak ones the one not seen for
longest, and rather from another lab than the first question; what was asked last time comes last. Labs without an
answer are left out while there is anything else; without anything, the questions come from the lab before. A review
earns no points. Right at the first try it is one set of numbers solved unaided; wrong, it makes the exercise weak
again.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np

from gainlib.exercises.bank import bank, declared, edition_of, exercise, in_edition, mark_earlier
from gainlib.exercises.marking import Verdict, mark, remembered
from gainlib.exercises.model import Exercise, nothing
from gainlib.exercises.record import Events, is_new
from gainlib.exercises.sets import MASTERED, REVIEW, best_of, first_tries, is_exam, sets_of
from gainlib.exercises.variants import PRACTICE, seed_for, shuffled

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
        Whether, under the earlier rule, a verdict on the same numbers had named the right value before.
    tries : int
        Readable answers, the same in a row once.
    spent, shown : int
        Sets of numbers that a third wrong choice ended, and whose solution was asked for.
    unaided : int
        Sets of numbers solved without a hint, those of a review included.
    most : int
        Most tries at one set of numbers.
    missed : int
        Sets of numbers that were tried and not solved.
    earlier : int
        Answers that were counted by the earlier rule.
    former : int
        Answers to an earlier edition of the exercise.
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
    tries: int = 0
    spent: int = 0
    shown: int = 0
    unaided: int = 0
    most: int = 0
    missed: int = 0
    earlier: int = 0
    former: int = 0

    @property
    def mastered(self) -> bool:
        """Whether two sets of numbers were solved unaided."""
        return self.unaided >= MASTERED


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
    most: int | None = None,
    told: bool = False,
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
    most : int or None
        Count only the first so many sets of numbers, as in a graded run; None counts all.
    told : bool
        Leave out what a first try of choices has earned as long as its learner has not been told, and exams, which
        the teacher tells of, as on the page.

    Returns
    -------
    Score
        A score for every exercise of the bank (or of the lab), attempted or not.
    """
    mine = events.of(learner, class_code).events
    chosen = [each for each in bank() if lab is None or each.lab == lab]
    scores = scores_of(chosen, mine, learner, class_code, most, told)
    named = {event["exercise"] for event in mine if "exercise" in event}
    unknown = sorted(named - {each.id for each in bank()})
    return Score(learner, class_code, scores, tuple(unknown))


def scores_of(exercises, events, learner: str, class_code: str = "", most=None, told=False) -> dict:
    """Return the scores of some exercises by id, from one learner's own events; see :func:`tally`."""
    return {each.id: _scored(each, events, (learner, class_code), most, told) for each in exercises}


def _scored(exercise, events, who, most, told):
    own = [each for each in events if each.get("exercise") == exercise.id and not is_practice(exercise, each)]
    own = [each for each in own if not (told and is_exam(each))]
    now = [each for each in own if edition_of(each) >= exercise.edition]
    score = _counted(exercise, now, who, most, told)
    for edition in sorted({edition_of(each) for each in own} - {edition_of(each) for each in now}):
        score = _both(score, _counted(exercise, [each for each in own if edition_of(each) == edition], who, most))
    return score


def _both(score, former):
    """Return what two editions come to: the better answer of the two, and everything that was done."""
    better = former if former.points > score.points or score.state == "unattempted" else score
    added = ("hints", "answers", "attempts", "altered", "tries", "spent", "shown", "missed", "earlier")
    sums = {name: getattr(score, name) + getattr(former, name) for name in added}
    sums["most"] = max(score.most, former.most)
    return replace(better, **sums, unaided=score.unaided, former=score.former + former.answers)


def _counted(asked, own, who, most, told=False):
    exercise = in_edition(asked, max(map(edition_of, own), default=asked.edition))
    answers = [each for each in own if each["kind"] == "answer" and each["attempt"] >= 0]

    def again(event):
        return marked_again(event, *who)

    def verdict_on(event):
        return again(event)[0]

    sets = [each for each in sets_of(exercise, own, verdict_on).values() if most is None or each.attempt < most]
    if told:  # the numbers on the desk are the only ones that a learner can still try at
        desk = max((each["attempt"] for each in own if each["kind"] in ("attempt", "answer")), default=0)
        sets = [each.told(exercise) if each.attempt == desk else each for each in sets]
    old = own if exercise.series else [each for each in own if not is_new(each)]
    best = best_of(exercise, old, verdict_on, most)
    for each in () if exercise.series else sets:
        if each.verdict is not None and (best.verdict is None or each.points > best.points):
            best = replace(each, named=False)
    verdict = best.verdict or Verdict("unattempted", 0.0, asked.points, "")
    recalled = sum(each.state == "right" for each in first_tries(own, verdict_on).values())
    return ExerciseScore(
        exercise.id,
        verdict.state,
        best.points,
        asked.points,
        hints=_hints(exercise, own),
        answers=len(answers),
        attempts=len({each["attempt"] for each in answers}),
        altered=sum(each.get("given") not in (None, again(each)[1]) for each in answers),
        feedback=verdict.closer,
        attempt=best.attempt if best.verdict else None,
        time=best.time,
        told=best.named,
        tries=sum(each.tries for each in sets),
        spent=sum(each.spent for each in sets),
        shown=sum(each.asked for each in sets),
        unaided=sum(each.unaided for each in sets) + recalled,
        most=max((each.tries for each in sets), default=0),
        missed=sum(each.tries > 0 and not each.right for each in sets),
        earlier=sum(not is_new(each) for each in answers),
    )


def _hints(exercise, events):
    """Return how many hints were opened: those of the earlier rule and of a series once, the others once a set."""
    opened = [each for each in events if each["kind"] == "hint"]
    follow = bool(exercise.series)
    return len({(each["attempt"] if is_new(each) and not follow else None, each["hint"]) for each in opened})


def is_practice(exercise, event: dict) -> bool:
    """Whether an event belongs to a practice run: its hints cost nothing and its answers earn nothing."""
    return bool(exercise.series) and event.get("attempt", 0) >= PRACTICE


@lru_cache(maxsize=_CACHED)
def numbers(id: str, learner: str, attempt: int = 0, class_code: str = "") -> dict:
    """Return the given values of a variant; kept, since some take a rendered mix to draw. Not to be changed."""
    return exercise(id).variant(learner, attempt, class_code)


def marked_again(event: dict, learner: str, class_code: str = "") -> tuple[Verdict, dict]:
    """Return the verdict on the answer of an event and the values it is for.

    They are those that this learner must have had; for an earlier edition those that stand beside the answer.
    """
    if edition_of(event) < exercise(event["exercise"]).edition:
        return _marked_earlier(json.dumps(event))
    return marked(event["exercise"], learner, event["attempt"], class_code, json.dumps(event["answer"]))


@lru_cache(maxsize=_CACHED)
def _marked_earlier(line):
    event = json.loads(line)
    return mark_earlier(exercise(event["exercise"]), event), event.get("given")


@lru_cache(maxsize=_CACHED)
def marked(id: str, learner: str, attempt: int, class_code: str, answer: str) -> tuple[Verdict, dict]:
    """Return verdict and given values of an answer in JSON; kept, since a screen counts again after every answer."""

    def made():
        given = numbers(id, learner, attempt, class_code)
        return mark(exercise(id), given, json.loads(answer)), given

    # of a series the session is rendered once: which of its answers takes the time is chance
    return remembered((id, learner, attempt, class_code, answer), made, always=bool(exercise(id).series))


# --------------------------------------------------------------------------------------------------------------- review


QUESTIONS = 2
IN_PLACE = ("number", "choice", "multi", "order", "map")
SURE, SOLVED, HELPED, OPEN = range(4)
"""How weak an exercise is."""


def in_place(exercise: Exercise) -> bool:
    """Whether an exercise can be answered without a desk, a player or the exercises beside it."""
    if exercise.series or exercise.material is not nothing or exercise.id in declared(exercise.lab).tasks:
        return False
    return all(part.kind in IN_PLACE and not part.read_off for part in exercise.parts)


def to_review(events: Sequence[dict], learner: str, class_code: str, lab: str, avoid: Iterable[str] = ()) -> tuple:
    """Return what to ask before a lab: exercise and number of its set of numbers, two of them if there are.

    The events are the learner's own, in the order of their time; what is to be avoided comes last, as does what was
    asked last time.
    """
    earlier = [each for each in bank() if each.lab < lab and in_place(each)]
    begun = {event["exercise"].rpartition("-")[0] for event in events if event["kind"] in ("answer", "review")}
    tried = [each for each in earlier if each.lab in begun]
    scores = scores_of(tried, events, learner, class_code)
    reviews = [(each["exercise"], each["attempt"]) for each in events if each["kind"] == "review"]
    last = {*avoid, *(id for id, _ in list(dict.fromkeys(reversed(reviews)))[:QUESTIONS])}
    ranks = {each.id: _rank(each, scores[each.id], events, learner, class_code) for each in tried}
    picked: list[Exercise] = []
    while tried and len(picked) < QUESTIONS:
        labs = {each.lab for each in picked}
        tried.sort(key=lambda each: (each.id in last, -ranks[each.id][0], each.lab in labs, ranks[each.id][1]))
        picked.append(tried.pop(0))
    picked += _before(earlier, picked, learner, class_code, lab)[: QUESTIONS - len(picked)]
    used = {each.id: [attempt for id, attempt in reviews if id == each.id] for each in picked}
    return tuple((each, max(used[each.id], default=REVIEW - 1) + 1) for each in picked)


def _rank(exercise, score: ExerciseScore, events, learner, class_code):
    """Return how weak an exercise is, and when it was seen last."""
    own = [each for each in events if each.get("exercise") == exercise.id and each["kind"] in ("answer", "review")]
    reviews = list(first_tries(own, lambda event: marked_again(event, learner, class_code)[0]).values())
    return _weakness(score, reviews), max((each["time"] for each in own), default="")


def _weakness(score, reviews):
    if reviews and reviews[-1].state != "right":
        return OPEN
    if score.mastered:
        return SURE
    if reviews or score.state == "unattempted":
        return SOLVED
    if score.state != "right":
        return OPEN
    return SOLVED if score.unaided else HELPED


def _before(earlier, picked, learner, class_code, lab):
    """Return exercises of the lab before in a drawn order, then of the one before that."""
    rng = np.random.Generator(np.random.PCG64(seed_for(learner, f"{lab} review", 0, class_code)))
    order = shuffled(rng, [each for each in earlier if each not in picked])
    return sorted(order, key=lambda each: each.lab, reverse=True)
