"""Strips under each other: levels of stems, what a plan moves, faders against unity."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame, row_axis
from gainlib.notebook.figures.palette import BLUE, GREEN, INK, MARK, ORANGE, SKY, START, TEXT, VERMILLION
from gainlib.notebook.figures.parts import filled, numbers, plotted, rectangles, tabled, words
from gainlib.words import Table, number_text

LOW_DB, HIGH_DB = -72.0, 12.0
LEAST_DB, LEAST_SHOWN_DB = 0.05, 0.005
DOT, SEEN = MARK | {"marker": "o", "color": BLUE, "zorder": 3}, MARK | {"markersize": 9, "zorder": 4}


def _short(name, most=25):
    return name if len(name) < most else f"{name[: most - 2]}…"


class StemLevels:
    """A row for each stem: a bar from the active level to the true peak, and a mark for a steady floor.

    At `low_dbfs` and below, at `hot_dbfs` and beyond, a stem's active level is called too low or too hot.

    Examples
    --------
    >>> from gainlib.demo import demo_session
    >>> from gainlib.notebook.figures import make_figure
    >>> from gainlib.mix import checkup
    >>> stems = checkup(demo_session().strips[:2])
    >>> StemLevels(make_figure(600, 200).subplots(), stems, -34.0, -13.0).sentence()
    'Active levels from −24.8 to −8.9 dBFS. Too hot: 01 kick.'
    """

    artists = ()

    def __init__(self, axes: Axes, stems, low_dbfs: float, hot_dbfs: float):
        self.stems, self._low, self._hot = tuple(stems), low_dbfs, hot_dbfs
        count = len(self.stems)
        frame(axes, "● = active level, ▎= true peak, ◇ = steady floor in the pauses", grid="x")
        db_axis(axes, LOW_DB, HIGH_DB, 6, "dBFS; a ● on dotted ground is too low, on hatched ground too hot", "x")
        row_axis(axes, [_short(stem.name) for stem in self.stems], 0.5)
        for start, stop, colour, hatch in ((LOW_DB, low_dbfs, "#e8f1f8", "..."), (hot_dbfs, HIGH_DB, "#fdf1e6", "///")):
            zone = filled(axes, colour, hatch, edgecolor="#c8c8c8", linewidth=0.0, zorder=0.6)
            zone.set_verts(rectangles([start], -0.6, stop - start, count + 0.2))
        self._draw(axes)

    def _draw(self, axes):
        rows = np.arange(len(self.stems))
        average = np.array([stem.reading.active_dbfs for stem in self.stems])
        peak = np.array([stem.reading.true_peak_dbtp for stem in self.stems])
        floor = np.array([np.nan if stem.noise_dbfs is None else stem.noise_dbfs for stem in self.stems])
        heard = np.isfinite(average) & np.isfinite(peak)
        left, right = (np.clip(values[heard], LOW_DB, HIGH_DB) for values in (average, peak))
        filled(axes, SKY, linewidth=0.6).set_verts(rectangles(left, rows[heard] - 0.14, right - left, 0.28))
        far = (average[heard] >= self._hot) | (average[heard] <= self._low)
        for which, colour in ((far, VERMILLION), (~far, BLUE)):
            axes.plot(left[which], rows[heard][which], markersize=8, **DOT | {"color": colour})
        bar = {"marker": "|", "color": INK, "markersize": 15, "markeredgewidth": 2.5}
        axes.plot(right, rows[heard], **DOT | bar)
        axes.plot(floor, rows, markersize=6, **DOT | {"marker": "D", "color": ORANGE})
        for row in rows[~heard]:
            axes.text(LOW_DB + 1, row, "silent", va="center", zorder=3, **TEXT)

    def sentence(self) -> str:
        """Return the range of the levels, and who lies beyond the limits."""
        levels = {stem.name: stem.reading.active_dbfs for stem in self.stems}
        heard = {name: level for name, level in levels.items() if np.isfinite(level)}
        if not heard:
            return "Every stem is silent."
        ends = numbers((min(heard.values()), max(heard.values())))
        groups = {
            "Too hot": [name for name, level in heard.items() if level >= self._hot],
            "Too low": [name for name, level in heard.items() if level <= self._low],
            "Silent": [name for name in levels if name not in heard],
        }
        told = [f"{word}: {', '.join(names)}." for word, names in groups.items() if names]
        return " ".join([f"Active levels from {' to '.join(ends)} dBFS.", *told])

    def table(self) -> None:
        """Return None: the panel has a table with more."""
        return None


class Moved:
    """One control of several strips: a hollow mark where it was, a full one where it comes to stand, a line between.

    −∞ stands at the left edge. The strips' names stand beside the axes where `named` says so.

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
        rows, both = np.arange(len(self._names)), np.concatenate([self._before, self._after])
        reach = float(np.abs(both[np.isfinite(both)]).max(initial=0.0))
        high = max(6.0 * np.ceil((reach + 1.0) / 6.0), 12.0)
        frame(axes, f"{control}: ◇ before, ● after" if named else control, grid="x")
        db_axis(axes, -high, high, 6 if high <= 18 else 12, "dB", "x")
        row_axis(axes, [_short(name, 20) if named else "" for name in self._names], 0.5)
        old, new = (np.clip(values, -high, high) for values in (self._before, self._after))
        for row in rows[self._moving]:
            axes.plot([old[row], new[row]], [row, row], color=BLUE, linewidth=2, zorder=2)
        hollow = {"marker": "D", "color": "white", "markersize": 6}
        axes.plot(old[self._moving], rows[self._moving], **DOT | hollow)
        axes.plot(new, rows, markersize=7, **DOT)

    @property
    def _moving(self):
        same = (self._before == self._after) | (np.abs(self._after - self._before) < LEAST_DB)
        return ~same

    def sentence(self) -> str:
        """Return what moves, and by how much."""
        by = numbers(self._after - self._before, 1, True)
        moved = [f"{self._names[row]} {by[row]} dB" for row in np.flatnonzero(self._moving)]
        word = f"{self._control[:1].upper()}{self._control[1:]}"
        return f"{word}: {', '.join(moved)}." if moved else f"{word}: nothing moves."

    def table(self) -> Table:
        """Return every strip's control, before and after."""
        columns = self._names, numbers(self._before, 1, True), numbers(self._after, 1, True)
        return tabled(f"{self._control} (dB)", ("strip", "before", "after"), *columns)


class FadersAndChanges:
    """Faders of several strips against a band around unity, and what has changed at the bus and in the sends.

    The band reaches `band_db`, the scale of the changes `reach_db` to either side; `start` is as for :meth:`begin`.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> both = FadersAndChanges(*make_figure(600, 200).subplots(1, 2), ("kick", "bass"))
    >>> both.update([-2.0, 1.0], [0.0, 0.0], {"cue send of kick": (0, -18.0)}, start_db=[-20.0, 1.0])
    >>> both.sentence()
    'All faders are within 3 dB of unity. Every level at the bus is unchanged. Moved: cue send of kick −18.00 dB.'
    """

    def __init__(self, left: Axes, right: Axes, names, band_db: float = 3.0, reach_db: float = 12.0, start=()):
        self.names, self._band, self._reach = tuple(names), band_db, reach_db
        count = len(self.names)
        self.faders = self.start = self.bus = np.zeros(count)
        self.sends = {}
        frame(left, "Faders: ● = now, ◇ = at the start", grid="x")
        db_axis(left, -32, 11, 6, "fader (dB)", "x")
        frame(right, "Moved: ● = at the bus, ■ = send", grid="x")
        db_axis(right, -reach_db, reach_db, 3, "change (dB)", "x")
        right.xaxis.set_major_locator(FixedLocator(np.arange(-reach_db, reach_db + 1, 6)))
        right.set_xlim(-reach_db - 1, 2 * reach_db)
        for axes in (left, right):
            row_axis(axes, self.names)
        right.set_yticks([])
        band = filled(left, "#e3f3ee", "..", edgecolor=GREEN, linewidth=0.0, zorder=0.6)
        band.set_verts(rectangles([-band_db], -0.55, 2 * band_db, count + 0.1))
        self._begun = plotted(left, **START)
        self._now, self._bus = (plotted(axes, marker="o", color=BLUE, **SEEN) for axes in (left, right))
        self._sends = plotted(right, marker="s", color=VERMILLION, **SEEN)
        self._numbers = [words(right, 1.1 * reach_db, row, va="center") for row in range(count)]
        self.artists = [self._begun, self._now, self._bus, self._sends, *self._numbers]
        if len(start):
            self.begin(start)

    def begin(self, faders_db) -> None:
        """Keep these faders as the start, and show them."""
        self.update(faders_db, np.zeros(len(self.names)), {}, faders_db)

    def update(self, faders_db, bus_db, sends, start_db=None) -> None:
        """Show other faders and changes, one a strip; `sends` has row and change of every send by its name."""
        if start_db is not None:
            self.start = np.asarray(start_db, float)
            self._begun.set_data(self.start, np.arange(len(self.start)))
        faders, bus = np.asarray(faders_db, float), np.asarray(bus_db, float)
        if not faders.shape == bus.shape == (len(self.names),):
            raise GainlibError(f"{faders.size} faders and {bus.size} changes for {len(self.names)} strips")
        self.faders, self.bus, self.sends = faders, bus, dict(sends)
        rows, edge = np.arange(len(faders)), 0.98 * self._reach
        self._now.set_data(np.maximum(faders, -31.5), rows)
        self._bus.set_data(np.clip(bus, -edge, edge), rows - 0.14)
        places = np.array(list(self.sends.values()), float).reshape(-1, 2)
        self._sends.set_data(np.clip(places[:, 1], -edge, edge), places[:, 0] + 0.2)
        told = {row: f" ■ {number_text(by, 2, True)}" for row, by in self.sends.values() if abs(by) > LEAST_SHOWN_DB}
        for row, text in enumerate(self._numbers):
            own = f"● {number_text(bus[row], 2, True)}" if abs(bus[row]) > LEAST_SHOWN_DB else ""
            text.set_text((own + told.get(row, "")).strip())

    def sentence(self) -> str:
        """Return who is far from unity and what has moved."""
        far = [name for name, fader in zip(self.names, self.faders, strict=True) if abs(fader) > self._band]
        limit = f"{self._band:g} dB"
        said = (
            f"Still more than {limit} from unity: {', '.join(far)}."
            if far
            else f"All faders are within {limit} of unity."
        )
        bus = _changes(zip(self.names, self.bus, strict=True))
        kept = f"Moved at the bus: {bus}." if bus else "Every level at the bus is unchanged."
        sends = _changes((name, by) for name, (_, by) in self.sends.items())
        more = f" Moved: {sends}." if sends else " Both sends are unchanged." if len(self.sends) == 2 else ""
        return f"{said} {kept}{more}"

    def table(self) -> Table:
        """Return faders and changes of every strip."""
        send = dict.fromkeys(range(len(self.names)), "–")
        send |= {row: number_text(change, 2, True) for row, change in self.sends.values()}
        faders = numbers(self.start, 1, True), numbers(self.faders, 1, True)
        rows = zip(self.names, *faders, numbers(self.bus, 2, True), send.values(), strict=True)
        heads = ("track", "fader at the start (dB)", "fader now (dB)", "moved at the bus (dB)", "send moved (dB)")
        return Table("Faders, and what has moved", heads, tuple(rows))


def _changes(moved):
    return ", ".join(f"{name} {number_text(by, 2, True)} dB" for name, by in moved if abs(by) > LEAST_SHOWN_DB)
