"""What the tasks of the capstone hand in: the controls as they stand on the desk, an export, ten cells of the sheet."""

import ipywidgets as widgets

from gainlib.exercises.capstone import worksheet
from gainlib.exercises.capstone.export import write_export
from gainlib.notebook.errors import Panel
from gainlib.notebook.panels.background import BackgroundTask
from gainlib.notebook.panels.lab12_places import places_of
from gainlib.notebook.prose import LiveRegion
from gainlib.words import level_text

FOLDER = "lab-12-export"


class HandIn(Panel):
    """The controls of the session as they stand in its panel.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Whose session it is.
    """

    def __init__(self, learner, *children):
        self.places, self._learner = places_of(learner), learner
        self._stand = LiveRegion()
        super().__init__(self._stand, *children)
        self.add_class("gl-form")
        self.places.watch(lambda what: self._say())
        self._say()

    def _say(self):
        count = self.places.moved
        stand = "nothing is moved yet" if not count else f"{count} controls are moved against how it was found"
        self._stand.say("note", "", f"The session as it stands in its panel above counts: {stand}.")

    def controls(self) -> dict | None:
        """Return where the controls stand as an answer, or None while none was moved."""
        return self.places.answer()

    def set_controls(self, answer) -> None:
        """Take the controls of an answer to the desk, if no later answer to any task holds others."""
        placed = self.places.readable(answer)
        if placed is not None and placed == self.places.latest():
            self.places.replace(placed)


class Exporting(HandIn):
    """The controls, and what was measured on an export of them.

    Attributes
    ----------
    button : ipywidgets.Button
        Writes the files.
    facts : dict or None
        What was measured on them.
    """

    def __init__(self, learner):
        self.facts, self._said = None, LiveRegion()
        self.button = widgets.Button(
            description="Export mix and stems",
            tooltip="Files of 24 bit beside your record; an export of before is replaced",
            layout=widgets.Layout(width="auto"),
        )
        super().__init__(learner, widgets.HBox([self.button]).add_class("gl-buttons"), self._said)
        self._beside = BackgroundTask(self, self._work, self._found, self._failed)
        self.button.on_click(self.guarded(lambda _button: self._ask()))

    def _ask(self):
        self.facts = None
        self._said.say("busy", "", "Writing and measuring …")
        values = self.places.answer() or self.places.found
        self._beside.ask(self.places.seed, values, self._learner.folder / FOLDER)

    def _work(self, progress, seed, values, folder):
        return write_export(values, {"seed": seed}, folder, progress)

    def _found(self, written):
        self.facts = written.facts
        facts = f"{level_text(self.facts['true_peak_dbtp'], 'dBTP', 2)}, {self.facts['bits']} bit"
        left = level_text(self.facts["null_db"], "dB", 0)
        self._said.say("note", "Exported", f"{facts}; the stems leave {left} of the mix. The files: {written.folder}")

    def _failed(self):
        self._said.say("wrong", "Nothing written", "See the line above for the reason.")

    def controls(self) -> dict | None:
        """Return controls and export, or None while nothing was done."""
        placed = self.places.answer()
        if placed is None and self.facts is None:
            return None
        return {"controls": placed or self.places.found, "export": self.facts}

    def set_controls(self, answer) -> None:
        """Take over what an answer holds."""
        super().set_controls(answer)
        facts = answer.get("export") if isinstance(answer, dict) else None
        if isinstance(facts, dict) and facts != self.facts:
            self.facts = facts
            self._said.say("note", "", "Your last export counts as long as the controls stay as they are.")


class Cells(HandIn):
    """The controls, and ten readings.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Whose session it is.
    given : dict
        The variant.

    Attributes
    ----------
    lines : list of ipywidgets.Text
        One a cell.
    """

    def __init__(self, learner, given: dict):
        labels = [worksheet.label(cell) for cell in given["cells"]]
        self.lines = [
            widgets.Text(
                description=label,
                placeholder="a number",
                continuous_update=False,
                style={"description_width": "initial"},
                layout=widgets.Layout(width="auto"),
                tooltip=label,
            ).add_class("gl-entry")
            for label in labels
        ]
        super().__init__(learner, *(widgets.HBox([line]).add_class("gl-field") for line in self.lines))

    def controls(self) -> dict | None:
        """Return controls and cells, or None while no cell is filled."""
        cells = [line.value.strip() or None for line in self.lines]
        if not any(cells):
            return None
        return {"controls": self.places.answer() or self.places.found, "cells": cells}

    def set_controls(self, answer) -> None:
        """Take over what an answer holds."""
        super().set_controls(answer)
        cells = answer.get("cells") if isinstance(answer, dict) else None
        if isinstance(cells, (list, tuple)) and len(cells) == len(self.lines):
            for line, value in zip(self.lines, cells, strict=True):
                line.value = "" if value is None else str(value).replace("-", "−")
