"""The VU needle over time, and a list of meters as lying bars."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, TEXT_PT, db_axis, frame, rectangles, time_axis
from gainlib.notebook.figures.palette import BLUE, INK, SKY, VERMILLION, YELLOW
from gainlib.words import Table, level_text, number_text

SCALE_VU = (-20, -10, -5, -2, 0, 3)  # no two so near that their figures touch on a desk
TOP_VU = 3.0
HEADROOM = 1.08
WORD_DB, EDGE_DB = 19.0, 1.0
"""What a reading takes up on the scale of a plot of ordinary width, and its distance from the end of its bar."""


def deflection(vu):
    """Return how far the needle swings, as a share of its swing at +3 VU: in proportion to the rectified voltage.

    Examples
    --------
    >>> round(float(deflection(0.0)), 3), float(deflection(-np.inf))
    (0.708, 0.0)
    """
    return 10.0 ** ((np.asarray(vu, float) - TOP_VU) / 20.0)


class NeedleTrace:
    """Where the needle stood, over time; a strip shows when the burst sounds.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    duration_s : float
        Length of the time axis.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> trace = NeedleTrace(make_figure(500, 250).subplots(), 2.0)
    >>> trace.update(np.array([0.5, 1.0]), np.array([-11.0, -14.0]), (0.5, 0.55))
    >>> trace.sentence()
    'The needle swings up to −11.0 VU, 0.00 s after the burst begins.'
    """

    def __init__(self, axes: Axes, duration_s: float):
        self.time_s, self.vu, self.burst_s = np.zeros(1), np.full(1, -np.inf), (0.0, duration_s)
        frame(axes, "VU needle: ▬ burst, ◆ highest")
        time_axis(axes, 0, duration_s)
        axes.set_ylim(0, HEADROOM)
        axes.set_yticks(deflection(SCALE_VU), [number_text(vu, 0, sign=True) for vu in SCALE_VU])
        axes.set_ylabel("VU", fontsize=TEXT_PT, fontfamily=FONT, color=INK)
        axes.axhline(deflection(0), color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        self._strip = PolyCollection([], facecolor=YELLOW, edgecolor=INK, linewidth=0.6, zorder=2)
        axes.add_collection(self._strip, autolim=False)
        (self._line,) = axes.plot([], [], color=BLUE, linewidth=1.8, zorder=3)
        style = {"color": VERMILLION, "markeredgecolor": INK, "zorder": 4, "clip_on": False}
        (self._top,) = axes.plot([], [], linestyle="none", marker="D", markersize=7, **style)
        (self._off,) = axes.plot([], [], linestyle="none", marker="^", markersize=9, **style)
        self.artists = [self._strip, self._line, self._top, self._off]

    def update(self, time_s, vu, burst_s) -> None:
        """Show another run of the needle.

        Parameters
        ----------
        time_s, vu : arrays, shape (n,)
            Positions; −inf at rest.
        burst_s : (float, float)
            When the burst begins and ends.
        """
        self.time_s, self.vu, self.burst_s = np.asarray(time_s, float), np.asarray(vu, float), tuple(burst_s)
        if self.time_s.shape != self.vu.shape or not self.vu.size:
            raise GainlibError(f"{self.time_s.size} times for {self.vu.size} positions; give one each, one or more")
        swing = deflection(self.vu)
        every = max(1, self.vu.size // 750)  # finer than the screen shows
        self._line.set_data(self.time_s[::every], np.minimum(swing[::every], HEADROOM))
        highest = int(np.argmax(swing))
        on_scale = swing[highest] <= HEADROOM
        place = ([self.time_s[highest]], [min(swing[highest], 1.03)])
        self._top.set_data(*(place if on_scale and swing[highest] > 0 else ([], [])))
        self._off.set_data(*(([], []) if on_scale else place))
        begin, end = self.burst_s
        self._strip.set_verts(rectangles(begin, 0.0, max(end - begin, 0.02), 0.045))

    def sentence(self) -> str:
        """Return how far the needle swings, and when."""
        highest = int(np.argmax(self.vu))
        if self.vu[highest] == -np.inf:
            return "The needle stays at rest."
        after = number_text(self.time_s[highest] - self.burst_s[0], 2)
        off = ", off the end of its scale" if self.vu[highest] > TOP_VU else ""
        said = f"The needle swings up to {level_text(self.vu[highest], 'VU')}{off}"
        return f"{said}, {after} s after the burst begins."

    def table(self) -> Table:
        """Return where the needle stands every half second and at its highest."""
        times = np.arange(0.5, self.time_s[-1] + 1e-9, 0.5)
        rows = [(f"{time:.1f}", number_text(self._at(time), sign=True)) for time in times]
        highest = int(np.argmax(self.vu))
        rows.append((f"{self.time_s[highest]:.2f} (highest)", number_text(self.vu[highest], sign=True)))
        return Table("The needle over time", ("time (s)", "VU"), tuple(rows))

    def _at(self, time_s):
        return float(self.vu[min(np.searchsorted(self.time_s, time_s), self.vu.size - 1)])


class MeterRows:
    """What several meters read, as lying bars on one scale of decibels.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    names : sequence of str
        Rows, from the top.
    low_db, high_db : float
        Ends of the scale.
    title : str
        Heading.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> rows = MeterRows(make_figure(400, 200).subplots(), ("sample peak", "needle"))
    >>> rows.update([-18.0, -29.1], ["−18.0 dBFS", "−11.1 VU"])
    >>> rows.sentence()
    'The meters: sample peak −18.0 dBFS, needle −11.1 VU.'
    """

    def __init__(self, axes: Axes, names, low_db: float = -60, high_db: float = 6, title: str = "The meters"):
        self.names, self.texts = tuple(names), ("",) * len(names)
        self._low, self._high, self._title = low_db, high_db, title
        frame(axes, title, grid="")  # every bar has its reading, which a grid would strike through
        db_axis(axes, low_db, high_db, 12, "dB", "x")
        axes.set_ylim(len(self.names) - 0.45, -0.55)
        axes.set_yticks(range(len(self.names)), self.names)
        axes.axvline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        self._bars = PolyCollection([], facecolor=SKY, edgecolor=INK, linewidth=0.8, zorder=2)
        axes.add_collection(self._bars, autolim=False)
        style = {"fontsize": TEXT_PT, "fontfamily": FONT, "color": INK, "va": "center_baseline", "zorder": 4}
        self._numbers = [axes.text(low_db, row, "", **style) for row in range(len(self.names))]
        self.artists = [self._bars, *self._numbers]

    def update(self, levels_db, texts) -> None:
        """Show new readings.

        Parameters
        ----------
        levels_db : sequence of float
            Length of each bar on the scale; −inf is none.
        texts : sequence of str
            What each meter reads, in its own unit.
        """
        levels = np.asarray(levels_db, float)
        if levels.shape != (len(self.names),) or len(texts) != len(self.names):
            raise GainlibError(f"{levels.size} levels and {len(texts)} texts for {len(self.names)} rows; give one each")
        self.texts = tuple(texts)
        rows = np.arange(len(self.names))
        ends = np.clip(levels, self._low, self._high)
        self._bars.set_verts(rectangles(self._low, rows - 0.42, ends - self._low, 0.84))
        for number, text, end in zip(self._numbers, texts, ends, strict=True):
            beside = end + WORD_DB + EDGE_DB <= min(self._high, 0.0)  # else it would lie across the line at 0
            number.set(text=text, x=end + EDGE_DB if beside else end - EDGE_DB, ha="left" if beside else "right")

    def sentence(self) -> str:
        """Return all readings in one sentence."""
        return f"{self._title}: {', '.join(map(' '.join, zip(self.names, self.texts, strict=True)))}."

    def table(self) -> Table:
        """Return every reading."""
        return Table(self._title, ("meter", "reads"), tuple(zip(self.names, self.texts, strict=True)))
