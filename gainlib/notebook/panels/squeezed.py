"""A compressor in the exercises: what is read on both sides of it, and one to be set by hand."""

import numpy as np

from gainlib.exercises.dynamics import readings, setting
from gainlib.exercises.dynamics.bench import BLOCK_S
from gainlib.exercises.mixing.refrain import short_name
from gainlib.exercises.working_range.stages import BAR_S
from gainlib.notebook import figures
from gainlib.notebook.figures.reduction import LevelPair, ReductionTrace
from gainlib.notebook.panels.linked_controls import Trims
from gainlib.notebook.panels.views import ReadingsView, TrimmedPanel
from gainlib.words import Table, level_text, number_text

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


class SqueezeView(ReadingsView):
    """A stem on both sides of a compressor.

    Parameters
    ----------
    given : dict
        Values of the variant, see :class:`gainlib.exercises.dynamics.readings.SqueezedStems`.
    """

    def __init__(self, given: dict):
        fig, trace, pair, title = _picture(f"{short_name(given['stem']).capitalize()} through the compressor")
        _show(trace, pair, readings.through(given))
        super().__init__(fig, [trace, pair], title, readings_table(given))


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


class SetCompressorPanel(TrimmedPanel):
    """A compressor to be set: trim, threshold, makeup, and what comes of them.

    Parameters
    ----------
    given : dict
        Values of the variant, see :data:`gainlib.exercises.dynamics.setting.DRAW`.
    """

    def __init__(self, given: dict):
        self._given = given
        starts = [control.start for control in setting.controls(given)]
        trims = Trims(LABELS, starts, low_db=setting.LOW_DB, high_db=setting.HIGH_DB, label="The compressor")
        super().__init__(setting.NAME, setting.FIELDS, trims)

    def _draw(self):
        fig, self._trace, self._pair, title = _picture(f"{short_name(self._given['stem']).capitalize()} through it")
        return fig, [self._trace, self._pair], title

    def _update(self):
        trim, threshold, makeup = self.trims.values_db
        sound = setting.sound(self._given["stem"], self._given["ratio"], trim, threshold)
        _show(self._trace, self._pair, sound, makeup)

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
