"""A short question: fields, Check, what is said to the answer, and then how it goes. It earns nothing."""

import asyncio
import time
from collections.abc import Callable, Sequence

import ipywidgets as widgets

from gainlib.notebook.errors import Panel
from gainlib.notebook.fields import BEHIND_S, Field
from gainlib.notebook.prose import LiveRegion, prose, rewrite

EXPLAINED_FROM = 2
"""Wrong tries after which a question that earns nothing says how it goes."""
WORDS = {
    "right": "✓ Right",
    "partly": "◐ Partly right",
    "wrong": "✗ Not yet",
    "invalid": "? This cannot be read",
    "unattempted": "No answer yet",
}


def when_typed(typed_s: float, do: Callable[[], None]) -> None:
    """Do something that reads a field: at once, or a moment later where a letter has just come.

    The page may tell of a button ahead of the last letters.
    """
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:  # a script: everything is there
        loop = None
    if loop is None or time.monotonic() - typed_s > BEHIND_S:
        do()
    else:
        loop.call_later(BEHIND_S, do)


class Newest(Panel):
    """A panel that shows what another tab has kept since without asking: nothing in it is worth a question."""

    def _moved_elsewhere(self, what):
        if what == "newer":
            self._place.take()
            self.update()
        elif what != "other":
            self.notice.message = what


class ShortQuestion(widgets.VBox):
    """Fields with their own Check.

    Parameters
    ----------
    fields : sequence of Field
        One a part.
    guarded : callable
        Of the panel that holds the question.
    submit, typed : callable
        Called when an answer is to be judged, and with every letter.

    Attributes
    ----------
    check : ipywidgets.Button
    said : LiveRegion
    explain : ipywidgets.HTML
    """

    def __init__(self, fields: Sequence[Field], guarded: Callable, submit: Callable, typed: Callable):
        self.fields, self._typed, self._typed_s = tuple(fields), typed, float("-inf")
        self.check = widgets.Button(
            description="Check", button_style="primary", tooltip="Mark what you entered above", layout={"width": "auto"}
        )
        self.buttons = widgets.HBox([self.check]).add_class("gl-buttons")
        self.said, self.explain = LiveRegion(), prose("", "gl-explain")
        super().__init__([*(field.widget for field in self.fields), self.buttons, self.said, self.explain])
        submit = guarded(submit)
        self.check.on_click(lambda _button: when_typed(self._typed_s, submit))
        for field in self.fields:
            field.on_enter(submit)
            field.on_change(guarded(self._changed))
        self.say("unattempted")
        self.said.say()

    def _changed(self):
        self._typed_s = time.monotonic()
        self._typed()

    def say(self, state: str, sentence: str = "", explanation: str = "") -> None:
        """Say what an answer is, and how it goes where that may be said."""
        self.said.say("note" if state == "unattempted" else state, WORDS[state], sentence)
        rewrite(self.explain, f"**Why.** {explanation}" if explanation else "")
        self.explain.layout.display = None if explanation else "none"
