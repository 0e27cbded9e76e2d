"""A fader's travel: its law, what a millimetre is worth, and where a hand lands."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, MultipleLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, TEXT_PT, Boxes, db_axis, frame, rectangles
from gainlib.notebook.figures.cached_text import Stamp
from gainlib.notebook.figures.palette import BLACK, BLUE, INK, VERMILLION, line
from gainlib.words import Table, number_text

ROOM = 0.55
COARSE = {"facecolor": "#fdf1ea", "edgecolor": "#f2c4a5", "hatch": "//", "linewidth": 0.0, "zorder": 0.6}
HERE = {"linestyle": "none", "marker": "D", "markersize": 9, "color": VERMILLION, "markeredgecolor": INK, "zorder": 5}


def words(axes: Axes, x: float, y: float, text: str = "", ha: str = "left", va: str = "bottom") -> Stamp:
    """Return a short text placed in the axes' own scales, drawn once and stamped from then on."""
    style = {"fontsize": TEXT_PT, "fontfamily": FONT, "color": INK, "ha": ha, "va": va, "zorder": 6}
    return axes.add_artist(Stamp(x, y, text, **style))


class LawCurve:
    """Gain of a fader against its position, with the part of the travel where a millimetre is more than a decibel.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    length_mm : float
        Travel.
    low_db, high_db : float
        Ends of the upright scale.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curve = LawCurve(make_figure(400, 300).subplots())
    >>> curve.update([10, 50, 100], [-70, -14.1, 10], here=(75.0, 0.0), coarse_mm=34.7)
    >>> curve.sentence()
    'The fader stands at 75.0 mm, 0.0 dB. Below 34.7 mm one millimetre is more than 1 dB.'
    """

    def __init__(self, axes: Axes, length_mm: float = 100.0, low_db: float = -80.0, high_db: float = 16.0):
        self._low, self._high = low_db, high_db
        self.here, self.coarse_mm = (0.0, 0.0), 0.0
        frame(axes, "Gain against position", "position (mm)", grid="both")
        db_axis(axes, low_db, high_db, 20, "gain (dB)")
        axes.set_xlim(0, length_mm)
        axes.axhline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        self._coarse = axes.add_patch(Boxes(**COARSE))
        look = line(0)
        (self._curve,) = axes.plot([], [], color=look.color, linestyle=look.linestyle, linewidth=2, zorder=3)
        (self._mark,) = axes.plot([], [], **HERE)
        self._note = words(axes, 2, high_db - 3, "1 mm > 1 dB", va="top")
        self.artists = [self._coarse, self._curve, self._mark, self._note]

    def update(self, positions_mm, levels_db, here, coarse_mm: float) -> None:
        """Show another law, or another position.

        Parameters
        ----------
        positions_mm, levels_db : arrays
            The curve.
        here : (float, float)
            Position in mm and level in dB of the fader; −∞ stands at the bottom.
        coarse_mm : float
            Below it a millimetre is more than a decibel.
        """
        self.here, self.coarse_mm = (float(here[0]), float(here[1])), float(coarse_mm)
        self._curve.set_data(positions_mm, np.maximum(levels_db, 2 * self._low))
        self._mark.set_data([here[0]], [max(here[1], self._low)])
        self._coarse.set_verts(rectangles([0.0], self._low, coarse_mm, self._high - self._low))

    def sentence(self) -> str:
        """Return where the fader stands, and where it turns coarse."""
        mm, db = self.here
        level = number_text(db, sign=True)
        return (
            f"The fader stands at {number_text(mm)} mm, {level}{'' if np.isneginf(db) else ' dB'}. Below "
            f"{number_text(self.coarse_mm)} mm one millimetre is more than 1 dB."
        )

    def table(self) -> None:
        """Return None: the table of the slopes has these numbers too."""
        return None


class SlopeCurve:
    """What a millimetre is worth against the fader's gain.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    low_db, high_db : float
        Ends of the lying scale.
    top : float
        Upper end of the upright scale, in dB per mm.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> slope = SlopeCurve(make_figure(400, 300).subplots())
    >>> slope.update([-60, 0], [2.61, 0.46], here=(0.0, 0.463), rows=[(0.0, 75.0, 0.463)])
    >>> slope.sentence()
    'There, one millimetre is worth 0.46 dB.'
    """

    def __init__(self, axes: Axes, low_db: float = -60.0, high_db: float = 12.0, top: float = 4.0):
        self._top, self.here, self.rows = top, (0.0, 0.0), ()
        self._low = low_db
        frame(axes, "What one millimetre is worth", "", "dB per mm", grid="both")
        db_axis(axes, low_db, high_db, 10, "gain of the fader (dB)", "x")
        axes.set_ylim(0, top)
        axes.yaxis.set_major_locator(MultipleLocator(1))
        axes.axhline(1, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        look = line(1)
        (self._curve,) = axes.plot([], [], color=look.color, linestyle=look.linestyle, linewidth=2, zorder=3)
        (self._mark,) = axes.plot([], [], **HERE)
        self._note = words(axes, 0, 0, va="bottom")
        self.artists = [self._curve, self._mark, self._note]

    def update(self, levels_db, slopes, here, rows) -> None:
        """Show another law, or another position.

        Parameters
        ----------
        levels_db, slopes : arrays
            The curve; slopes in dB per mm.
        here : (float, float)
            Level in dB and slope of the fader; both may be infinite.
        rows : iterable of (float, float, float)
            For the table: level in dB, position in mm, slope.
        """
        self.here, self.rows = (float(here[0]), float(here[1])), tuple(rows)
        self._curve.set_data(levels_db, slopes)
        x, y = max(here[0], self._low), min(here[1], self._top)
        self._mark.set_data([x], [y])
        self._note.set_text(self._worth())
        self._note.set_position((x, min(max(y, 0.85) + 0.25, 0.92 * self._top)))
        self._note.set_ha("left" if x < -50 else "center")

    def _worth(self):
        slope = self.here[1]
        return "" if np.isinf(slope) else f"{number_text(slope, 2)} dB"

    def sentence(self) -> str:
        """Return what a millimetre is worth where the fader stands."""
        if np.isinf(self.here[1]):
            return "The fader is closed."
        return f"There, one millimetre is worth {self._worth()}."

    def table(self) -> Table:
        """Return positions and slopes along the travel."""
        rows = tuple((number_text(db, 1, True), number_text(mm), number_text(slope, 2)) for db, mm, slope in self.rows)
        return Table("Along the travel", ("gain (dB)", "position (mm)", "one mm is (dB)"), rows)


class Hits:
    """Where a hand lands that means one level: dots beside what was meant, one row a place.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    count : int
        Rows.
    reach_db : float
        How far the lying scale goes to either side.
    title : str
        Above the picture.
    above : bool
        Whether the names stand above their rows, where there is no room beside the hits.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> hits = Hits(make_figure(400, 300).subplots(), 2)
    >>> hits.update(["0 dB", "−40 dB"], [[-0.2, 0.2], [-0.7, 0.7]], [0.2, 0.7])
    >>> hits.sentence()
    'The hits spread by 0.20 dB (0 dB), 0.70 dB (−40 dB), one standard deviation.'
    """

    def __init__(
        self,
        axes: Axes,
        count: int = 3,
        reach_db: float = 4.0,
        title: str = "Where a hand lands: ● one hit, bar = one standard deviation to either side",
        above: bool = False,
    ):
        self._reach, self._count, self.places, self.spreads = reach_db, count, (), ()
        frame(axes, title, grid="x")
        db_axis(axes, -reach_db, reach_db, 1, "off what was meant (dB)", "x")
        axes.set_ylim(count - 0.5, -0.5)
        axes.set_yticks([])
        room = 0.0 if above else ROOM  # beside the rows the names stand clear of the grid
        axes.xaxis.set_major_locator(FixedLocator(np.arange(-int(reach_db), int(reach_db) + 1)))
        axes.set_xlim(-(1 + room) * reach_db, (1 + 0.7 * room) * reach_db)
        axes.axvline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        self._bars = axes.add_patch(Boxes(facecolor="#d6ebf7", edgecolor=BLUE, linewidth=1.2, zorder=1))
        (self._dots,) = axes.plot([], [], linestyle="none", marker="o", markersize=4, color=BLACK, alpha=0.6, zorder=3)
        rows = [row - 0.4 if above else row for row in range(count)]
        self._names = [words(axes, -(0.98 + room) * reach_db, row, va="center") for row in rows]
        self._numbers = [words(axes, (0.98 + 0.7 * room) * reach_db, row, ha="right", va="center") for row in rows]
        self.artists = [self._bars, self._dots, *self._names, *self._numbers]

    def update(self, places, hits_db, spreads_db) -> None:
        """Show other hits.

        Parameters
        ----------
        places : sequence of str
            One name a row.
        hits_db : sequence of arrays
            dB off what was meant; those beyond the scale stand at its end.
        spreads_db : sequence of float
            Standard deviation of each row, in dB.
        """
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
        return f"The hits spread by {', '.join(told)}, one standard deviation."

    def table(self) -> Table:
        """Return the spread at every place."""
        rows = tuple((p, number_text(s, 2)) for p, s in zip(self.places, self.spreads, strict=True))
        return Table("Where a hand lands", ("place", "standard deviation (dB)"), rows)
