"""The sheets around a lab's experiment: heading with the exam of a class, cautions, score, and the page to take away.

On a learner's own computer an exam keeps an honest learner to the rules and keeps no other from anything: whoever can
program has the right answers, and a clock can be set. What the record tells of a sitting is for the teacher to judge.
"""

import html
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache

import anywidget
import ipywidgets as widgets
import traitlets

from gainlib.audio import replacing
from gainlib.notebook import assets, identity
from gainlib.notebook.assets import html_of
from gainlib.notebook.errors import Panel
from gainlib.notebook.forms import points_text
from gainlib.notebook.identity import day_and_time, here, is_pseudonym
from gainlib.notebook.prose import LiveRegion, Question, prose
from gainlib.notebook.records import ProgressSheet, SaveButton
from gainlib.words import number_text


class CodeQuestion(Question):
    """Asked where the same name has more points with another class code, or with none.

    Parameters
    ----------
    become : callable
        ``become(class_code)`` switches to it.
    """

    def __init__(self, become: Callable[[str], None]):
        self._become, self._asked = become, None
        super().__init__()

    def look(self, record, learner: str, class_code: str, lab: str | None = None) -> None:
        """Ask if there is reason to, once for each who works here."""
        if self._asked == (learner, class_code):
            return
        self._asked = (learner, class_code)
        self._answered(None)
        found = identity.elsewhere(record.events(), learner, class_code, lab)
        if found is not None:
            theirs = f"with class code {found.class_code}" if found.class_code else "without a class code"
            own = f"with {class_code}" if class_code else "without it"
            what = "Did you leave it out?" if not class_code else "Is this the right one?"
            points, here = number_text(found.points), number_text(found.own_points) if found.own_points else "none"
            text = f"{theirs[:1].upper()}{theirs[1:]} there are {points} points by this name; {own} {here}. {what}"
            yes = f"Take class code {found.class_code}" if found.class_code else "Go without a class code"
            self.ask(text, yes, lambda: self._become(found.class_code), "This is right")


RULES = (
    "There are no hints and no solutions, and you are not told whether an answer is right. You may change an answer "
    "until the end; the last one counts. You begin once."
)
BEFORE = "Exam on {opens}, for {minutes} minutes. It has numbers of its own. {rules}"
OPEN = "The exam is open until {ends}, also for those who begin later. {rules}"
SITTING = "You are sitting the exam. **Check** keeps an answer. {rules}"
ENDED = "You have ended the exam, and your answers are kept. From {ends} on this lab is as it was before."
OVER = "The exam is over. Your answers are kept; hand in your record, and your teacher tells you what they earned."
NAMELESS = "Enter your name above and save it, so that your teacher knows whose answers these are. Then begin."
SURE = "End the exam? You cannot begin it again."
WORDS = {"before": BEFORE, "open": OPEN, "sitting": SITTING, "ended": ENDED}
CLOCKS = {"before": "The exam opens in", "sitting": "The exam ends in", "ended": "The exam is over in"}
FARTHEST_S = 24 * 3600


class Clock(anywidget.AnyWidget):
    """Counts down where it is always seen, and tells Python when it has come to its end.

    Attributes
    ----------
    left_s : float
        Seconds to count; 0 is out of sight.
    text : str
        What happens then.
    """

    _esm = assets.module("clock")
    _css = assets.style()
    left_s = traitlets.Float(0.0).tag(sync=True)
    text = traitlets.Unicode("").tag(sync=True)


class ExamBox(Panel):
    """What a learner sees of the exam; out of sight where there is none.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession

    Attributes
    ----------
    begin, end : ipywidgets.Button
    question : Question
        Asked before the sitting is ended.
    """

    def __init__(self, learner):
        self._learner, self._phase = learner, None
        auto = {"width": "auto"}
        self.begin = widgets.Button(description="Begin the exam", button_style="primary", layout=auto)
        self.end = widgets.Button(description="End the exam", layout=dict(auto))
        self.said, self.clock, self.question = LiveRegion(), Clock(), Question(self.end)
        row = widgets.HBox([self.begin, self.end, self.question]).add_class("gl-buttons")
        super().__init__(self.said, row, self.clock)
        self.begin.on_click(self.guarded(lambda _button: self._begin()))
        self.end.on_click(self.guarded(lambda _button: self.question.ask(SURE, "Yes, end it", learner.end_exam)))
        self.clock.on_msg(self.guarded(lambda _widget, _content, _buffers: learner.look_at_clock()))
        self.update()

    def _begin(self):
        if is_pseudonym(self._learner.name):
            self.said.say("wrong", "Not begun", NAMELESS)
            self._phase = None
        else:
            self._learner.begin_exam()

    def update(self) -> None:
        """Show the exam as it stands, once for each turn it takes."""
        phase, exam = self._learner.phase, self._learner.exam
        if (phase, exam) == self._phase:
            return
        self._phase = (phase, exam)
        self.layout.display = None if phase or self._learner.sat else "none"
        self.begin.layout.display = None if phase == "open" else "none"
        self.end.layout.display = None if phase == "sitting" else "none"
        self.clock.left_s = 0.0
        if not phase:
            self.said.say("note", "Exam", OVER) if self._learner.sat else self.said.say()
            return
        minutes = round((exam.ends - exam.opens).total_seconds() / 60)
        when = {"opens": day_and_time(exam.opens), "ends": day_and_time(exam.ends), "minutes": minutes}
        self.said.say("note", "Exam", WORDS[phase].format(**when, rules=RULES))
        left_s = ((exam.opens if phase == "before" else exam.ends) - datetime.now(UTC)).total_seconds()
        self.clock.text = CLOCKS.get(phase, "The exam ends in")
        self.clock.left_s = max(left_s, 0.001) if left_s < FARTHEST_S else 0.0


STATES = {
    "right": "✓ right",
    "partly": "◐ partly right",
    "wrong": "✗ not yet",
    "unattempted": "– not tried yet",
}
CUT_OFF = "Line {} of the record, the last one, was not written to its end and is left out. All before it counts."
REFERENCE_HZ, REFERENCE_DBFS, REFERENCE_S = 1000, -20.0, 5.0


class Heading(Panel):
    """A lab's minutes and points, and who is working.

    Parameters
    ----------
    learner : LearnerSession
    page : gainlib.exercises.lab.Lab
    """

    def __init__(self, learner, page):
        self._learner, self._page = learner, page
        self._facts = widgets.HTML()
        field = {"style": {"description_width": "initial"}, "layout": widgets.Layout(width="auto")}
        field["continuous_update"] = False  # goes out when the field is left, and so ahead of the button
        self._name = widgets.Text(description="Name or number", **field).add_class("gl-entry")
        self._class = widgets.Text(description="Class code (if you have one)", **field).add_class("gl-entry")
        self._class.add_class("gl-code")
        self.keep = widgets.Button(
            description="Save my name",
            tooltip="Save these; your own numbers follow from them",
            layout={"width": "auto"},
        )
        self._said = LiveRegion()
        row = widgets.HBox([self._name, self._class, self.keep]).add_class("gl-buttons")
        self.code = CodeQuestion(self.guarded(self._switch))
        # Where all is forgotten, the record goes out from every lab.
        take_along = [SaveButton("Download my record", self.guarded(self._take_along))] if here().forgets else []
        self.exam = ExamBox(learner)
        super().__init__(self._facts, row, *take_along, self.code, self._said, self.exam)
        self.add_class("gl-form")
        self.keep.on_click(self.guarded(lambda _button: self._become()))
        self._name.value, self._class.value = learner.name, learner.class_code
        if learner.cut_off is not None:
            self._said.say("note", "One step is lost", CUT_OFF.format(learner.cut_off.line))
        self.update()

    def _become(self):
        self._learner.become(self._name.value, self._class.value)
        self._name.value, self._class.value = self._learner.name, self._learner.class_code
        self._said.say("note", "Good", f"You work as **{self._learner.name}**; the numbers below are for you alone.")

    def _take_along(self):
        shelf = ProgressSheet(self._learner.folder)
        return shelf.file_name, shelf.take_along()

    def _switch(self, class_code):
        self._class.value = class_code
        self._become()

    def update(self) -> None:
        """Renew the points, and ask where another class code has more of them."""
        learner = self._learner
        self.exam.update()
        self.code.look(learner.record, learner.name, learner.class_code, learner.lab)
        tally = self._learner.tally()
        page = self._page
        self._facts.value = (
            f'<p class="gl-sub">About {page.minutes} minutes alone, or {html.escape(page.lessons)} · '
            f"{len(tally.scores)} exercises · <b>{points_text(tally.points)} of {points_text(tally.max_points)} points"
            f"</b> so far · your answers are kept {html_of(here().kept).strip()[3:-4]}</p>"
        )


class ScoreSheet(Panel):
    """A line an exercise: state, points, what was said to the answer that counts.

    Parameters
    ----------
    learner : LearnerSession
    grades : sequence of (float, str)
        From how many percent on a lab is called what, the highest first; none for most labs.

    Attributes
    ----------
    points, max_points, percent : float
        As they stand.
    """

    def __init__(self, learner, grades=()):
        self._learner, self._grades = learner, tuple(grades)
        self._table = widgets.HTML().add_class("gl-score")
        super().__init__(self._table)
        self.add_class("gl-form")
        self.update()

    @property
    def points(self) -> float:
        """Points earned in this lab."""
        return self._learner.tally().points

    @property
    def max_points(self) -> float:
        """Points possible in this lab."""
        return self._learner.tally().max_points

    @property
    def percent(self) -> float:
        """Share of the points, in percent."""
        return 100 * self.points / self.max_points

    def update(self) -> None:
        """Count again."""
        tally = self._learner.tally()
        rows = "".join(self._row(self._learner.exercises[id], score) for id, score in tally.scores.items())
        heads = "".join(f'<th scope="col">{head}</th>' for head in ("exercise", "state", "points", "hints", "tries"))
        total = f"{points_text(round(tally.points, 2))} of {points_text(tally.max_points)}"
        mastered = f"mastered {sum(score.mastered for score in tally.scores.values())} of {len(tally.scores)}"
        self._table.value = (
            f"<table><caption>{html.escape(self._learner.name)}</caption><thead><tr>{heads}</tr></thead><tbody>{rows}"
            f'<tr><th scope="row">all</th><td>{mastered}</td><td class="gl-figure"><b>{total}</b></td>'
            "<td></td><td></td></tr>"
            f"</tbody></table>{self._graded(tally)}"
        )

    def _graded(self, tally):
        if not self._grades:
            return ""
        percent = 100 * tally.points / tally.max_points
        reached = next((word for limit, word in self._grades if percent >= limit - 1e-9), "not passed yet")
        limits = ", ".join(f"{word} from {limit:g} %" for limit, word in reversed(self._grades))
        return f'<p class="gl-sub">{percent:.0f} %: <b>{html.escape(reached)}</b> ({html.escape(limits)})</p>'

    @staticmethod
    def _row(exercise, score):
        cells = (
            STATES[score.state] + (", mastered" if score.mastered else ""),
            f"{points_text(round(score.points, 2))} of {points_text(score.max_points)}",
            str(score.hints),
            str(score.tries),
        )
        name = f'<th scope="row">{exercise.id} · {html.escape(exercise.title)}</th>'
        kinds = ("", ' class="gl-figure"', ' class="gl-figure"', ' class="gl-figure"')
        return f"<tr>{name}{''.join(f'<td{kind}>{cell}</td>' for kind, cell in zip(kinds, cells, strict=True))}</tr>"


class TakeAway(Panel):
    """A button that saves the page to take away for printing: the lab's hand-out with the learner's name and points.

    Parameters
    ----------
    learner : LearnerSession
    page : gainlib.exercises.lab.Lab
    """

    def __init__(self, learner, page):
        self._learner, self._page = learner, page
        self.save = SaveButton("Save the page for printing", self.guarded(self._download), "text/html")
        self._said = LiveRegion()
        super().__init__(widgets.HBox([self.save]).add_class("gl-buttons"), self._said)
        self.add_class("gl-form")

    def _download(self):
        path = self.write()
        return path.name, path.read_bytes()

    def write(self):
        """Write the page beside the record and say where it is.

        Returns
        -------
        pathlib.Path
        """
        from gainlib.notebook.handouts import handout

        learner = self._learner
        path = learner.folder / f"lab-{learner.lab}-page.html"
        tally = learner.tally()
        points = f"{points_text(round(tally.points, 2))} of {points_text(tally.max_points)} points"
        with replacing(path) as part:
            part.write_text(handout(learner.lab, learner, points), encoding="utf-8")
        self._said.say("note", "Saved", f"{path.name} is with your downloads. Print it from your browser.")
        return path


@cache
def _reference():
    from gainlib.signals import tone

    return tone(REFERENCE_HZ, REFERENCE_DBFS, REFERENCE_S, name="reference tone")


def safety():
    """Return the player of the reference tone with the cautions for ears and loudspeakers."""
    from gainlib.notebook.listen import Player

    panel = Panel(
        prose(
            "**Set your level now, once.** Turn the amplifier or the headphones all the way down, press Play, and come "
            "up until the tone is clear and comfortable. Leave it there. Every sound below stays within the same "
            "limits."
        ),
        Player(
            {"reference tone": _reference()},
            note="A 1 kHz tone, only for setting the level.",
            ceiling_dbtp=REFERENCE_DBFS,
        ),
    )
    panel.add_class("gl-form")
    return panel
