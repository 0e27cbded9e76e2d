"""Levels along one strip, and faders of several strips against unity."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import Boxes, db_axis, frame, rectangles
from gainlib.notebook.figures.palette import BLUE, GREEN, INK, SKY, VERMILLION
from gainlib.notebook.figures.travel import words
from gainlib.words import Table, number_text

NUMBERS, ROOM = 0.17, 0.5
START = {"linestyle": "none", "marker": "D", "color": "none", "markeredgecolor": INK, "markersize": 7, "zorder": 3}


class TapLadder:
    """Levels at the points of a strip, as lying bars, numbers beside them; a hollow mark shows where each one started.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    names : sequence of str
        The points, in the order of the signal.
    low_db, high_db : float
        Ends of the scale.
    unit : str
        What the levels are.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> ladder = TapLadder(make_figure(500, 200).subplots(), ("cue send", "at the bus"))
    >>> ladder.update([-44.0, -30.0], start=[-20.0, -30.0])
    >>> ladder.sentence()
    'Against the start: cue send −24.0 dB; at the bus unchanged.'
    """

    def __init__(self, axes: Axes, names, low_db: float = -72.0, high_db: float = 12.0, unit: str = "RMS (dBFS)"):
        self.names, self._low, self._high, self._unit = tuple(names), low_db, high_db, unit
        self.levels = self.start = np.full(len(self.names), -np.inf)
        frame(axes, f"Levels along the strip, {unit}: ◇ = at the start", grid="x")
        db_axis(axes, low_db, high_db, 12, "", "x")
        axes.xaxis.set_major_locator(FixedLocator(np.arange(low_db, high_db + 1, 12)))
        axes.set_xlim(low_db, high_db + NUMBERS * (high_db - low_db))
        axes.set_ylim(len(self.names) - 0.45, -0.55)
        axes.set_yticks(range(len(self.names)), self.names)
        self._bars = axes.add_patch(Boxes(facecolor=SKY, edgecolor=INK, linewidth=0.8, zorder=2))
        (self._marks,) = axes.plot([], [], **START)
        self._numbers = [words(axes, high_db + 2, row, va="center") for row in range(len(self.names))]
        self.artists = [self._bars, self._marks, *self._numbers]

    def update(self, levels, start) -> None:
        """Show new levels and where they started, one a name; −∞ is silence."""
        levels, start = np.asarray(levels, float), np.asarray(start, float)
        if not levels.shape == start.shape == (len(self.names),):
            raise GainlibError(f"{levels.size} levels for {len(self.names)} points of the strip; give one each")
        self.levels, self.start = levels, start
        rows = np.arange(len(levels))
        self._bars.set_verts(
            rectangles(self._low, rows - 0.32, np.clip(levels, self._low, self._high) - self._low, 0.64)
        )
        shown = np.isfinite(start)
        self._marks.set_data(np.clip(start[shown], self._low, self._high), rows[shown])
        for text, level in zip(self._numbers, levels, strict=True):
            text.set_text(number_text(level, 1, True))

    def _moved(self, now, start):
        if now == start or abs(now - start) < 0.005:
            return "unchanged"
        if np.isneginf(now) or np.isneginf(start):
            return "silent" if np.isneginf(now) else "no longer silent"
        return f"{number_text(now - start, 1, True)} dB"

    def sentence(self) -> str:
        """Return how every level has moved."""
        moved = (f"{n} {self._moved(a, b)}" for n, a, b in zip(self.names, self.levels, self.start, strict=True))
        return f"Against the start: {'; '.join(moved)}."

    def table(self) -> Table:
        """Return every level at the start and now."""
        rows = tuple(
            (name, number_text(start), number_text(now), self._moved(now, start))
            for name, start, now in zip(self.names, self.start, self.levels, strict=True)
        )
        return Table(f"Levels along the strip, {self._unit}", ("point", "at the start", "now", "moved by"), rows)


class FadersAndChanges:
    """Faders of several strips against a band around unity, and what has changed at the bus and in the sends.

    Parameters
    ----------
    left, right : matplotlib axes
        Faders and changes.
    names : sequence of str
        The strips.
    band_db : float
        Half width of the band around unity.
    reach_db : float
        How far the scale of the changes goes to either side.
    start : sequence of float
        Where the faders start, as for :meth:`begin`.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> both = FadersAndChanges(*make_figure(600, 200).subplots(1, 2), ("kick", "bass"))
    >>> both.update([-2.0, 1.0], [0.0, 0.0], {"cue send of kick": (0, -18.0)}, start_db=[-20.0, 1.0])
    >>> both.sentence()
    'All faders are within 3 dB of unity. Every level at the bus is kept. Moved: cue send of kick −18.00 dB.'
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
        right.set_xlim(-reach_db - 1, (1 + 2 * ROOM) * reach_db)
        for axes in (left, right):
            axes.set_ylim(count - 0.45, -0.55)
        left.set_yticks(range(count), self.names)
        right.set_yticks([])
        band = left.add_patch(Boxes(facecolor="#e3f3ee", edgecolor=GREEN, hatch="..", linewidth=0.0, zorder=0.6))
        band.set_verts(rectangles([-band_db], -0.55, 2 * band_db, count + 0.1))
        for axes in (left, right):
            axes.axvline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        (self._begun,) = left.plot([], [], **START)
        look = {"linestyle": "none", "markeredgecolor": INK, "markersize": 9, "zorder": 4}
        (self._now,) = left.plot([], [], marker="o", color=BLUE, **look)
        (self._bus,) = right.plot([], [], marker="o", color=BLUE, **look)
        (self._sends,) = right.plot([], [], marker="s", color=VERMILLION, **look)
        self._numbers = [words(right, 1.1 * reach_db, row, va="center") for row in range(count)]
        self.artists = [self._begun, self._now, self._bus, self._sends, *self._numbers]
        if len(start):
            self.begin(start)

    def begin(self, faders_db) -> None:
        """Keep these faders as the start, and show them."""
        self.start = np.asarray(faders_db, float)
        self._begun.set_data(self.start, np.arange(len(self.start)))
        self.update(faders_db, np.zeros(len(self.start)), {})

    def update(self, faders_db, bus_db, sends, start_db=None) -> None:
        """Show other faders and changes.

        Parameters
        ----------
        faders_db, bus_db : sequence of float, one a strip
            Where the faders stand, and what has changed at the bus.
        sends : mapping of str to (int, float)
            Row and change of every send, by its name.
        start_db : sequence of float, optional
            Where the faders stood at first.
        """
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
        places = [(np.clip(change, -edge, edge), row + 0.2) for row, change in self.sends.values()]
        self._sends.set_data([x for x, _ in places], [y for _, y in places])
        told = {row: f" ■ {number_text(change, 2, True)}" for row, change in self.sends.values() if abs(change) > 0.005}
        for row, text in enumerate(self._numbers):
            own = f"● {number_text(bus[row], 2, True)}" if abs(bus[row]) > 0.005 else ""
            text.set_text((own + told.get(row, "")).strip())

    def sentence(self) -> str:
        """Return who is far from unity and what has moved."""
        far = [name for name, fader in zip(self.names, self.faders, strict=True) if abs(fader) > self._band]
        limit = f"{self._band:g} dB"
        said = f"All faders are within {limit} of unity."
        if far:
            said = f"Still more than {limit} from unity: {', '.join(far)}."
        bus = [
            f"{n} {number_text(by, 2, True)} dB" for n, by in zip(self.names, self.bus, strict=True) if abs(by) > 0.005
        ]
        kept = f"Moved at the bus: {', '.join(bus)}." if bus else "Every level at the bus is kept."
        sends = [f"{n} {number_text(by, 2, True)} dB" for n, (_, by) in self.sends.items() if abs(by) > 0.005]
        more = f" Moved: {', '.join(sends)}." if sends else " Both sends are kept." if len(self.sends) == 2 else ""
        return f"{said} {kept}{more}"

    def table(self) -> Table:
        """Return faders and changes of every strip."""
        send = dict.fromkeys(range(len(self.names)), "–")
        send |= {row: number_text(change, 2, True) for row, change in self.sends.values()}
        rows = tuple(
            (name, number_text(start, 1, True), number_text(now, 1, True), number_text(by, 2, True), send[row])
            for row, (name, start, now, by) in enumerate(
                zip(self.names, self.start, self.faders, self.bus, strict=True)
            )
        )
        heads = ("track", "fader at the start (dB)", "fader now (dB)", "moved at the bus (dB)", "send moved (dB)")
        return Table("Faders, and what has moved", heads, rows)
