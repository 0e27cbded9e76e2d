"""What a box does at which level: its static curve over the stem, distortion and gain against drive.

The spectrum and the waves of what goes in and comes out stand in ``inout``, and can be had from here as well.
"""

import numpy as np
from matplotlib.axes import Axes

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import Boxes, ThresholdLine, db_axis, frame, rectangles
from gainlib.notebook.figures.palette import GREEN, INK, SKY, line
from gainlib.notebook.figures.spectrum import Spectrum, WavePair
from gainlib.notebook.figures.travel import HERE, words
from gainlib.words import LEAST_PERCENT, Table, level_text, number_text, percent_text

__all__ = ["DriveCurves", "Spectrum", "TransferCurve", "WavePair"]

BAND = {"facecolor": "#d9efe7", "edgecolor": GREEN, "hatch": "..", "linewidth": 0.0, "zorder": 0.7}
DASHED = (0, (6, 3))
MOST_PERCENT = 100.0


class TransferCurve:
    """Level out against level in, and below it how often the stem is at which level.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    edges_db : sequence of float
        Rising edges of the histogram's bins; their ends are the ends of both scales.
    title : str
        Above the picture.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curve = TransferCurve(make_figure(400, 300).subplots(), range(-60, 7, 6))
    >>> curve.update([-60, -18, 0], [-60, -18.3, -7.4], [0] * 6 + [60, 40, 0, 0, 0], here=(-18, -18.3))
    >>> curve.sentence()
    'Fed −18.0 dBFS on average the box gives −18.3 dBFS. The stem is most often between −24 and −18 dBFS.'
    """

    def __init__(self, axes: Axes, edges_db, title: str = "Out against in"):
        self.edges = np.asarray(edges_db, float)
        low, high = self.edges[0], self.edges[-1]
        self.level_in, self.level_out, self.percent = np.zeros(0), np.zeros(0), np.zeros(self.edges.size - 1)
        self.here, self._low, self._height = None, low, 0.3 * (high - low)
        frame(axes, f"{title}: ◆ average, ▮ stem", grid="both")
        db_axis(axes, low, high, 12, "level in (dBFS)", "x")
        db_axis(axes, low, high, 12, "level out (dBFS)")
        axes.plot([low, high], [low, high], color=INK, linewidth=1.2, linestyle=DASHED, zorder=1.5)
        self._bars = axes.add_patch(Boxes(facecolor=SKY, edgecolor=INK, linewidth=0.5, zorder=2))
        look = line(0)
        (self._curve,) = axes.plot([], [], color=look.color, linestyle=look.linestyle, linewidth=2, zorder=3)
        (self._mark,) = axes.plot([], [], **HERE)
        self._threshold = ThresholdLine(axes, "x")
        self.artists = [self._bars, self._curve, self._mark, *self._threshold.artists]

    def update(self, level_in_dbfs, level_out_dbfs, percent, here=None, threshold_dbfs=None) -> None:
        """Show another curve or stem.

        Parameters
        ----------
        level_in_dbfs, level_out_dbfs : arrays, shape (n,)
            The static curve.
        percent : sequence of float, one a bin
            How often the stem is at that level at the box's input.
        here : (float, float), optional
            Average in and out.
        threshold_dbfs : float, optional
            Drawn as a line where there is one.
        """
        self._threshold.update(threshold_dbfs)
        self.level_in, self.level_out = np.asarray(level_in_dbfs, float), np.asarray(level_out_dbfs, float)
        self.percent, self.here = np.asarray(percent, float), here
        if self.level_in.shape != self.level_out.shape or self.percent.shape != (self.edges.size - 1,):
            raise GainlibError(
                f"{self.level_in.size} levels in, {self.level_out.size} out, {self.percent.size} shares for "
                f"{self.edges.size - 1} bins; give as many out as in, and one share a bin"
            )
        self._curve.set_data(self.level_in, self.level_out)
        height = self._height * self.percent / (self.percent.max() or 1.0)
        some = height > 0
        boxes = rectangles(self.edges[:-1], self._low, np.diff(self.edges), height)
        self._bars.set_verts(boxes[some])
        self._mark.set_data(*(([], []) if here is None else ([here[0]], [here[1]])))

    def sentence(self) -> str:
        """Return what comes out for the average, and where the stem is most often."""
        said = ""
        if self.here is not None:
            fed, given = (level_text(level, "dBFS") for level in self.here)
            said = f"Fed {fed} on average the box gives {given}. "
        if not self.percent.any():
            return f"{said}The stem is silent."
        most = int(np.argmax(self.percent))
        low, high = (number_text(edge, 0) for edge in self.edges[most : most + 2])
        return f"{said}The stem is most often between {low} and {high} dBFS."

    def table(self) -> Table:
        """Return the curve every 6 dB, with how much of the stem lies in the 6 dB up to it."""
        rows = []
        for level in np.arange(self.edges[0] + 6, self.edges[-1] + 0.1, 6):
            share = self.percent[(self.edges[1:] > level - 5.99) & (self.edges[1:] <= level + 0.01)].sum()
            out = np.interp(level, self.level_in, self.level_out) if self.level_in.size else np.nan
            rows.append((number_text(level, 0), number_text(out, sign=True), number_text(share)))
        heads = ("level in (dBFS)", "level out (dBFS)", "stem in the 6 dB up to it (%)")
        return Table("Out against in, and the stem", heads, tuple(rows))


class DriveCurves:
    """Distortion above, gain below, both against the level the box is fed; a banded bar is its working range.

    Parameters
    ----------
    upper, lower : matplotlib axes
        For distortion in percent, and for gain in dB.
    low_dbfs, high_dbfs : float
        Ends of the level scale.
    low_db, high_db : float
        Ends of the gain scale.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curves = DriveCurves(*make_figure(400, 400).subplots(2, 1))
    >>> curves.update([-30, -18, -6], [0.06, 1.0, 11.1], [0.0, -0.3, -3.1], working=(-23, -18, -13), here_dbfs=-6)
    >>> curves.sentence()
    'A sine of −6.0 dBFS: THD 11.1 %, gain −3.1 dB, 7.0 dB above the working range of −23.0 to −13.0 dBFS.'
    """

    def __init__(
        self,
        upper: Axes,
        lower: Axes,
        low_dbfs: float = -42.0,
        high_dbfs: float = 6.0,
        low_db: float = -15.0,
        high_db: float = 6.0,
    ):
        self.level, self.thd, self.gain = np.zeros(0), np.zeros(0), np.zeros(0)
        self.working, self.here, self._gains = None, None, (low_db, high_db)
        frame(upper, "THD: ▒ working range, ◆ here", grid="both")
        frame(lower, "Gain of its fundamental", grid="both")
        for axes in (upper, lower):
            db_axis(axes, low_dbfs, high_dbfs, 6, "", "x")
        db_axis(lower, low_dbfs, high_dbfs, 6, "fed (dBFS)", "x")
        db_axis(lower, low_db, high_db, 6, "dB")
        upper.set_yscale("log")
        upper.set_ylim(LEAST_PERCENT, MOST_PERCENT)
        upper.set_yticks([0.001, 0.01, 0.1, 1, 10, 100], ["0.001", "0.01", "0.1", "1", "10", "100 %"])
        upper.minorticks_off()
        self._bands = [axes.add_patch(Boxes(**BAND)) for axes in (upper, lower)]
        self._lines, self._marks = [], []
        for k, axes in enumerate((upper, lower)):
            look = line(k)
            style = {"color": look.color, "linestyle": look.linestyle, "marker": look.marker, "markersize": 4}
            self._lines += axes.plot([], [], linewidth=2, zorder=3, **style)
            self._marks += axes.plot([], [], clip_on=False, **HERE)
        self._note = words(upper, low_dbfs + 0.5, MOST_PERCENT * 0.6, "", va="top")
        self.artists = [*self._bands, *self._lines, *self._marks, self._note]

    def update(self, level_dbfs, thd_percent, gain_db, working=None, here_dbfs: float | None = None) -> None:
        """Show another box or another drive.

        Parameters
        ----------
        level_dbfs, thd_percent, gain_db : arrays, shape (n,)
            What a sine of that level meets.
        working : (float, float, float), optional
            Lowest, best and highest level of the working range; None where the box has no preference.
        here_dbfs : float, optional
            The level it is fed now.
        """
        arrays = [np.asarray(each, float) for each in (level_dbfs, thd_percent, gain_db)]
        self.level, self.thd, self.gain = arrays
        if not self.level.size or len({each.shape for each in arrays}) > 1:
            raise GainlibError(f"{[each.size for each in arrays]} levels, distortions and gains; give one of each")
        self.working, self.here = working, here_dbfs
        shown = np.clip(self.thd, LEAST_PERCENT, MOST_PERCENT)
        for curve, values in zip(self._lines, (shown, self.gain), strict=True):
            curve.set_data(self.level, values)
        spans = ((LEAST_PERCENT, MOST_PERCENT), self._gains)
        for band, (bottom, top) in zip(self._bands, spans, strict=True):
            box = rectangles(working[0], bottom, working[2] - working[0], top - bottom) if working else []
            band.set_verts(np.asarray(box))
        for mark, values in zip(self._marks, (shown, self.gain), strict=True):
            mark.set_data(*(([], []) if here_dbfs is None else ([here_dbfs], [self._at(values)])))
        self._note.set_text("" if working else "no working range: fed at any level, it does the same")

    def _at(self, values):
        return float(np.interp(self.here, self.level, values))

    def _place(self):
        if self.working is None:
            return "; it has no working range, its level is free"
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
        thd, gain = self._at(self.thd), self._at(self.gain)
        percent = percent_text(thd)
        return f"A sine of {level_text(self.here, 'dBFS')}: THD {percent}, gain {level_text(gain)}{self._place()}."

    def table(self) -> Table:
        """Return distortion and gain at every level measured."""
        rows = tuple(
            (number_text(level), percent_text(thd), number_text(gain, 2, sign=True))
            for level, thd, gain in zip(self.level, self.thd, self.gain, strict=True)
        )
        return Table("Distortion and gain against drive", ("fed (dBFS)", "THD", "gain (dB)"), rows)
