"""A compressor in the exercises: what is read on both sides of it, and one to be set by hand."""

import threading

import ipywidgets as widgets
import numpy as np

from gainlib.exercises.driving.stages import BAR_S
from gainlib.exercises.mixing.refrain import short_name
from gainlib.exercises.squeezing import readings, setting
from gainlib.exercises.squeezing.bench import BLOCK_S
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.reduction import LevelPair, ReductionTrace
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.notebook.panels.together import Trims
from gainlib.notebook.words import Table, level_text, number_text

PICTURE_PX = (840, 240)
LABELS = ("trim, ahead of both", "threshold (dBFS)", "makeup")


def _picture(title):
    fig = figures.make_figure(*PICTURE_PX)
    left, right = fig.subplots(1, 2)
    return fig, ReductionTrace(left, BAR_S), LevelPair(right, BAR_S), title


def _show(trace, pair, sound: readings.Squeezed, makeup_db=0.0):
    """Draw a sound in blocks of 20 ms."""
    length = round(BLOCK_S * sound.before.rate_hz)
    count = len(sound.reduction_db) // length
    time_s = (np.arange(count) + 0.5) * BLOCK_S
    lines = (np.abs(audio.samples).max(axis=1) for audio in (sound.before, sound.after))
    before, after = (
        20.0 * np.log10(np.maximum(each[: count * length].reshape(count, -1).max(axis=1), 1e-5)) for each in lines
    )
    trace.update(
        time_s, sound.reduction_db[: count * length].reshape(count, -1).max(axis=1), float(sound.reduction_db.mean())
    )
    pair.update(time_s, before, after + makeup_db)


class SqueezeView(Panel):
    """A stem on both sides of a compressor.

    Parameters
    ----------
    given : dict
        Values of the variant, see :class:`gainlib.exercises.squeezing.readings.SqueezedStems`.

    Attributes
    ----------
    live : LiveFigure
        Reduction, and levels in and out.
    readings : TableView
        In the digits the answer is worked out from.
    """

    def __init__(self, given: dict):
        fig, trace, pair, title = _picture(f"{short_name(given['stem']).capitalize()} through the compressor")
        _show(trace, pair, readings.through(given))
        self.live = LiveFigure(fig, [trace, pair], title=title)
        self.readings = TableView(readings_table(given))
        super().__init__(self.live.widget, self.readings)
        self.add_class("gl-form").add_class("gl-panel")


def readings_table(given: dict) -> Table:
    """Return what is read on both sides of a compressor, as it is shown.

    Parameters
    ----------
    given : dict
        Values of the variant.

    Returns
    -------
    Table
    """
    rows = (
        ("RMS of the whole, in", level_text(given["energy_in"], "dBFS", 2)),
        ("RMS of the whole, out", level_text(given["energy_out"], "dBFS", 2)),
        ("active level, in", level_text(given["active_in"], "dBFS", 2)),
        ("active level, out", level_text(given["active_out"], "dBFS", 2)),
        ("largest reduction", f"{number_text(given['most'], 2)} dB"),
        ("mean reduction, pauses counted", f"{number_text(given['mean'], 2)} dB"),
    )
    return Table("What is read, makeup at 0 dB", ("reading", "value"), rows)


class SetCompressorPanel(Panel):
    """A compressor to be set: trim, threshold, makeup, and what comes of them.

    Parameters
    ----------
    given : dict
        Values of the variant, see :data:`gainlib.exercises.squeezing.setting.DRAW`.

    Attributes
    ----------
    trims : Trims
        The three controls.
    live : LiveFigure
        Reduction, and levels in and out.
    readings : TableView
        Mean reduction, active against bypass, peak.
    """

    def __init__(self, given: dict):
        self._given = given
        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        starts = [control.start for control in setting.controls(given)]
        low, high = setting.LOW_DB, setting.HIGH_DB
        self.trims = Trims(LABELS, starts, low_db=low, high_db=high, label="The compressor")
        fig, self._trace, self._pair, title = _picture(f"{short_name(given['stem']).capitalize()} through it")
        self._update()
        self.live = LiveFigure(fig, [self._trace, self._pair], title=title)
        self.readings = TableView(self._table())
        stays = widgets.VBox([self.live.widget]).add_class("gl-stays")
        super().__init__(widgets.VBox([stays, self.trims, self.readings]).add_class("gl-stage"))
        self.add_class("gl-form").add_class("gl-panel")
        self.trims.observe(self.guarded(lambda change: self._follow()), "values_db")
        self.trims.observe(self.guarded(lambda change: self._settle()), "released")

    def _places(self):
        return {setting.NAME: dict(zip(setting.FIELDS, self.trims.values_db, strict=True))}

    def controls(self) -> dict | None:
        """Return where the controls stand as an exercise's answer, or None while none was moved."""
        return None if self.trims.values_db == self.trims.start_db else self._places()

    def set_controls(self, answer: dict | None) -> None:
        """Set the controls as an answer has them, as far as they reach; None, and what cannot be read, leaves them."""
        fields = answer.get(setting.NAME) if isinstance(answer, dict) else None
        if not isinstance(fields, dict) or answer == self.controls():
            return
        values = [fields.get(name, value) for name, value in self._places()[setting.NAME].items()]
        if all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in values):
            self.trims.set_values([min(max(float(value), setting.LOW_DB), setting.HIGH_DB) for value in values])

    def _update(self):
        trim, threshold, makeup = self.trims.values_db
        sound = setting.sound(self._given["stem"], self._given["ratio"], trim, threshold)
        _show(self._trace, self._pair, sound, makeup)

    def _follow(self):
        with self._drawing:
            self._update()
            self.live.refresh()

    def _settle(self):
        with self._drawing:
            self.live.settle()
            self.readings.show(self._table())

    def _table(self):
        found = setting.read(self._places(), self._given)
        rows = (
            (
                "mean reduction while it plays",
                f"{number_text(found.reduction_db, 2)} dB",
                f"{self._given['g']} dB ± {number_text(setting.WITHIN_DB)}",
            ),
            (
                "active against bypass, by energy",
                level_text(found.difference_db, digits=2),
                f"0 dB ± {number_text(setting.MATCH_DB)}",
            ),
            (
                "peak at the output",
                level_text(found.peak_dbfs, "dBFS", 2),
                f"at most {level_text(setting.PEAK_DBFS, 'dBFS')}",
            ),
            ("largest reduction", f"{number_text(found.most_db, 2)} dB", "–"),
        )
        return Table("What comes of it", ("reading", "measured", "wanted"), rows)
