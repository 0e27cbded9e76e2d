"""What plots are put together from: curves, marks, boxes, lines across, words, and the base of them all."""

from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.text import Text

from gainlib.audio import GainlibError
from gainlib.notebook.figures.ink import Ink
from gainlib.notebook.figures.palette import DASHED, INK, TEXT
from gainlib.words import Table, number_text


class Drawing:
    """A plot: artists made once, changed in place by ``update``, with words and numbers that say the same."""

    artists: Sequence[Artist] = ()

    def sentence(self) -> str:
        """Return one sentence that says what the plot shows now."""
        raise NotImplementedError

    def table(self) -> Table | None:
        """Return the numbers the plot shows now; None where another plot of the picture, or the panel, has them."""
        return None


def rule(axes: Axes, at: float, which: str = "y") -> Line2D:
    """Draw a dashed line across the axes at a value of the one named."""
    draw = axes.axhline if which == "y" else axes.axvline
    return draw(at, color=INK, linewidth=1.2, linestyle=DASHED, zorder=1.5)


def move_rule(drawn: Line2D, at: float | None, which: str = "y") -> None:
    """Move a line across the axes, or hide it."""
    drawn.set_visible(at is not None)
    if at is not None:
        (drawn.set_ydata if which == "y" else drawn.set_xdata)([at, at])


def plotted(axes: Axes, **style) -> Line2D:
    """Return a curve or marks without points yet."""
    return axes.plot([], [], **style)[0]


def put(mark: Line2D, place) -> None:
    """Put a mark at (x, y), or nowhere."""
    mark.set_data(*(([], []) if place is None else ([place[0]], [place[1]])))


class Word(Text):
    """A short text in one line; on the page it is placed by the widths of its letters alone."""

    def draw(self, renderer):
        """Draw it, or note it down."""
        if not isinstance(renderer, Ink):
            super().draw(renderer)
        elif self.get_visible() and self.get_text():
            gc = renderer.new_gc()
            gc.set_foreground(self.get_color())
            self._set_gc_clip(gc)
            renderer.word(gc, *self.get_transform().transform(self.get_position()), self)


def words(axes: Axes, x: float, y: float, text: str = "", **style) -> Word:
    """Return a short text placed in the axes' own scales, cut off where they end."""
    return axes.add_artist(Word(x, y, text, **TEXT | {"zorder": 6} | style))


def tabled(caption: str, heads, *columns) -> Table:
    """Return columns as a table."""
    return Table(caption, tuple(heads), tuple(zip(*columns, strict=True)))


def numbers(values, decimals: int = 1, signed: bool = False) -> list[str]:
    """Return a column of a table."""
    return [number_text(value, decimals, signed) for value in values]


def same_length(*columns, least: int = 1) -> list[np.ndarray]:
    """Return columns as arrays; refuse those that differ in length, or have less than `least` values."""
    found = [np.asarray(each, float) for each in columns]
    if found[0].size < least or len({each.shape for each in found}) > 1:
        sizes = ", ".join(str(each.size) for each in found)
        raise GainlibError(f"columns of {sizes} values for one picture; give one of each, {least} or more")
    return found


def rectangles(left, bottom, width, height) -> np.ndarray:
    """Return corner points for :class:`Boxes`, shape (n, 4, 2); the four arguments broadcast."""
    left, bottom, width, height = np.broadcast_arrays(*map(np.asarray, (left, bottom, width, height)))
    x = np.stack([left, left + width, left + width, left], axis=-1)
    y = np.stack([bottom, bottom, bottom + height, bottom + height], axis=-1)
    return np.stack([x, y], axis=-1).astype(float).reshape(-1, 4, 2)


class Boxes(PathPatch):
    """Rectangles as one patch: a hatch is then drawn once for all of them and not once for each, four times as fast."""

    def __init__(self, **style):
        super().__init__(Path(np.zeros((0, 2))), **style)
        self._corners = np.zeros((0, 4, 2))

    def set_verts(self, corners) -> None:
        """Show other rectangles, from :func:`rectangles`."""
        self._corners = corners
        self.set_path(Path.make_compound_path_from_polys(corners) if len(corners) else Path(np.zeros((0, 2))))

    def get_paths(self) -> list[Path]:
        """Return the outline of each rectangle, as a collection does."""
        return [Path(each) for each in self._corners]


def filled(axes: Axes, color: str, hatch: str = "", **style) -> Boxes:
    """Return boxes with an edge of ink, none yet."""
    return axes.add_patch(
        Boxes(**{"facecolor": color, "edgecolor": INK, "linewidth": 0.8, "zorder": 2} | style, hatch=hatch)
    )
