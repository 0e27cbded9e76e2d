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
    positions_mm, levels_db : arrays
        The points, all above 0 mm and finite.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> laid = LaidLaw(make_figure(500, 300).subplots(), [10, 50, 100], [-69.0, -14.0, 10.0])
    >>> laid.update([-70.0, -14.1, 9.995], "k = 4, x₀ = 75 mm", 0.6)
    >>> laid.sentence()
    'With k = 4, x₀ = 75 mm the law lies 0.60 dB from the points (root mean square).'
    """

    def __init__(self, axes: Axes, positions_mm, levels_db):
        self.positions, self.levels = np.asarray(positions_mm, float), np.asarray(levels_db, float)
        self.law_db, self._which, self.misfit_db = self.levels, "", 0.0
        frame(axes, "● = measured, line = your law", "position (mm), logarithmic scale", grid="both")
        low, high = self.levels.min(), self.levels.max()
        axes.set_xscale("log")
        axes.set_xlim(0.9 * self.positions.min(), 1.1 * self.positions.max())
        axes.xaxis.set_major_locator(FixedLocator(TICKS_MM))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        db_axis(axes, 10 * np.floor((low - 8) / 10), 10 * np.ceil((high + 4) / 10), 10, "gain (dB)")
        axes.axhline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        look = line(0)
        self._order = np.argsort(self.positions)
        (self._line,) = axes.plot([], [], color=look.color, linestyle=look.linestyle, linewidth=2, zorder=2)
        self._left = LineCollection([], colors=VERMILLION, linewidths=1.6, linestyles="dotted", zorder=3)
        axes.add_collection(self._left, autolim=False)
        style = {"linestyle": "none", "marker": "o", "markersize": 7, "color": INK, "zorder": 4}
        axes.plot(self.positions, self.levels, **style)
        left, right = axes.get_xlim()
        bottom, top = axes.get_ylim()
        self._note = words(axes, left * (right / left) ** 0.02, bottom + 0.95 * (top - bottom), va="top")
        self.artists = [self._line, self._left, self._note]

    def update(self, law_db, which: str, misfit_db: float) -> None:
        """Lay another law.

        Parameters
        ----------
        law_db : array
            What the law gives at every point's position.
        which : str
            The law in words.
        misfit_db : float
            Root mean square of what is left, in dB.
        """
        self.law_db, self._which, self.misfit_db = np.asarray(law_db, float), which, float(misfit_db)
        self._line.set_data(self.positions[self._order], self.law_db[self._order])
        ends = np.stack([self.levels, self.law_db], axis=1)
        self._left.set_segments(np.stack([np.repeat(self.positions[:, np.newaxis], 2, axis=1), ends], axis=-1))
        self._note.set_text(f"{which}: misfit {number_text(misfit_db, 2)} dB")

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
