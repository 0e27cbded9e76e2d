"""Histograms and upright bars: levels of samples, blocks of a loudness meter, runs of guessing, what is left over."""

from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MultipleLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import frame, percent_axis
from gainlib.notebook.figures.palette import BLUE, DASHED, GREEN, INK, MARK, PAPER, SKY, TEXT, TITLE, VERMILLION, fill
from gainlib.notebook.figures.parts import Drawing, filled, numbers, plotted, put, rectangles, rule, tabled
from gainlib.words import Table, level_text, number_text

LOW_LUFS, HIGH_LUFS, BIN_LU = -84.0, 0.0, 2.0
EDGES_LUFS = np.arange(LOW_LUFS, HIGH_LUFS + 0.5 * BIN_LU, BIN_LU)
WIDTH = 0.8
DIAMOND = MARK | {"marker": "D", "color": VERMILLION, "zorder": 4}


def most_often(percent: np.ndarray, edges_db: np.ndarray) -> str:
    """Return between which edges of its bins a signal is most often."""
    most = int(np.argmax(percent))
    return "between {} and {} dBFS".format(*numbers(edges_db[most : most + 2], 0))


class LevelHistogram(Drawing):
    """How often a signal is at which level; bars over full scale are hatched.

    The bin edges in dBFS rise and are equally spaced; 0 should be one of them.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = LevelHistogram(make_figure(400, 200).subplots(), [-18, -12, -6, 0, 6])
    >>> bars.update([20.0, 60.0, 18.0, 2.0])
    >>> bars.sentence()
    'Levels: most often between −12 and −6 dBFS; 2.00 % of the samples are over full scale.'
    """

    def __init__(self, axes: Axes, edges_db, title: str = "Levels", high_percent: float = 100.0):
        self.edges_db, self._title = np.asarray(edges_db, float), title
        if len(self.edges_db) < 2 or not (np.diff(self.edges_db) > 0).all():
            raise GainlibError(f"bin edges {list(edges_db)}; give at least two, rising")
        self.percent = np.zeros(len(self.edges_db) - 1)
        scale = (self.edges_db[0], self.edges_db[-1], 6 if np.ptp(self.edges_db) < 80 else 12, "sample level (dBFS)")
        frame(axes, f"{title}: how often", scale, "% of the samples")
        percent_axis(axes, high_percent, "")
        rule(axes, 0, "x")
        self.artists = [filled(axes, SKY, linewidth=0.6), filled(axes, VERMILLION, "////", linewidth=0.6)]

    def update(self, percent) -> None:
        """Show new shares, one a bin, from :func:`gainlib.meters.level_counts`."""
        percent = np.asarray(percent, float)
        if percent.shape != self.percent.shape:
            raise GainlibError(f"{percent.size} shares for {self.percent.size} bins; give one a bin")
        self.percent = percent
        left, base = self.edges_db[:-1], 1e-6
        corners = rectangles(left, base, np.diff(self.edges_db), np.maximum(percent - base, 0))
        for bars, shown in zip(self.artists, (left < 0, left >= 0), strict=True):
            bars.set_verts(corners[shown])

    def sentence(self) -> str:
        """Return the commonest level and the share over full scale."""
        if not self.percent.any():
            return f"{self._title}: nothing yet."
        over, often = self.percent[self.edges_db[:-1] >= 0].sum(), most_often(self.percent, self.edges_db)
        return f"{self._title}: most often {often}; {over:.2f} % of the samples are over full scale."

    def table(self) -> Table:
        """Return the share of every bin."""
        edges = numbers(self.edges_db, 0)
        bins = map(" to ".join, pairwise(edges))
        columns = bins, (f"{share:.3f}" for share in self.percent)
        return tabled(f"{self._title}: share of the samples", ("level (dBFS)", "%"), *columns)


class BlockBars(Drawing):
    """The blocks of a loudness meter sorted by loudness; those that a gate leaves out are hatched.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = BlockBars(make_figure(400, 250).subplots())
    >>> bars.update([-20.5, -20.5, -np.inf], [True, True, False], -30.5, -20.5, gates="both")
    >>> bars.sentence()
    'Loudness: 2 of 3 blocks count and give −20.5 LUFS; 1 is silent.'
    """

    def __init__(self, axes: Axes, most: int = 60):
        self.blocks_lufs, self.kept, self.loudness_lufs = np.zeros(0), np.zeros(0, bool), None
        self.gate_lufs, self.gates, self._most = -np.inf, "both", most
        scale = (LOW_LUFS, HIGH_LUFS, 10, "block of 400 ms (LUFS); dashed: gates")
        frame(axes, "Blocks: ▨ left out, ◆ loudness", scale, "blocks")
        tens = range(-70, 1, 10)
        axes.set_xticks([LOW_LUFS + 1, *tens], ["silent", *numbers(tens, 0)])
        axes.set_ylim(0, most)
        self._bars = filled(axes, SKY), filled(axes, PAPER, "////")
        (self._absolute,) = axes.plot([-70, -70], [0, most], color=INK, linewidth=1.4, linestyle=DASHED, zorder=3)
        self._relative = plotted(axes, color=VERMILLION, linewidth=1.6, linestyle="-.", zorder=3)
        self._result = plotted(axes, color=BLUE, linewidth=1.8, marker="D", markevery=(1, 1), zorder=4)
        self.artists = [*self._bars, self._absolute, self._relative, self._result]

    def update(self, blocks_lufs, kept, gate_lufs: float, loudness_lufs: float | None, gates: str = "both") -> None:
        """Show other blocks: which of them count, and what those give.

        The relative gate stands at `gate_lufs`, −inf for nowhere; of the gates "none", the "absolute" one or "both" are
        at work, and the others are not drawn.
        """
        self.blocks_lufs, self.kept = np.asarray(blocks_lufs, float), np.asarray(kept, bool)
        if self.blocks_lufs.shape != self.kept.shape:
            raise GainlibError(f"{self.blocks_lufs.size} blocks and {self.kept.size} marks; give one a block")
        self.gate_lufs, self.loudness_lufs, self.gates = gate_lufs, loudness_lufs, gates
        base = 0
        for bars, counts in zip(self._bars, self._counts(), strict=True):
            bars.set_verts(rectangles(EDGES_LUFS[:-1], base, BIN_LU, counts)[counts > 0])
            base = counts
        self._absolute.set_visible(gates != "none")
        shown = gates == "both" and gate_lufs > LOW_LUFS
        self._relative.set_data(*(([gate_lufs] * 2, [0, self._most]) if shown else ([], [])))
        shown = loudness_lufs is not None and loudness_lufs >= LOW_LUFS
        self._result.set_data(*(([loudness_lufs] * 2, [0, 0.93 * self._most]) if shown else ([], [])))

    def _counts(self):
        """Return how many blocks lie in each bin, of those that count and of the others."""
        # a hair above the edge keeps a steady tone of a whole number from flickering between two bars
        place = np.searchsorted(EDGES_LUFS[1:-1], np.maximum(self.blocks_lufs, LOW_LUFS) + 1e-6, side="right")
        return [np.bincount(place[which], minlength=EDGES_LUFS.size - 1) for which in (self.kept, ~self.kept)]

    def sentence(self) -> str:
        """Return how many blocks count and what they give."""
        total, silent = len(self.blocks_lufs), int((self.blocks_lufs == -np.inf).sum())
        if not total or self.loudness_lufs is None:
            return "Loudness: no block is complete yet."
        others = f"; {silent} {'is' if silent == 1 else 'are'} silent" if silent else ""
        return (
            f"Loudness: {int(self.kept.sum())} of {total} blocks count and give "
            f"{level_text(self.loudness_lufs, 'LUFS')}{others}."
        )

    def table(self) -> Table:
        """Return how many blocks there are at which loudness, and the gates."""
        rows = []
        for low, counting, out in zip(EDGES_LUFS[:-1], *self._counts(), strict=True):
            if counting or out:
                span = " to ".join(numbers((low, low + BIN_LU), 0))
                rows.append(("silent, or nearly" if low == LOW_LUFS else span, str(counting), str(out)))
        gate = level_text(self.gate_lufs, "LUFS") if self.gate_lufs > -np.inf else "nowhere"
        caption = {
            "none": "no gate is at work",
            "absolute": "the gate is at −70 LUFS",
            "both": f"the gates are at −70 LUFS and at {gate}",
        }[self.gates]
        return Table(f"Blocks by loudness; {caption}", ("LUFS", "blocks that count", "left out"), tuple(rows))


class GuessBars(Drawing):
    """A bar for every possible count: how many runs in a hundred end with it by guessing between two.

    Bars from which a difference counts as shown are hatched. A diamond marks one's own count.

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
        self._bars = filled(axes, SKY), filled(axes, GREEN, "////")
        self._mark = plotted(axes, markersize=10, **DIAMOND)
        box = {"boxstyle": "square,pad=0.1", "linewidth": 0, "facecolor": PAPER}  # keeps bars and grid out of the word
        self._word = axes.text(0, 0, "", bbox=box, ha="center", va="bottom", zorder=5, **TEXT)
        self.artists = [*self._bars, self._mark, self._word]
        self.percent, self.needed, self.right = np.zeros(0), 1, None

    def show(self, percent, needed: int, right: int | None = None) -> None:
        """Show a run's length and a count; the figure has to be redrawn, since the scale changes.

        `percent` of all runs of guessing end with 0, 1, … right picks; `needed` is the fewest that count, more than
        there are trials where none does; `right` is one's own count.
        """
        percent = np.asarray(percent, float)
        if percent.ndim != 1 or len(percent) < 2 or (right is not None and not 0 <= right < len(percent)):
            raise GainlibError(f"{len(percent)} bars and a count of {right}; give a bar for each count from 0 on")
        self.percent, self.needed, self.right = percent, int(needed), right
        counts, top = np.arange(len(percent)), percent.max()
        for bars, chosen in zip(self._bars, (counts < needed, counts >= needed), strict=True):
            bars.set_verts(rectangles(counts[chosen] - WIDTH / 2, 0.0, WIDTH, percent[chosen]))
        self._axes.set_xlim(-0.6, len(percent) - 0.4)
        self._axes.set_ylim(0, 1.25 * top)
        shown = "none is enough" if needed >= len(percent) else f"hatched, from {needed}: a difference is shown"
        self._axes.set_title(f"Guessing {len(percent) - 1} times: {shown}; ◆ = you", loc="left", **TITLE)
        put(self._mark, None if right is None else (right, percent[right] + 0.05 * top))
        self._word.set_text("" if right is None else f"you: {right}")
        self._word.set_position((0, 0) if right is None else (right, percent[right] + 0.12 * top))

    def at_least(self, right: int) -> float:
        """Return in how many runs of a hundred guessing gets at least that many right."""
        return float(self.percent[right:].sum())

    def sentence(self) -> str:
        """Return what the count means."""
        trials = len(self.percent) - 1
        enough = "No count shows a difference."
        if self.needed <= trials:
            share = number_text(self.at_least(self.needed))
            enough = f"From {self.needed} right, a difference is shown: guessing gets there in {share} % of runs."
        if self.right is None:
            return enough
        share = number_text(self.at_least(self.right))
        mine = f"Guessing gets {self.right} or more of {trials} right in {share} % of runs, and that is your count."
        return f"{mine} {enough}"

    def table(self) -> Table:
        """Return every count with its share, from the best down."""
        rows = tuple(
            (
                f"{count}{' (you)' if count == self.right else ''}",
                *numbers((self.percent[count], self.at_least(count)), 2),
                "shown" if count >= self.needed else "not shown",
            )
            for count in range(len(self.percent) - 1, -1, -1)
        )
        heads = ("right picks", "exactly that, % of runs", "that or more, % of runs", "difference")
        return Table("Guessing", heads, rows)


class ResidueBars(Drawing):
    """A bar from the floor up for each name; a diamond where it was expected.

    What lies lower than `low_db` stands at the bottom; `what` says what the names are.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = ResidueBars(make_figure(400, 300).subplots(), -160, 0, "Rest by octave", "dB", "octave (Hz)")
    >>> bars.update(["1000", "2000"], [-90.0, -np.inf])
    >>> bars.sentence()
    'Highest: 1000, −90.0 dB.'
    """

    def __init__(self, axes: Axes, low_db: float, high_db: float, title: str, unit: str, what: str):
        self._axes, self._ends, self._unit, self._what, self._title = axes, (low_db, high_db), unit, what, title
        frame(axes, title, what, (low_db, high_db, 20, unit))
        self._bars = filled(axes, fill(0).color, fill(0).hatch)
        self._marks = plotted(axes, markersize=8, **DIAMOND)
        self._texts, self.names, self.levels, self.expected = [], (), np.zeros(0), None

    @property
    def artists(self):
        """What changes."""
        return [self._bars, self._marks, *self._texts]

    def update(self, names, levels_db, expected_db=None) -> None:
        """Show other bars; the figure has to be redrawn, since the names change.

        −inf is nothing left; NaN where nothing is expected.
        """
        self.names, self.levels = tuple(names), np.asarray(levels_db, float)
        self.expected = None if expected_db is None else np.asarray(expected_db, float)
        low, high = self._ends
        places, top = np.arange(len(self.names)), np.clip(self.levels, low, high)
        self._axes.set_xlim(-0.6, len(self.names) - 0.4)
        self._axes.set_xticks(places, self.names, fontsize=TEXT["fontsize"], fontfamily=TEXT["fontfamily"])
        self._bars.set_verts(rectangles(places - 0.36, low, 0.72, top - low))
        shown = [] if self.expected is None else np.flatnonzero(np.isfinite(self.expected))
        self._marks.set_data(shown, [] if self.expected is None else np.clip(self.expected[shown], low, high))
        for text in self._texts:
            text.remove()
        self._texts = [
            self._axes.text(place, min(level + 2.0, high - 8.0), text, ha="center", va="bottom", zorder=5, **TEXT)
            for place, level, text in zip(places, top, self._read("none", 0), strict=True)
        ]

    def _read(self, nothing, digits=1):
        return [nothing if value == -np.inf else number_text(value, digits) for value in self.levels]

    def sentence(self) -> str:
        """Return which is highest."""
        if not self.names:
            return "Nothing has been subtracted yet."
        k = int(np.argmax(self.levels))
        if self.levels[k] == -np.inf:
            return "Nothing is left at all."
        return f"Highest: {self.names[k]}, {number_text(self.levels[k])} {self._unit}."

    def table(self) -> Table:
        """Return every bar."""
        heads, columns = (self._what, f"left ({self._unit})"), [self.names, self._read("nothing")]
        if self.expected is not None:
            heads += (f"expected ({self._unit})",)
            columns.append(["" if np.isnan(each) else number_text(each) for each in self.expected])
        return tabled(self._title, heads, *columns)
