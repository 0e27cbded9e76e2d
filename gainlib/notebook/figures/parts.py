"""What plots are put together from: figures and axes of one look, curves, marks, boxes, lines across, words."""

from collections.abc import Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.text import Text
from matplotlib.ticker import FixedLocator, FuncFormatter, MultipleLocator, NullLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.ink import Ink
from gainlib.notebook.figures.palette import DASHED, FONT, GRID, INK, LABEL, PAPER, TEXT, TITLE
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


def numbers(values, digits: int = 1, sign: bool = False) -> list[str]:
    """Return a column of a table."""
    return [number_text(value, digits, sign) for value in values]


def most_often(percent: np.ndarray, edges_db: np.ndarray) -> str:
    """Return between which edges of its bins a signal is most often."""
    most = int(np.argmax(percent))
    return "between {} and {} dBFS".format(*numbers(edges_db[most : most + 2], 0))


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


DPI = 100
TIME = "time"  # axes on which a line shows where the playing is


def make_figure(width_px: int = 840, height_px: int = 420) -> Figure:
    """Return a figure of this size on the page that pyplot does not know: never shown twice, never kept alive.

    Wider than 840 px it is shrunk in a window of ordinary width, and its letters with it.

    Examples
    --------
    >>> make_figure(300, 200).bbox.size.tolist()
    [300.0, 200.0]
    """
    if width_px < 50 or height_px < 50:
        raise GainlibError(f"a picture of {width_px} × {height_px} px is too small to read; give at least 50 × 50")
    fig = Figure(figsize=(width_px / DPI, height_px / DPI), dpi=DPI, facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(fig)
    return fig


# ---- axes ------------------------------------------------------------------------------------------------------------


def frame(axes: Axes, title: str = "", x: str | tuple = "", y: str | tuple = "", grid: str = "y") -> Axes:
    """Give axes the common look: title on the left, light grid behind, no box.

    `x` and `y` are labels, or scales of levels as :func:`db_axis` takes them: both ends, distance of ticks, label.
    """
    axes.set_axisbelow(True)
    if grid:
        axes.grid(True, axis=grid, color=GRID, linewidth=0.8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(INK)
    axes.tick_params(colors=INK, labelsize=TEXT["fontsize"], labelfontfamily=FONT)
    axes.set_title(title, loc="left", **TITLE)
    for which, scale in (("x", x), ("y", y)):
        if isinstance(scale, tuple):
            db_axis(axes, *scale, which)
        else:
            (axes.set_xlabel if which == "x" else axes.set_ylabel)(scale, **LABEL)
    return axes


def db_axis(axes: Axes, low_db: float, high_db: float, step_db: float = 6, label: str = "dBFS", which: str = "y"):
    """Give one axis ("x" or "y") a level scale with true minus signs, and a tick every `step_db`."""
    if not low_db < high_db:
        raise GainlibError(f"a scale from {low_db} to {high_db} dB is empty; the low end comes first")
    axis = axes.yaxis if which == "y" else axes.xaxis
    (axes.set_ylim if which == "y" else axes.set_xlim)(low_db, high_db)
    axis.set_major_locator(MultipleLocator(step_db))
    digits = 0 if float(step_db).is_integer() else 1
    axis.set_major_formatter(FuncFormatter(lambda value, _: number_text(value, digits, sign=True)))
    axis.set_label_text(label, **LABEL)


def frequency_axis(axes: Axes):
    """Scale the level axis from 20 Hz to 20 kHz, logarithmically."""
    axes.set_xscale("log")
    axes.set_xlim(20, 20000)
    axes.xaxis.set_major_locator(FixedLocator((30, 100, 300, 1000, 3000, 10000)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"))
    axes.set_xlabel("Hz", **LABEL)


def percent_axis(axes: Axes, high: float = 100.0, unit: str = " %"):
    """Scale the upright axis from 0.001 to so many percent, logarithmically."""
    axes.set_yscale("log")
    axes.set_ylim(0.001, high)
    axes.set_yticks([0.001, 0.01, 0.1, 1, 10, 100], ["0.001", "0.01", "0.1", "1", "10", f"100{unit}"])
    axes.minorticks_off()


def full_scale_axis(axes: Axes, limit: float = 2.0, label: str = "sample value (full scale = 1)"):
    """Scale the upright axis in sample values and mark full scale at +1 and −1 with dashed lines."""
    axes.set_ylim(-limit, limit)
    axes.yaxis.set_major_locator(MultipleLocator(0.5))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: number_text(value, 1, sign=True)))
    axes.set_ylabel(label, **LABEL)
    for edge in (-1, 1):
        rule(axes, edge)


def time_axis(axes: Axes, start_s: float, end_s: float, label: str = "time (s)"):
    """Scale the level axis in seconds."""
    if not start_s < end_s:
        raise GainlibError(f"a time scale from {start_s} to {end_s} s is empty; the start comes first")
    axes.set_gid(TIME)
    axes.set_xlim(start_s, end_s)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel(label, **LABEL)


def row_axis(axes: Axes, names, room: float = 0.45):
    """Give the upright axis a row for each name, the first on top, and draw the line at 0 dB."""
    axes.set_ylim(len(names) - 1 + room + 0.1, -room - 0.1)
    axes.set_yticks(range(len(names)), names)
    rule(axes, 0, "x")
