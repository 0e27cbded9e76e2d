"""Prediction before the experiment, and the comparison after it: one click, never graded, kept in the record.

What was predicted is locked before the comparison shows anything.
"""

from collections.abc import Callable

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.notebook.errors import Panel
from gainlib.notebook.live import TableView
from gainlib.notebook.prose import LiveRegion, prose, rewrite
from gainlib.words import Table

FIRST = "Click an answer under **Predict** above, then press this again: you remember best what you guessed wrong."


class Prediction(Panel):
    """A question with a few answers to click; the click is kept, and may be changed until it is compared.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Keeps the choice.
    question : str
        Markdown.
    choices : sequence of str
        What may be clicked, at least two.

    Attributes
    ----------
    radio : ipywidgets.RadioButtons
        The choices; none is taken at first.

    Raises
    ------
    GainlibError
        For fewer than two choices.
    """

    def __init__(self, learner, question: str, choices):
        if len(choices) < 2:
            raise GainlibError(f"a prediction needs at least two choices; {question!r} has {len(choices)}")
        self._learner, self.question, self.choices = learner, question, tuple(choices)
        self.radio = widgets.RadioButtons(options=self.choices, index=None, layout=widgets.Layout(width="auto"))
        self.radio.add_class("gl-across")
        self.said = LiveRegion()
        super().__init__(prose(question), self.radio, self.said)
        self.add_class("gl-form")
        self.radio.observe(self.guarded(self._clicked), "value")
        self.update()

    @property
    def choice(self) -> str | None:
        """What was predicted, or None."""
        kept = self._learner.prediction(self.question)
        return kept if kept in self.choices else None

    def _clicked(self, change):
        if change["new"] is not None and change["new"] != self.choice:
            self._learner.predict(self.question, change["new"])
        self.update()

    def update(self) -> None:
        """Show what is kept."""
        locked = self._learner.locked
        self.radio.value, self.radio.disabled = self.choice, locked
        if locked and self.choice:
            self.said.say("note", "Locked", f"You predicted **{self.choice}**, and it stays on your record.")
        elif self.choice:
            said = f"You predict **{self.choice}**. You lose nothing by being wrong here; comparing locks it."
            self.said.say("note", "Kept", said)
        else:
            self.said.say("note", "", "Click one; it is not graded.")


class Comparison(Panel):
    """The prediction beside what was measured; without a prediction it asks for one, and shows nothing.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Keeps the prediction.
    measured : callable
        ``measured()`` returns (outcome, sentence, table): which of the choices the measurement bears out, Markdown that
        says what was measured, and its :class:`~gainlib.words.Table`.
    """

    def __init__(self, learner, measured: Callable[[], tuple[str, str, Table]]):
        self._learner, self._measured = learner, measured
        self._verdict = LiveRegion()
        self._text = prose("")
        self.ask = widgets.Button(
            description="Compare with my prediction",
            button_style="primary",
            tooltip="Lock the prediction, measure, and show both",
        )
        self.ask.layout.width = "auto"
        self._table = widgets.VBox()
        super().__init__(widgets.HBox([self.ask]).add_class("gl-buttons"), self._verdict, self._text, self._table)
        self.add_class("gl-form")
        self.ask.on_click(self.guarded(lambda _button: self.compare()))

    def compare(self) -> None:
        """Lock the prediction, measure, and say how it fares."""
        mine = self._learner.prediction()
        if mine is None:
            self._verdict.say("note", "Predict first", FIRST)
            return
        self._learner.lock_prediction()
        with self.progress.of("Measuring …"):
            outcome, sentence, table = self._measured()
        if mine == outcome:
            self._verdict.say("right", "As you predicted", f"You said **{mine}**, and so do the meters.")
        else:
            self._verdict.say("wrong", "Not as predicted", f"You said **{mine}**; the meters say **{outcome}**.")
        rewrite(self._text, sentence)
        self._table.children = [TableView(table)]

    def update(self) -> None:
        """Show nothing to somebody whose prediction is not locked."""
        if not self._learner.locked:
            self._verdict.say()
            rewrite(self._text, "")
            self._table.children = []
