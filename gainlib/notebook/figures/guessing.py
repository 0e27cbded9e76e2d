"""What pure guessing scores in a run of choices between two, and where one's own score lies."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MultipleLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, TEXT_PT, Boxes, frame, rectangles
from gainlib.notebook.figures.palette import GREEN, INK, PAPER, SKY, VERMILLION
from gainlib.words import Table, number_text

WIDTH = 0.8


class GuessBars:
    """A bar for every possible count: how many runs in a hundred end with it by guessing.

    Bars from which a difference counts as shown are hatched. A diamond marks one's own count.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = GuessBars(make_figure(500, 200).subplots())
    >>> bars.show([25, 50, 25], needed=3, right=2)
    >>> bars.sentence()
    'Guessing gets 2 or more of 2 right in 25.0 % of runs, and that is your count. No count shows a difference.'
    """

    def __init__(self, axes: Axes):
        self._axes = axes
        frame(axes, "", "right picks", "guessed runs (%)")
        axes.xaxis.set_major_locator(MultipleLocator(1))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: number_text(value, 0)))
        style = {"edgecolor": INK, "linewidth": 0.8, "zorder": 2}
        self._low, self._high = Boxes(facecolor=SKY, **style), Boxes(facecolor=GREEN, hatch="////", **style)
        for boxes in (self._low, self._high):
            axes.add_patch(boxes)
        (self._mark,) = axes.plot([], [], "D", color=VERMILLION, markeredgecolor=INK, markersize=10, zorder=4)
        box = {"boxstyle": "square,pad=0.1", "linewidth": 0, "facecolor": PAPER}  # keeps bars and grid out of the word
        style = {"fontsize": TEXT_PT, "fontfamily": FONT, "color": INK, "ha": "center", "va": "bottom", "zorder": 5}
        self._word = axes.text(0, 0, "", bbox=box, **style)
        self.artists = [self._low, self._high, self._mark, self._word]
        self.percent, self.needed, self.right = np.zeros(0), 1, None

    def show(self, percent, needed: int, right: int | None = None) -> None:
        """Show a run's length and a count; the figure has to be redrawn, since the scale changes.

        Parameters
        ----------
        percent : array, shape (trials + 1,)
            Of all runs of guessing, how many end with 0, 1, … right picks.
        needed : int
            Fewest right picks that count; more than there are trials where none does.
        right : int or None
            One's own count.
        """
        percent = np.asarray(percent, float)
        if percent.ndim != 1 or len(percent) < 2 or (right is not None and not 0 <= right < len(percent)):
            raise GainlibError(f"{len(percent)} bars and a count of {right}; give a bar for each count from 0 on")
        self.percent, self.needed, self.right = percent, int(needed), right
        counts = np.arange(len(percent))
        enough = counts >= needed
        for boxes, chosen in ((self._low, ~enough), (self._high, enough)):
            boxes.set_verts(rectangles(counts[chosen] - WIDTH / 2, 0.0, WIDTH, percent[chosen]))
        self._axes.set_xlim(-0.6, len(percent) - 0.4)
        top = percent.max()
        self._axes.set_ylim(0, 1.25 * top)
        shown = "none is enough" if needed >= len(percent) else f"hatched, from {needed}: a difference is shown"
        self._axes.set_title(
            f"Guessing {len(percent) - 1} times: {shown}; ◆ = you",
            loc="left",
            fontsize=10.5,
            fontfamily=FONT,
            color=INK,
        )
        if right is None:
            self._mark.set_data([], [])
            self._word.set_text("")
        else:
            self._mark.set_data([right], [percent[right] + 0.05 * top])
            self._word.set_position((right, percent[right] + 0.12 * top))
            self._word.set_text(f"you: {right}")

    def at_least(self, right: int) -> float:
        """Return in how many runs of a hundred guessing gets at least that many right."""
        return float(self.percent[right:].sum())

    def sentence(self) -> str:
        """Return what the count means."""
        trials = len(self.percent) - 1
        enough = (
            "No count shows a difference."
            if self.needed > trials
            else f"From {self.needed} on a difference is shown: guessing gets there in "
            f"{number_text(self.at_least(self.needed), 1)} % of runs."
        )
        if self.right is None:
            return enough
        share = number_text(self.at_least(self.right), 1)
        mine = f"Guessing gets {self.right} or more of {trials} right in {share} % of runs, and that is your count."
        return f"{mine} {enough}"

    def table(self) -> Table:
        """Return every count with its share, from the best down."""
        rows = tuple(
            (
                f"{count}{' (you)' if count == self.right else ''}",
                number_text(self.percent[count], 2),
                number_text(self.at_least(count), 2),
                "shown" if count >= self.needed else "not shown",
            )
            for count in range(len(self.percent) - 1, -1, -1)
        )
        heads = ("right picks", "exactly that, % of runs", "that or more, % of runs", "difference")
        return Table("Guessing", heads, rows)
