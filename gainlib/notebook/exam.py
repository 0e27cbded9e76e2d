"""The exam of a class at the head of its lab: when it is, begin and end of the sitting, and a clock.

On a learner's own computer this keeps an honest learner to the rules and keeps no other from anything: whoever can
program has the right answers, and a clock can be set. What the record tells of a sitting is for the teacher to judge.
"""

from datetime import UTC, datetime

import anywidget
import ipywidgets as widgets
import traitlets

from gainlib.notebook import assets
from gainlib.notebook.asking import Question
from gainlib.notebook.course import day_and_time
from gainlib.notebook.errors import Panel
from gainlib.notebook.identity import is_pseudonym
from gainlib.notebook.prose import LiveRegion

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
