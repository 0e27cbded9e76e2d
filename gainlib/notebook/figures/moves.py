"""What a plan moves: trim, output trim and fader of every strip, before and after."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.notebook.figures.axes import db_axis, frame
from gainlib.notebook.figures.palette import BLUE, INK
from gainlib.words import Table, number_text

LEAST_DB = 0.05


class Moved:
    """One control of several strips: a hollow mark where it was, a full one where it comes to stand, a line between.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    control : str
        What it is called.
    names : sequence of str
        The strips.
    before_db, after_db : sequence of float
        One a strip; −∞ stands at the left edge.
    named : bool
        Whether the strips' names stand beside the axes.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> Moved(make_figure(300, 200).subplots(), "trim", ("kick", "bass"), (0.0, 0.0), (-9.5, 0.0)).sentence()
    'Trim: kick −9.5 dB.'
    """

    artists = ()

    def __init__(self, axes: Axes, control: str, names, before_db, after_db, named: bool = True):
        self._control, self._names = control, tuple(names)
        self._before, self._after = np.asarray(before_db, float), np.asarray(after_db, float)
        count, rows = len(self._names), np.arange(len(self._names))
        both = np.concatenate([self._before, self._after])
        reach = float(np.abs(both[np.isfinite(both)]).max(initial=0.0))
        high = max(6.0 * np.ceil((reach + 1.0) / 6.0), 12.0)
        frame(axes, f"{control}: ◇ before, ● after" if named else control, grid="x")
        db_axis(axes, -high, high, 6 if high <= 18 else 12, "dB", "x")
        axes.set_ylim(count - 0.4, -0.6)
        axes.set_yticks(rows, [_short(name) for name in self._names] if named else [""] * count)
        axes.axvline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        old, new = (np.clip(values, -high, high) for values in (self._before, self._after))
        for row in rows[self._moving]:
            axes.plot([old[row], new[row]], [row, row], color=BLUE, linewidth=2, zorder=2)
        style = {"linestyle": "none", "markeredgecolor": INK, "zorder": 3}
        axes.plot(old[self._moving], rows[self._moving], marker="D", color="white", markersize=6, **style)
        axes.plot(new, rows, marker="o", color=BLUE, markersize=7, **style)

    @property
    def _moving(self):
        same = (self._before == self._after) | (np.abs(self._after - self._before) < LEAST_DB)
        return ~same

    def sentence(self) -> str:
        """Return what moves, and by how much."""
        moved = [
            f"{name} {number_text(after - before, 1, True)} dB"
            for name, before, after, moving in zip(self._names, self._before, self._after, self._moving, strict=True)
            if moving
        ]
        word = f"{self._control[:1].upper()}{self._control[1:]}"
        return f"{word}: {', '.join(moved)}." if moved else f"{word}: nothing moves."

    def table(self) -> Table:
        """Return every strip's control, before and after."""
        rows = tuple(
            (name, number_text(before, 1, True), number_text(after, 1, True))
            for name, before, after in zip(self._names, self._before, self._after, strict=True)
        )
        return Table(f"{self._control} (dB)", ("strip", "before", "after"), rows)


def _short(name):
    return name if len(name) < 20 else f"{name[:18]}…"
