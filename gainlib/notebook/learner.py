"""Where a learner sits: who they are, which numbers they have, what they answered; every step goes to the record.

It knows no widget. It marks through :func:`gainlib.exercises.mark`, counts through
:func:`gainlib.exercises.tally`, and tells whoever watches what has changed.
"""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from gainlib.audio import GainlibError
from gainlib.exercises import (
    Events,
    ExerciseScore,
    Record,
    Score,
    Verdict,
    bank,
    hint_price,
    mark,
    records_folder,
    tally,
)
from gainlib.exercises.bank import edition_of
from gainlib.exercises.record import plain
from gainlib.exercises.sets import SetOfNumbers, is_exam, sets_of, told_no_more
from gainlib.exercises.tally import is_practice, to_review
from gainlib.exercises.variants import PRACTICE
from gainlib.notebook import identity
from gainlib.notebook.identity import course_for
from gainlib.notebook.kept import Kept, path_for

TOLD_OUT = "Not all of it is right yet. You were told how much three times; from now on only a right answer counts."
FREE = "free: it costs no points"
KEPT = "You may change it until the exam ends; the last answer counts."
NOT_NOW = {
    "open": "the exam is open; begin it at the head of the page",
    "ended": "you have ended the exam; this lab goes on as before when it is over",
}


class LearnerSession:
    """One learner at one lab.

    Parameters
    ----------
    lab : str
        Number, "05".
    folder : path, optional
        Where the record is kept; see :func:`gainlib.exercises.record.records_folder`.
    learner, class_code : str, optional
        Who; left out, whoever sat here last, and a pseudonym of this machine's own for the first one.

    Attributes
    ----------
    exercises : dict
        The lab's exercises by id.
    cut_off : Damaged or None
        The last line of the record, where a crash has cut it off.
    kept : Kept
        What is moved and entered in this lab, and not handed in.
    exam : Exam or None
        The exam of the learner's class, if it is on this lab.
    phase : str
        How it stands: "before", "open", "sitting", "ended" (by the learner, ahead of time); "" without one, and after.

    Raises
    ------
    GainlibError
        For a lab that has no exercises, with the labs there are.
    """

    def __init__(self, lab: str, folder=None, learner: str | None = None, class_code: str | None = None):
        self.lab = str(lab)
        self.exercises = {each.id: each for each in bank() if each.lab == self.lab}
        if not self.exercises:
            labs = ", ".join(sorted({each.lab for each in bank()}))
            raise GainlibError(f"there is no lab {lab!r}; there is {labs}")
        self.folder = records_folder(folder)
        self.record = Record(self.folder)
        kept = identity.kept(self.folder)
        self.name = learner if learner is not None else kept.get("learner") or identity.pseudonym()
        self.class_code = class_code if class_code is not None else kept.get("class_code") or ""
        self._watchers: list[Callable] = []
        self._verdicts: dict[tuple, Any] = {}
        self.kept = Kept()
        self._sit_down()

    def _sit_down(self, confirmed=False):
        identity.keep(self.folder, self.name, self.class_code, confirmed)
        cut_off, found = self.record.cut_off, self.record.events()
        self.cut_off = found.damaged[-1] if cut_off and found.damaged else None
        self._events = list(found.of(self.name, self.class_code).events)
        self._add(self.record.start(self.name, self.lab, self.class_code))
        self.kept.turn_to(path_for(self.folder, self.name, self.class_code, self.lab))
        course = course_for(self.folder, self.class_code)
        self.exam = course.exam if course and course.exam and course.exam.lab == self.lab else None
        self.phase = self._phase_now()

    def become(self, learner: str, class_code: str = "") -> None:
        """Give the seat to another learner; their own numbers, answers and points take over."""
        self.name, self.class_code = identity.checked(self.record, learner, class_code)
        self._sit_down(confirmed=True)
        self._tell("learner")

    def watch(self, watcher: Callable[[str, str | None, Any], None]) -> None:
        """Call ``watcher(what, exercise id or None, detail)`` after every step.

        `what` is "learner", "answer" (detail: answer and verdict), "hint", "solution", "numbers", "review",
        "prediction" or "exam".
        """
        self._watchers.append(watcher)

    def _tell(self, what, exercise=None, detail=None):
        for watcher in self._watchers:
            watcher(what, exercise, detail)

    def _add(self, event):
        self._events.append(event)
        if event.get("exercise") in self.exercises:  # so that another tab on it hears of the step
            self.kept.keep(f"{event['exercise']} steps", event["id"])

    def read_again(self, exercise) -> None:
        """Take up what was done in another tab, and show an exercise as it is now."""
        self._events = list(self.record.events().of(self.name, self.class_code).events)
        for each in self.series(exercise):
            self.kept.take(f"{each.id} steps")
            self._tell("numbers", each.id)

    # ---- exam ------------------------------------------------------------------------------------------------------

    @property
    def examined(self) -> bool:
        """Whether the exam is open, begun or not: there are no hints and no solutions."""
        return self.phase in ("open", "sitting", "ended")

    @property
    def sat(self) -> bool:
        """Whether the exam was begun."""
        return bool(self._steps())

    def _steps(self):
        own = [each for each in self._events if each["kind"] == "sitting" and self.exam]
        return {each["step"] for each in own if each["attempt"] == self.exam.numbers}

    def _phase_now(self):
        if self.exam is None or datetime.now(UTC) >= self.exam.ends:
            return ""
        if datetime.now(UTC) < self.exam.opens:
            return "before"
        steps = self._steps()
        return "ended" if "end" in steps else "sitting" if "begin" in steps else "open"

    def look_at_clock(self) -> None:
        """Go on to what the exam is by now; a sitting whose time is up ends."""
        was, self.phase = self.phase, self._phase_now()
        if was == "sitting" and not self.phase:
            self._step("end")
        if was != self.phase:
            self._tell("exam")

    def begin_exam(self) -> None:
        """Begin the sitting, or join the one begun in another tab."""
        self._events = list(self.record.events().of(self.name, self.class_code).events)
        if self._phase_now() == "open":
            self._step("begin")
        self.look_at_clock()

    def end_exam(self) -> None:
        """End the sitting."""
        if self.phase == "sitting":
            self._step("end")
        self.look_at_clock()

    def _step(self, step):
        self._add(self.record.sitting(self.name, self.lab, self.exam.numbers, step, self.class_code))

    # ---- exercises -------------------------------------------------------------------------------------------------

    def exercise(self, id: str):
        """Return an exercise of this lab; an unknown id is refused with those there are."""
        if id not in self.exercises:
            raise GainlibError(f"lab {self.lab} has no exercise {id!r}; it has {', '.join(self.exercises)}")
        return self.exercises[id]

    def _of(self, exercise, *kinds):
        """Return the events about an exercise as it is asked now."""
        own = [each for each in self._events if each.get("exercise") == exercise.id and each["kind"] in kinds]
        in_any = ("attempt",) if exercise.series else ()
        return [each for each in own if edition_of(each) >= exercise.edition or each["kind"] in in_any]

    def series(self, exercise) -> tuple:
        """Return the exercises that change their numbers along with one; itself alone where it is in no series."""
        if not exercise.series:
            return (exercise,)
        return tuple(each for each in self.exercises.values() if each.series == exercise.series)

    def practising(self, exercise) -> bool:
        """Whether what is on the desk is practice: hints are free, and no points are earned."""
        return bool(exercise.series) and self.attempt(exercise) >= PRACTICE

    def practise(self, exercise, on: bool = True) -> None:
        """Turn to practice, or back to what counts; each goes on with the session it had."""
        if on == self.practising(exercise):
            return
        used = [each["attempt"] for each in self._of_series(exercise) if (each["attempt"] >= PRACTICE) == on]
        self._take_numbers(exercise, max(used, default=PRACTICE if on else 0))

    def _of_series(self, exercise):
        return [event for each in self.series(exercise) for event in self._of(each, "attempt", "answer")]

    def attempt(self, exercise) -> int:
        """Return which set of numbers is on the desk, 0 for the first; in a series, the one taken up last."""
        if exercise.series:
            last = max(self._of_series(exercise), key=lambda each: each["time"], default={"attempt": 0})
            return last["attempt"]
        if self.phase in ("sitting", "ended"):
            return self.exam.numbers
        ordinary = (each for each in self._of(exercise, "attempt", "answer") if not is_exam(each))
        return max((each["attempt"] for each in ordinary), default=0)

    def given(self, exercise) -> dict:
        """Return the values of the present variant."""
        return exercise.variant(self.name, self.attempt(exercise), self.class_code)

    def numbers(self, exercise) -> SetOfNumbers:
        """Return what was done with the present set of numbers; of a series and in an exam nothing, for no set ends."""
        attempt = self.attempt(exercise)
        if exercise.series or self.examined:
            return SetOfNumbers(attempt)
        mine = [each for each in self._of(exercise, "hint", "answer", "solution") if each["attempt"] == attempt]
        sets = sets_of(exercise, mine, lambda event: self.verdict(exercise, event["answer"]))
        return sets.get(attempt, SetOfNumbers(attempt))

    def hints_open(self, exercise) -> int:
        """Return how many hints are open for the present numbers.

        In a series what was read once stays read, with any numbers; in practice what was read in practice.
        """
        hints, practising = self._of(exercise, "hint"), self.practising(exercise)
        if exercise.series:
            return len({each["hint"] for each in hints if is_practice(exercise, each) == practising})
        attempt = self.attempt(exercise)
        return len({each["hint"] for each in hints if each["attempt"] == attempt})

    def hints_there(self, exercise) -> int:
        """Return how many hints there are to open, where it counts or in practice."""
        limited = exercise.graded_hints is not None and not self.practising(exercise)
        return exercise.graded_hints if limited else len(exercise.hints)

    def hint_price(self, exercise) -> str:
        """Return what the next hint costs, in words."""
        if self.practising(exercise):
            return "free: this is practice"
        if exercise.series:
            return hint_price(exercise.points, self.hints_open(exercise))
        numbers = self.numbers(exercise)
        return FREE if numbers.hint_is_free(exercise) else hint_price(exercise.points, numbers.paid)

    def answers(self, exercise) -> list[dict]:
        """Return the events of all answers to the present variant, oldest first."""
        attempt = self.attempt(exercise)
        return [each for each in self._of(exercise, "answer") if each["attempt"] == attempt]

    def last_answer(self, exercise) -> Any:
        """Return the last answer to the present variant, or None."""
        answers = self.answers(exercise)
        return answers[-1]["answer"] if answers else None

    def verdict(self, exercise, answer: Any):
        """Return the verdict on an answer to the present variant, in an exam that it is kept; nothing is recorded."""
        key = (exercise.id, self.name, self.class_code, self.attempt(exercise), json.dumps(plain(answer)))
        if key not in self._verdicts:  # to measure a mix again takes long
            self._verdicts[key] = mark(exercise, self.given(exercise), answer)
        found = self._verdicts[key]
        told = self.phase not in ("sitting", "ended") or found.state in ("invalid", "unattempted")
        return found if told else Verdict("kept", 0.0, exercise.points, KEPT, closer=KEPT)

    def said(self, exercise, verdict) -> str:
        """Return the feedback of a verdict; how many choices are right is told from the second try on."""
        if self._told_out(exercise):
            return TOLD_OUT
        return verdict.said(not self.veiled(exercise, verdict))

    def veiled(self, exercise, verdict) -> bool:
        """Whether a verdict's feedback keeps back how much is right, as after a first try of choices."""
        if self._told_out(exercise):
            return True
        numbers = self.numbers(exercise)
        return verdict.veiled and not (numbers.counts_are_told or numbers.closed)

    def _told_out(self, exercise):
        """Whether the last try at a list of a series came too late to be told of."""
        if not exercise.series or self.practising(exercise):
            return False
        before, late = {}, False
        for event in self.answers(exercise):
            verdict = self.verdict(exercise, event["answer"])
            late = told_no_more(exercise, event, verdict, before)
        return late

    def answer(self, exercise, answer: Any):
        """Mark an answer and record it; an empty one is not recorded.

        Returns
        -------
        gainlib.exercises.Verdict

        Raises
        ------
        GainlibError
            While the exam on this lab is open and the learner is not sitting it.
        """
        if self.phase in NOT_NOW:
            raise GainlibError(NOT_NOW[self.phase])
        self.kept.flush()
        given, attempt, verdict = self.given(exercise), self.attempt(exercise), self.verdict(exercise, answer)
        if verdict.state != "unattempted":
            self._add(self.record.answer(self.name, exercise.id, attempt, answer, given, self.class_code))
        self._tell("answer", exercise.id, (plain(answer), verdict))
        return verdict

    def open_hint(self, exercise) -> None:
        """Open the next hint; does nothing when all are open."""
        number = self.hints_open(exercise) + 1
        if self.examined or number > self.hints_there(exercise):
            return
        self._add(self.record.hint(self.name, exercise.id, self.attempt(exercise), number, self.class_code))
        self._tell("hint", exercise.id)

    def show_solution(self, exercise) -> None:
        """Show the solution of the present numbers, which ends them for points, where it can be asked for."""
        if self.examined or not self.numbers(exercise).may_be_asked(exercise):
            return
        self._add(self.record.solution(self.name, exercise.id, self.attempt(exercise), self.class_code))
        self._tell("solution", exercise.id)

    def new_numbers(self, exercise) -> None:
        """Go on to the next variant; a whole series goes on together."""
        if self.examined:
            return
        practising = self.practising(exercise)
        events = self._of_series(exercise) if exercise.series else ()
        used = [each["attempt"] for each in events if (each["attempt"] >= PRACTICE) == practising]
        self._take_numbers(exercise, max(used, default=self.attempt(exercise)) + 1)

    def _take_numbers(self, exercise, attempt):
        for each in self.series(exercise):
            self._add(self.record.attempt(self.name, each.id, attempt, self.class_code))
        for each in self.series(exercise):
            self._tell("numbers", each.id)

    # ---- review ----------------------------------------------------------------------------------------------------

    def review_questions(self, avoid=()) -> tuple:
        """Return what to ask before this lab; see :func:`gainlib.exercises.tally.to_review`."""
        return to_review(self._events, self.name, self.class_code, self.lab, avoid)

    def review_answers(self, exercise, attempt: int) -> list[dict]:
        """Return the events of all answers to one question of a review, oldest first."""
        return [each for each in self._of(exercise, "review") if each["attempt"] == attempt]

    def answer_review(self, exercise, attempt: int, answer: Any):
        """Mark an answer to a question of a review and record it; an empty one is not recorded."""
        given = exercise.variant(self.name, attempt, self.class_code)
        verdict = mark(exercise, given, answer)
        if verdict.state != "unattempted":
            who = self.name, self.lab
            self._add(self.record.review(*who, exercise.id, attempt, answer, given, self.class_code))
        self._tell("review")
        return verdict

    # ---- points ----------------------------------------------------------------------------------------------------

    def tally(self) -> Score:
        """Return this lab's points, counted from the record's answers, as far as the learner has been told."""
        return tally(Events(tuple(self._events)), self.name, self.class_code, lab=self.lab, told=True)

    def score(self, exercise) -> ExerciseScore:
        """Return what counts in one exercise."""
        return self.tally().scores[exercise.id]

    # ---- prediction ------------------------------------------------------------------------------------------------

    def predict(self, question: str, choice: str) -> None:
        """Keep a prediction; a locked one stays as it is."""
        if not self.locked:
            self._add(self.record.prediction(self.name, self.lab, question, choice, self.class_code))
        self._tell("prediction")

    def lock_prediction(self) -> None:
        """Lock what was predicted in this lab; from then on its comparison may be shown."""
        mine = self._predictions()
        if mine and not self.locked:
            last = mine[-1]["question"], mine[-1]["choice"]
            self._add(self.record.prediction(self.name, self.lab, *last, self.class_code, locked=True))
            self._tell("prediction")

    @property
    def locked(self) -> bool:
        """Whether the prediction of this lab is locked."""
        return any(each.get("locked") is True for each in self._predictions())

    def prediction(self, question: str | None = None) -> str | None:
        """Return the prediction for a question, or in this lab: the locked one, else the last; None without one."""
        mine = self._predictions(question)
        locked = [each for each in mine if each.get("locked") is True]
        return locked[0]["choice"] if locked else mine[-1]["choice"] if mine else None

    def _predictions(self, question=None):
        mine = [each for each in self._events if each["kind"] == "prediction" and each["lab"] == self.lab]
        return [each for each in mine if question is None or each["question"] == question]
