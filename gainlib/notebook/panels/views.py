"""Two common kinds of panel: a picture with its readings, and a row of trims under the hand."""

import threading

import ipywidgets as widgets

from gainlib.notebook.errors import Panel
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.notebook.panels.linked_controls import Trims
from gainlib.words import Table


class ReadingsView(Panel):
    """A picture, and below it the readings a task is worked out from.

    Parameters
    ----------
    fig : Figure
    parts : list
        Its parts, see :class:`gainlib.notebook.live.LiveFigure`.
    title : str
        Of the picture.
    readings : Table
        In the digits the answer is worked out from.

    Attributes
    ----------
    live : LiveFigure
    readings : TableView
    """

    def __init__(self, fig, parts, title: str, readings: Table):
        self.live = LiveFigure(fig, parts, title=title)
        self.readings = TableView(readings)
        super().__init__(self.live.widget, self.readings)
        self.add_class("gl-form").add_class("gl-panel")


class TrimmedPanel(Panel):
    """A row of trims to be set, a picture that follows them, and what comes of it.

    A panel of this kind says which picture, in ``_draw()``, which returns figure, parts and title; draws the trims as
    they stand, in ``_update()``; and returns what is read, in ``_table()``.

    Parameters
    ----------
    name : str
        Of the one place in the exercise's answer.
    fields : list of str
        The answer's controls, in the order of the trims.
    trims : Trims

    Attributes
    ----------
    trims : Trims
    live : LiveFigure
    readings : TableView
    """

    def __init__(self, name: str, fields: list[str], trims: Trims):
        self._name, self._fields, self.trims = name, tuple(fields), trims
        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        fig, parts, title = self._draw()
        self._update()
        self.live = LiveFigure(fig, parts, title=title)
        self.readings = TableView(self._table())
        stays = widgets.VBox([self.live.widget]).add_class("gl-stays")
        super().__init__(widgets.VBox([stays, self.trims, self.readings]).add_class("gl-stage"))
        self.add_class("gl-form").add_class("gl-panel")
        self.trims.observe(self.guarded(lambda change: self._follow()), "values_db")
        self.trims.observe(self.guarded(lambda change: self._settle()), "released")

    def _places(self):
        return {self._name: dict(zip(self._fields, self.trims.values_db, strict=True))}

    def controls(self) -> dict | None:
        """Return where the trims stand as an exercise's answer, or None while none was moved."""
        return None if self.trims.values_db == self.trims.start_db else self._places()

    def set_controls(self, answer: dict | None) -> None:
        """Set the trims as an answer has them, as far as they reach; None, and what cannot be read, leaves them."""
        fields = answer.get(self._name) if isinstance(answer, dict) else None
        if not isinstance(fields, dict) or answer == self.controls():
            return
        values = [fields.get(name, value) for name, value in self._places()[self._name].items()]
        if all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in values):
            low, high = self.trims.low_db, self.trims.high_db
            self.trims.set_values([min(max(float(value), low), high) for value in values])

    def _follow(self):
        with self._drawing:
            self._update()
            self.live.refresh()

    def _settle(self):
        with self._drawing:
            self.live.settle()
            self.readings.show(self._table())
