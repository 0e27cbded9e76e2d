"""A compressor or a gate under the hand: static curve, reduction and levels over time, and a matched bypass.

While the hand moves, eight seconds go through the box and every picture follows. When it lets go, the whole does, and
what can be heard is renewed.
"""

import threading

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.exercises.mixing.refrain import short_name
from gainlib.exercises.squeezing import bench
from gainlib.exercises.squeezing.bench import COMPRESSOR, GATE, Setting
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.reduction import LevelPair, ReductionTrace
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.base import Beside
from gainlib.notebook.prose import Said, prose
from gainlib.notebook.settings import Settings, Steps
from gainlib.notebook.words import level_text, number_text

PICTURE_PX = (900, 400)
BYPASS, ACTIVE = "bypass", "active"
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


class DynamicsBench(Panel):
    """Settings, the pictures that follow them, the whole sound, and bypass against active.

    Attributes
    ----------
    settings : Settings
        Under the hand.
    live : LiveFigure
        Static curve over the sound's levels, gain reduction, levels in and out.
    player : gainlib.notebook.listen.Player
        Bypass and active on one clock.
    """

    def __init__(self):
        from gainlib.notebook.listen import Player

        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        self.settings = Settings(_rows(), label="Settings of the experiment")
        self._said, self._whole = Said(), Said()
        self._draw()
        self.player = Player(self._sounds(), match=self.setting.matched, note=self._note())
        stays = widgets.VBox([self.live.widget]).add_class("gl-stays")
        stage = widgets.VBox([stays, self.settings]).add_class("gl-stage")
        super().__init__(stage, self._said, self._whole, prose("**Listen.** Keys 1 and 2 switch."), self.player)
        self.add_class("gl-form").add_class("gl-panel")
        self._beside = Beside(self, self._work, self._found, self._at_a_loss)
        self.settings.observe(self.guarded(lambda change: self._follow()), "places")
        self.settings.observe(self.guarded(lambda change: self._settle()), "released")
        self._say()
        self._beside.ask(self.setting)

    @property
    def setting(self) -> Setting:
        """What is set."""
        return Setting(**self.settings.values)

    # ---- the pictures that follow the hand -------------------------------------------------------------------------

    def _draw(self):
        fig = figures.make_figure(*PICTURE_PX)
        axes = fig.subplot_mosaic([["curve", "reduction"], ["curve", "levels"]], width_ratios=[1, 1.25])
        self._curve = figures.TransferCurve(axes["curve"], bench.EDGES_DB)
        self._reduction = ReductionTrace(axes["reduction"], bench.EXCERPT_S)
        self._levels = LevelPair(axes["levels"], bench.EXCERPT_S)
        self._update()
        parts = [self._curve, self._reduction, self._levels]
        self.live = LiveFigure(fig, parts, title="Static curve, gain reduction, levels in and out")

    def _update(self):
        seen = bench.see(self.setting)
        average = energy_in_out(seen)
        self._curve.update(bench.LEVELS_DBFS, seen.curve_dbfs + seen.makeup_db, seen.percent, average)
        self._reduction.update(seen.time_s, seen.reduction_db, seen.mean_db)
        self._levels.update(seen.time_s, seen.before_dbfs, seen.after_dbfs)

    def _follow(self):
        with self._drawing:
            self._update()
            self.live.refresh()

    # ---- when the hand lets go -------------------------------------------------------------------------------------

    def _settle(self):
        with self._drawing:
            self.live.settle()
            self.player.match, self.player.note = self.setting.matched, self._note()
            self.player.update(self._sounds())
            self._say()
        self._whole.say("busy", "", "Sending the whole through …")
        self._beside.ask(self.setting)

    def _work(self, progress, setting):
        progress(0.2, "Sending the whole through …")
        try:
            return bench.match_whole(setting.sound, setting.drive_db, setting.processor)
        except GainlibError:  # a gate may let nothing through
            return None

    def _found(self, match):
        if match is None:
            self._whole.say("note", "", "Nothing of the whole comes through; there is nothing to match.")
            return
        said = (
            f"The whole, 40 s: matched bypass with a makeup of **{level_text(match.out_db, digits=2)}**, then its "
            f"peaks reach {level_text(match.peak_dbfs, 'dBFS')}."
        )
        self._whole.say("note", "", f"{said} {match.warning}" if match.warning else said)

    def _at_a_loss(self):
        self._whole.say("note", "", "The whole could not be measured.")

    def _sounds(self):
        return dict(zip((BYPASS, ACTIVE), bench.heard(self.setting), strict=True))

    def _note(self):
        if self.setting.matched:
            return "Eight seconds. The drive is in both; switch while it plays."
        return "Eight seconds, as loud as you have set it: judge nothing but the level by it."

    def _say(self):
        self._said.say("note", "", told(bench.see(self.setting)))


def energy_in_out(seen: bench.Seen) -> tuple[float, float]:
    """Return the mean of the levels going in, of blocks that are no silence, and what comes of it on average.

    Parameters
    ----------
    seen : Seen
        What a setting amounts to.

    Returns
    -------
    before_dbfs, after_dbfs : float
    """
    playing = seen.before_dbfs >= seen.before_dbfs.max() - 25.0
    return float(seen.before_dbfs[playing].mean()), float(seen.after_dbfs[playing].mean())


def told(seen: bench.Seen) -> str:
    """Return in Markdown what the box does, and how loud active is against its bypass.

    Parameters
    ----------
    seen : Seen
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
