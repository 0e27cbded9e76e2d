"""Turning one sound until it is as loud as another, by ear, several times over."""

import ipywidgets as widgets

from gainlib.notebook.errors import Panel
from gainlib.notebook.live import TableView
from gainlib.notebook.prose import LiveRegion
from gainlib.notebook.slider import Slider
from gainlib.words import Table, level_text, number_text

REACH_DB, STEP_DB, PAGE_DB = 8.0, 0.25, 1.0


class MatchRun(Panel):
    """Pairs of sounds to be matched one after the other; nothing is told before all are set.

    Parameters
    ----------
    pairs : sequence of (Audio, Audio)
        A and B of every trial, as they are found.
    names : sequence of str
        What plays in each.
    readings : widget, optional
        What an exercise shows to somebody who answers without listening.

    Attributes
    ----------
    settings_db : list of float
        Of the trials that are set.
    slider : Slider
        What B is turned by now.
    player : Player
        With the sources A and B.
    """

    def __init__(self, pairs, names, readings=None):
        from gainlib.notebook.listen import Player

        self._pairs, self.names, self.readings = list(pairs), tuple(names), readings
        self.settings_db = []
        a, b = self._pairs[0]
        self.player = Player(
            {"A": a, "B": b},
            match=False,
            blind=True,
            room_db=REACH_DB,
            note="Switch while the sound lasts. Keys 1, 2: A, B.",
        )
        self.slider = Slider("Turn B by", 0.0, -REACH_DB, REACH_DB, STEP_DB, "dB", page=PAGE_DB, signed=True)
        auto = {"width": "auto"}
        self.take = widgets.Button(description="Equally loud: next", button_style="primary", layout=auto)
        self.back = widgets.Button(description="Back to the one before", layout=auto)
        self.said = LiveRegion()
        self._list = TableView(self._table())
        row = widgets.HBox([self.take, self.back]).add_class("gl-buttons")
        super().__init__(self.player, self.slider, row, self.said, self._list)
        self.add_class("gl-blind")  # the player's number keys then work from slider and buttons too
        self.slider.observe(self.guarded(lambda _change: self._turn()), "value")
        self.take.on_click(self.guarded(lambda _button: self.set_it()))
        self.back.on_click(self.guarded(lambda _button: self.go_back()))
        self._show()

    def _turn(self):
        self.player.trims_db = [0.0, self.slider.value]

    @property
    def complete(self) -> bool:
        """Whether every pair is set."""
        return len(self.settings_db) == len(self._pairs)

    def set_it(self) -> None:
        """Take the setting for the present pair and go on to the next."""
        if not self.complete:
            self.settings_db = [*self.settings_db, self.slider.value]
            self._load(0.0)
        self._show()

    def go_back(self) -> None:
        """Take the last setting back."""
        if self.settings_db:
            *self.settings_db, last = self.settings_db
            self._load(last)
        self._show()

    def _load(self, setting_db):
        if self.complete:
            return
        a, b = self._pairs[len(self.settings_db)]
        self.player.which = 0
        self.player.update({"A": a, "B": b})
        self.slider.value = setting_db

    def _show(self):
        done, total = len(self.settings_db), len(self._pairs)
        if self.complete:
            self.said.say("note", "", f"All {total} are set. Press **Check** below, or go back.")
        else:
            self.said.say(
                "note", f"Sound {done + 1} of {total}: {self.names[done]}", "Turn B until it is as loud as A."
            )
        self._list.show(self._table())

    def _table(self):
        rows = tuple(
            (f"{k + 1}. {name}", number_text(self.settings_db[k], 2, sign=True) if k < len(self.settings_db) else "–")
            for k, name in enumerate(self.names)
        )
        return Table("Set so far", ("sound", "B turned by (dB)"), rows)

    # ---- as an answer ----------------------------------------------------------------------------------------------

    def entries(self) -> list[float] | None:
        """Return the settings so far, None before the first."""
        return list(self.settings_db) or None

    def show(self, settings) -> None:
        """Show the settings of an answer."""
        if settings is None or len(settings) != len(self._pairs) or list(settings) == self.settings_db:
            return
        if all(isinstance(each, (int, float)) for each in settings):
            self.settings_db = [float(each) for each in settings]
            self._show()


def readings_table(readings) -> Table:
    """Return what meters read on the pairs.

    Parameters
    ----------
    readings : sequence of gainlib.exercises.blind.matching.PairReading
        One a pair.
    """
    rows = tuple(
        (
            f"{k}. {each.clip}",
            level_text(each.a_lufs, "LUFS", 2),
            level_text(each.b_lufs, "LUFS", 2),
            level_text(each.a_peak_dbfs, "dBFS"),
            level_text(each.b_peak_dbfs, "dBFS"),
        )
        for k, each in enumerate(readings, start=1)
    )
    heads = ("sound", "loudness of A", "loudness of B", "sample peak of A", "sample peak of B")
    return Table("What meters read, with B as you find it", heads, rows)
