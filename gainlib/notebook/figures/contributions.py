"""The worst peaks of a bus: what each source adds to them, and the waves around them."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import frame, full_scale_axis
from gainlib.notebook.figures.palette import BLUE, INK, MARK, TEXT, VERMILLION, fill
from gainlib.notebook.figures.parts import filled, numbers, plotted, rectangles, words
from gainlib.words import Table, number_text, peak_text

BAR_WIDTH, NAMES_AT, WAVE_WIDTH = 0.72, 1.17, 0.84


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
    named : bool
        Whether the largest part of each peak is named, over its bar and in the sentence.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = Contributions(make_figure(500, 300).subplots(), ("kick", "bass", "pad"), count=2)
    >>> bars.update(time_s=[1.5, 9.0], parts=[[0.9, 0.6, -0.1], [0.7, 0.5, 0.0]])
    >>> bars.sentence()
    'The worst peak is 1.40 times full scale (+2.9 dBFS) at 1.50 s; kick contributes most to it, 0.90.'
    """

    def __init__(self, axes: Axes, names, count: int = 10, limit: float = 2.4, named: bool = True):
        self.names, self.count, self._limit, self._named = tuple(names), count, limit, named
        self.time_s, self.parts = np.zeros(0), np.zeros((0, len(self.names)))
        frame(axes, f"What makes the worst peaks: {'name = largest part, ' * named}▬ = the peak")
        full_scale_axis(axes, limit, "full scale = 1")
        axes.set_ylim(-0.3 * limit, NAMES_AT * limit)
        axes.yaxis.set_major_locator(FixedLocator(range(-int(0.3 * limit), int(limit) + 1)))
        axes.set_xlim(-0.5, count - 0.5)
        axes.set_xticks(range(count), [str(k + 1) for k in range(count)])
        axes.axhline(0, color=INK, linewidth=0.8, zorder=1.5)
        looks = [fill(index) for index in range(len(self.names))]
        self._stacks = [filled(axes, each.color, each.hatch, linewidth=0.6) for each in looks]
        self._tops = plotted(axes, marker="_", linestyle="none", color=INK, markersize=26, markeredgewidth=3, zorder=3)
        style = {"fontsize": TEXT["fontsize"] - 1.5, "ha": "center", "va": "top", "zorder": 4}
        self._labels = [words(axes, k, NAMES_AT * limit, **style) for k in range(count)]
        self.artists = [*self._stacks, self._tops, *self._labels]

    def update(self, time_s, parts) -> None:
        """Show new peaks, worst first.

        A row of `parts`, shape (peaks, names), is what each source adds in the direction of the peak: its sample value
        times the sign of the bus there. It sums to the absolute bus value.
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
        bottom = np.where(parts >= 0, floor, ceiling)
        value = np.minimum(bottom + parts, self._limit) - np.minimum(bottom, self._limit)
        left = np.arange(len(time_s))[:, np.newaxis] - BAR_WIDTH / 2
        corners = rectangles(left, bottom, BAR_WIDTH, value).reshape(*parts.shape, 4, 2)
        for index, stack in enumerate(self._stacks):
            stack.set_verts(corners[value[:, index] != 0, index])
        self._tops.set_data(np.arange(len(time_s)), np.minimum(parts.sum(axis=1), self._limit))
        for k, label in enumerate(self._labels):
            told = self._named and k < len(time_s) and up[k].any()
            label.set_text(self.names[int(np.argmax(parts[k]))] if told else "")

    def sentence(self) -> str:
        """Return the height of the worst peak and who makes most of it."""
        if not len(self.time_s) or not self.parts[0].any():
            return "The bus is silent."
        total, most = float(self.parts[0].sum()), int(np.argmax(self.parts[0]))
        level = peak_text(20 * np.log10(total)) if total > 0 else "silent"
        said = f"The worst peak is {total:.2f} times full scale ({level}) at {self.time_s[0]:.2f} s"
        return (
            f"{said}; {self.names[most]} contributes most to it, {self.parts[0, most]:.2f}."
            if self._named
            else f"{said}."
        )

    def table(self) -> Table:
        """Return every source's part in every peak."""
        rows = tuple(
            (f"{k + 1}: {time:.2f} s", *numbers((part.sum(), *part), 2))
            for k, (time, part) in enumerate(zip(self.time_s, self.parts, strict=True))
        )
        return Table("Parts of the worst peaks (full scale = 1)", ("peak", "bus", *self.names), rows)


class PeakWaves:
    """Short stretches of the bus around its worst peaks, one beside the other, samples over full scale marked.

    Peak k stands around x = k; a stretch goes `reach_ms` to either side of it.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> waves = PeakWaves(make_figure(500, 200).subplots(), count=2, reach_ms=2)
    >>> waves.update([[0.2, 1.4, 0.3], [-0.1, -0.9, 0.0]], [[False, True, False], [False] * 3])
    >>> waves.sentence()
    '1 of the 2 worst peaks is over full scale.'
    """

    def __init__(self, axes: Axes, count: int = 10, reach_ms: float = 2.0, limit: float = 2.4):
        self.count, self._limit = count, limit
        self.waves, self.over, self._cut = np.zeros((0, 1)), np.zeros((0, 1), bool), False
        frame(axes, f"Around the worst peaks, ± {number_text(reach_ms, 0)} ms: ● = over full scale, or cut off there")
        full_scale_axis(axes, limit, "full scale = 1")
        axes.yaxis.set_major_locator(FixedLocator((-1, 1)))
        axes.set_xlim(-0.5, count - 0.5)
        axes.set_xticks([])
        for border in np.arange(count - 1) + 0.5:
            axes.axvline(border, color=INK, linewidth=0.5, alpha=0.35, zorder=1)
        self._line = plotted(axes, color=BLUE, linewidth=1.3, zorder=2)
        style = {"marker": "o", "color": VERMILLION, "markeredgewidth": 0.3, "markersize": 4, "zorder": 3}
        self._marks = plotted(axes, **MARK | style)
        self.artists = [self._line, self._marks]

    def update(self, waves, over, cut: bool = False) -> None:
        """Show new stretches, shape (peaks, frames), what in them is over full scale, and whether the bus cut it."""
        waves, over = np.asarray(waves, float), np.asarray(over, bool)
        if waves.ndim != 2 or waves.shape != over.shape or len(waves) > self.count:
            raise GainlibError(
                f"waves of shape {waves.shape} and marks of shape {over.shape}; give the same shape, "
                f"at most {self.count} rows"
            )
        self.waves, self.over, self._cut = waves, over, cut
        x = np.arange(len(waves))[:, np.newaxis] + np.linspace(-WAVE_WIDTH / 2, WAVE_WIDTH / 2, waves.shape[1])
        shown = np.clip(waves, -0.98 * self._limit, 0.98 * self._limit)
        apart = ((0, 0), (0, 1))  # a break behind each stretch
        self._line.set_data(*(np.pad(each, apart, constant_values=np.nan).ravel() for each in (x, shown)))
        self._marks.set_data(x[over], shown[over])

    def sentence(self) -> str:
        """Return how many of the peaks are over full scale, or were cut off there."""
        hot, total = int(self.over.any(axis=1).sum()), len(self.waves)
        if not total:
            return "There is no peak to show."
        what = "cut off at full scale" if self._cut else "over full scale"
        return f"{hot or 'None'} of the {total} worst peaks {'is' if hot in (0, 1) else 'are'} {what}."

    def table(self) -> None:
        """Return None: the table of the parts has the values of the peaks."""
        return None
