"""What is left when two prints are subtracted: by octave, or one bar for each arithmetic."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.notebook.figures.axes import FONT, TEXT_PT, Boxes, db_axis, frame, rectangles
from gainlib.notebook.figures.palette import INK, VERMILLION, fill
from gainlib.words import Table, number_text

WIDTH = 0.72


class ResidueBars:
    """A bar from the floor up for each name; a diamond where it was expected.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    low_db, high_db : float
        Ends of the scale; what lies lower stands at the bottom.
    title, unit, what : str
        Above the picture, beside its scale, and what the names are.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = ResidueBars(make_figure(400, 300).subplots(), -160, 0, "Rest by octave", "dB", "octave (Hz)")
    >>> bars.update(["1000", "2000"], [-90.0, -np.inf])
    >>> bars.sentence()
    'Highest: 1000, −90.0 dB.'
    """

    def __init__(self, axes: Axes, low_db: float, high_db: float, title: str, unit: str, what: str):
        self._axes, self._ends, self._unit, self._what, self._title = axes, (low_db, high_db), unit, what, title
        frame(axes, title, what)
        db_axis(axes, low_db, high_db, 20, unit)
        look = fill(0)
        self._bars = axes.add_patch(Boxes(facecolor=look.color, hatch=look.hatch, edgecolor=INK, linewidth=0.8))
        (self._marks,) = axes.plot([], [], "D", color=VERMILLION, markeredgecolor=INK, markersize=8, zorder=4)
        self._texts = []
        self.names, self.levels, self.expected = (), np.zeros(0), None

    @property
    def artists(self):
        """What changes."""
        return [self._bars, self._marks, *self._texts]

    def update(self, names, levels_db, expected_db=None) -> None:
        """Show other bars; the figure has to be redrawn, since the names change.

        Parameters
        ----------
        names : sequence of str
        levels_db : sequence of float
            −inf for nothing left.
        expected_db : sequence of float, optional
            NaN where nothing is expected.
        """
        self.names, self.levels = tuple(names), np.asarray(levels_db, float)
        self.expected = None if expected_db is None else np.asarray(expected_db, float)
        low, high = self._ends
        places, top = np.arange(len(self.names)), np.clip(self.levels, low, high)
        self._axes.set_xlim(-0.6, len(self.names) - 0.4)
        self._axes.set_xticks(places, self.names, fontsize=TEXT_PT, fontfamily=FONT)
        self._bars.set_verts(rectangles(places - WIDTH / 2, low, WIDTH, top - low))
        shown = [] if self.expected is None else np.flatnonzero(np.isfinite(self.expected))
        self._marks.set_data(shown, [] if self.expected is None else np.clip(self.expected[shown], low, high))
        for text in self._texts:
            text.remove()
        style = {"fontsize": TEXT_PT, "fontfamily": FONT, "color": INK, "ha": "center", "va": "bottom", "zorder": 5}
        self._texts = [
            self._axes.text(place, min(level + 2.0, high - 8.0), self._short(value), **style)
            for place, level, value in zip(places, top, self.levels, strict=True)
        ]

    @staticmethod
    def _short(value):
        return "none" if value == -np.inf else number_text(value, 0)

    def sentence(self) -> str:
        """Return which is highest."""
        if not self.names:
            return "Nothing has been subtracted yet."
        k = int(np.argmax(self.levels))
        if self.levels[k] == -np.inf:
            return "Nothing is left at all."
        return f"Highest: {self.names[k]}, {number_text(self.levels[k])} {self._unit}."

    def table(self) -> Table:
        """Return every bar."""
        heads = (self._what, f"left ({self._unit})")
        columns = [self.names, ["nothing" if each == -np.inf else number_text(each) for each in self.levels]]
        if self.expected is not None:
            heads += (f"expected ({self._unit})",)
            columns.append(["" if np.isnan(each) else number_text(each) for each in self.expected])
        return Table(self._title, heads, tuple(zip(*columns, strict=True)))
