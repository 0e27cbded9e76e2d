"""A law laid through measured points, over a logarithmic scale of millimetres."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from gainlib.notebook.figures.axes import db_axis, frame
from gainlib.notebook.figures.palette import INK, VERMILLION, line
from gainlib.notebook.figures.travel import words
from gainlib.words import Table, number_text

TICKS_MM = (2, 3, 5, 7, 10, 15, 20, 30, 40, 50, 70, 100, 140)


class LaidLaw:
    """Measured points of a fader and a law's straight line through them, with what is left between.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> laid = LaidLaw(make_figure(500, 300).subplots())
    >>> laid.update([10, 50, 100], [-69.0, -14.0, 10.0], [-70.0, -14.1, 9.995], "k = 4, x₀ = 75 mm", 0.6)
    True
    >>> laid.sentence()
    'With k = 4, x₀ = 75 mm the law lies 0.60 dB from the points (root mean square).'
    """

    def __init__(self, axes: Axes):
        self._axes, self._which, self.misfit_db = axes, "", 0.0
        self.positions = self.levels = self.law_db = np.zeros(0)
        frame(axes, "● = measured, line = your law", "position (mm), logarithmic scale", grid="both")
        axes.set_xscale("log")
        axes.axhline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        look = line(0)
        (self._line,) = axes.plot([], [], color=look.color, linestyle=look.linestyle, linewidth=2, zorder=2)
        self._left = LineCollection([], colors=VERMILLION, linewidths=1.6, linestyles="dotted", zorder=3)
        axes.add_collection(self._left, autolim=False)
        (self._points,) = axes.plot([], [], linestyle="none", marker="o", markersize=7, color=INK, zorder=4)
        self._note = words(axes, 1, 1, va="top")
        self.artists = [self._line, self._left, self._points, self._note]

    def _scale(self):
        """Fit the axes to the points."""
        axes, positions, levels = self._axes, self.positions, self.levels
        left, right = 0.9 * positions.min(), 1.1 * positions.max()
        axes.set_xlim(left, right)
        axes.xaxis.set_major_locator(FixedLocator(TICKS_MM))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        low, high = 10 * np.floor((levels.min() - 8) / 10), 10 * np.ceil((levels.max() + 4) / 10)
        db_axis(axes, low, high, 10, "gain (dB)")
        self._note.set_position((left * (right / left) ** 0.02, low + 0.95 * (high - low)))
        self._points.set_data(positions, levels)

    def update(self, positions_mm, levels_db, law_db, which: str, misfit_db: float) -> bool:
        """Lay another law, or one through other points; return whether the scales have changed.

        Parameters
        ----------
        positions_mm, levels_db : arrays
            The points, all above 0 mm and finite.
        law_db : array
            What the law gives at every point's position.
        which : str
            The law in words.
        misfit_db : float
            Root mean square of what is left, in dB.
        """
        points = np.array([positions_mm, levels_db], float)
        others = not np.array_equal(points, [self.positions, self.levels])
        if others:
            self.positions, self.levels = points
            self._scale()
        self.law_db, self._which, self.misfit_db = np.asarray(law_db, float), which, float(misfit_db)
        order = np.argsort(self.positions)
        self._line.set_data(self.positions[order], self.law_db[order])
        ends = np.stack([self.levels, self.law_db], axis=1)
        self._left.set_segments(np.stack([np.repeat(self.positions[:, np.newaxis], 2, axis=1), ends], axis=-1))
        self._note.set_text(f"{which}: misfit {number_text(misfit_db, 2)} dB")
        return others

    def sentence(self) -> str:
        """Return the law and how far it lies from the points."""
        return (
            f"With {self._which} the law lies {number_text(self.misfit_db, 2)} dB from the points (root mean square)."
        )

    def table(self) -> Table:
        """Return measured gain, the law's, and the difference, at every position."""
        rows = tuple(
            (number_text(mm), number_text(db), number_text(law), number_text(db - law, 1, True))
            for mm, db, law in zip(self.positions, self.levels, self.law_db, strict=True)
        )
        return Table("Points and law", ("position (mm)", "measured (dB)", "law (dB)", "left over (dB)"), rows)
