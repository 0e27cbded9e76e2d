"""The form of an exercise: statement, panel, fields, check, feedback, hints one by one, new numbers, the derivation.

A form holds no answer key and judges nothing: it hands what was entered to the learner's session
(:mod:`gainlib.notebook.learner`), which marks and records it, and shows what came back.
"""

import logging
import math
import time
from collections.abc import Callable
from typing import Any

from traitlets import TraitError

from gainlib.audio import GainlibError
from gainlib.exercises.record import plain
from gainlib.exercises.sets import NUMBER_PAY, chosen, limited, pay
from gainlib.exercises.variants import PRACTICE
from gainlib.notebook import widgets
from gainlib.notebook.errors import Panel, row
from gainlib.notebook.fields import WORDS as STATES
from gainlib.notebook.fields import check_button, field_for, when_typed
from gainlib.notebook.panels import place_of
from gainlib.notebook.prose import LiveRegion, Question, prose, rewrite
from gainlib.words import number

ANOTHER = "Start another session for all tasks of this lab? You will lose what you have set but not checked."
YES = "Yes, another session"
NEW_NUMBERS = "New numbers? What you have entered and not checked is lost."
SOLUTION = "Show the solution? These numbers then earn no more points; new numbers do."
BESIDE = "A choice counts once something beside it has earned points."
FIRST_TRY = "At one of several, only the first try earns points."
LATER_TRY = "All right at the second try earns half, at the third a quarter."
NEXT_CHOICE = "With these numbers, another try at a choice earns nothing; with **New numbers** it does."
NEXT_LIST = ("The next try earns half, if all of it is right.", "The next try earns a quarter, if all of it is right.")
NEXT_NUMBER = {1.0: "", 0.5: "The next try earns half.", 0.25: "The next try earns a quarter."}
LATE = "A third try at a number earns half, a fourth a quarter; **New numbers** start afresh."
NO_MORE = "These numbers earn nothing more: see the solution, then go on with **New numbers**."
NOW = "9999"  # behind every time there is
log = logging.getLogger(__name__)
WORDS = STATES | {"invalid": "? This cannot be read, and you lose no points", "kept": "Your answer is kept"}


def points_text(points: float) -> str:
    """Return points with as many decimals as they need.

    Examples
    --------
    >>> points_text(2.0), points_text(1.7), points_text(0.0)
    ('2', '1.7', '0')
    """
    return number(round(points, 2))


def earned_text(points: float, most: float) -> str:
    """Return what is earned of what there is to earn."""
    return f"{points_text(points)} of {points_text(most)}"


def numbers_text(exercise, learner) -> str:
    """Return which set of numbers is on the desk, in words."""
    attempt = learner.attempt(exercise)
    if learner.phase in ("sitting", "ended"):
        return "numbers of the exam"
    if not exercise.series:
        return f"numbers no. {attempt + 1}"
    return f"practice session no. {attempt - PRACTICE + 1}" if attempt >= PRACTICE else f"session no. {attempt + 1}"


class ExerciseForm(Panel):
    """One exercise on the page.

    Parameters
    ----------
    exercise : gainlib.exercises.Exercise
        The declaration.
    learner : gainlib.notebook.learner.LearnerSession
        Marks and records.
    panel_for : callable, optional
        ``panel_for(exercise, given, learner)`` returns the panel of an exercise with material, or None.

    Attributes
    ----------
    said : LiveRegion
        The live region with the feedback.
    fields : list of Field
        One a part.
    panel : object or None
        The exercise's own panel.
    question : Question
        Asked before anything entered is given up, and where another tab has moved on.
    """

    def __init__(self, exercise, learner, panel_for: Callable | None = None):
        self.exercise, self._learner, self._panel_for = exercise, learner, panel_for
        self._head, self._typed_s = widgets.HTML(), -math.inf
        self._statement = prose("")
        self._stage = widgets.VBox()
        self.said = LiveRegion()
        self._hints = widgets.VBox()
        self._explain = prose("", "gl-explain")
        self._buttons()
        buttons = row(self.check, self.hint, self.solution, self.again)
        self.question = Question(instead=buttons)
        super().__init__(
            self._head, self._statement, self._stage, buttons, self.question, self.said, self._hints, self._explain
        )
        self.add_class("gl-form")
        self.renew()

    def _buttons(self):
        self.check = check_button(self, lambda: when_typed(self._typed_s, self.guarded(self.submit)))
        self.hint = self.make_button("Hint", self.open_hint)
        tooltip = "Ends these numbers for points"
        self.solution = self.make_button("Show the solution", self.ask_for_solution, tooltip=tooltip)
        again, tooltip = "New numbers", "The same question with other numbers; the best set counts"
        if self.exercise.series:
            again = "Another session"
            tooltip = "Another session for all tasks of this lab; the best try at each counts"
        self.again = self.make_button(again, self.ask_for_new_numbers, tooltip=tooltip)

    # ---- what the learner does -------------------------------------------------------------------------------------

    def entered(self) -> Any:
        """Return what is in the fields, in the JSON shape of the exercise's answer."""
        return self.exercise.answer([field.value() for field in self.fields])

    def submit(self) -> None:
        """Have the entry marked, and show the verdict; where the solution is out there is nothing to mark."""
        if not (self.check.disabled or self._learner.numbers(self.exercise).closed):
            self._learner.answer(self.exercise, self.entered())

    def open_hint(self) -> None:
        """Open the next hint."""
        self._learner.open_hint(self.exercise)

    def ask_for_solution(self) -> None:
        """Show the derivation with the right value, after a question."""
        show = self.guarded(lambda: self._learner.show_solution(self.exercise))
        self.question.ask(SOLUTION, "Yes, show it", show)

    def ask_for_new_numbers(self) -> None:
        """Go on to the next variant; where that throws something away, only after a question."""
        if self.exercise.series:
            self.question.ask(ANOTHER, YES, self.guarded(self.new_numbers))
        elif self._unchecked():
            self.question.ask(NEW_NUMBERS, "Yes, new numbers", self.guarded(self.new_numbers))
        else:
            self.new_numbers()

    def _unchecked(self):
        """Whether something is entered that was not checked."""
        empty = all(field.value() is None for field in self.fields)
        return not empty and plain(self.entered()) != self._learner.last_answer(self.exercise)

    def new_numbers(self) -> None:
        """Go on to the next variant."""
        self._learner.new_numbers(self.exercise)

    # ---- what the page shows ---------------------------------------------------------------------------------------

    def renew(self) -> None:
        """Show the present variant from the start: numbers, panel, fields and what was done with it before."""
        given = self.given = self._learner.given(self.exercise)
        rewrite(self._statement, self.exercise.statement_for(given))
        self.panel = self._panel_for(self.exercise, given, self._learner) if self._panel_for else None
        self.fields = [field_for(part, given, self.panel) for part in self.exercise.parts]
        for field in self.fields:
            field.on_enter(self.guarded(self.submit))
        shown, fields = [] if self.panel is None else [self.panel], [field.widget for field in self.fields]
        aside = getattr(self.panel, "aside", None)  # a panel that has room for the fields beside its picture
        self._stage.children = (*shown, *(fields if aside is None else ()))
        if aside is not None:
            aside(fields)
        self.said.say()
        self._right = False
        past = (self._learner.answers(self.exercise) or [None])[-1]
        if past is not None:
            self.show_answer(past["answer"], past["time"])
            self.show_verdict(self._learner.verdict(self.exercise, past["answer"]))
        self._place = place_of(self._learner, "entry", self.exercise)
        self._resume(past["time"] if past else "")
        for field in self.fields:
            field.on_change(self.guarded(self._keep))
        for place in (self._place, self._learner.kept.place(f"{self.exercise.id} steps")):
            self.watch(place, lambda: self.question.take_over(self.guarded(self._take_over)))
        self.update()

    def show_answer(self, answer: Any, time: str = NOW) -> None:
        """Enter an answer into the fields, as when it came from code or from an earlier day.

        Parameters
        ----------
        answer : object
            In the JSON shape of the exercise.
        time : str
            When it was given: controls that were moved later stay where they are.
        """
        values = self.exercise.values(answer) if self._fits(answer) else [None] * len(self.fields)
        for field, value in zip(self.fields, values, strict=True):
            if field.moved_at <= time:
                field.show(value)

    # ---- what is entered and not checked ---------------------------------------------------------------------------

    def _keep(self):
        self._typed_s = time.monotonic()
        self._place.keep([field.standing() for field in self.fields])

    def _resume(self, since):
        """Enter what was entered after the last answer; what does not fit is left out."""
        kept = self._place.value
        if not isinstance(kept, list) or len(kept) != len(self.fields) or self._place.time <= since:
            return
        for field, value in zip(self.fields, kept, strict=True):
            try:
                if field.standing() != value:
                    field.resume(value)
            except (GainlibError, TraitError, TypeError, ValueError, KeyError, AttributeError) as problem:
                log.warning("%s: what was entered does not fit any more (%r)", self.exercise.id, problem)

    def _take_over(self):
        self._place.take()
        self._learner.read_again(self.exercise)

    def _fits(self, answer):
        count = len(self.exercise.parts)
        return count == 1 or (isinstance(answer, (list, tuple)) and len(answer) == count)

    def show_verdict(self, verdict) -> None:
        """Say what a verdict says; how many choices are right not before the second try."""
        learner, exercise = self._learner, self.exercise
        numbers = learner.numbers(exercise)
        veiled = learner.veiled(exercise, verdict)
        about = self._about_points(verdict, numbers, veiled)
        text = learner.said(exercise, verdict).replace("\n", "\n\n") + (f"\n\n{about}" if about else "")
        self._right = verdict.state == "right"
        if verdict.state in ("unattempted", "kept"):
            self.said.say("note", WORDS[verdict.state], verdict.feedback if verdict.state == "kept" else "")
        elif veiled:
            self.said.say("wrong", WORDS["wrong"], text)
        else:
            points = numbers.earned if limited(exercise) else verdict.points
            earned = f" ({points_text(points)} of {points_text(verdict.max_points)} points)"
            self.said.say(verdict.state, WORDS[verdict.state] + ("" if verdict.state == "invalid" else earned), text)
        self._show_derivation(numbers)

    def _about_points(self, verdict, numbers, veiled):
        """Return what else there is to say of a verdict's points."""
        learner, exercise = self._learner, self.exercise
        if learner.practising(exercise):
            return "This is practice, so no points are counted."
        if numbers.spent:
            return "That was the third wrong try, so the solution is below. Try again with **New numbers**."
        if numbers.closed:
            return "You have seen the solution, so these numbers earn no more points. Go on with **New numbers**."
        if verdict.state in ("invalid", "unattempted", "kept"):
            return ""
        tried = self._about_tries(verdict, numbers, veiled)
        counted, most = learner.score(exercise).points, points_text(verdict.max_points)
        if tried or veiled or verdict.points <= counted + 1e-9:
            return tried
        why = "you opened hints" if numbers.paid else "the first run with these numbers counts"
        return f"You earn {points_text(counted)} of {most}, because {why}."

    def _about_tries(self, verdict, numbers, veiled):
        """Return what a try still earned where later ones count less, and what the next one would earn."""
        parts, missed = self.exercise.parts, dict(zip(limited(self.exercise), numbers.missed, strict=False))
        wrong = [k for k in missed if verdict.parts[k].state in ("wrong", "partly")]
        choices, said = chosen(self.exercise), []
        if not veiled and numbers.earned < verdict.points - 1e-9:
            beside = [
                part.points * (pay(parts[k], missed[k]) if k in missed else 1)
                for k, part in enumerate(verdict.parts)
                if k not in choices
            ]
            late = [parts[k] for k in missed if k not in wrong and pay(parts[k], missed[k]) < 1]
            if beside and not any(beside):
                said.append(BESIDE)
            elif late:
                said.append({"number": LATE, "choice": FIRST_TRY}.get(late[0].kind, LATER_TRY))
        if choices and not veiled and numbers.points > numbers.earned + 1e-9:
            most = points_text(verdict.max_points)
            said = [f"An earlier try counts: {points_text(numbers.points)} of {most} points."]
        if any(parts[k].kind == "choice" for k in wrong):
            said.append(NEXT_CHOICE)
        elif any(k in choices for k in wrong):
            said.append(NEXT_LIST[min(max(missed[k] for k in wrong if k in choices), 2) - 1])
        tries = max((missed[k] for k in wrong if parts[k].kind == "number"), default=0)
        said.append(NEXT_NUMBER[NUMBER_PAY[tries]] if tries < len(NUMBER_PAY) else NO_MORE)
        return " ".join(filter(None, said))

    def _show_derivation(self, numbers):
        """Show the derivation once there is nothing left to earn with these numbers."""
        on = (self._right or numbers.closed) and not self._learner.examined
        rewrite(self._explain, self._derivation() if on else "")
        widgets.look(self._explain, display="" if on else "none")

    def _derivation(self):
        cites, why = "; ".join(self.exercise.cites), self.exercise.explain_for(self.given)
        gap = "\n\n" if why.startswith(("- ", "| ")) else " "  # a list or a table begins on a line of its own
        return f"**Why.**{gap}{why}" + (f"\n\n*{cites}*" if cites else "")

    def update(self) -> None:
        """Renew heading, hints and buttons."""
        exercise, learner = self.exercise, self._learner
        score = learner.score(exercise)
        best = f"best so far {points_text(score.points)} of {points_text(exercise.points)} points"
        best += ", mastered" if score.mastered else ""
        if learner.examined:
            best = f"{points_text(exercise.points)} points"
        self._head.value = (
            f'<h3 class="gl-title">{exercise.id} · {exercise.title}</h3><p class="gl-sub">{best} · '
            f"{numbers_text(exercise, learner)}</p>"
        )
        opened, numbers = learner.hints_open(exercise), learner.numbers(exercise)
        hints = exercise.hints_for(self.given)[: learner.hints_there(exercise)]
        if len(self._hints.children) != opened:
            self._hints.children = [prose(f"**Hint {k + 1}.** {text}") for k, text in enumerate(hints[:opened])]
        left = opened < len(hints)
        price = ", free" if numbers.hint_is_free(exercise) else f" of {len(hints)}"
        self.hint.description = f"Hint {opened + 1}{price}" if left else "No more hints"
        self.hint.tooltip = learner.hint_price(exercise)
        self.hint.disabled, self.check.disabled = not left or numbers.closed, numbers.closed
        widgets.look(self.solution, display="" if numbers.may_be_asked(exercise) else "none")
        for button in (self.hint, self.again):
            widgets.look(button, display="none" if learner.examined else "")
        self.check.disabled |= learner.phase in ("open", "ended")
        self._show_derivation(numbers)
