"""Level bars: one row a name, an average as a bar and a peak as a mark, both with their numbers."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, TEXT_PT, db_axis, frame, rectangles
from gainlib.notebook.figures.palette import INK, SKY, VERMILLION
from gainlib.words import Table, level_text, number_text


class MeterBars:
    """Levels of several signals, lying bars on one decibel scale.

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
    average_label, peak_label : str
        What the bar and the mark are, unit included: an average without its meter's name means nothing.

    Attributes
    ----------
    artists : list
        For :class:`gainlib.notebook.live.LiveFigure`.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = MeterBars(make_figure(400, 200).subplots(), ("kick", "bass"))
    >>> bars.update(average=[-12.0, -6.1], peak=[-1.0, -1.5])
    >>> bars.sentence()
    'Highest peak: kick at −1.0 dBFS; highest average: bass at −6.1 dBFS.'
    """

    def __init__(
        self,
        axes: Axes,
        names,
        low_db: float = -60,
        high_db: float = 6,
        title: str = "Levels",
        average_label: str = "RMS (dBFS)",
        peak_label: str = "sample peak (dBFS)",
    ):
        self.names, self._low, self._labels = tuple(names), low_db, (average_label, peak_label)
        self._title, self._high = title, high_db
        self.average = self.peak = np.full(len(self.names), -np.inf)
        frame(axes, f"{title}: bar = {average_label}, diamond = {peak_label}", grid="x")
        db_axis(axes, low_db, high_db, 6, "", "x")
        axes.set_ylim(len(self.names) - 0.4, -0.6)
        axes.set_yticks(range(len(self.names)), self.names)
        axes.axvline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        self._bars = PolyCollection([], facecolor=SKY, edgecolor=INK, linewidth=0.8, zorder=2)
        axes.add_collection(self._bars, autolim=False)
        (self._marks,) = axes.plot([], [], "D", color=VERMILLION, markeredgecolor=INK, markersize=7, zorder=3)
        style = {"fontsize": TEXT_PT, "fontfamily": FONT, "color": INK, "va": "center", "zorder": 4}
        self._numbers = [axes.text(low_db + 0.5, row, "", **style) for row in range(len(self.names))]
        self.artists = [self._bars, self._marks, *self._numbers]

    def update(self, average, peak) -> None:
        """Show new levels.

        Parameters
        ----------
        average, peak : sequence of float, one a name
            In dB; −inf is silence.
        """
        average, peak = np.asarray(average, float), np.asarray(peak, float)
        if average.shape != (len(self.names),) or peak.shape != average.shape:
            raise GainlibError(
                f"{average.size} averages and {peak.size} peaks for {len(self.names)} rows; give one of each a row"
            )
        self.average, self.peak = average, peak
        rows = np.arange(len(self.names))
        width = np.clip(average, self._low, self._high) - self._low
        self._bars.set_verts(rectangles(self._low, rows - 0.3, width, 0.6))
        seen = peak > self._low
        self._marks.set_data(np.minimum(peak[seen], self._high), rows[seen])
        for text, mean, top in zip(self._numbers, average, peak, strict=True):
            text.set_text(f"{number_text(mean)}   ◆ {number_text(top)}" if np.isfinite(top) else "silent")

    def sentence(self) -> str:
        """Return who is highest by peak and by average."""
        if not len(self.names) or not np.isfinite(self.peak).any():
            return "Everything is silent."
        high, mean = int(np.argmax(self.peak)), int(np.argmax(self.average))
        units = [label[label.rfind("(") + 1 :].rstrip(")") for label in self._labels]
        return (
            f"Highest peak: {self.names[high]} at {level_text(self.peak[high], units[1])}; "
            f"highest average: {self.names[mean]} at {level_text(self.average[mean], units[0])}."
        )

    def table(self) -> Table:
        """Return both levels of every row."""
        rows = tuple(
            (name, number_text(mean), number_text(top))
            for name, mean, top in zip(self.names, self.average, self.peak, strict=True)
        )
        return Table(self._title, ("source", *self._labels), rows)
