"""Two questions from earlier labs before a lab, one at a time: no points, and nothing waits for them."""

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.exercises.bank import exercise as exercise_of
from gainlib.exercises.marking import mark
from gainlib.exercises.sets import REVIEW
from gainlib.exercises.tally import in_place
from gainlib.notebook.answering import EXPLAINED_FROM, Newest, ShortQuestion
from gainlib.notebook.fields import field_for
from gainlib.notebook.prose import LiveRegion, prose

TITLE = "Do you still know it?"
SKIP, NEXT, OTHERS = "Skip it", "Next", "Two other questions"
NONE = "There is nothing to ask here yet."


class ReviewBox(Newest):
    """The questions of a review.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Draws, marks and records.

    Attributes
    ----------
    turn : ShortQuestion or None
        The question on the page; None when all are done.
    next : ipywidgets.Button
        Skips it, goes on, or draws others.
    """

    def __init__(self, learner):
        self._learner, self._place, self.turn = learner, learner.kept.place("review"), None
        self._head, self._body, self._shown = LiveRegion(), widgets.VBox(), None
        self.next = widgets.Button(layout={"width": "auto"})
        super().__init__(self._head, self._body, widgets.HBox([self.next]).add_class("gl-buttons"))
        self.add_class("gl-form")
        self.next.on_click(self.guarded(lambda _button: self.go_on()))
        self._place.watch(self.guarded(self._moved_elsewhere))
        self.update()

    # ---- what is asked ---------------------------------------------------------------------------------------------

    @property
    def asked(self) -> tuple:
        """The questions: exercise and number of its set of numbers. They stay until others are wanted."""
        return tuple((exercise_of(id), attempt) for id, attempt in self._standing["asked"])

    @property
    def at(self) -> int:
        """Which of them is on the page, 0 for the first; their number when all are done."""
        return self._standing["at"]

    @property
    def _standing(self):
        kept = self._place.value
        if not _fits(kept):
            asked = self._learner.review_questions()
            kept = {"asked": [[each.id, attempt] for each, attempt in asked], "at": 0, "entry": None}
            self._place.keep(kept)
        return kept

    def go_on(self) -> None:
        """Skip the question or go on to the next; when all are done, draw others."""
        now = self._standing
        if now["at"] < len(now["asked"]):
            self._place.keep(now | {"at": now["at"] + 1, "entry": None})
        else:
            asked = self._learner.review_questions(avoid=[id for id, _ in now["asked"]])
            self._place.keep({"asked": [[each.id, attempt] for each, attempt in asked], "at": 0, "entry": None})
        self.update()

    def submit(self) -> None:
        """Have the answer marked, unless it was told how it goes."""
        exercise, attempt = self.asked[self.at]
        if not self.turn.check.disabled:
            verdict = self._learner.answer_review(exercise, attempt, self._entered(exercise))
            self._say(exercise, attempt, verdict)

    def _entered(self, exercise):
        return exercise.answer([field.value() for field in self.turn.fields])

    def _typed(self):
        self._place.keep(self._standing | {"entry": [field.standing() for field in self.turn.fields]})

    # ---- what the page shows ---------------------------------------------------------------------------------------

    def update(self) -> None:
        """Show the question that is kept, once."""
        learner, now = self._learner, self._standing
        shown = (learner.name, learner.class_code, now["at"], now["asked"])
        if shown == self._shown:
            return
        self._shown = shown
        if now["at"] < len(now["asked"]):
            self._ask(now)
        else:
            self._end()

    def _ask(self, now):
        exercise, attempt = self.asked[now["at"]]
        given = exercise.variant(self._learner.name, attempt, self._learner.class_code)
        which = f"Question {now['at'] + 1} of {len(now['asked'])}, from lab {exercise.lab}"
        self._head.say("note", TITLE, f"{which}. It earns no points.")
        fields = [field_for(part, given) for part in exercise.parts]
        self.turn = ShortQuestion(fields, self.guarded, self.submit, self._typed)
        past = self._learner.review_answers(exercise, attempt)
        _enter(fields, exercise, past[-1]["answer"] if past else None, now["entry"])
        self._body.children = [prose(exercise.statement_for(given)), self.turn]
        self.next.description = SKIP
        if past:
            self._say(exercise, attempt, mark(exercise, given, past[-1]["answer"]))

    def _say(self, exercise, attempt, verdict):
        past = self._learner.review_answers(exercise, attempt)
        given = exercise.variant(self._learner.name, attempt, self._learner.class_code)
        tries = {str(mark(exercise, given, each["answer"]).values) for each in past} - {str(())}
        over = verdict.state == "right" or len(tries) >= EXPLAINED_FROM
        said = verdict.said(closer=over).replace("\n", "\n\n")
        state = "wrong" if verdict.veiled and not over else verdict.state
        self.turn.say(state, "" if state == "unattempted" else said, exercise.explain_for(given) if over else "")
        self.turn.check.disabled = over
        self.next.description = NEXT if over else SKIP

    def _end(self):
        self.turn, self._body.children = None, []
        answered = [self._learner.review_answers(*each) for each in self.asked]
        count = sum(bool(each) for each in answered)
        self._head.say("note", TITLE, f"You answered {count} of {len(answered)} questions." if answered else NONE)
        self.next.description, self.next.disabled = OTHERS, not answered


def _fits(kept):
    """Whether what was kept still is a review: its exercises are there, and can be asked in place."""
    try:
        asked, at = kept["asked"], kept["at"]
        known = [in_place(exercise_of(id)) and type(attempt) is int and attempt >= REVIEW for id, attempt in asked]
        return bool(asked) and all(known) and type(at) is int and 0 <= at <= len(asked) and "entry" in kept
    except (GainlibError, TypeError, ValueError, KeyError):
        return False


def _enter(fields, exercise, answer, entry):
    """Enter what was typed last, or the last answer; what does not fit is left out."""
    if isinstance(entry, list) and len(entry) == len(fields):
        for field, value in zip(fields, entry, strict=True):
            field.resume(value)
    elif answer is not None:
        for field, value in zip(fields, exercise.values(answer), strict=False):
            field.show(value)
