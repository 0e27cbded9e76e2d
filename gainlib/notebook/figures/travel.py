"""A fader's travel: its law, what a millimetre is worth, points a law is laid through, and where a hand lands."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.ticker import FixedLocator, FuncFormatter, MultipleLocator, NullLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame
from gainlib.notebook.figures.lines import Lines
from gainlib.notebook.figures.palette import BLACK, BLUE, INK, VERMILLION, look
from gainlib.notebook.figures.parts import Drawing, filled, numbers, plotted, put, rectangles, rule, tabled, words
from gainlib.words import Table, number_text

ROOM = 0.55
COARSE = {"color": "#fdf1ea", "edgecolor": "#f2c4a5", "hatch": "//", "linewidth": 0.0, "zorder": 0.6}
TICKS_MM = (2, 3, 5, 7, 10, 15, 20, 30, 40, 50, 70, 100, 140)


class LawCurve(Lines):
    """Gain of a fader against its position, with the part of the travel where a millimetre is more than a decibel.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curve = LawCurve(make_figure(400, 300).subplots())
    >>> curve.update([10, 50, 100], [-70, -14.1, 10], here=(75.0, 0.0), coarse_mm=34.7)
    >>> curve.sentence()
    'The fader is at 75.0 mm, 0.0 dB. Below 34.7 mm one millimetre is worth more than 1 dB.'
    """

    def __init__(self, axes: Axes, length_mm: float = 100.0, low_db: float = -80.0, high_db: float = 16.0):
        self._low, self._high, self.coarse_mm = low_db, high_db, 0.0
        y = (low_db, high_db, 20, "gain (dB)")
        super().__init__(axes, "Gain against position", "position (mm)", y, look(0), here=True)
        axes.set_xlim(0, length_mm)
        rule(axes, 0)
        self._coarse = filled(axes, **COARSE)
        self.artists += [self._coarse, words(axes, 2, high_db - 3, "1 mm > 1 dB", va="top")]

    def update(self, positions_mm, levels_db, here, coarse_mm: float) -> None:
        """Show another law, or another position: `here` is mm and dB, and below `coarse_mm` a mm is more than a dB."""
        self._show(positions_mm, levels_db, ends=(2 * self._low, np.inf))
        self.here, self.coarse_mm = (float(here[0]), float(here[1])), float(coarse_mm)
        put(self._mark, (here[0], max(here[1], self._low)))
        self._coarse.set_verts(rectangles([0.0], self._low, coarse_mm, self._high - self._low))

    def sentence(self) -> str:
        """Return where the fader stands, and where it turns coarse."""
        mm, db = self.here
        level = number_text(db, signed=True)
        return (
            f"The fader is at {number_text(mm)} mm, {level}{'' if np.isneginf(db) else ' dB'}. Below "
            f"{number_text(self.coarse_mm)} mm one millimetre is worth more than 1 dB."
        )


class SlopeCurve(Lines):
    """What a millimetre is worth against the fader's gain; the upright scale ends at `top` dB per mm.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> slope = SlopeCurve(make_figure(400, 300).subplots())
    >>> slope.update([-60, 0], [2.61, 0.46], here=(0.0, 0.463), rows=[(0.0, 75.0, 0.463)])
    >>> slope.sentence()
    'Here one millimetre is worth 0.46 dB.'
    """

    def __init__(self, axes: Axes, low_db: float = -60.0, high_db: float = 12.0, top: float = 4.0):
        self._top, self._low, self.rows = top, low_db, ()
        x = (low_db, high_db, 10, "gain of the fader (dB)")
        super().__init__(axes, "What one millimetre is worth", x, "dB per mm", look(1), here=True)
        axes.set_ylim(0, top)
        axes.yaxis.set_major_locator(MultipleLocator(1))
        rule(axes, 1)
        self._note = words(axes, 0, 0, va="bottom")
        self.artists.append(self._note)

    def update(self, levels_db, slopes, here, rows) -> None:
        """Show another law, or another position: `here` is dB and dB per mm, both may be infinite.

        `rows` has gain, position in mm and slope for the table.
        """
        self._show(levels_db, slopes)
        self.here, self.rows = (float(here[0]), float(here[1])), tuple(rows)
        x, y = max(here[0], self._low), min(here[1], self._top)
        put(self._mark, (x, y))
        self._note.set_text(self._worth())
        self._note.set_position((x, min(max(y, 0.85) + 0.25, 0.92 * self._top)))
        self._note.set_ha("left" if x < -50 else "center")

    def _worth(self):
        return "" if np.isinf(self.here[1]) else f"{number_text(self.here[1], 2)} dB"

    def sentence(self) -> str:
        """Return what a millimetre is worth where the fader stands."""
        if np.isinf(self.here[1]):
            return "The fader is closed."
        return f"Here one millimetre is worth {self._worth()}."

    def table(self) -> Table:
        """Return positions and slopes along the travel."""
        rows = tuple((number_text(db, 1, True), number_text(mm), number_text(slope, 2)) for db, mm, slope in self.rows)
        return Table("Along the travel", ("gain (dB)", "position (mm)", "one mm is (dB)"), rows)


class LaidLaw(Drawing):
    """Measured points of a fader and a law's line through them over logarithmic millimetres, with what is left between.

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
        self.positions, self.levels, self.law_db = np.zeros((3, 0))
        frame(axes, "● = measured, line = your law", "position (mm), logarithmic scale", grid="both")
        axes.set_xscale("log")
        rule(axes, 0)
        self._line = plotted(axes, **look(0, zorder=2))
        self._left = LineCollection([], colors=VERMILLION, linewidths=1.6, linestyles="dotted", zorder=3)
        axes.add_collection(self._left, autolim=False)
        self._points = plotted(axes, linestyle="none", marker="o", markersize=7, color=INK, zorder=4)
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

        The points lie above 0 mm and are finite; `which` is the law in words, `misfit_db` the root mean square left.
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
        misfit = number_text(self.misfit_db, 2)
        return f"With {self._which} the law lies {misfit} dB from the points (root mean square)."

    def table(self) -> Table:
        """Return measured gain, the law's, and the difference, at every position."""
        columns = *map(numbers, (self.positions, self.levels, self.law_db)), numbers(self.levels - self.law_db, 1, True)
        heads = ("position (mm)", "measured (dB)", "law (dB)", "left over (dB)")
        return tabled("Points and law", heads, *columns)


class Hits(Drawing):
    """Where a hand lands that means one level: dots beside what was meant, one row a place.

    The lying scale reaches `reach_db` to either side. The names stand `above` their rows where there is no room beside.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> hits = Hits(make_figure(400, 300).subplots(), 2)
    >>> hits.update(["0 dB", "−40 dB"], [[-0.2, 0.2], [-0.7, 0.7]], [0.2, 0.7])
    >>> hits.sentence()
    'The moves spread by 0.20 dB (0 dB), 0.70 dB (−40 dB) (one standard deviation).'
    """

    def __init__(
        self,
        axes: Axes,
        count: int = 3,
        reach_db: float = 4.0,
        title: str = "Where the hand stops: ● = one move, bar = one standard deviation to either side",
        above: bool = False,
    ):
        self._reach, self._count, self.places, self.spreads = reach_db, count, (), ()
        frame(axes, title, (-reach_db, reach_db, 1, "off target (dB)"), grid="x")
        axes.set_ylim(count - 0.5, -0.5)
        axes.set_yticks([])
        room = 0.0 if above else ROOM  # beside the rows the names stand clear of the grid
        axes.xaxis.set_major_locator(FixedLocator(np.arange(-int(reach_db), int(reach_db) + 1)))
        axes.set_xlim(-(1 + room) * reach_db, (1 + 0.7 * room) * reach_db)
        rule(axes, 0, "x")
        self._bars = filled(axes, "#d6ebf7", edgecolor=BLUE, linewidth=1.2, zorder=1)
        self._dots = plotted(axes, linestyle="none", marker="o", markersize=4, color=BLACK, alpha=0.6, zorder=3)
        rows = [row - 0.4 if above else row for row in range(count)]
        self._names = [words(axes, -(0.98 + room) * reach_db, row, va="center") for row in rows]
        self._numbers = [words(axes, (0.98 + 0.7 * room) * reach_db, row, ha="right", va="center") for row in rows]
        self.artists = [self._bars, self._dots, *self._names, *self._numbers]

    def update(self, places, hits_db, spreads_db) -> None:
        """Show other hits: a name a row, dB off what was meant, and the standard deviation in dB."""
        if not len(places) == len(hits_db) == len(spreads_db) <= self._count:
            raise GainlibError(f"{len(places)} places and {len(hits_db)} rows of hits for {self._count} rows")
        self.places, self.spreads = tuple(places), tuple(float(each) for each in spreads_db)
        rows = np.arange(len(places))
        half = np.minimum(self.spreads, self._reach)
        self._bars.set_verts(rectangles(-half, rows - 0.3, 2 * half, 0.6))
        x = [np.clip(each, -0.985 * self._reach, 0.985 * self._reach) for each in hits_db]
        # the same place in its row for the same hit, so that the eye can compare the rows
        y = [row + 0.24 * np.sin(2.4 * np.arange(len(each))) for row, each in zip(rows, x, strict=True)]
        self._dots.set_data(np.concatenate(x), np.concatenate(y))
        for name, number, place, spread in zip(self._names, self._numbers, self.places, self.spreads, strict=False):
            name.set_text(place)
            number.set_text(f"± {number_text(spread, 2)} dB")

    def sentence(self) -> str:
        """Return the spread at every place."""
        told = (f"{number_text(s, 2)} dB ({p})" for p, s in zip(self.places, self.spreads, strict=True))
        return f"The moves spread by {', '.join(told)} (one standard deviation)."

    def table(self) -> Table:
        """Return the spread at every place."""
        columns = self.places, numbers(self.spreads, 2)
        return tabled("Where the hand stops", ("place", "standard deviation (dB)"), *columns)
