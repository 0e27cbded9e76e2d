"""The bus around its worst peaks as waveforms side by side, and the meters of the bus."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.ticker import FixedLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, TEXT_PT, Boxes, db_axis, frame, full_scale_axis, rectangles
from gainlib.notebook.figures.cached_text import Stamp
from gainlib.notebook.figures.palette import BLUE, INK, SKY, VERMILLION
from gainlib.words import Table, number_text, peak_text

WIDTH, NUMBERS = 0.84, 0.2


class PeakWaves:
    """Short stretches of the bus around its worst peaks, one beside the other, samples over full scale marked.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw; peak k stands around x = k.
    count : int
        How many peaks there is room for.
    reach_ms : float
        How far a stretch goes to either side of its peak.
    limit : float
        Height of the upright axis, full scale = 1.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> waves = PeakWaves(make_figure(500, 200).subplots(), count=2, reach_ms=2)
    >>> waves.update([[0.2, 1.4, 0.3], [-0.1, -0.9, 0.0]], [[False, True, False], [False] * 3])
    >>> waves.sentence()
    '1 of the 2 worst peaks is over full scale.'
    """

    def __init__(self, axes: Axes, count: int = 10, reach_ms: float = 2.0, limit: float = 2.4):
        self.count = count
        self.waves, self.over, self._cut = np.zeros((0, 1)), np.zeros((0, 1), bool), False
        title = f"Around the worst peaks, ± {number_text(reach_ms, 0)} ms: ● = over full scale, or cut off there"
        frame(axes, title)
        full_scale_axis(axes, limit, "full scale = 1")
        axes.yaxis.set_major_locator(FixedLocator((-1, 1)))
        axes.set_xlim(-0.5, count - 0.5)
        axes.set_xticks([])
        for border in np.arange(count - 1) + 0.5:
            axes.axvline(border, color=INK, linewidth=0.5, alpha=0.35, zorder=1)
        self._limit = limit
        self._lines = LineCollection([], colors=BLUE, linewidths=1.3, zorder=2)
        axes.add_collection(self._lines, autolim=False)
        style = {"color": VERMILLION, "markeredgecolor": INK, "markeredgewidth": 0.3, "markersize": 4, "zorder": 3}
        (self._marks,) = axes.plot([], [], linestyle="none", marker="o", **style)
        self.artists = [self._lines, self._marks]

    def update(self, waves, over, cut: bool = False) -> None:
        """Show new stretches.

        Parameters
        ----------
        waves : array, shape (peaks, frames)
            Bus values, the peak in the middle of its row.
        over : bool array, shape (peaks, frames)
            Which of them are over full scale.
        cut : bool
            Whether the bus has cut them off.
        """
        waves, over = np.asarray(waves, float), np.asarray(over, bool)
        if waves.ndim != 2 or waves.shape != over.shape or len(waves) > self.count:
            raise GainlibError(
                f"waves of shape {waves.shape} and marks of shape {over.shape}; give the same shape, "
                f"at most {self.count} rows"
            )
        self.waves, self.over, self._cut = waves, over, cut
        across = np.linspace(-WIDTH / 2, WIDTH / 2, waves.shape[1])
        x = np.arange(len(waves))[:, np.newaxis] + across
        shown = np.clip(waves, -0.98 * self._limit, 0.98 * self._limit)
        self._lines.set_segments(np.stack([x, shown], axis=-1))
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


class BusMeters:
    """What the meters on the bus read, as lying bars with their numbers beside them; one over 0 dB is another colour.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    low_db, high_db : float
        Ends of the scale.
    marks : bool
        Whether hollow marks will show the start.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> meters = BusMeters(make_figure(500, 200).subplots())
    >>> meters.update({"sample peak": (5.9, "dBFS"), "loudness": (-7.3, "LUFS")})
    >>> meters.sentence()
    'Bus: sample peak +5.9 dBFS, loudness −7.3 LUFS.'
    """

    ROWS = ("sample peak", "true peak", "RMS", "loudness")

    def __init__(self, axes: Axes, low_db: float = -48, high_db: float = 12, marks: bool = True):
        self._low, self._high, self.levels, self._start = low_db, high_db, {}, {}
        frame(axes, "Bus meters: ◇ = at the start" if marks else "Bus meters", grid="x")
        db_axis(axes, low_db, high_db, 6, "", "x")
        axes.xaxis.set_major_locator(FixedLocator(np.arange(low_db, high_db + 1, 6)))
        axes.set_xlim(low_db, high_db + NUMBERS * (high_db - low_db))
        axes.set_ylim(len(self.ROWS) - 0.45, -0.55)
        axes.set_yticks(range(len(self.ROWS)), self.ROWS)
        axes.axvline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        style = {"edgecolor": INK, "linewidth": 0.8, "zorder": 2}
        self._bars = axes.add_patch(Boxes(facecolor=SKY, **style))
        self._hot = axes.add_patch(Boxes(facecolor=VERMILLION, hatch="////", **style))
        (self._marks,) = axes.plot([], [], "D", color="none", markeredgecolor=INK, markersize=6, zorder=3)
        style = {"fontsize": TEXT_PT, "fontfamily": FONT, "color": INK, "va": "center", "zorder": 4}
        self._numbers = [axes.add_artist(Stamp(high_db + 1, row, "", **style)) for row in range(len(self.ROWS))]
        self._note = axes.set_title("", loc="right", fontsize=TEXT_PT, fontfamily=FONT, color=INK)
        self.artists = [self._bars, self._hot, self._marks, *self._numbers, self._note]

    def update(self, levels, note: str = "", start=None) -> None:
        """Show new levels.

        Parameters
        ----------
        levels : mapping of str to (float or None, str)
            Value and unit by name of the row, see ``ROWS``; −inf is silence, None undefined.
        note : str
            What else there is to know about the reading.
        start : mapping, optional
            The levels that the hollow marks show, in the same shape.
        """
        unknown = sorted(set(levels) - set(self.ROWS))
        if unknown:
            raise GainlibError(f"no meter is called {unknown[0]!r}; there is {', '.join(self.ROWS)}")
        self.levels = dict(levels)
        self._start = {name: value for name, (value, _) in (start or {}).items() if value is not None}
        self._note.set_text(note)
        for number, name in zip(self._numbers, self.ROWS, strict=True):
            number.set_text(peak_text(*self.levels[name]) if name in self.levels else "")
        ends = [self.levels.get(name, (None, ""))[0] for name in self.ROWS]
        ends = np.array([-np.inf if end is None else end for end in ends])
        for bars, shown in ((self._bars, ends <= 0), (self._hot, ends > 0)):
            rows = np.flatnonzero(shown & (ends > self._low))
            width = np.minimum(ends[rows], self._high) - self._low
            bars.set_verts(rectangles(self._low, rows - 0.32, width, 0.64))
        marked = [(value, row) for row, name in enumerate(self.ROWS) if (value := self._start.get(name)) is not None]
        self._marks.set_data(
            [min(max(value, self._low), self._high) for value, _ in marked], [row for _, row in marked]
        )

    def sentence(self) -> str:
        """Return all meters in one sentence."""
        note = f" ({text})" if (text := self._note.get_text()) else ""
        return f"Bus: {', '.join(f'{name} {peak_text(*level)}' for name, level in self.levels.items())}{note}."

    def table(self) -> Table:
        """Return every meter now and at the start."""
        now = {f"{name} ({unit})": number_text(value, sign=True) for name, (value, unit) in self.levels.items()}
        if not self._start:
            return Table("Bus meters", ("meter", "now"), tuple(now.items()))
        start = (number_text(self._start.get(name), sign=True) for name in self.levels)
        rows = tuple((name, before, value) for (name, value), before in zip(now.items(), start, strict=True))
        return Table("Bus meters", ("meter", "at the start", "now"), rows)
