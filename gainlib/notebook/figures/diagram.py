"""Levels along a signal's way: the level diagram of a chain, and the graph of a routing."""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame
from gainlib.notebook.figures.palette import BLUE, DASHED, INK, MARK, PAPER, SKY, TEXT, TITLE, VERMILLION, look
from gainlib.notebook.figures.parts import filled, numbers, plotted, rectangles, words
from gainlib.words import Table, level_text, number_text

HALF, REACH = 0.2, 0.42
DOTTED = (0, (1, 2))
SIGNS = {"ceiling": "┅", "noise": "┈", "wanted average": "◆"}
WIDE, HIGH = 0.82, 0.56


class LevelDiagram:
    """A band from average to peak at every point of a chain; ceilings dashed, noise dotted, references as diamonds.

    What stands over its ceiling is hatched. A point may lack any of them: pass −inf or None for a level that is not
    there.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    names : sequence of str
        The points, from the left.
    low_db, high_db : float
        Ends of the scale.
    unit, title : str
        Of all levels; above the picture, and first in its sentence and table.
    shows : sequence of str
        What there is besides the band, for the heading: any of "ceiling", "noise" and "wanted average".
    wanted : str
        What the diamonds are called.
    most : int
        How many points there may be, where they change.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> diagram = LevelDiagram(make_figure(500, 300).subplots(), ("stem", "stage", "out"))
    >>> references = [None, -18, None]
    >>> new = diagram.update([-24, -18, -18], [-10, -4, -5], ceiling_db=[None, 0, 0], reference_db=references)
    >>> diagram.sentence()
    'Levels along the chain: the least room is at stage, 4.0 dB from its peak to its ceiling.'
    """

    def __init__(
        self,
        axes: Axes,
        names,
        low_db: float = -60.0,
        high_db: float = 12.0,
        unit: str = "dBFS",
        title: str = "Levels along the chain",
        shows=tuple(SIGNS),
        wanted: str = "wanted average",
        most: int = 0,
    ):
        self._axes, self._unit, self._diamonds, self._shows = axes, unit, wanted, shows
        self._low, self._high = low_db, high_db
        self._name(title, names)
        self._band = filled(axes, SKY, linewidth=0.9)
        self._over = filled(axes, VERMILLION, "////", linewidth=0.9)
        self._means = LineCollection([], colors=BLUE, linewidths=2.6, zorder=3)
        self._ceilings = LineCollection([], colors=INK, linewidths=1.6, linestyles=[DASHED], zorder=4)
        self._noises = LineCollection([], colors=INK, linewidths=1.6, linestyles=[DOTTED], zorder=4)
        for lines in (self._means, self._ceilings, self._noises):
            axes.add_collection(lines, autolim=False)
        self._path = plotted(axes, color=BLUE, linewidth=1.2, zorder=2.5)
        self._wanted = plotted(axes, marker="D", markersize=6, color=VERMILLION, zorder=5, **MARK)
        top = high_db - 0.015 * (high_db - low_db)  # clear of the grid's line
        self._numbers = [words(axes, k, top, ha="center", va="top") for k in range(max(len(names), most))]
        lines = [self._means, self._path, self._ceilings, self._noises, self._wanted]
        self.artists = [self._band, self._over, *lines, *self._numbers]

    def _name(self, title, names):
        """Name the diagram and its points."""
        self._title, self.names, count = title, tuple(names), len(names)
        self.average = self.peak = self.ceiling = self.noise = self.reference = np.full(count, np.nan)
        called = SIGNS | {"wanted average": f"◆ {self._diamonds}"}
        signs = (called[name] if name == "wanted average" else f"{SIGNS[name]} {name}" for name in self._shows)
        frame(self._axes, ", ".join([f"{title}: ▭ average to peak", *signs]))
        db_axis(self._axes, self._low, self._high, 6 if self._high - self._low <= 80 else 12, self._unit)
        self._axes.set_xlim(-0.55, count - 0.45)
        self._axes.set_xticks(range(count), self.names)

    def update(self, average_db, peak_db, ceiling_db=None, noise_db=None, reference_db=None, of=None) -> bool:
        """Show other levels, one of each a point; return whether they are those of other points.

        Parameters
        ----------
        average_db, peak_db : sequence of float
            −inf for silence.
        ceiling_db, noise_db, reference_db : sequence of float or None
            Where the point clips, its noise, and the average it wants; None, as a whole or for a point, for none.
        of : (str, sequence of str), optional
            Title and points, where they are others than before.
        """
        other = of is not None and (self._title, self.names) != (of[0], tuple(of[1]))
        if other:
            self._name(*of)
        self.average, self.peak = self._one_each(average_db), self._one_each(peak_db)
        self.ceiling, self.noise, self.reference = map(self._one_each, (ceiling_db, noise_db, reference_db))
        at, low = np.arange(len(self.names)), self._low
        bottom = np.clip(np.nan_to_num(self.average, nan=low, neginf=low), low, self._high)
        top = np.clip(np.nan_to_num(self.peak, nan=low, neginf=low), bottom, self._high)
        limit = np.clip(np.nan_to_num(self.ceiling, nan=np.inf), bottom, top)
        self._band.set_verts(rectangles(at - HALF, bottom, 2 * HALF, limit - bottom)[top > low])
        self._over.set_verts(rectangles(at - HALF, limit, 2 * HALF, top - limit)[top > limit])
        heard = self.average > low
        self._means.set_segments(self._across(at[heard], self.average[heard], HALF))
        self._path.set_data(at[heard], self.average[heard])
        for lines, level in ((self._ceilings, self.ceiling), (self._noises, self.noise)):
            there = (level > low) & (level < np.inf)
            lines.set_segments(self._across(at[there], level[there], REACH))
        self._wanted.set_data(at, self.reference)
        for k, number in enumerate(self._numbers):
            number.set_text(number_text(self.average[k]) if k < len(heard) and heard[k] else "")
        return other

    def _one_each(self, levels):
        if levels is None:
            return np.full(len(self.names), np.nan)
        found = np.array([np.nan if level is None else float(level) for level in levels])
        if found.shape != (len(self.names),):
            raise GainlibError(f"{found.size} levels for {len(self.names)} points; give one a point")
        return found

    @staticmethod
    def _across(at, level, reach):
        return np.stack([np.column_stack([at - reach, level]), np.column_stack([at + reach, level])], axis=1)

    def sentence(self) -> str:
        """Return where the room to the ceiling is least; without ceilings, where the peak is highest."""
        room = self.ceiling - self.peak
        known = np.isfinite(room)
        if known.any():
            k = int(np.nanargmin(np.where(known, room, np.nan)))
            if room[k] < -0.05:
                return f"{self._title}: at {self.names[k]} the peak is {number_text(-room[k])} dB over its ceiling."
            return (
                f"{self._title}: the least room is at {self.names[k]}, {number_text(room[k])} dB from its peak to its "
                f"ceiling."
            )
        if not (self.peak > -np.inf).any():
            return f"{self._title}: silent."
        k = int(np.nanargmax(self.peak))
        return f"{self._title}: the peak is highest at {self.names[k]}, {level_text(self.peak[k], self._unit)}."

    def table(self) -> Table:
        """Return all levels, one row a point; columns that no point has are left out."""
        columns = {"average": self.average, "peak": self.peak, "ceiling": self.ceiling}
        columns |= {"noise": self.noise, self._diamonds: self.reference}
        shown = {name: level for name, level in columns.items() if not np.isnan(level).all()}
        rows = tuple(
            (name, *("–" if np.isnan(level[k]) else number_text(level[k], sign=True) for level in shown.values()))
            for k, name in enumerate(self.names)
        )
        return Table(self._title, ("point", *(f"{name} ({self._unit})" for name in shown)), rows)


class RoutingGraph:
    """Boxes with a name, a level and a bar for it; the ways lead from box to box, each way in its own look.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    boxes : mapping of str to (str, float, float)
        Node of a session: name on the box, column from the left, row from below.
    ways : sequence of sequence of str
        Nodes in the order in which a signal passes them.
    low_db, high_db : float
        Levels of an empty and of a full bar.
    title : str
        Above the picture: what the levels are.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> boxes = {"kick/source": ("source", 0, 0), "bus": ("bus", 1, 0)}
    >>> graph = RoutingGraph(make_figure(400, 200).subplots(), boxes, [("kick/source", "bus")])
    >>> graph.update({"kick/source": -20.0, "bus": -23.0})
    >>> graph.sentence()
    'RMS in dBFS: source −20.0, bus −23.0.'
    """

    def __init__(
        self, axes: Axes, boxes, ways, low_db: float = -60.0, high_db: float = 0.0, title: str = "RMS in dBFS"
    ):
        self.boxes, self._low, self._high, self._title = dict(boxes), low_db, high_db, title
        self.levels = dict.fromkeys(self.boxes, -np.inf)
        names, columns, rows = zip(*self.boxes.values(), strict=True)
        self._x, self._y = np.array(columns, float), np.array(rows, float)
        axes.set_axis_off()
        axes.set(xlim=(min(columns) - 0.45, max(columns) + 0.45), ylim=(min(rows) - 0.45, max(rows) + 0.45))
        axes.set_title(title, loc="left", **TITLE)
        for k, way in enumerate(ways):
            self._lead(axes, way, look(k, linewidth=1.8, zorder=1))
        filled(axes, PAPER, linewidth=1.0).set_verts(rectangles(self._x - WIDE / 2, self._y - HIGH / 2, WIDE, HIGH))
        self._bars = filled(axes, SKY, linewidth=0.6, zorder=3)
        style = {"ha": "center", "zorder": 4}
        for x, y, name in zip(self._x, self._y, names, strict=True):
            axes.text(x, y + 0.09, name, va="bottom", **style, **TEXT)
        self._texts = [words(axes, x, y + 0.05, va="top", **style) for x, y in zip(self._x, self._y, strict=True)]
        self.artists = [self._bars, *self._texts]

    def _lead(self, axes, way, style):
        """Draw a way from box to box, an arrow in the middle of each step."""
        for (_, x0, y0), (_, x1, y1) in pairwise(self.boxes[node] for node in way):
            axes.plot([x0, x1], [y0, y1], **style)
            middle = (x0 + x1) / 2, (y0 + y1) / 2
            ahead = middle[0] + 0.02 * (x1 - x0), middle[1] + 0.02 * (y1 - y0)
            axes.annotate("", ahead, middle, arrowprops={"arrowstyle": "-|>", "color": style["color"]}, zorder=1.5)

    def update(self, levels: Mapping[str, float]) -> None:
        """Show other levels, by node."""
        self.levels = {node: levels[node] for node in self.boxes}
        share = (np.array(list(self.levels.values())) - self._low) / (self._high - self._low)
        width = WIDE * np.clip(share, 0, 1)
        self._bars.set_verts(rectangles(self._x - WIDE / 2, self._y - HIGH / 2, width, 0.25 * HIGH))
        for text, told in zip(self._texts, numbers(self.levels.values()), strict=True):
            text.set_text(told)

    def sentence(self) -> str:
        """Return the level of every box, in the order of the signal."""
        said = ", ".join(f"{name} {number_text(self.levels[node])}" for node, (name, *_) in self.boxes.items())
        return f"{self._title}: {said}."

    def table(self) -> Table:
        """Return the level of every box."""
        rows = tuple((name, level_text(self.levels[node], "dBFS", 2)) for node, (name, *_) in self.boxes.items())
        return Table(self._title, ("point", "level"), rows)
