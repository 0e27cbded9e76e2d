"""Figures and axes: one look for all labs."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.ticker import FixedLocator, FuncFormatter, MultipleLocator, NullLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.palette import GRID, INK, PAPER
from gainlib.words import number_text

DPI = 100
FONT = "DejaVu Sans"  # comes with matplotlib, so a picture looks the same on every machine
TEXT_PT, LABEL_PT, TITLE_PT = 9, 9.5, 10.5


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


def frame(axes: Axes, title: str = "", x_label: str = "", y_label: str = "", grid: str = "y") -> Axes:
    """Give axes the common look: title on the left, light grid behind, no box."""
    axes.set_axisbelow(True)
    if grid:
        axes.grid(True, axis=grid, color=GRID, linewidth=0.8)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(INK)
    axes.tick_params(colors=INK, labelsize=TEXT_PT, labelfontfamily=FONT)
    axes.set_title(title, loc="left", fontsize=TITLE_PT, fontfamily=FONT, color=INK)
    axes.set_xlabel(x_label, fontsize=LABEL_PT, fontfamily=FONT, color=INK)
    axes.set_ylabel(y_label, fontsize=LABEL_PT, fontfamily=FONT, color=INK)
    return axes


def db_axis(axes: Axes, low_db: float, high_db: float, step_db: float = 6, label: str = "dBFS", which: str = "y"):
    """Give one axis a level scale with true minus signs.

    Parameters
    ----------
    axes : matplotlib axes
        What to change.
    low_db, high_db : float
        Ends of the scale.
    step_db : float
        Distance of the ticks.
    label : str
        Unit or name and unit.
    which : {"x", "y"}
        Which axis.
    """
    if not low_db < high_db:
        raise GainlibError(f"a scale from {low_db} to {high_db} dB is empty; the low end comes first")
    axis = axes.yaxis if which == "y" else axes.xaxis
    (axes.set_ylim if which == "y" else axes.set_xlim)(low_db, high_db)
    axis.set_major_locator(MultipleLocator(step_db))
    digits = 0 if float(step_db).is_integer() else 1
    axis.set_major_formatter(FuncFormatter(lambda value, _: number_text(value, digits, sign=True)))
    axis.set_label_text(label, fontsize=LABEL_PT, fontfamily=FONT, color=INK)


def frequency_axis(axes: Axes):
    """Scale the level axis from 20 Hz to 20 kHz, logarithmically."""
    axes.set_xscale("log")
    axes.set_xlim(20, 20000)
    axes.xaxis.set_major_locator(FixedLocator((30, 100, 300, 1000, 3000, 10000)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"))
    axes.set_xlabel("Hz", fontsize=LABEL_PT, fontfamily=FONT, color=INK)


class ThresholdLine:
    """A threshold across a level scale: a dotted line with its name, none where there is no threshold.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    which : {"x", "y"}
        Along which axis the level is read.
    """

    def __init__(self, axes: Axes, which: str = "y"):
        self._which = which
        draw = axes.axhline if which == "y" else axes.axvline
        self._line = draw(0, color=INK, linewidth=1.8, linestyle=(0, (1, 1.5)), zorder=3.5, visible=False)
        self.artists = [self._line]

    def update(self, level_dbfs: float | None) -> None:
        """Move the line, or hide it."""
        self._line.set_visible(level_dbfs is not None)
        if level_dbfs is not None:
            (self._line.set_ydata if self._which == "y" else self._line.set_xdata)([level_dbfs, level_dbfs])


def full_scale_axis(axes: Axes, limit: float = 2.0, label: str = "sample value (full scale = 1)"):
    """Scale the upright axis in sample values and mark full scale at +1 and −1 with dashed lines."""
    axes.set_ylim(-limit, limit)
    axes.yaxis.set_major_locator(MultipleLocator(0.5))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: number_text(value, 1, sign=True)))
    axes.set_ylabel(label, fontsize=LABEL_PT, fontfamily=FONT, color=INK)
    for edge in (-1, 1):
        axes.axhline(edge, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)


def time_axis(axes: Axes, start_s: float, end_s: float, label: str = "time (s)"):
    """Scale the level axis in seconds."""
    if not start_s < end_s:
        raise GainlibError(f"a time scale from {start_s} to {end_s} s is empty; the start comes first")
    axes.set_xlim(start_s, end_s)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel(label, fontsize=LABEL_PT, fontfamily=FONT, color=INK)


def rectangles(left, bottom, width, height) -> np.ndarray:
    """Return corner points for ``PolyCollection``, shape (n, 4, 2); the four arguments broadcast."""
    left, bottom, width, height = np.broadcast_arrays(*map(np.asarray, (left, bottom, width, height)))
    x = np.stack([left, left + width, left + width, left], axis=-1)
    y = np.stack([bottom, bottom, bottom + height, bottom + height], axis=-1)
    return np.stack([x, y], axis=-1).astype(float).reshape(-1, 4, 2)


class Boxes(PathPatch):
    """Rectangles as one patch: a hatch is then drawn once for all of them and not once for each, four times as fast.

    Parameters
    ----------
    **style
        As for a matplotlib patch.
    """

    def __init__(self, **style):
        super().__init__(Path(np.zeros((0, 2))), **style)
        self._corners = np.zeros((0, 4, 2))

    def set_verts(self, corners) -> None:
        """Show other rectangles.

        Parameters
        ----------
        corners : array, shape (n, 4, 2)
            From :func:`rectangles`.
        """
        self._corners = corners
        self.set_path(Path.make_compound_path_from_polys(corners) if len(corners) else Path(np.zeros((0, 2))))

    def get_paths(self) -> list[Path]:
        """Return the outline of each rectangle, as a collection does."""
        return [Path(each) for each in self._corners]
