"""What is asked and earns nothing: the prediction, two questions from earlier labs, the last step of an example.

A short question has fields, Check, what is said to the answer, and then how it goes. What was predicted is locked
before the comparison shows anything.
"""

import time
from collections.abc import Callable, Sequence

from gainlib.audio import GainlibError
from gainlib.exercises.bank import exercise as exercise_of
from gainlib.exercises.lab import Worked
from gainlib.exercises.marking import mark
from gainlib.exercises.sets import REVIEW
from gainlib.exercises.tally import in_place
from gainlib.notebook import widgets
from gainlib.notebook.assets import html_of
from gainlib.notebook.errors import Panel, row
from gainlib.notebook.fields import WORDS, Field, check_button, field_for, when_typed
from gainlib.notebook.kept import Place
from gainlib.notebook.live import TableView
from gainlib.notebook.prose import LiveRegion, prose, rewrite
from gainlib.words import Table

EXPLAINED_FROM = 2
"""Wrong tries after which a question that earns nothing says how it goes."""


class Newest(Panel):
    """A panel that shows what another tab has kept since without asking: nothing in it is worth a question."""

    def _watch(self):
        self.watch(self._place, self._take_newest)

    def _take_newest(self):
        self._place.take()
        self.update()


class ShortQuestion(widgets.VBox):
    """Fields with their own Check.

    Parameters
    ----------
    panel : Panel
        That holds the question.
    fields : sequence of Field
        One a part.
    submit, typed : callable
        Called when an answer is to be judged, and with every letter.

    Attributes
    ----------
    check : ipywidgets.Button
    said : LiveRegion
    explain : ipywidgets.HTML
    """

    def __init__(self, panel: Panel, fields: Sequence[Field], submit: Callable, typed: Callable):
        self.fields, self._typed, self._typed_s = tuple(fields), typed, float("-inf")
        submit = panel.guarded(submit)
        self.check = check_button(panel, lambda: when_typed(self._typed_s, submit))
        self.said, self.explain = LiveRegion(), prose("", "gl-explain")
        super().__init__([*(field.widget for field in self.fields), row(self.check), self.said, self.explain])
        for field in self.fields:
            field.on_enter(submit)
            field.on_change(panel.guarded(self._changed))
        self.say("unattempted")
        self.said.say()

    def _changed(self):
        self._typed_s = time.monotonic()
        self._typed()

    def say(self, state: str, sentence: str = "", explanation: str = "") -> None:
        """Say what an answer is, and how it goes where that may be said."""
        self.said.say("note" if state == "unattempted" else state, WORDS[state], sentence)
        rewrite(self.explain, f"**Why.** {explanation}" if explanation else "")
        widgets.look(self.explain, display=None if explanation else "none")


# ---- the prediction --------------------------------------------------------------------------------------------------

FIRST = "Click an answer under **Predict** above, then press this again: you remember best what you guessed wrong."


class Prediction(Panel):
    """A question with a few answers to click; the click is kept, and may be changed until it is compared.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Keeps the choice.
    question : str
        Markdown.
    choices : sequence of str
        What may be clicked, at least two.

    Attributes
    ----------
    radio : ipywidgets.RadioButtons
        The choices; none is taken at first.

    Raises
    ------
    GainlibError
        For fewer than two choices.
    """

    def __init__(self, learner, question: str, choices):
        if len(choices) < 2:
            raise GainlibError(f"a prediction needs at least two choices; {question!r} has {len(choices)}")
        self._learner, self.question, self.choices = learner, question, tuple(choices)
        self.radio = widgets.RadioButtons(options=self.choices, index=None, layout={"width": "auto"})
        self.radio.add_class("gl-across")
        self.said = LiveRegion()
        super().__init__(prose(question), self.radio, self.said)
        self.add_class("gl-form")
        self.radio.observe(self.guarded(self._clicked), "value")
        self.update()

    @property
    def choice(self) -> str | None:
        """What was predicted, or None."""
        kept = self._learner.prediction(self.question)
        return kept if kept in self.choices else None

    def _clicked(self, change):
        if change["new"] is not None and change["new"] != self.choice:
            self._learner.predict(self.question, change["new"])
        self.update()

    def update(self) -> None:
        """Show what is kept."""
        locked = self._learner.locked
        self.radio.value, self.radio.disabled = self.choice, locked
        if locked and self.choice:
            self.said.say("note", "Locked", f"You predicted **{self.choice}**, and it stays on your record.")
        elif self.choice:
            said = f"You predict **{self.choice}**. You lose nothing by being wrong here; comparing locks it."
            self.said.say("note", "Kept", said)
        else:
            self.said.say("note", "", "Click one; it is not graded.")


class Comparison(Panel):
    """The prediction beside what was measured; without a prediction it asks for one, and shows nothing.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Keeps the prediction.
    measured : callable
        ``measured()`` returns (outcome, sentence, table): which of the choices the measurement bears out, Markdown that
        says what was measured, and its :class:`~gainlib.words.Table`.
    """

    def __init__(self, learner, measured: Callable[[], tuple[str, str, Table]]):
        self._learner, self._measured = learner, measured
        self._verdict = LiveRegion()
        self._text = prose("")
        tooltip = "Lock the prediction, measure, and show both"
        self.ask = self.make_button("Compare with my prediction", self.compare, button_style="primary", tooltip=tooltip)
        self._table = widgets.VBox()
        super().__init__(row(self.ask), self._verdict, self._text, self._table)
        self.add_class("gl-form")

    def compare(self) -> None:
        """Lock the prediction, measure, and say how it fares."""
        mine = self._learner.prediction()
        if mine is None:
            self._verdict.say("note", "Predict first", FIRST)
            return
        self._learner.lock_prediction()
        with self.progress.of("Measuring …"):
            outcome, sentence, table = self._measured()
        if mine == outcome:
            self._verdict.say("right", "As you predicted", f"You said **{mine}**, and so do the meters.")
        else:
            self._verdict.say("wrong", "Not as predicted", f"You said **{mine}**; the meters say **{outcome}**.")
        rewrite(self._text, sentence)
        self._table.children = [TableView(table)]

    def update(self) -> None:
        """Show nothing to somebody whose prediction is not locked."""
        if not self._learner.locked:
            self._verdict.say()
            rewrite(self._text, "")
            self._table.children = []


# ---- questions from earlier labs -------------------------------------------------------------------------------------

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
        self.next = self.make_button("", self.go_on)
        super().__init__(self._head, self._body, row(self.next))
        self.add_class("gl-form")
        self._watch()
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
        self.turn = ShortQuestion(self, fields, self.submit, self._typed)
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


# ---- the worked example ----------------------------------------------------------------------------------------------

YOURS = "The last step is yours. It earns no points."


class WorkedExample(Newest):
    """A worked example.

    Parameters
    ----------
    worked : Worked
        The declaration.
    place : Place
        Where it is kept how far it was opened, and what was answered.

    Attributes
    ----------
    next : ipywidgets.Button
        Opens the next step.
    turn : ShortQuestion
        The last step; out of sight until all others are open.
    """

    def __init__(self, worked: Worked, place: Place):
        self._worked, self._place = worked, place
        self._before, self._newest = widgets.VBox(), LiveRegion()
        self.next = self.make_button("Next step", self.open_next, button_style="primary")
        self._row = row(self.next)
        self.turn = ShortQuestion(self, [field_for(worked.last, {})], self.submit, self._typed)
        self._yours = widgets.VBox([prose(YOURS), self.turn])
        super().__init__(prose(worked.question), self._before, self._newest, self._row, self._yours)
        self.add_class("gl-form")
        self._watch()
        self.update()

    @property
    def standing(self) -> dict:
        """How many steps are open, what stands in the field, and the tries that could be read."""
        kept = self._place.value if isinstance(self._place.value, dict) else {}
        opened, entry, tries = kept.get("steps"), kept.get("entry"), kept.get("tries")
        return {
            "steps": min(opened, len(self._worked.steps)) if type(opened) is int and opened > 0 else 0,
            "entry": entry if isinstance(entry, str) else "",
            "tries": [each for each in tries if isinstance(each, str)] if isinstance(tries, list) else [],
        }

    def open_next(self) -> None:
        """Open the next step; behind the last one the field takes the focus, for the button is gone."""
        self._place.keep(self.standing | {"steps": self.standing["steps"] + 1})
        self.update()
        if self._all_open:
            self.turn.fields[0].focus()

    def submit(self) -> None:
        """Judge the last step."""
        now, answer = self.standing, self.turn.fields[0].value() or ""
        state, _ = self._worked.judge(answer)
        if state in ("right", "wrong") and answer not in now["tries"][-1:]:
            now["tries"] = [*now["tries"], answer]
        self._place.keep(now | {"entry": answer})
        self._say(answer, now["tries"])

    @property
    def _all_open(self):
        return self.standing["steps"] >= len(self._worked.steps)

    def _typed(self):
        self._place.keep(self.standing | {"entry": self.turn.fields[0].standing() or ""})

    def _say(self, answer, tries):
        state, sentence = self._worked.judge(answer)
        over = state == "right" or len(tries) >= EXPLAINED_FROM
        self.turn.say(state, sentence, self._worked.explain if over else "")

    def update(self) -> None:
        """Show it as it is kept."""
        now = self.standing
        steps = [numbered(k, text) for k, text in enumerate(self._worked.steps[: now["steps"]], start=1)]
        if len(self._before.children) != max(len(steps) - 1, 0):
            self._before.children = [prose(text) for text in steps[:-1]]
        self._newest.say("", "", steps[-1] if steps else "")
        widgets.look(self._row, display="none" if self._all_open else None)
        widgets.look(self._yours, display=None if self._all_open else "none")
        field = self.turn.fields[0]
        if (field.standing() or "") != now["entry"]:
            field.resume(now["entry"])
        if now["tries"]:
            self._say(now["tries"][-1], now["tries"])
        else:
            self.turn.say("unattempted")
            self.turn.said.say()


def numbered(number: int, text: str) -> str:
    """Return a step behind its number; a list, a table or a formula begins on a line of its own."""
    return f"**{number}.**" + ("\n\n" if text.startswith(("- ", "| ", "$$")) else " ") + text


def in_full(worked: Worked) -> str:
    """Return a worked example to be printed, every step of it, as HTML."""
    steps = [*worked.steps, f"{worked.last.label_for({})}: {worked.explain}"]
    listed = "".join(f"<li>{html_of(step)}</li>" for step in steps)
    return f"<h2>A worked example</h2>{html_of(worked.question)}<ol>{listed}</ol>"
