"""The mix bus: who makes its worst peaks."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, TEXT_PT, Boxes, frame, full_scale_axis, rectangles
from gainlib.notebook.figures.cached_text import Stamp
from gainlib.notebook.figures.palette import INK, fill
from gainlib.words import Table, number_text, peak_text

BAR_WIDTH, NAMES_AT = 0.72, 1.17


class Contributions:
    """The worst peaks of a bus, each as a bar stacked from what every source adds to it.

    A source that pulls with the peak stands above zero, one that pulls against it hangs below; the two together give
    the height of the peak, marked by a bar across. At the top, clear of every line, stands the name of the largest
    part. The colours are those of the strips beside the picture.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    names : sequence of str
        The sources, in the order of their colours.
    count : int
        How many peaks there is room for.
    limit : float
        Height of the upright axis, full scale = 1.
    title : str
        Above the picture, and first in its sentence and table.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = Contributions(make_figure(500, 300).subplots(), ("kick", "bass", "pad"), count=2)
    >>> bars.update(time_s=[1.5, 9.0], parts=[[0.9, 0.6, -0.1], [0.7, 0.5, 0.0]])
    >>> bars.sentence()
    'The worst peak is 1.40 times full scale (+2.9 dBFS) at 1.50 s; kick gives the largest part of it, 0.90.'
    """

    def __init__(
        self,
        axes: Axes,
        names,
        count: int = 10,
        limit: float = 2.4,
        title: str = "Who makes the worst peaks: name = largest part, ▬ = the peak",
    ):
        self.names, self.count, self._limit = tuple(names), count, limit
        self.time_s, self.parts = np.zeros(0), np.zeros((0, len(self.names)))
        frame(axes, title)
        full_scale_axis(axes, limit, "full scale = 1")
        axes.set_ylim(-0.3 * limit, NAMES_AT * limit)
        axes.yaxis.set_major_locator(FixedLocator(range(-int(0.3 * limit), int(limit) + 1)))
        axes.set_xlim(-0.5, count - 0.5)
        axes.set_xticks(range(count), [str(k + 1) for k in range(count)])
        axes.axhline(0, color=INK, linewidth=0.8, zorder=1.5)
        self._stacks = []
        for index in range(len(self.names)):
            look = fill(index)
            style = {"facecolor": look.color, "hatch": look.hatch, "edgecolor": INK, "linewidth": 0.6}
            self._stacks.append(axes.add_patch(Boxes(zorder=2, **style)))
        (self._tops,) = axes.plot([], [], "_", color=INK, markersize=26, markeredgewidth=3, zorder=3)
        style = {"fontsize": TEXT_PT - 1.5, "fontfamily": FONT, "color": INK, "ha": "center", "va": "top", "zorder": 4}
        self._labels = [axes.add_artist(Stamp(k, NAMES_AT * limit, "", **style)) for k in range(count)]
        self.artists = [*self._stacks, self._tops, *self._labels]

    def update(self, time_s, parts) -> None:
        """Show new peaks.

        Parameters
        ----------
        time_s : sequence of float, shape (peaks,)
            When each is, worst first.
        parts : array, shape (peaks, names)
            What each source adds in the direction of the peak: its sample value times the sign of the bus there. A row
            sums to the absolute bus value.
        """
        time_s, parts = np.asarray(time_s, float), np.asarray(parts, float)
        if parts.shape != (len(time_s), len(self.names)) or len(time_s) > self.count:
            raise GainlibError(
                f"parts of shape {parts.shape} for {len(time_s)} times; give one row a peak, at most {self.count}, "
                f"and {len(self.names)} columns, one a source"
            )
        self.time_s, self.parts = time_s, parts
        up, down = np.maximum(parts, 0), np.minimum(parts, 0)
        floor, ceiling = np.cumsum(up, axis=1) - up, np.cumsum(down, axis=1) - down
        left = np.arange(len(time_s)) - BAR_WIDTH / 2
        for index, stack in enumerate(self._stacks):
            value = parts[:, index]
            bottom = np.where(value >= 0, floor[:, index], ceiling[:, index])
            value = np.minimum(bottom + value, self._limit) - np.minimum(bottom, self._limit)
            some = value != 0
            stack.set_verts(rectangles(left[some], bottom[some], BAR_WIDTH, value[some]))
        self._tops.set_data(np.arange(len(time_s)), np.minimum(parts.sum(axis=1), self._limit))
        for k, label in enumerate(self._labels):
            label.set_text(self.names[int(np.argmax(parts[k]))] if k < len(time_s) and up[k].any() else "")

    def sentence(self) -> str:
        """Return the height of the worst peak and who makes most of it."""
        if not len(self.time_s) or not self.parts[0].any():
            return "The bus is silent."
        total, most = float(self.parts[0].sum()), int(np.argmax(self.parts[0]))
        level = peak_text(20 * np.log10(total)) if total > 0 else "silent"
        return (
            f"The worst peak is {total:.2f} times full scale ({level}) at {self.time_s[0]:.2f} s; "
            f"{self.names[most]} gives the largest part of it, {self.parts[0, most]:.2f}."
        )

    def table(self) -> Table:
        """Return every source's part in every peak."""
        heads = tuple(f"{name}" for name in self.names)
        rows = tuple(
            (f"{k + 1}: {time:.2f} s", number_text(part.sum(), 2), *(number_text(v, 2) for v in part))
            for k, (time, part) in enumerate(zip(self.time_s, self.parts, strict=True))
        )
        return Table("Parts of the worst peaks, full scale = 1", ("peak", "bus", *heads), rows)
