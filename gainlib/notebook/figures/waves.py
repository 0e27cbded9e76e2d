"""A signal from end to end: its waveform, and how often it is at which level."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame, full_scale_axis, rectangles, time_axis
from gainlib.notebook.figures.palette import INK, SKY, VERMILLION
from gainlib.words import Table, number_text


class Envelope:
    """A waveform from end to end, with every stretch over full scale marked.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    duration_s : float
        Length of the signal.
    limit : float
        Height of the upright axis, full scale = 1.
    title : str
        Above the picture, and first in its sentence and table.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> wave = Envelope(make_figure(500, 200).subplots(), duration_s=2.0)
    >>> wave.update([-0.5, -1.2], [0.4, 1.1], over_samples=7)
    >>> wave.sentence()
    'Bus waveform: 7 samples are over full scale; the highest value is 1.20.'
    """

    def __init__(self, axes: Axes, duration_s: float, limit: float = 2.4, title: str = "Bus waveform"):
        self.duration_s, self._title = duration_s, title
        self.low, self.high, self.over_samples = np.zeros(0), np.zeros(0), 0
        frame(axes, f"{title}: ▼ ▲ = over full scale")
        full_scale_axis(axes, limit, "full scale = 1")
        time_axis(axes, 0, duration_s)
        self._limit = limit
        self._body = PolyCollection([], facecolor=SKY, edgecolor=INK, linewidth=0.5, zorder=2)
        axes.add_collection(self._body, autolim=False)
        style = {"color": VERMILLION, "markeredgecolor": INK, "markeredgewidth": 0.5, "markersize": 7, "zorder": 3}
        (self._above,) = axes.plot([], [], linestyle="none", marker="v", **style)
        (self._below,) = axes.plot([], [], linestyle="none", marker="^", **style)
        self.artists = [self._body, self._above, self._below]

    def update(self, low, high, over_samples: int) -> None:
        """Show a new waveform.

        Parameters
        ----------
        low, high : sequences of float
            From :func:`gainlib.meters.envelope_of`.
        over_samples : int
            How many samples of the signal are over full scale; a column can hold many.
        """
        low, high = np.asarray(low, float), np.asarray(high, float)
        if low.shape != high.shape or low.ndim != 1 or not len(low):
            raise GainlibError(f"low {low.shape} and high {high.shape}; give two lists of the same length")
        self.low, self.high, self.over_samples = low, high, int(over_samples)
        # each column as a step, so that a single sample keeps its width
        step = self.duration_s / len(low)
        edges = np.repeat(np.arange(len(low) + 1) * step, 2)[1:-1]
        top, bottom = np.repeat(high, 2), np.repeat(low, 2)
        self._body.set_verts([np.column_stack([np.r_[edges, edges[::-1]], np.r_[top, bottom[::-1]]])])
        centre = (np.arange(len(low)) + 0.5) * step
        over, under = high > 1, low < -1
        reach = 0.95 * self._limit
        self._above.set_data(centre[over], np.full(over.sum(), reach))
        self._below.set_data(centre[under], np.full(under.sum(), -reach))

    def sentence(self) -> str:
        """Return the number of samples over full scale and the highest value."""
        if not len(self.low):
            return f"{self._title}: nothing yet."
        highest = max(self.high.max(), -self.low.min())
        count = {0: "no sample is", 1: "1 sample is"}.get(self.over_samples, f"{self.over_samples:,} samples are")
        return f"{self._title}: {count} over full scale; the highest value is {highest:.2f}."

    def table(self) -> Table:
        """Return the extremes of ten equal stretches."""
        rows = []
        for part in np.array_split(np.arange(len(self.low)), min(10, len(self.low)) or 1):
            if len(part):
                start, stop = (self.duration_s * edge / len(self.low) for edge in (part[0], part[-1] + 1))
                values = number_text(self.low[part].min(), 2), number_text(self.high[part].max(), 2)
                rows.append((f"{start:.1f} to {stop:.1f} s", *values))
        return Table(f"{self._title}, full scale = 1", ("stretch", "lowest", "highest"), tuple(rows))


class LevelHistogram:
    """How often a signal is at which level; bars over full scale are hatched and marked.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    edges_db : sequence of float
        Rising, equally spaced bin edges in dBFS; 0 should be one of them.
    title : str
        Above the picture, and first in its sentence and table.
    high_percent : float
        Top of the upright axis.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = LevelHistogram(make_figure(400, 200).subplots(), [-18, -12, -6, 0, 6])
    >>> bars.update([20.0, 60.0, 18.0, 2.0])
    >>> bars.sentence()
    'Levels: most often between −12 and −6 dBFS; 2.00 % of the samples are over full scale.'
    """

    def __init__(self, axes: Axes, edges_db, title: str = "Levels", high_percent: float = 100.0):
        self.edges_db, self._title = np.asarray(edges_db, float), title
        if len(self.edges_db) < 2 or not (np.diff(self.edges_db) > 0).all():
            raise GainlibError(f"bin edges {list(edges_db)}; give at least two, rising")
        self.percent = np.zeros(len(self.edges_db) - 1)
        frame(axes, f"{title}: how often", "", "% of the samples")
        step = 6 if np.ptp(self.edges_db) < 80 else 12
        db_axis(axes, self.edges_db[0], self.edges_db[-1], step, "sample level (dBFS)", "x")
        axes.set_yscale("log")
        axes.set_ylim(0.001, high_percent)
        axes.set_yticks([0.001, 0.01, 0.1, 1, 10, 100], ["0.001", "0.01", "0.1", "1", "10", "100"])
        axes.minorticks_off()
        axes.axvline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        style = {"edgecolor": INK, "linewidth": 0.6, "zorder": 2}
        self._under = PolyCollection([], facecolor=SKY, **style)
        self._over = PolyCollection([], facecolor=VERMILLION, hatch="////", **style)
        for bars in (self._under, self._over):
            axes.add_collection(bars, autolim=False)
        self.artists = [self._under, self._over]

    def update(self, percent) -> None:
        """Show new shares.

        Parameters
        ----------
        percent : sequence of float, one a bin
            From :func:`gainlib.meters.level_counts`.
        """
        percent = np.asarray(percent, float)
        if percent.shape != self.percent.shape:
            raise GainlibError(f"{percent.size} shares for {self.percent.size} bins; give one a bin")
        self.percent = percent
        left, width, base = self.edges_db[:-1], np.diff(self.edges_db), 1e-6
        boxes = rectangles(left, base, width, np.maximum(percent - base, 0))
        self._under.set_verts(boxes[left < 0])
        self._over.set_verts(boxes[left >= 0])

    def sentence(self) -> str:
        """Return the commonest level and the share over full scale."""
        if not self.percent.any():
            return f"{self._title}: nothing yet."
        most = int(np.argmax(self.percent))
        low, high = (number_text(edge, 0) for edge in self.edges_db[most : most + 2])
        over = self.percent[self.edges_db[:-1] >= 0].sum()
        return (
            f"{self._title}: most often between {low} and {high} dBFS; {over:.2f} % of the samples are over full scale."
        )

    def table(self) -> Table:
        """Return the share of every bin."""
        rows = tuple(
            (f"{number_text(low, 0)} to {number_text(high, 0)}", f"{share:.3f}")
            for low, high, share in zip(self.edges_db[:-1], self.edges_db[1:], self.percent, strict=True)
        )
        return Table(f"{self._title}: share of the samples", ("level (dBFS)", "%"), rows)
