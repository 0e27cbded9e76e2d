"""The sheets around a lab's experiment: heading, cautions, score, and the page to take away."""

import html
from functools import cache

import ipywidgets as widgets

from gainlib.audio import replacing
from gainlib.notebook.asking import CodeQuestion
from gainlib.notebook.errors import Panel
from gainlib.notebook.exam import ExamBox
from gainlib.notebook.forms import points_text
from gainlib.notebook.progress import ProgressSheet
from gainlib.notebook.prose import LiveRegion, html_of, prose
from gainlib.notebook.records import SaveButton
from gainlib.notebook.whereabouts import here

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
