"""Bars: what meters read, lying one under the other; the worst peaks of a bus, and what each source adds to them."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import frame, full_scale_axis, row_axis
from gainlib.notebook.figures.palette import BLUE, INK, MARK, SKY, START, TEXT, VERMILLION, fill
from gainlib.notebook.figures.parts import Drawing, filled, numbers, plotted, rectangles, tabled, words
from gainlib.words import Table, number_text, peak_text

WORD_DB, EDGE_DB = 19.0, 1.0
"""What a reading takes up on the scale of a plot of ordinary width, and its distance from the end of its bar."""


class Bars(Drawing):
    """Readings as lying bars, each with its number and unit.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    names : sequence of str
        Rows, from the top.
    low_db, high_db, step_db : float
        Ends of the scale, and distance of its ticks.
    title, heading : str
        First in the sentence; above the picture, where that is another.
    column : float
        Room for the readings to the right of the scale, as a share of it; 0 if each stands at the end of its bar.
    hot : bool
        Whether a bar over 0 dB is hatched, in another colour.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> rows = Bars(make_figure(400, 200).subplots(), ("sample peak", "needle"))
    >>> rows.update([-18.0, -29.1], ["−18.0 dBFS", "−11.1 VU"])
    >>> rows.sentence()
    'The meters: sample peak −18.0 dBFS, needle −11.1 VU.'
    """

    def __init__(
        self,
        axes: Axes,
        names,
        low_db=-60.0,
        high_db=6.0,
        title="The meters",
        *,
        heading="",
        step_db=12,
        column=0.0,
        hot=False,
    ):
        self.names, self.texts, self.levels = tuple(names), ("",) * len(names), np.full(len(names), -np.inf)
        self._ends, self._title, self._column, self._hot = (low_db, high_db), title, column, hot
        # where every bar has its reading at its end, a grid would strike it through
        frame(axes, heading or title, (low_db, high_db, step_db, "" if column else "dB"), grid="x" if column else "")
        axes.xaxis.set_major_locator(FixedLocator(np.arange(low_db, high_db + 1, step_db)))
        axes.set_xlim(low_db, high_db + column * (high_db - low_db))
        row_axis(axes, self.names)
        self._bars = filled(axes, SKY), filled(axes, VERMILLION, "////")
        self._begun = plotted(axes, **START)
        at, va = (high_db + 0.02 * (high_db - low_db), "center") if column else (low_db, "center_baseline")
        self._numbers = [words(axes, at, row, va=va, zorder=4) for row in range(len(self.names))]
        self._note = axes.set_title("", loc="right", **TEXT)
        self.artists = [*self._bars, self._begun, *self._numbers, self._note]

    def update(self, levels_db, texts, start_db=(), note: str = "") -> None:
        """Show new readings: the length of each bar, −inf for none, what it reads, and where the hollow marks stand."""
        levels = np.asarray(levels_db, float)
        if levels.shape != (len(self.names),) or len(texts) != len(self.names):
            raise GainlibError(f"{levels.size} levels and {len(texts)} texts for {len(self.names)} rows; give one each")
        self.levels, self.texts = levels, tuple(texts)
        low, high = self._ends
        ends, over = np.clip(levels, low, high), (levels > 0) & self._hot
        height = 0.64 if self._column else 0.84
        for bars, shown in zip(self._bars, (~over, over), strict=True):
            rows = np.flatnonzero(shown & (ends > low))
            bars.set_verts(rectangles(low, rows - height / 2, ends[rows] - low, height))
        start = np.asarray(start_db, float)
        marked = np.flatnonzero(np.isfinite(start))
        self._begun.set_data(np.clip(start[marked], low, high), marked)
        for number, text, end in zip(self._numbers, texts, ends, strict=True):
            number.set_text(text)
            if not self._column:
                beside = end + WORD_DB + EDGE_DB <= min(high, 0.0)  # else it would lie across the line at 0
                number.set(x=end + EDGE_DB if beside else end - EDGE_DB, ha="left" if beside else "right")
        self._note.set_text(note)

    def sentence(self) -> str:
        """Return all readings in one sentence."""
        note = f" ({text})" if (text := self._note.get_text()) else ""
        read = (f"{name} {text}" for name, text in zip(self.names, self.texts, strict=True) if text)
        return f"{self._title}: {', '.join(read)}{note}."

    def table(self) -> Table:
        """Return every reading."""
        return tabled(self._title, ("meter", "reads"), self.names, self.texts)


class BusMeters(Bars):
    """What the meters on the bus read; one over 0 dB is another colour, hollow marks may show the start.

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
        self._read, self._start = {}, {}
        heading = "Bus meters: ◇ = at the start" if marks else "Bus meters"
        super().__init__(axes, self.ROWS, low_db, high_db, "Bus", heading=heading, step_db=6, column=0.2, hot=True)

    def update(self, levels, note: str = "", start=None) -> None:
        """Show new levels: value and unit by name of the row; −inf is silence, None undefined. `start` is alike."""
        unknown = sorted(set(levels) - set(self.ROWS))
        if unknown:
            raise GainlibError(f"no meter is called {unknown[0]!r}; there is {', '.join(self.ROWS)}")
        self._read, self._start = dict(levels), dict(start or {})
        values, begun = (
            [np.nan if (value := where.get(name, (None, ""))[0]) is None else value for name in self.ROWS]
            for where in (self._read, self._start)
        )
        texts = [peak_text(*self._read[name]) if name in self._read else "" for name in self.ROWS]
        super().update(np.nan_to_num(values, nan=-np.inf, neginf=-np.inf), texts, begun, note)

    def table(self) -> Table:
        """Return every meter now and at the start."""
        names = [f"{name} ({unit})" for name, (_, unit) in self._read.items()]
        now = numbers((value for value, _ in self._read.values()), signed=True)
        if not self._start:
            return tabled("Bus meters", ("meter", "now"), names, now)
        start = numbers((self._start.get(name, (None, ""))[0] for name in self._read), signed=True)
        return tabled("Bus meters", ("meter", "at the start", "now"), names, start, now)


class TapLadder(Bars):
    """Levels at the points of a strip, in the order of the signal; a hollow mark shows where each one started.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> ladder = TapLadder(make_figure(500, 200).subplots(), ("cue send", "at the bus"))
    >>> ladder.update([-44.0, -30.0], start=[-20.0, -30.0])
    >>> ladder.sentence()
    'Against the start: cue send −24.0 dB; at the bus unchanged.'
    """

    def __init__(self, axes: Axes, names, low_db: float = -72.0, high_db: float = 12.0, unit: str = "RMS (dBFS)"):
        title = f"Levels along the strip, {unit}"
        super().__init__(axes, names, low_db, high_db, title, heading=f"{title}: ◇ = at the start", column=0.17)
        self.start = self.levels

    def update(self, levels, start) -> None:
        """Show new levels and where they started, one a name; −∞ is silence."""
        if len(levels) != len(start):
            raise GainlibError(f"{len(levels)} levels for {len(start)} points of the strip; give one each")
        super().update(levels, numbers(levels, 1, True), start)
        self.start = np.asarray(start, float)

    def _moved(self):
        for now, start in zip(self.levels, self.start, strict=True):
            if now == start or abs(now - start) < 0.005:
                yield "unchanged"
            elif np.isneginf(now) or np.isneginf(start):
                yield "silent" if np.isneginf(now) else "no longer silent"
            else:
                yield f"{number_text(now - start, 1, True)} dB"

    def sentence(self) -> str:
        """Return how every level has moved."""
        return f"Against the start: {'; '.join(map(' '.join, zip(self.names, self._moved(), strict=True)))}."

    def table(self) -> Table:
        """Return every level at the start and now."""
        columns = self.names, numbers(self.start), numbers(self.levels), self._moved()
        return tabled(self._title, ("point", "at the start", "now", "moved by"), *columns)


BAR_WIDTH, NAMES_AT, WAVE_WIDTH = 0.72, 1.17, 0.84


class Contributions(Drawing):
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


class PeakWaves(Drawing):
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
