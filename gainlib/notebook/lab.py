"""The one object a lab's notebook sees: ``lab = Lab("05")``, then a call a cell.

Making it is quick; what takes time (the song, the pictures) is made by the cell that shows it. Every event goes to the
learner's record, and an answer given from code is marked and kept like one given on the page.
"""

from typing import Any

import traitlets

from gainlib.notebook import widgets
from gainlib.notebook.forms import ExerciseForm, earned_text
from gainlib.notebook.identity import here
from gainlib.notebook.learner import LearnerSession
from gainlib.notebook.pages import behind_page, keep_every_message
from gainlib.notebook.panels import lab_module
from gainlib.notebook.sheets import Heading, ScoreSheet, TakeAway, safety
from gainlib.notebook.ungraded import Comparison, Prediction, ReviewBox, WorkedExample


class Head(widgets.Scripted):
    """Fills the head of a page and has no look of its own.

    Attributes
    ----------
    text : str
        Name and points.
    done : list of str
        Numbers of the exercises that are right.
    forgets : bool
        Whether the browser asks before the workbook is left, because what was not downloaded is lost.
    """

    FILES = ("head.js",)
    text = traitlets.Unicode("").tag(sync=True)
    done = traitlets.List(traitlets.Unicode()).tag(sync=True)
    forgets = traitlets.Bool().tag(sync=True)

    @traitlets.default("forgets")
    def _forgets(self):
        return here().forgets

    def tell(self, learner: str, class_code: str, points: float, possible: float, done=()) -> None:
        """Say who has how many points, and which exercises are right."""
        who = learner + (f", class {class_code}" if class_code else "")
        self.text = f"{who} · {earned_text(points, possible)} points"
        self.done = [id.rpartition("-")[2] for id in done]


class Lab:
    """One lab for one learner.

    Parameters
    ----------
    number : str
        Of the lab, "05".
    folder : path, optional
        Where the record is kept; the environment variable ``GAINLIB_RECORDS``, else ``records`` beside the labs.
    learner, class_code : str, optional
        Who; left out, whoever worked here last. They can be changed on the page.

    Raises
    ------
    GainlibError
        For a lab there is not.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     lab = Lab("05", folder=folder, learner="anna")
    ...     sums = lab.learner.exercise("05-1")
    ...     lab.answer("05-1", sums.solve(lab.given("05-1"))).state
    ...     lab.score().points
    'right'
    2.0
    """

    def __init__(self, number: str, *, folder=None, learner: str | None = None, class_code: str | None = None):
        keep_every_message()
        self._module = lab_module(number)
        self.learner = LearnerSession(number, folder, learner, class_code)
        self.page = self._module.PAGE
        self._forms, self._views = {}, {}
        self.learner.watch(self._changed)
        if behind_page():
            from IPython.display import display

            self._head = Head()
            self._tell_head()
            self.learner.watch(lambda *_: self._tell_head())
            display(self._head)

    def __repr__(self):
        return f"Lab {self.learner.lab}: {self.page.title}"

    # ---- a call a cell ---------------------------------------------------------------------------------------------

    def title(self):
        """Return the heading: question, time, points, and who is working."""
        return self._keep("heading", Heading(self.learner, self.page))

    def review(self):
        """Return two questions from earlier labs, drawn from what is weak; they earn no points and may be skipped."""
        return self._keep("review", ReviewBox(self.learner))

    def safety(self):
        """Return the cautions for the ears, and a reference tone to set the level with."""
        return safety()

    def predict(self, question: str, *choices: str):
        """Return a question to answer with one click before the experiment; ungraded, and kept.

        Parameters
        ----------
        question : str
            Markdown.
        *choices : str
            What may be clicked, two or more.
        """
        return self._keep("prediction", Prediction(self.learner, question, choices))

    def panel(self, name: str):
        """Return one of the lab's panels by name."""
        return self._module.panel(name, self.learner)

    def compare(self):
        """Return the prediction beside what is measured; comparing locks the prediction."""
        return self._keep("comparison", Comparison(self.learner, self._module.compare))

    def worked(self):
        """Return the worked example of this kind of question, opened step by step."""
        return self._keep("worked", WorkedExample(self.page.worked, self.learner.kept.place("worked")))

    def exercise(self, id: str):
        """Return the form of an exercise.

        Parameters
        ----------
        id : str
            "05-3"; an unknown one is refused with those there are.
        """
        form = ExerciseForm(self.learner.exercise(id), self.learner, self._module.exercise_panel)
        self._forms[id] = form
        return form

    def score(self):
        """Return the table of points; it renews itself after every answer.

        Its ``points``, ``max_points`` and ``percent`` are numbers.
        """
        return self._keep("score", ScoreSheet(self.learner, getattr(self._module, "GRADES", ())))

    def takeaway(self):
        """Return the page to take away, and a button that saves it for printing."""
        return TakeAway(self.learner, self.page)

    # ---- from code -------------------------------------------------------------------------------------------------

    def given(self, id: str) -> dict:
        """Return the values of the present variant of an exercise."""
        return self.learner.given(self.learner.exercise(id))

    def answer(self, id: str, value: Any):
        """Answer an exercise from code: the same marking and the same record as on the page.

        Parameters
        ----------
        id : str
            "05-3".
        value : object
            The answer in JSON, see :mod:`gainlib.exercises.model`.

        Returns
        -------
        gainlib.exercises.Verdict
            State, points, feedback.
        """
        return self.learner.answer(self.learner.exercise(id), value)

    # ---- keeping the page up to date -------------------------------------------------------------------------------

    def _tell_head(self):
        learner, tally = self.learner, self.learner.tally()
        right = [id for id, score in tally.scores.items() if score.state == "right"]
        self._head.tell(learner.name, learner.class_code, tally.points, tally.max_points, right)

    def _keep(self, name, view):
        self._views[name] = view
        return view

    def _changed(self, what, id, detail):
        form = self._forms.get(id)
        if form is not None and what == "answer":
            form.show_answer(detail[0])
            form.show_verdict(detail[1])
        if form is not None and what == "numbers":
            form.renew()
        if what in ("learner", "exam"):
            for each in self._forms.values():
                each.renew()
        elif form is not None:
            form.update()
        for view in self._views.values():
            view.update()
