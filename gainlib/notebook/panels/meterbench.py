"""The experiment on meters: a signal in bursts under the hand, and what every meter makes of it."""

import math
import threading

from gainlib.exercises.metering import bench
from gainlib.exercises.metering.bench import STEADY, Setting
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.blocks import BlockBars
from gainlib.notebook.figures.crest import CrestCurve
from gainlib.notebook.figures.needle import MeterRows, NeedleTrace
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.prose import LiveRegion, prose
from gainlib.notebook.settings import Settings, Steps
from gainlib.words import level_text, number_text

PICTURE_PX = (840, 450)
MARGINS = {"left": 0.145, "right": 0.985, "top": 0.945, "bottom": 0.105, "hspace": 0.45, "wspace": 0.18}
TONE_CEILING_DBTP = -20.0  # no test tone above it through loudspeakers, see the cautions
MINE, TONE = "as you set it", "steady tone with the same highest sample"
LISTEN_NOTE = "The offset is left out of what you hear: it makes no sound and only pushes the cone out of its place."

SIGNALS = {
    "sine": "tone, 1 kHz",
    "square": "square wave, 200 Hz",
    "triangle": "triangle wave, 200 Hz",
    "between": "tone, 12 kHz",
    "noise": "pink noise",
    "snare": "snare drum",
}
RESTS = {
    -math.inf: "silence",
    -30.0: "the same 30 dB lower",
    -15.0: "the same 15 dB lower",
    -8.0: "the same 8 dB lower",
}
GATES = {"both": "both, as in the standard", "absolute": "only the one at −70 LUFS", "none": "none"}
ALIGNMENTS = (-20.0, -18.0, -16.0, -14.0)


def seconds_text(seconds: float) -> str:
    """Return a length of a burst in words.

    Examples
    --------
    >>> seconds_text(0.005), seconds_text(2.0), seconds_text(float("inf"))
    ('5 ms', '2 s', 'no end')
    """
    if seconds == STEADY:
        return "no end"
    return f"{seconds:g} s" if seconds >= 1 else f"{1000 * seconds:g} ms"


def _rows():
    """Return the settings as the lab begins: a steady tone at the alignment level."""
    start = Setting()
    levels = tuple(half / 2 for half in range(-80, 1))
    bursts = (*bench.BURSTS_S, STEADY)
    offsets = tuple(half / 200 for half in range(21))
    return (
        Steps("signal", "Signal", tuple(SIGNALS), tuple(SIGNALS.values()), start.signal, listed=True),
        Steps("rest_db", "Around it", tuple(RESTS), tuple(RESTS.values()), start.rest_db, listed=True),
        Steps("burst_s", "Burst", bursts, tuple(map(seconds_text, bursts)), start.burst_s),
        Steps("level_dbfs", "Highest sample", levels, tuple(level_text(v, "dBFS") for v in levels), start.level_dbfs),
        Steps("offset", "Offset", offsets, tuple(f"{number_text(100 * v)} %" for v in offsets), start.offset),
        Steps(
            "alignment_dbfs",
            "0 VU is",
            ALIGNMENTS,
            tuple(f"a sine at {level_text(v, 'dBFS', 0)}" for v in ALIGNMENTS),
            start.alignment_dbfs,
            listed=True,
        ),
        Steps("gates", "Gates", tuple(GATES), tuple(GATES.values()), start.gates, listed=True),
    )


class MeterBench(Panel):
    """Settings, four pictures in one that follow them, and the sound.

    Attributes
    ----------
    settings : Settings
        Under the hand.
    live : LiveFigure
        The meters, the needle over time, the highest crest, the blocks of the loudness meter.
    player : gainlib.notebook.listen.Player
        The sound, and a steady tone to hear it against.
    """

    def __init__(self):
        from gainlib.notebook.listen import Player

        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        self.settings = Settings(_rows(), label="Settings of the experiment")
        self._said = LiveRegion()
        self._draw()
        self.player = Player(self._sounds(), match=False, note=LISTEN_NOTE, ceiling_dbtp=TONE_CEILING_DBTP)
        super().__init__(self.settings, self.live.widget, self._said, prose("**Listen.**"), self.player)
        self.add_class("gl-form").add_class("gl-panel")
        self.settings.observe(self.guarded(lambda change: self._follow()), "places")
        self.settings.observe(self.guarded(lambda change: self._settle()), "released")
        self._say()

    @property
    def setting(self) -> Setting:
        """What is set."""
        return Setting(**self.settings.values)

    def _draw(self):
        fig = figures.make_figure(*PICTURE_PX)
        fig.set_layout_engine("none")  # it would make room beside the axes for their headings
        (upper_left, upper_right), (lower_left, lower_right) = fig.subplots(2, 2, gridspec_kw=MARGINS)
        self._rows = MeterRows(upper_left, ROWS)
        self._needle = NeedleTrace(upper_right, bench.SECONDS)
        self._crest = CrestCurve(lower_left)
        self._blocks = BlockBars(lower_right)
        self._update(bench.see(self.setting))
        parts = [self._rows, self._needle, self._crest, self._blocks]
        self.live = LiveFigure(fig, parts, title="One sound, four views: meters, needle, crest, blocks")

    def _update(self, seen):
        rows = meter_rows(seen)
        self._rows.update([level for level, _ in rows], [text for _, text in rows])
        burst_s = seen.setting.burst_s
        begin = 0.0 if burst_s == STEADY else bench.BEFORE_S
        self._needle.update(seen.needle.time_s, seen.needle.value, (begin, min(begin + burst_s, bench.SECONDS)))
        crest, middle = seen.crest, len(seen.crest.samples) // 2
        rate_hz, start_s = seen.audio.rate_hz, crest.time_s[middle]
        places = [(times - start_s) * rate_hz for times in (crest.time_s, crest.curve_time_s, crest.peak_time_s)]
        self._crest.update(places[0], crest.samples, places[1], crest.curve, (places[2], crest.peak))
        gating = seen.gating
        self._blocks.update(
            gating.blocks_lufs, gating.kept, gating.relative_gate_lufs, gating.loudness_lufs, gating.gates
        )

    def _follow(self):
        with self._drawing:
            self._update(bench.see(self.setting))
            self.live.refresh()

    def _settle(self):
        with self._drawing:
            self.live.settle()
            self.player.update(self._sounds())
            self._say()

    def _sounds(self):
        return {MINE: bench.heard(self.setting), TONE: bench.reference(self.setting)}

    def _say(self):
        self._said.say("note", "", told(bench.see(self.setting)))


ROWS = ("sample peak", "true peak", "RMS", "active level", "needle, highest", "loudest 400 ms", "loudness")


def meter_rows(seen: bench.Measurement) -> list[tuple[float, str]]:
    """Return the length of each bar in `ROWS` and what stands in it; a needle's bar is the tone that holds it there.

    Parameters
    ----------
    seen : Measurement
        What the meters make of a setting.

    Returns
    -------
    list of (float, str)
    """
    loudness = seen.gating.loudness_lufs
    return [
        (seen.sample_peak_dbfs, level_text(seen.sample_peak_dbfs, "dBFS")),
        (seen.true_peak_dbtp, level_text(seen.true_peak_dbtp, "dBTP")),
        (seen.rms_dbfs, level_text(seen.rms_dbfs, "dBFS")),
        (seen.active_dbfs, level_text(seen.active_dbfs, "dBFS")),
        (seen.needle_max_dbfs, level_text(seen.needle_max_vu, "VU")),
        (seen.momentary_max_lufs, level_text(seen.momentary_max_lufs, "LUFS")),
        (loudness, level_text(loudness, "LUFS")),
    ]


def told(seen: bench.Measurement) -> str:
    """Return in Markdown which readings of a setting lie apart, and which sound it is.

    Parameters
    ----------
    seen : Measurement
        What the meters make of a setting.

    Returns
    -------
    str
    """
    setting = seen.setting
    name = SIGNALS[setting.signal]
    if setting.burst_s == STEADY:
        what = f"{name[:1].upper()}{name[1:]}, from end to end"
    else:
        what = f"{name[:1].upper()}{name[1:]}, a burst of {seconds_text(setting.burst_s)}, around it "
        what += RESTS[setting.rest_db]
    rise = seen.true_peak_dbtp - seen.sample_peak_dbfs
    below = seen.sample_peak_dbfs - seen.needle_max_dbfs
    way = "under" if below >= 0 else "over"
    return (
        f"{what}. The true peak lies {number_text(rise)} dB over the sample peak; the highest "
        f"position of the needle {number_text(abs(below))} dB {way} it."
    )
