"""The level at the points of a signal's ways: a box for each point, an arrow for each step."""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from gainlib.notebook.figures.axes import FONT, TEXT_PT, TITLE_PT, Boxes, rectangles
from gainlib.notebook.figures.cached_text import Stamp
from gainlib.notebook.figures.palette import INK, PAPER, SKY, line
from gainlib.words import Table, level_text, number_text

WIDE, HIGH = 0.82, 0.56


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
        columns, rows = ([each[k] for each in self.boxes.values()] for k in (1, 2))
        axes.set_axis_off()
        axes.set(xlim=(min(columns) - 0.45, max(columns) + 0.45), ylim=(min(rows) - 0.45, max(rows) + 0.45))
        axes.set_title(title, loc="left", fontsize=TITLE_PT, fontfamily=FONT, color=INK)
        for k, way in enumerate(ways):
            look = {"color": line(k).color, "linestyle": line(k).linestyle, "linewidth": 1.8}
            for (_, x0, y0), (_, x1, y1) in pairwise(self.boxes[node] for node in way):
                axes.plot([x0, x1], [y0, y1], zorder=1, **look)
                middle = (x0 + x1) / 2, (y0 + y1) / 2
                ahead = middle[0] + 0.02 * (x1 - x0), middle[1] + 0.02 * (y1 - y0)
                axes.annotate("", ahead, middle, arrowprops={"arrowstyle": "-|>", "color": line(k).color}, zorder=1.5)
        text = {"fontsize": TEXT_PT, "fontfamily": FONT, "color": INK, "ha": "center"}
        self._texts = {}
        for node, (name, x, y) in self.boxes.items():
            corner = x - WIDE / 2, y - HIGH / 2
            axes.add_patch(Rectangle(corner, WIDE, HIGH, facecolor=PAPER, edgecolor=INK, linewidth=1.0, zorder=2))
            axes.text(x, y + 0.09, name, va="bottom", zorder=3, **text)
            self._texts[node] = axes.add_artist(Stamp(x, y + 0.05, "", va="top", zorder=4, **text))
        self._bars = Boxes(facecolor=SKY, edgecolor=INK, linewidth=0.6, zorder=3)
        axes.add_patch(self._bars)
        self.artists = [self._bars, *self._texts.values()]

    def update(self, levels: Mapping[str, float]) -> None:
        """Show other levels, by node."""
        self.levels = {node: levels[node] for node in self.boxes}
        _, x, y = (np.array(column) for column in zip(*self.boxes.values(), strict=True))
        share = (np.array(list(self.levels.values())) - self._low) / (self._high - self._low)
        self._bars.set_verts(rectangles(x - WIDE / 2, y - HIGH / 2, WIDE * np.clip(share, 0, 1), 0.25 * HIGH))
        for node, label in self._texts.items():
            label.set_text(number_text(self.levels[node]))

    def sentence(self) -> str:
        """Return the level of every box, in the order of the signal."""
        said = ", ".join(f"{name} {number_text(self.levels[node])}" for node, (name, *_) in self.boxes.items())
        return f"{self._title}: {said}."

    def table(self) -> Table:
        """Return the level of every box."""
        rows = tuple((name, level_text(self.levels[node], "dBFS", 2)) for node, (name, *_) in self.boxes.items())
        return Table(self._title, ("point", "level"), rows)
