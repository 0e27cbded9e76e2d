"""Levels under each other and along a way: stems, strips, what a plan moves; level diagram, graph of a routing."""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.ticker import FixedLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame, row_axis
from gainlib.notebook.figures.palette import (
    BLUE,
    DASHED,
    GREEN,
    INK,
    MARK,
    ORANGE,
    PAPER,
    SKY,
    START,
    TEXT,
    VERMILLION,
    look,
)
from gainlib.notebook.figures.parts import Drawing, filled, numbers, plotted, rectangles, tabled, words
from gainlib.words import Table, level_text, number_text

LOW_DB, HIGH_DB = -72.0, 12.0
LEAST_DB, LEAST_SHOWN_DB = 0.05, 0.005
DOT, SEEN = MARK | {"marker": "o", "color": BLUE, "zorder": 3}, MARK | {"markersize": 9, "zorder": 4}


def _short(name, most=25):
    return name if len(name) < most else f"{name[: most - 2]}…"


class StemLevels(Drawing):
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


class Moved(Drawing):
    """One control of several strips: a hollow mark where it was, a full one where it comes to stand, a line between.

    −∞ stands at the left edge. The strips' names stand beside the axes where `named` says so.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> Moved(make_figure(300, 200).subplots(), "trim", ("kick", "bass"), (0.0, 0.0), (-9.5, 0.0)).sentence()
    'Trim: kick −9.5 dB.'
    """

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


class FadersAndChanges(Drawing):
    """Faders of several strips against a band around unity, and what has changed at the bus and in the sends.

    The band reaches `band_db`, the scale of the changes `reach_db` to either side; `start` has the faders at first.

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
        frame(left, "Faders: ● = now, ◇ = at the start", (-32, 11, 6, "fader (dB)"), grid="x")
        frame(right, "Moved: ● = at the bus, ■ = send", (-reach_db, reach_db, 3, "change (dB)"), grid="x")
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
            self.update(start, np.zeros(count), {}, start)

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


HALF, REACH = 0.2, 0.42
DOTTED = (0, (1, 2))
SIGNS = {"ceiling": "┅", "noise": "┈", "wanted average": "◆"}
WIDE, HIGH = 0.82, 0.56


class LevelDiagram(Drawing):
    """A band from average to peak at every point of a chain; ceilings dashed, noise dotted, references as diamonds.

    What stands over its ceiling is hatched. A point may lack any of them: pass −inf or None for a level that is not
    there.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    names : sequence of str
        The points, from the left.
    low_db, high_db : float
        Ends of the scale.
    unit, title : str
        Of all levels; above the picture, and first in its sentence and table.
    shows : sequence of str
        What there is besides the band, for the heading: any of "ceiling", "noise" and "wanted average".
    wanted : str
        What the diamonds are called.
    most : int
        How many points there may be, where they change.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> diagram = LevelDiagram(make_figure(500, 300).subplots(), ("stem", "stage", "out"))
    >>> references = [None, -18, None]
    >>> new = diagram.update([-24, -18, -18], [-10, -4, -5], ceiling_db=[None, 0, 0], reference_db=references)
    >>> diagram.sentence()
    'Levels along the chain: the least room is at stage, 4.0 dB from its peak to its ceiling.'
    """

    def __init__(
        self,
        axes: Axes,
        names,
        low_db: float = -60.0,
        high_db: float = 12.0,
        unit: str = "dBFS",
        title: str = "Levels along the chain",
        shows=tuple(SIGNS),
        wanted: str = "wanted average",
        most: int = 0,
    ):
        self._axes, self._unit, self._diamonds, self._shows = axes, unit, wanted, shows
        self._low, self._high = low_db, high_db
        self._name(title, names)
        self._band = filled(axes, SKY, linewidth=0.9)
        self._over = filled(axes, VERMILLION, "////", linewidth=0.9)
        self._means = LineCollection([], colors=BLUE, linewidths=2.6, zorder=3)
        self._ceilings = LineCollection([], colors=INK, linewidths=1.6, linestyles=[DASHED], zorder=4)
        self._noises = LineCollection([], colors=INK, linewidths=1.6, linestyles=[DOTTED], zorder=4)
        for lines in (self._means, self._ceilings, self._noises):
            axes.add_collection(lines, autolim=False)
        self._path = plotted(axes, color=BLUE, linewidth=1.2, zorder=2.5)
        self._wanted = plotted(axes, marker="D", markersize=6, color=VERMILLION, zorder=5, **MARK)
        top = high_db - 0.015 * (high_db - low_db)  # clear of the grid's line
        self._numbers = [words(axes, k, top, ha="center", va="top") for k in range(max(len(names), most))]
        lines = [self._means, self._path, self._ceilings, self._noises, self._wanted]
        self.artists = [self._band, self._over, *lines, *self._numbers]

    def _name(self, title, names):
        """Name the diagram and its points."""
        self._title, self.names, count = title, tuple(names), len(names)
        self.average = self.peak = self.ceiling = self.noise = self.reference = np.full(count, np.nan)
        called = SIGNS | {"wanted average": f"◆ {self._diamonds}"}
        signs = (called[name] if name == "wanted average" else f"{SIGNS[name]} {name}" for name in self._shows)
        scale = (self._low, self._high, 6 if self._high - self._low <= 80 else 12, self._unit)
        frame(self._axes, ", ".join([f"{title}: ▭ average to peak", *signs]), y=scale)
        self._axes.set_xlim(-0.55, count - 0.45)
        self._axes.set_xticks(range(count), self.names)

    def update(self, average_db, peak_db, ceiling_db=None, noise_db=None, reference_db=None, of=None) -> bool:
        """Show other levels, one of each a point; return whether they are those of other points.

        Parameters
        ----------
        average_db, peak_db : sequence of float
            −inf for silence.
        ceiling_db, noise_db, reference_db : sequence of float or None
            Where the point clips, its noise, and the average it wants; None, as a whole or for a point, for none.
        of : (str, sequence of str), optional
            Title and points, where they are others than before.
        """
        other = of is not None and (self._title, self.names) != (of[0], tuple(of[1]))
        if other:
            self._name(*of)
        self.average, self.peak = self._one_each(average_db), self._one_each(peak_db)
        self.ceiling, self.noise, self.reference = map(self._one_each, (ceiling_db, noise_db, reference_db))
        at, low = np.arange(len(self.names)), self._low
        bottom = np.clip(np.nan_to_num(self.average, nan=low, neginf=low), low, self._high)
        top = np.clip(np.nan_to_num(self.peak, nan=low, neginf=low), bottom, self._high)
        limit = np.clip(np.nan_to_num(self.ceiling, nan=np.inf), bottom, top)
        self._band.set_verts(rectangles(at - HALF, bottom, 2 * HALF, limit - bottom)[top > low])
        self._over.set_verts(rectangles(at - HALF, limit, 2 * HALF, top - limit)[top > limit])
        heard = self.average > low
        self._means.set_segments(self._across(at[heard], self.average[heard], HALF))
        self._path.set_data(at[heard], self.average[heard])
        for lines, level in ((self._ceilings, self.ceiling), (self._noises, self.noise)):
            there = (level > low) & (level < np.inf)
            lines.set_segments(self._across(at[there], level[there], REACH))
        self._wanted.set_data(at, self.reference)
        for k, number in enumerate(self._numbers):
            number.set_text(number_text(self.average[k]) if k < len(heard) and heard[k] else "")
        return other

    def _one_each(self, levels):
        if levels is None:
            return np.full(len(self.names), np.nan)
        found = np.array([np.nan if level is None else float(level) for level in levels])
        if found.shape != (len(self.names),):
            raise GainlibError(f"{found.size} levels for {len(self.names)} points; give one a point")
        return found

    @staticmethod
    def _across(at, level, reach):
        return np.stack([np.column_stack([at - reach, level]), np.column_stack([at + reach, level])], axis=1)

    def sentence(self) -> str:
        """Return where the room to the ceiling is least; without ceilings, where the peak is highest."""
        room = self.ceiling - self.peak
        known = np.isfinite(room)
        if known.any():
            k = int(np.nanargmin(np.where(known, room, np.nan)))
            if room[k] < -0.05:
                return f"{self._title}: at {self.names[k]} the peak is {number_text(-room[k])} dB over its ceiling."
            return (
                f"{self._title}: the least room is at {self.names[k]}, {number_text(room[k])} dB from its peak to its "
                f"ceiling."
            )
        if not (self.peak > -np.inf).any():
            return f"{self._title}: silent."
        k = int(np.nanargmax(self.peak))
        return f"{self._title}: the peak is highest at {self.names[k]}, {level_text(self.peak[k], self._unit)}."

    def table(self) -> Table:
        """Return all levels, one row a point; columns that no point has are left out."""
        columns = {"average": self.average, "peak": self.peak, "ceiling": self.ceiling}
        columns |= {"noise": self.noise, self._diamonds: self.reference}
        shown = {name: level for name, level in columns.items() if not np.isnan(level).all()}
        rows = tuple(
            (name, *("–" if np.isnan(level[k]) else number_text(level[k], signed=True) for level in shown.values()))
            for k, name in enumerate(self.names)
        )
        return Table(self._title, ("point", *(f"{name} ({self._unit})" for name in shown)), rows)


class RoutingGraph(Drawing):
    """Boxes with a name, a level and a bar for it; the ways lead from box to box, each way in its own look.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    boxes : mapping of str to (str, float, float)
        Node of a session: name on the box, column from the left, row from below.
    ways : sequence of sequence of str
        Nodes in the order in which a signal passes them.
    low_db, high_db : float
        Levels of an empty and of a full bar.
    title : str
        Above the picture: what the levels are.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> boxes = {"kick/source": ("source", 0, 0), "bus": ("bus", 1, 0)}
    >>> graph = RoutingGraph(make_figure(400, 200).subplots(), boxes, [("kick/source", "bus")])
    >>> graph.update({"kick/source": -20.0, "bus": -23.0})
    >>> graph.sentence()
    'RMS in dBFS: source −20.0, bus −23.0.'
    """

    def __init__(
        self, axes: Axes, boxes, ways, low_db: float = -60.0, high_db: float = 0.0, title: str = "RMS in dBFS"
    ):
        self.boxes, self._low, self._high, self._title = dict(boxes), low_db, high_db, title
        self.levels = dict.fromkeys(self.boxes, -np.inf)
        names, columns, rows = zip(*self.boxes.values(), strict=True)
        self._x, self._y = np.array(columns, float), np.array(rows, float)
        frame(axes, title, grid="")
        axes.set_axis_off()
        axes.set(xlim=(min(columns) - 0.45, max(columns) + 0.45), ylim=(min(rows) - 0.45, max(rows) + 0.45))
        for k, way in enumerate(ways):
            self._lead(axes, way, look(k, linewidth=1.8, zorder=1))
        filled(axes, PAPER, linewidth=1.0).set_verts(rectangles(self._x - WIDE / 2, self._y - HIGH / 2, WIDE, HIGH))
        self._bars = filled(axes, SKY, linewidth=0.6, zorder=3)
        style = {"ha": "center", "zorder": 4}
        for x, y, name in zip(self._x, self._y, names, strict=True):
            axes.text(x, y + 0.09, name, va="bottom", **style, **TEXT)
        self._texts = [words(axes, x, y + 0.05, va="top", **style) for x, y in zip(self._x, self._y, strict=True)]
        self.artists = [self._bars, *self._texts]

    def _lead(self, axes, way, style):
        """Draw a way from box to box, an arrow in the middle of each step."""
        for (_, x0, y0), (_, x1, y1) in pairwise(self.boxes[node] for node in way):
            axes.plot([x0, x1], [y0, y1], **style)
            middle = (x0 + x1) / 2, (y0 + y1) / 2
            ahead = middle[0] + 0.02 * (x1 - x0), middle[1] + 0.02 * (y1 - y0)
            axes.annotate("", ahead, middle, arrowprops={"arrowstyle": "-|>", "color": style["color"]}, zorder=1.5)

    def update(self, levels: Mapping[str, float]) -> None:
        """Show other levels, by node."""
        self.levels = {node: levels[node] for node in self.boxes}
        share = (np.array(list(self.levels.values())) - self._low) / (self._high - self._low)
        width = WIDE * np.clip(share, 0, 1)
        self._bars.set_verts(rectangles(self._x - WIDE / 2, self._y - HIGH / 2, width, 0.25 * HIGH))
        for text, told in zip(self._texts, numbers(self.levels.values()), strict=True):
            text.set_text(told)

    def sentence(self) -> str:
        """Return the level of every box, in the order of the signal."""
        said = ", ".join(f"{name} {number_text(self.levels[node])}" for node, (name, *_) in self.boxes.items())
        return f"{self._title}: {said}."

    def table(self) -> Table:
        """Return the level of every box."""
        rows = tuple((name, level_text(self.levels[node], "dBFS", 2)) for node, (name, *_) in self.boxes.items())
        return Table(self._title, ("point", "level"), rows)
