"""The sheets around a lab's experiment: heading with the exam of a class, cautions, score, and the page to take away.

On a learner's own computer an exam keeps an honest learner to the rules and keeps no other from anything: whoever can
program has the right answers, and a clock can be set. What the record tells of a sitting is for the teacher to judge.
"""

import html
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache

import traitlets
from markupsafe import Markup

from gainlib.audio import write_whole
from gainlib.notebook import identity, widgets
from gainlib.notebook.assets import html_of
from gainlib.notebook.errors import Panel, entry, row
from gainlib.notebook.forms import earned_text
from gainlib.notebook.identity import day_and_time, here, is_pseudonym
from gainlib.notebook.prose import LiveRegion, Question, prose
from gainlib.notebook.records import ProgressSheet, SaveButton
from gainlib.words import Table, number_text


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


# ---- the exam --------------------------------------------------------------------------------------------------------

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
PHASES = {"before": BEFORE, "open": OPEN, "sitting": SITTING, "ended": ENDED}
CLOCKS = {"before": "The exam opens in", "sitting": "The exam ends in", "ended": "The exam is over in"}
FARTHEST_S = 24 * 3600


class Clock(widgets.Scripted):
    """Counts down where it is always seen, and tells Python when it has come to its end.

    Attributes
    ----------
    left_s : float
        Seconds to count; 0 is out of sight.
    text : str
        What happens then.
    """

    FILES = ("clock.js",)
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
        self.begin = self.make_button("Begin the exam", self._begin, button_style="primary")
        self.end = self.make_button("End the exam", lambda: self.question.ask(SURE, "Yes, end it", learner.end_exam))
        self.said, self.clock, self.question = LiveRegion(), Clock(), Question(self.end)
        super().__init__(self.said, row(self.begin, self.end, self.question), self.clock)
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
        widgets.look(self, display=None if phase or self._learner.sat else "none")
        widgets.look(self.begin, display=None if phase == "open" else "none")
        widgets.look(self.end, display=None if phase == "sitting" else "none")
        self.clock.left_s = 0.0
        if not phase:
            self.said.say("note", "Exam", OVER) if self._learner.sat else self.said.say()
            return
        minutes = round((exam.ends - exam.opens).total_seconds() / 60)
        when = {"opens": day_and_time(exam.opens), "ends": day_and_time(exam.ends), "minutes": minutes}
        self.said.say("note", "Exam", PHASES[phase].format(**when, rules=RULES))
        left_s = ((exam.opens if phase == "before" else exam.ends) - datetime.now(UTC)).total_seconds()
        self.clock.text = CLOCKS.get(phase, "The exam ends in")
        self.clock.left_s = max(left_s, 0.001) if left_s < FARTHEST_S else 0.0


STATES = {"right": "✓ right", "partly": "◐ partly right", "wrong": "✗ not yet", "unattempted": "– not tried yet"}
CUT_OFF = "Line {} of the record, the last one, was not written to its end and is left out. All before it counts."
REFERENCE_HZ, REFERENCE_DBFS, REFERENCE_S = 1000, -20.0, 5.0


# ---- heading, score, page to take away -------------------------------------------------------------------------------


class NamePanel(Panel):
    """Fields for who works here, and a question where the same name has more points with another class code."""

    def _fields(self, take, tooltip, **look):
        """Make the fields, and return them in a row with the button that saves them by `take`."""
        # What is typed goes out when the field is left: letter by letter, the last ones could come after the button.
        self.name = entry("Name or number", continuous_update=False)
        self.class_code = entry("Class code (if you have one)", continuous_update=False).add_class("gl-code")
        self.take = self.make_button("Save my name", take, tooltip=tooltip, **look)
        self.code = CodeQuestion(self.guarded(lambda code: self._with_code(code, take)))
        return row(self.name, self.class_code, self.take)

    def _with_code(self, class_code, take):
        self.class_code.value = class_code
        take()


class Heading(NamePanel):
    """A lab's minutes and points, and who is working.

    Parameters
    ----------
    learner : LearnerSession
    page : gainlib.exercises.lab.Lab
    """

    def __init__(self, learner, page):
        self._learner, self._page = learner, page
        self._facts, self._said, self.exam = widgets.HTML(), LiveRegion(), ExamBox(learner)
        fields = self._fields(self._become, "Save these; your own numbers follow from them")
        # Where all is forgotten, the record goes out from every lab.
        take_along = [SaveButton("Download my record", self.guarded(self._take_along))] if here().forgets else []
        super().__init__(self._facts, fields, *take_along, self.code, self._said, self.exam)
        self.add_class("gl-form")
        self.name.value, self.class_code.value = learner.name, learner.class_code
        if learner.cut_off is not None:
            self._said.say("note", "One step is lost", CUT_OFF.format(learner.cut_off.line))
        self.update()

    def _become(self):
        self._learner.become(self.name.value, self.class_code.value)
        self.name.value, self.class_code.value = self._learner.name, self._learner.class_code
        self._said.say("note", "Good", f"You work as **{self._learner.name}**; the numbers below are for you alone.")

    def _take_along(self):
        shelf = ProgressSheet(self._learner.folder)
        return shelf.file_name, shelf.take_along()

    def update(self) -> None:
        """Renew the points, and ask where another class code has more of them."""
        learner = self._learner
        self.exam.update()
        self.code.look(learner.record, learner.name, learner.class_code, learner.lab)
        tally, page = learner.tally(), self._page
        self._facts.value = (
            f'<p class="gl-sub">About {page.minutes} minutes alone, or {html.escape(page.lessons)} · '
            f"{len(tally.scores)} exercises · <b>{earned_text(tally.points, tally.max_points)} points</b> so far · "
            f"your answers are kept {html_of(here().kept).strip()[3:-4]}</p>"
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
        rows = [self._row(self._learner.exercises[id], score) for id, score in tally.scores.items()]
        total = Markup("<b>{}</b>").format(earned_text(tally.points, tally.max_points))
        mastered = f"mastered {sum(score.mastered for score in tally.scores.values())} of {len(tally.scores)}"
        heads = ("exercise", "state", "points", "hints", "tries")
        rows.append(("all", mastered, total, "", ""))
        self._table.value = Table(self._learner.name, heads, rows, (2, 3, 4)).html() + self._graded(tally)

    def _graded(self, tally):
        if not self._grades:
            return ""
        percent = 100 * tally.points / tally.max_points
        reached = next((word for limit, word in self._grades if percent >= limit - 1e-9), "not passed yet")
        limits = ", ".join(f"{word} from {limit:g} %" for limit, word in reversed(self._grades))
        return f'<p class="gl-sub">{percent:.0f} %: <b>{html.escape(reached)}</b> ({html.escape(limits)})</p>'

    @staticmethod
    def _row(exercise, score):
        return (
            f"{exercise.id} · {exercise.title}",
            STATES[score.state] + (", mastered" if score.mastered else ""),
            earned_text(score.points, score.max_points),
            score.hints,
            score.tries,
        )


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
        super().__init__(row(self.save), self._said)
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
        points = f"{earned_text(tally.points, tally.max_points)} points"
        write_whole(path, handout(learner.lab, learner, points))
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
