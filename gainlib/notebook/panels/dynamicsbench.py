"""A compressor or a gate under the hand: static curve, reduction and levels over time, and a matched bypass."""

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.exercises.dynamics import bench
from gainlib.exercises.dynamics.bench import COMPRESSOR, GATE, Setting
from gainlib.exercises.mixing.refrain import short_name
from gainlib.notebook import figures
from gainlib.notebook.figures.reduction import LevelPair, ReductionTrace
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.bypassbench import BypassBench
from gainlib.notebook.settings import Steps
from gainlib.words import level_text, number_text

PICTURE_PX = (900, 400)
MATCHED = {True: "active as loud as bypass", False: "off: makeup is yours"}
RATIOS = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 20.0)
ATTACKS_MS = (0.0, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
RELEASES_MS = (40.0, 60.0, 80.0, 120.0, 200.0, 300.0, 500.0, 1000.0)
HOLDS_MS = (0.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0)


def _half_steps(low, high):
    return tuple(half / 2 for half in range(2 * low, 2 * high + 1))


def _slid(name, label, steps, text):
    return Steps(name, label, steps, tuple(map(text, steps)), getattr(Setting(), name))


def _ms(value):
    return f"{value:g} ms"


def _db(value):
    return f"{value:g} dB"


def _dbfs(value):
    return level_text(value, "dBFS")


def _rows():
    """Return the settings as the lab begins."""
    start = Setting()
    sounds = tuple("drums, as a group" if name == bench.DRUMS else short_name(name) for name in bench.SOUNDS)
    boxes = (COMPRESSOR, GATE)
    return (
        Steps("sound", "Sound", bench.SOUNDS, sounds, start.sound, listed=True),
        Steps("box", "Box", boxes, boxes, start.box, listed=True),
        Steps("matched", "Match", tuple(MATCHED), tuple(MATCHED.values()), start.matched, listed=True),
        _slid("drive_db", "Drive", _half_steps(-18, 18), level_text),
        _slid("threshold_dbfs", "Threshold / open", _half_steps(-60, 0), _dbfs),
        _slid("ratio", "Compressor: ratio", RATIOS, lambda ratio: f"{ratio:g}:1"),
        _slid("knee_db", "Compressor: knee", tuple(float(knee) for knee in range(19)), _db),
        _slid("attack_ms", "Attack", ATTACKS_MS, _ms),
        _slid("release_ms", "Release", RELEASES_MS, _ms),
        _slid("hysteresis_db", "Gate: hysteresis", tuple(float(step) for step in range(13)), _db),
        _slid("hold_ms", "Gate: hold", HOLDS_MS, _ms),
        _slid("makeup_db", "Makeup, match off", _half_steps(-12, 24), level_text),
    )


class DynamicsBench(BypassBench):
    """A compressor or a gate: static curve over the sound's levels, gain reduction, levels in and out."""

    bench = bench

    def _rows(self):
        return _rows()

    def _laid_out(self):
        stays = widgets.VBox([self.pictures[0].widget]).add_class("gl-stays")
        return [widgets.VBox([stays, self.settings]).add_class("gl-stage")]

    def _draw(self):
        fig = figures.make_figure(*PICTURE_PX)
        axes = fig.subplot_mosaic([["curve", "reduction"], ["curve", "levels"]], width_ratios=[1, 1.25])
        self._curve = figures.TransferCurve(axes["curve"], bench.EDGES_DB)
        self._reduction = ReductionTrace(axes["reduction"], bench.EXCERPT_S)
        self._levels = LevelPair(axes["levels"], bench.EXCERPT_S)
        self._update()
        parts = [self._curve, self._reduction, self._levels]
        return [LiveFigure(fig, parts, title="Static curve, gain reduction, levels in and out")]

    def _update(self):
        seen = bench.see(self.setting)
        average = energy_in_out(seen)
        self._curve.update(bench.LEVELS_DBFS, seen.curve_dbfs + seen.makeup_db, seen.percent, average)
        self._reduction.update(seen.time_s, seen.reduction_db, seen.mean_db)
        self._levels.update(seen.time_s, seen.before_dbfs, seen.after_dbfs)

    def _match(self, setting):
        try:
            return bench.match_whole(setting.sound, setting.drive_db, setting.processor)
        except GainlibError:  # a gate may let nothing through
            return None

    def _told_of_all(self, setting, match):
        if match is None:
            return "Nothing of the whole comes through; there is nothing to match."
        said = (
            f"The whole, 40 s: matched bypass with a makeup of **{level_text(match.out_db, digits=2)}**, then its "
            f"peaks reach {level_text(match.peak_dbfs, 'dBFS')}."
        )
        return f"{said} {match.warning}" if match.warning else said

    def _told(self):
        return told(bench.see(self.setting))


def energy_in_out(seen: bench.Measurement) -> tuple[float, float]:
    """Return the mean of the levels going in, of blocks that are no silence, and what comes of it on average.

    Parameters
    ----------
    seen : Measurement
        What a setting amounts to.

    Returns
    -------
    before_dbfs, after_dbfs : float
    """
    playing = seen.before_dbfs >= seen.before_dbfs.max() - 25.0
    return float(seen.before_dbfs[playing].mean()), float(seen.after_dbfs[playing].mean())


def told(seen: bench.Measurement) -> str:
    """Return in Markdown what the box does, and how loud active is against its bypass.

    Parameters
    ----------
    seen : Measurement
        What a setting amounts to.

    Returns
    -------
    str
    """
    setting = seen.setting
    share = 100.0 * float((seen.before_dbfs >= setting.threshold_dbfs).mean())
    place = "the opening level" if setting.box == GATE else "the threshold"
    said = (
        f"**{number_text(share, 0)} %** of the time a peak is over {place}. Turned down by "
        f"**{number_text(seen.most_db)} dB** at most, {number_text(seen.mean_db)} dB on average. "
    )
    peak = f"its peak is {level_text(seen.peak_dbfs, 'dBFS')}"
    if setting.matched:
        return said + f"The makeup is **{level_text(seen.makeup_db, digits=2)}**, and active as loud as bypass; {peak}."
    difference = seen.difference_db
    if abs(difference) < 0.05:
        return said + f"Active is as loud as bypass; {peak}."
    way = "louder" if difference > 0 else "softer"
    return said + f"Active is **{number_text(abs(difference))} dB {way}** than bypass; {peak}."
