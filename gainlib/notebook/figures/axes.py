"""Figures and axes: one look for all labs."""

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MultipleLocator, NullLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.palette import FONT, GRID, INK, LABEL, PAPER, TEXT, TITLE
from gainlib.notebook.figures.parts import rule
from gainlib.words import number_text

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
    axis.set_major_formatter(FuncFormatter(lambda value, _: number_text(value, digits, signed=True)))
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
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: number_text(value, 1, signed=True)))
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
