"""What a box does at each level: its curve over the stem, gain, distortion and noise, what two tests leave over."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import frame, percent_axis
from gainlib.notebook.figures.histogram import most_often
from gainlib.notebook.figures.lines import Lines
from gainlib.notebook.figures.palette import DASHED, GREEN, HERE, INK, PAPER, SKY, TEXT, THRESHOLD, VERMILLION, look
from gainlib.notebook.figures.parts import (
    Drawing,
    filled,
    move_rule,
    numbers,
    plotted,
    put,
    rectangles,
    same_length,
    tabled,
    words,
)
from gainlib.words import LEAST_PERCENT, LOWEST_SHOWN_DB, Table, depth_text, level_text, number_text, percent_text

BAND = {"color": "#d9efe7", "edgecolor": GREEN, "hatch": "..", "linewidth": 0.0, "zorder": 0.7}
HIDDEN = {"color": "#eeeeee", "edgecolor": "#8a8a8a", "hatch": "////", "linewidth": 0.0, "zorder": 0.6}
MOST_PERCENT = 100.0
SINE_IN = "sine in, peak level (dBFS)"
GAINS_DB, NOISES_DBFS = (-24.0, 12.0), (-150.0, 0.0)


def _equal_line(axes, low, high):
    """Draw where out equals in."""
    axes.plot([low, high], [low, high], color=INK, linewidth=1.2, linestyle=DASHED, zorder=1.5)


class TransferCurve(Lines):
    """Level out against level in, and below it how often the stem is at which level.

    The ends of `edges_db`, rising edges of the histogram's bins, are the ends of both scales.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curve = TransferCurve(make_figure(400, 300).subplots(), range(-60, 7, 6))
    >>> curve.update([-60, -18, 0], [-60, -18.3, -7.4], [0] * 6 + [60, 40, 0, 0, 0], here=(-18, -18.3))
    >>> curve.sentence()
    'Fed −18.0 dBFS on average, the box puts out −18.3 dBFS. The stem is most often between −24 and −18 dBFS.'
    """

    def __init__(self, axes: Axes, edges_db, title: str = "Out against in"):
        self.edges = np.asarray(edges_db, float)
        self.percent = np.zeros(self.edges.size - 1)
        low, high = self.edges[0], self.edges[-1]
        x, y = ((low, high, 12, f"level {way} (dBFS)") for way in ("in", "out"))
        super().__init__(axes, f"{title}: ◆ average, ▮ stem", x, y, look(0), here=True)
        _equal_line(axes, low, high)
        self._mark.set_clip_on(True)
        self._bars = filled(axes, SKY, linewidth=0.5)
        self._threshold = axes.axvline(0, **THRESHOLD)
        self.artists += [self._bars, self._threshold]

    def update(self, level_in_dbfs, level_out_dbfs, percent, here=None, threshold_dbfs=None) -> None:
        """Show another curve or stem: `percent` of it in each bin at the box's input, average in and out as `here`."""
        move_rule(self._threshold, threshold_dbfs, "x")
        self._show(level_in_dbfs, level_out_dbfs)
        self.percent, self.here = np.asarray(percent, float), here
        if self.percent.shape != (self.edges.size - 1,):
            raise GainlibError(f"{self.percent.size} shares for {self.edges.size - 1} bins; give one share a bin")
        low, high = self.edges[0], self.edges[-1]
        height = 0.3 * (high - low) * self.percent / (self.percent.max() or 1.0)
        self._bars.set_verts(rectangles(self.edges[:-1], low, np.diff(self.edges), height)[height > 0])
        put(self._mark, here)

    def sentence(self) -> str:
        """Return what comes out for the average, and where the stem is most often."""
        said = ""
        if self.here is not None:
            fed, given = (level_text(level, "dBFS") for level in self.here)
            said = f"Fed {fed} on average, the box puts out {given}. "
        if not self.percent.any():
            return f"{said}The stem is silent."
        return f"{said}The stem is most often {most_often(self.percent, self.edges)}."

    def table(self) -> Table:
        """Return the curve every 6 dB, with how much of the stem lies in the 6 dB up to it."""
        rows = []
        for level in np.arange(self.edges[0] + 6, self.edges[-1] + 0.1, 6):
            share = self.percent[(self.edges[1:] > level - 5.99) & (self.edges[1:] <= level + 0.01)].sum()
            out = np.interp(level, self.x, self.y[0]) if self.x.size else np.nan
            rows.append((number_text(level, 0), number_text(out, signed=True), number_text(share)))
        heads = ("level in (dBFS)", "level out (dBFS)", "stem in the 6 dB up to it (%)")
        return Table("Out against in, and the stem", heads, tuple(rows))


class OutAgainstIn(Lines):
    """Level out against level in of a sine, beside the line on which out equals in.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curve = OutAgainstIn(make_figure(400, 300).subplots())
    >>> curve.update([-60, 0], [-54, 2], here=(0, 2))
    >>> curve.sentence()
    'Fed a sine of 0.0 dBFS, the box gives +2.0 dBFS; gain +2.0 dB, fed softest +6.0 dB.'
    """

    def __init__(self, axes: Axes, low_dbfs: float = -60.0, high_dbfs: float = 12.0):
        x, y = (low_dbfs, high_dbfs, 12, SINE_IN), (low_dbfs - 12, high_dbfs + 12, 12, "out (dBFS)")
        super().__init__(axes, "Out against in: ┅ slope 1, ◆ here", x, y, look(0, True), here=True)
        _equal_line(axes, low_dbfs, high_dbfs)

    def update(self, level_in_dbfs, level_out_dbfs, here) -> None:
        """Show another box, or another drive: `here` is in and out at the one that is set."""
        self._show(level_in_dbfs, level_out_dbfs)
        self.here = here
        put(self._mark, here)

    def sentence(self) -> str:
        """Return what comes out here, and the gain against that for the softest sine."""
        if self.here is None:
            return "Level out against level in."
        fed, given = self.here
        return (
            f"Fed a sine of {level_text(fed, 'dBFS')}, the box gives {level_text(given, 'dBFS')}; gain "
            f"{level_text(given - fed)}, fed softest {level_text(self.y[0][0] - self.x[0])}."
        )

    def table(self) -> Table:
        """Return the curve."""
        columns = numbers(self.x, 0), numbers(self.y[0]), numbers(self.y[0] - self.x, signed=True)
        return tabled("Out against in", ("sine in (dBFS)", "out (dBFS)", "gain (dB)"), *columns)


class Residuals(Lines):
    """What is left when the input is halved and when it is repeated, against drive; the least shown is −120 dB.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> left = Residuals(make_figure(400, 300).subplots())
    >>> left.update([-60, 0], [-200, -31.2], [-200, -200], here=(0, -31.2, -200))
    >>> left.sentence()
    'Fed 0 dBFS: halving the input leaves −31.2 dB, repeating it leaves under −120 dB.'
    """

    def __init__(self, axes: Axes, low_dbfs: float = -60.0, high_dbfs: float = 12.0):
        x, y = (low_dbfs, high_dbfs, 12, SINE_IN), (LOWEST_SHOWN_DB, 0, 20, "dB")
        styles = look(0, True, clip_on=False), look(1, True, linestyle=DASHED, zorder=2, clip_on=False)
        super().__init__(axes, "Residual: ─● halved, ┅■ repeated", x, y, *styles, here=True)

    def update(self, level_dbfs, halved_db, repeated_db, here) -> None:
        """Show another box, or another drive: `here` is the one that is set and both residuals there."""
        self._show(level_dbfs, halved_db, repeated_db, ends=(LOWEST_SHOWN_DB, 0.0))
        self.here = here
        put(self._mark, (here[0], np.clip(here[1], LOWEST_SHOWN_DB, 0.0)))

    def sentence(self) -> str:
        """Return both residuals here."""
        if self.here is None:
            return "What is left over against drive."
        level, halved, repeated = self.here
        return (
            f"Fed {level_text(level, 'dBFS', 0)}: halving the input leaves {depth_text(halved)}, repeating it leaves "
            f"{depth_text(repeated)}."
        )

    def table(self) -> Table:
        """Return both residuals at every level."""
        columns = numbers(self.x, 0), *(map(depth_text, each) for each in self.y)
        heads = ("sine in (dBFS)", "halving leaves", "repeating leaves")
        return tabled("Residual", heads, *columns)


class DriveCurves(Drawing):
    """Distortion above, gain below, both against the level the box is fed; a banded bar is its working range.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curves = DriveCurves(*make_figure(400, 400).subplots(2, 1))
    >>> curves.update([-30, -18, -6], [0.06, 1.0, 11.1], [0.0, -0.3, -3.1], working=(-23, -18, -13), here_dbfs=-6)
    >>> curves.sentence()
    'A sine of −6.0 dBFS: THD 11.1 %, gain −3.1 dB, 7.0 dB above the working range of −23.0 to −13.0 dBFS.'
    """

    def __init__(self, upper: Axes, lower: Axes, low_dbfs=-42.0, high_dbfs=6.0, low_db=-15.0, high_db=6.0):
        self.level, self.thd, self.gain = np.zeros((3, 0))
        self.working, self.here = None, None
        x, y = (low_dbfs, high_dbfs, 6, "fed (dBFS)"), (low_db, high_db, 6, "dB")
        frame(upper, "THD: ▒ working range, ◆ here", (*x[:3], ""), grid="both")
        frame(lower, "Gain of its fundamental", x, y, "both")
        percent_axis(upper)
        self._spans = (LEAST_PERCENT, MOST_PERCENT), (low_db, high_db)
        self._bands = [filled(axes, **BAND) for axes in (upper, lower)]
        self._lines = [plotted(axes, **look(k, True)) for k, axes in enumerate((upper, lower))]
        self._marks = [plotted(axes, **HERE) for axes in (upper, lower)]
        self._note = words(upper, low_dbfs + 0.5, MOST_PERCENT * 0.6, va="top")
        self.artists = [*self._bands, *self._lines, *self._marks, self._note]

    def update(self, level_dbfs, thd_percent, gain_db, working=None, here_dbfs: float | None = None) -> None:
        """Show another box or another drive.

        `working` is the lowest, best and highest level of the working range, None where the box has no preference.
        """
        self.level, self.thd, self.gain = same_length(level_dbfs, thd_percent, gain_db)
        self.working, self.here = working, here_dbfs
        shown = np.clip(self.thd, LEAST_PERCENT, MOST_PERCENT), self.gain
        parts = zip(self._lines, self._bands, self._marks, shown, self._spans, strict=True)
        for curve, band, mark, values, (bottom, top) in parts:
            curve.set_data(self.level, values)
            band.set_verts(_band(working, bottom, top))
            put(mark, None if here_dbfs is None else (here_dbfs, self._at(values)))
        self._note.set_text("" if working else "no working range: the box works alike at any level")

    def _at(self, values):
        return float(np.interp(self.here, self.level, values))

    def _place(self):
        if self.working is None:
            return "; it has no working range, so its level is free"
        low, _, high = self.working
        span = f"the working range of {number_text(low)} to {level_text(high, 'dBFS')}"
        if low <= self.here <= high:
            return f", inside {span}"
        off, way = (self.here - high, "above") if self.here > high else (low - self.here, "below")
        return f", {number_text(off)} dB {way} {span}"

    def sentence(self) -> str:
        """Return distortion and gain here, and where that is against the working range."""
        if self.here is None:
            return "Distortion and gain against the level fed."
        thd, gain = percent_text(self._at(self.thd)), level_text(self._at(self.gain))
        return f"A sine of {level_text(self.here, 'dBFS')}: THD {thd}, gain {gain}{self._place()}."

    def table(self) -> Table:
        """Return distortion and gain at every level measured."""
        columns = numbers(self.level), map(percent_text, self.thd), numbers(self.gain, 2, signed=True)
        return tabled("Distortion and gain against drive", ("fed (dBFS)", "THD", "gain (dB)"), *columns)


def _band(working, bottom, top):
    """Return the working range as a band, or nothing."""
    return (
        np.zeros((0, 4, 2))
        if working is None
        else rectangles(working[0], bottom, working[2] - working[0], top - bottom)
    )


class ProbedCurves(Drawing):
    """What came back of a test file: gain (dB), distortion (percent) and noise (dBFS) against the level fed.

    Dots are the steps of the test file. The dotted band is the working range, the dashed upright line the reference;
    hatched is what the recording cannot show.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curves = ProbedCurves(*make_figure(400, 600).subplots(3, 1))
    >>> curves.update([-30, -18, -6], [0, -0.3, -3.1], [np.nan, 1.0, 11.1], [0.1, 0.1, 0.1], [-90, -90, -90], 0.0)
    >>> curves.sentence()
    'Gain from 0.0 to −3.1 dB; distortion shows from −18.0 dBFS upwards and reaches 11.1 %; no reference.'
    """

    def __init__(self, gain: Axes, bent: Axes, noise: Axes):
        self._axes = gain, bent, noise
        self.level, self.gain, self.thd, self.floor, self.noise = np.zeros((5, 0))
        self.working, self.reference = None, None
        x, gains, title = (
            (-78.0, 0.0, 6, ""),
            (*GAINS_DB, 6, "dB"),
            "Gain of a sine: ● a step, ▒ working range, ┆ reference",
        )
        frame(gain, title, x, gains, "both")
        frame(bent, "Distortion (THD): ////  hidden by noise", x, grid="both")
        frame(noise, "Noise while it sounds", (*x[:3], "fed (dBFS)"), (*NOISES_DBFS, 30, "dBFS"), "both")
        percent_axis(bent)
        self._bands = [filled(axes, **BAND) for axes in self._axes]
        self._hidden = filled(bent, **HIDDEN)
        self._lines = [
            plotted(axes, **look(k, True, linewidth=1.5) | {"marker": "o"}) for k, axes in enumerate(self._axes)
        ]
        style = THRESHOLD | {"color": VERMILLION, "linestyle": DASHED, "zorder": 2}
        self._references = [axes.axvline(0.0, **style) for axes in self._axes]
        self._word = gain.text(0, 0, "", **TEXT, ha="center", va="bottom", zorder=4)
        self._word.set_bbox({"facecolor": PAPER, "edgecolor": "none", "pad": 1.5})
        self.artists = [*self._bands, self._hidden, *self._lines, *self._references, self._word]

    def update(self, level_dbfs, gain_db, thd_percent, floor_percent, noise_dbfs, plain_db, working=None) -> None:
        """Show another recording.

        The columns are as in :class:`gainlib.boxes.probe.ProbeCurve`; `plain_db` is where the gain is steady, around
        which its scale is laid; `working` the lowest, best and highest level of the working range.
        """
        columns = same_length(level_dbfs, gain_db, thd_percent, floor_percent, noise_dbfs)
        self.level, self.gain, self.thd, self.floor, self.noise = columns
        self.working, self.reference = working, None if working is None else working[1]
        shift = 6.0 * round(plain_db / 6.0) if np.isfinite(plain_db) else 0.0
        spans = (GAINS_DB[0] + shift, GAINS_DB[1] + shift), (LEAST_PERCENT, MOST_PERCENT), NOISES_DBFS
        self._axes[0].set_ylim(*spans[0])
        parts = zip(self._lines, self._bands, self._references, (self.gain, self.thd, self.noise), spans, strict=True)
        for curve, band, reference, values, span in parts:
            curve.set_data(self.level, np.clip(values, *span))
            band.set_verts(_band(working, *span))
            move_rule(reference, self.reference, "x")
        edges = np.concatenate([self.level[:1] - 3.0, (self.level[1:] + self.level[:-1]) / 2.0, self.level[-1:] + 1.5])
        top = np.clip(self.floor, LEAST_PERCENT, MOST_PERCENT)
        self._hidden.set_verts(rectangles(edges[:-1], LEAST_PERCENT, np.diff(edges), top - LEAST_PERCENT))
        self._word.set_text("" if self.reference is None else f"reference {level_text(self.reference, 'dBFS')}")
        self._word.set_position((self.reference or 0.0, spans[0][0] + 1.5))

    def sentence(self) -> str:
        """Return gain, distortion and reference in a sentence."""
        if not self.level.size:
            return "There is no reading yet."
        ends = numbers((self.gain.max(), self.gain.min()))
        gain = f"Gain {ends[0]} dB throughout" if ends[0] == ends[1] else f"Gain from {ends[0]} to {ends[1]} dB"
        shown = np.flatnonzero(np.isfinite(self.thd))
        bent = "no distortion stands out from the noise"
        if shown.size:
            first, most = level_text(float(self.level[shown[0]]), "dBFS"), percent_text(float(np.nanmax(self.thd)))
            bent = f"distortion shows from {first} upwards and reaches {most}"
        if self.reference is None:
            return f"{gain}; {bent}; no reference."
        span = f"{number_text(self.working[0])} to {level_text(self.working[2], 'dBFS')}"
        return f"{gain}; {bent}; working range {span}, reference {level_text(self.reference, 'dBFS')}."

    def table(self) -> Table:
        """Return every step."""
        bent = (
            percent_text(thd) if np.isfinite(thd) else f"under {percent_text(floor).removeprefix('under ')}"
            for thd, floor in zip(self.thd, self.floor, strict=True)
        )
        columns = numbers(self.level, 0), numbers(self.gain, 2, signed=True), bent, numbers(self.noise)
        return tabled("What came back for each step", ("fed (dBFS)", "gain (dB)", "THD", "noise (dBFS)"), *columns)
