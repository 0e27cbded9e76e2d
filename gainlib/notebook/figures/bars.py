"""Bars: what meters read, lying one under the other on a scale of decibels."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame, row_axis
from gainlib.notebook.figures.palette import SKY, START, TEXT, VERMILLION
from gainlib.notebook.figures.parts import filled, numbers, plotted, rectangles, tabled, words
from gainlib.words import Table, number_text, peak_text

WORD_DB, EDGE_DB = 19.0, 1.0
"""What a reading takes up on the scale of a plot of ordinary width, and its distance from the end of its bar."""


class Bars:
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
        frame(axes, heading or title, grid="x" if column else "")
        db_axis(axes, low_db, high_db, step_db, "" if column else "dB", "x")
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
        now = numbers((value for value, _ in self._read.values()), sign=True)
        if not self._start:
            return tabled("Bus meters", ("meter", "now"), names, now)
        start = numbers((self._start.get(name, (None, ""))[0] for name in self._read), sign=True)
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
