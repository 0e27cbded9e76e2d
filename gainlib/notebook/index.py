"""The page in front of the labs: who works here, how far one is, words, the record, a check of the sound.

``index = Index()``, then a call a cell, as in a lab.
"""

import traitlets
from markupsafe import Markup

from gainlib.audio import GainlibError
from gainlib.notebook import identity, shipped, widgets
from gainlib.notebook.errors import Panel, row
from gainlib.notebook.forms import earned_text, points_text
from gainlib.notebook.glossary import GlossaryView
from gainlib.notebook.identity import courses, here
from gainlib.notebook.lab import Head
from gainlib.notebook.pages import behind_page, keep_every_message
from gainlib.notebook.prose import LiveRegion, Question
from gainlib.notebook.records import BEGUN, DONE, NOT_BEGUN, PickFile, ProgressSheet, RecordPanel, total
from gainlib.notebook.sheets import NamePanel, safety
from gainlib.words import Table

HEADS = ("lab", "question", "minutes", "due", "state", "points", "mastered", "go on")
MASTERED_MEANS = "An exercise is mastered when you have solved two sets of its numbers without a hint."
MARKS = {NOT_BEGUN: "–", BEGUN: "◐", DONE: "✓"}


class Index:
    """All there is in front of the labs, for whoever works in this folder.

    Parameters
    ----------
    folder : path, optional
        Where the record is kept; see :func:`gainlib.exercises.record.records_folder`.
    labs : path, optional
        Where the notebooks are; the folder they run in, or the project's own.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     index = Index(folder=folder)
    ...     index.shelf.become("anna", "7b")
    ...     index.shelf.labs()[0].state
    'not begun'
    """

    def __init__(self, *, folder=None, labs=None):
        keep_every_message()
        self.shelf, self._views, self._head = ProgressSheet(folder, labs), {}, None
        if behind_page():
            from IPython.display import display

            self._head = Head()
            self.update()
            display(self._head)

    def who(self):
        """Return the fields for name and class code, entered once for all labs."""
        return self._keep("who", WhoPanel(self.shelf, self.update))

    def labs(self):
        """Return the table of labs, with links to where one stopped."""
        return self._keep("labs", LabTable(self.shelf))

    def glossary(self):
        """Return the glossary."""
        return GlossaryView()

    def record(self):
        """Return handing in, upload and erasure of the learner's record."""
        return self._keep("record", RecordPanel(self.shelf, self.update))

    def restore(self):
        """Return the button that brings the labs back as they were shipped."""
        return RestorePanel()

    def sound(self):
        """Return the check of loudspeakers or headphones."""
        from gainlib.notebook.panels.listening import SpeakerCheck

        return SpeakerCheck()

    def tone(self):
        """Return the calibration tone with its cautions."""
        return safety()

    def _keep(self, name, view):
        self._views[name] = view
        return view

    def update(self) -> None:
        """Renew what shows the learner or the record."""
        if self._head is not None:
            self._head.tell(self.shelf.learner, self.shelf.class_code, *total(self.shelf.labs()))
        for view in self._views.values():
            view.update()


class RestorePanel(Panel):
    """A button that brings the labs back as they were shipped, after a question."""

    def __init__(self):
        self.bring = self.make_button("Bring the labs back as shipped", self._ask)
        self.question, self.said = Question(self.bring), LiveRegion()
        super().__init__(row(self.bring, self.question), self.said)
        self.add_class("gl-form")

    def _ask(self):
        asked = "Everything you changed in the notebooks of the labs is lost; your record stays. Do it?"
        self.question.ask(asked, "Yes, bring them back", self.guarded(self._restore))

    def _restore(self):
        self.said.say("note", "Done", shipped.said(shipped.restore()))


class WhoPanel(NamePanel):
    """Name or number, and class code.

    Parameters
    ----------
    shelf : ProgressSheet
    changed : callable
        Called after another learner has sat down.
    """

    def __init__(self, shelf, changed):
        self._shelf, self._changed = shelf, changed
        fields = self._fields(self._become, "Every lab uses the name from here", button_style="primary")
        self.said = LiveRegion()
        self.file = PickFile("Or open the class file that your teacher gave you:", self.guarded(self.open_class))
        self.file.accept = ".toml"
        self.class_code.observe(self.guarded(lambda _change: self._offer_file()), "value")
        self.same = self.make_button("", self._become)
        self.other = self.make_button("No, another learner", self._leave)
        self.last = row(self.same, self.other)
        super().__init__(self.last, fields, self.file, self.code, self.said)
        self.add_class("gl-form")
        self.update()

    def _become(self):
        try:
            self._shelf.become(self.name.value, self.class_code.value)
        except GainlibError as problem:
            self.said.say("wrong", "Not saved", f"{problem}.")
            return
        self._changed()
        self.said.say("note", "Good", f"You are **{self._who()}** in every lab that you open or run from now on.")

    def _offer_file(self):
        widgets.look(self.file, display=None if self.class_code.value.strip() else "none")

    def open_class(self, name: str, content: bytes | None) -> None:
        """Take the dates and the class code of a class file."""
        try:
            self._shelf.take_class(name, content, self.name.value)
        except GainlibError as problem:
            self.said.say("wrong", "Not opened", f"{problem}.")
            return
        self._changed()

    def _leave(self):
        self._shelf.become(identity.pseudonym())
        self._changed()
        self.name.value = ""
        self.said.say("note", "Good", "Enter your own name above; what was done under the other one is kept.")

    def _who(self):
        code = self._shelf.class_code
        return self._shelf.learner + (f", class {code}" if code else "")

    def update(self) -> None:
        """Show who is kept."""
        self.name.value, self.class_code.value = self._shelf.learner, self._shelf.class_code
        self._offer_file()
        self.code.look(self._shelf.record, self._shelf.learner, self._shelf.class_code)
        before = identity.from_before(self._shelf.folder)
        widgets.look(self.last, display="" if before else "none")
        self.same.description = f"Yes, I am {self._shelf.learner}"
        who = f"**{self._who()}** worked here last. Is that you?" if before else f"You are **{self._who()}**."
        course, problems = self._shelf.course, courses(self._shelf.folder)[1]
        told = "".join(f" **{problem}**; tell your teacher." for problem in problems)
        if course is not None:
            told += f" Your class is **{course.name or course.code}**; below you see what is due when."
        self.said.say("note", "", f"{who} Your answers are kept {here().kept} (folder {self._shelf.folder}).{told}")


class _Seen(widgets.Scripted):
    FILES = ("seen.js", "index.css")
    times = traitlets.Int(0).tag(sync=True)


class LabTable(Panel):
    """A line a lab: minutes, state, score, and a link to where one stopped.

    The table is an output of its own, because JupyterLab follows links between notebooks only there. It renews itself
    when it comes into sight again.

    Parameters
    ----------
    shelf : ProgressSheet
    """

    def __init__(self, shelf):
        self._shelf, self._handle = shelf, None
        self._seen = _Seen()
        self.renew = self.make_button("Count again", self.update)
        super().__init__(row(self.renew, self._seen))
        self.add_class("gl-form")
        self._seen.observe(self.guarded(lambda _change: self.update()), "times")

    def bundle(self) -> dict:
        """Return the table as HTML and as text."""
        labs = self._shelf.labs()
        dated = any(lab.due or not lab.asked for lab in labs)
        heads = [head for head in HEADS if dated or head != "due"]
        mastered = f"{sum(lab.mastered for lab in labs)} of {sum(lab.exercises for lab in labs)}"
        sums = Markup("<b>{}</b>").format(earned_text(*total(labs))), Markup("<b>{}</b>").format(mastered)
        rows = [_row(lab, dated) for lab in labs]
        rows.append(("all", "", sum(lab.minutes for lab in labs), *[""] * (1 + dated), *sums, ""))
        table = Table(self._shelf.learner, heads, rows, (2, 4 + dated, 5 + dated)).html()
        page = f'<div class="gl-form gl-score gl-labs">{table}<p class="gl-sub">{MASTERED_MEANS}</p></div>'
        text = "\n".join(
            f"{lab.number} {lab.title}: {f'due {lab.due}, ' if lab.due else ''}{lab.state}, "
            f"{points_text(lab.points)}, mastered {lab.mastered} of {lab.exercises}"
            for lab in labs
        )
        return {"text/html": page, "text/plain": text}

    def update(self) -> None:
        """Count again and show it."""
        if self._handle is not None:
            self._handle.update(self.bundle(), raw=True)

    def _ipython_display_(self):
        from IPython.display import display

        self._handle = display(self.bundle(), raw=True, display_id=True)
        display(_AsWidget(self))


class _AsWidget:
    """The panel's own display, past the one that shows the table first."""

    def __init__(self, panel):
        self._panel = panel

    def _repr_mimebundle_(self, **kwargs):
        return self._panel._repr_mimebundle_(**kwargs)


def _row(lab, dated):
    words = {NOT_BEGUN: "begin lab {}", BEGUN: "resume lab {} where you stopped", DONE: "look at lab {} again"}
    state = f"{MARKS[lab.state]} {lab.state}"
    if lab.state == BEGUN:
        state += f", {lab.right} of {lab.exercises} right"
    due = lab.due or ("" if lab.asked else "not in your class")
    link = Markup('<a href="{}">{}</a>').format(lab.link, words[lab.state].format(lab.number))
    return (
        f"{lab.number} {lab.title}",
        lab.question,
        lab.minutes,
        *([Markup(" ").join(Markup("<span>{}</span>").format(word) for word in due.split())] if dated else []),
        state,
        earned_text(lab.points, lab.max_points),
        f"{lab.mastered} of {lab.exercises}",
        link,
    )
