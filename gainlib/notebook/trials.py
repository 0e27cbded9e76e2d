"""Fields for listening tests: by ear, or from readings for the same points.

The test itself comes from the exercise's panel (:class:`gainlib.notebook.panels.blind.Listening`); the field puts it
under its question, and hands the picks or settings on as they are.
"""

from collections.abc import Callable
from typing import Any

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.notebook.fields import Field, field_for
from gainlib.notebook.prose import prose

BY_EAR, BY_READINGS = "by ear", "from readings, without listening"


class ListeningField(Field):
    """A listening test under its question, and beside it the way to the same points without listening.

    Parameters
    ----------
    part : Part
        Of the kind "listening".
    given : dict
        Values of the variant.
    panel : object
        Has ``run(part)``, see :class:`gainlib.notebook.panels.blind.Listening`.

    Attributes
    ----------
    way : ipywidgets.RadioButtons or None
        Which way is taken; None where there is only one.
    """

    def __init__(self, part, given: dict, panel):
        if panel is None or not hasattr(panel, "run"):
            raise GainlibError("a part that is answered by listening needs a panel that has the tests")
        self._run = panel.run(part)
        self._stage = widgets.VBox()
        self.silent = self.way = None
        head = [prose(f"**{part.label_for(given)}**")]
        if part.silent is not None:
            self.silent = self._silent_field(part.silent.part, given)
            self.way = widgets.RadioButtons(options=(BY_EAR, BY_READINGS), description="How:", layout={"width": "auto"})
            self.way.add_class("gl-across")
            self.way.observe(lambda _change: self._arrange(), "value")
            head.append(self.way)
        self.widget = widgets.VBox([*head, self._stage])
        self.widget.add_class("gl-field")
        self._arrange()

    def _silent_field(self, part, given):
        if part.kind == "listening":
            return SettingsField(part, given, self._run.names)
        return field_for(part, given)

    @property
    def listens(self) -> bool:
        """Whether the answer is given by ear."""
        return self.way is None or self.way.value == BY_EAR

    def _arrange(self):
        readings = self._run.readings
        shown = [self._run] if self.listens else [*([readings] if readings is not None else []), self.silent.widget]
        self._stage.children = shown

    def value(self) -> Any:
        """Return the picks or settings, ``{"silent": entry}`` for readings, or None while there is nothing."""
        if self.listens:
            return self._run.entries()
        entry = self.silent.value()
        return None if entry is None else {"silent": entry}

    def show(self, value: Any) -> None:
        """Enter an answer, whichever way it was given."""
        if isinstance(value, dict):
            if self.way is not None and set(value) == {"silent"}:
                self.way.value = BY_READINGS
                self.silent.show(value["silent"])
        elif value is not None:
            self._run.show(value)

    def standing(self) -> Any:
        """Return the trials made so far, and what was entered without listening; None before anything was done."""
        silent = None if self.silent is None else self.silent.standing()
        found = {"listens": self.listens, "run": self._run.standing(), "silent": silent}
        return None if found == {"listens": True, "run": None, "silent": None} else found

    def resume(self, kept: Any) -> None:
        """Go on where the trials were left."""
        kept = kept or {}
        if kept.get("run") is not None:
            self._run.resume(kept["run"])
        if self.silent is not None:
            self.silent.resume(kept.get("silent"))
            self.way.value = BY_EAR if kept.get("listens", True) else BY_READINGS

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back after every trial, and when something is entered without listening."""
        self._run.on_change(callback)
        if self.silent is not None:
            self.silent.on_change(callback)
            self.way.observe(lambda _change: callback(), "value")

    def on_enter(self, callback: Callable[[], None]) -> None:
        """Call back on the Enter key in a line of the readings' answer."""
        if self.silent is not None:
            self.silent.on_enter(callback)


class SettingsField(Field):
    """A line for every trial of a test, to type the settings that the readings ask for."""

    def __init__(self, part, given: dict, names):
        count = part.trials_for(given)
        labels = names or tuple(f"trial {k}" for k in range(1, count + 1))
        style = {"description_width": "initial"}
        self._lines = [
            widgets.Text(description=f"{k}. {label}", placeholder="a number", style=style)
            for k, label in enumerate(labels, start=1)
        ]
        self._inputs = self._lines
        for line in self._lines:
            line.layout.width = "auto"
            line.tooltip = f"{line.description} in {part.unit}"
            line.add_class("gl-entry")
        rows = [widgets.HBox([line, widgets.Label(part.unit)]) for line in self._lines]
        self.widget = widgets.VBox([prose(part.label_for(given)), *rows])
        self.widget.add_class("gl-field")

    def value(self) -> list | None:
        """Return what was typed, line by line; None while every line is empty."""
        typed = [line.value.strip() for line in self._lines]
        return typed if any(typed) else None

    def show(self, value: Any) -> None:
        """Enter numbers or texts."""
        entries = value if isinstance(value, (list, tuple)) else [""] * len(self._lines)
        for line, entry in zip(self._lines, entries, strict=False):
            line.value = "" if entry is None else str(entry).replace("-", "−")
