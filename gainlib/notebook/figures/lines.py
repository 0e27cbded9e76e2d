"""Lines: curves over one axis, spectra, levels over time, times allowed over level."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedFormatter, FixedLocator, FuncFormatter, MultipleLocator, NullLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import frame, frequency_axis, full_scale_axis, time_axis
from gainlib.notebook.figures.palette import HERE, INK, LABEL, ORANGE, TEXT, THRESHOLD, VERMILLION, look
from gainlib.notebook.figures.parts import Drawing, move_rule, numbers, plotted, same_length, tabled
from gainlib.words import MINUS, Table, level_text, number_text, time_text

DASHES = ("─", "┅", "-·", "···", "-··")
ROWS = 12
EVERY_S = 0.5
OUT = look(0, linewidth=1.6, zorder=2)
IN = {"color": VERMILLION, "linestyle": "--", "linewidth": 1.4, "zorder": 3}
TIMES_MIN = {1: "1 min", 5: "5 min", 15: "15 min", 60: "1 h", 240: "4 h", 480: "8 h", 1440: "24 h"}


class Lines(Drawing):
    """What every plot of lines is made of: curves over the same places, and a diamond where a control stands.

    A kind lays out its axes, gives a style a curve, and has a sentence and a table.
    """

    def __init__(self, axes: Axes, title: str, x, y, *styles: dict, here: bool = False, grid: str = "both"):
        frame(axes, title, x, y, grid)
        self._axes, self.here = axes, None
        self.x, self.y = np.zeros(0), [np.zeros(0)] * len(styles)
        self._curves = [plotted(axes, **style) for style in styles]
        self._mark = plotted(axes, **HERE) if here else None
        self.artists = [*self._curves, *([self._mark] if here else [])]

    def _show(self, x, *curves, ends=(-np.inf, np.inf), least: int = 1) -> None:
        """Show other curves; beyond `ends` a curve stays there."""
        self.x, *self.y = same_length(x, *curves, least=least)
        for drawn, values in zip(self._curves, self.y, strict=True):
            drawn.set_data(self.x, np.clip(values, *ends))


class Curves(Lines):
    """Named curves over one axis; diamonds point out places on them.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    names : sequence of str
        Of the curves, for heading, sentence and table.
    x, y : (float, float, float, str)
        Low end, high end, distance of the ticks, and what the axis is in. Beyond the ends of `y` a curve stays there.
    title, marks : str
        Above the picture; what the diamonds are, "" where there are none.
    hertz : bool
        Whether x is a frequency, on a logarithmic scale from 20 Hz to 20 kHz; `x` is then not needed.
    digits : (int, int)
        Decimals of x and y in words and numbers.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curves = Curves(make_figure(400, 250).subplots(), ("sum",), (0, 2, 1, "s"), (-12, 6, 6, "dB"), "Level", "dip")
    >>> curves.update([0, 1, 2], [[6, -6, 6]], [(1, -6)])
    >>> curves.sentence()
    'Level: sum from −6.0 to +6.0 dB; dip at 1.0 s: −6.0 dB.'
    """

    def __init__(
        self,
        axes: Axes,
        names,
        x=(20, 20000, 0, "Hz"),
        y=(-24, 12, 6, "dB"),
        title="",
        marks="",
        hertz=False,
        digits=(1, 1),
    ):
        self.names, self._title, self._marks, self._digits = tuple(names), title, marks, digits
        self._spread = np.geomspace if hertz else np.linspace
        self._units, self._ends = (x[3].rpartition("(")[2].rstrip(")"), y[3]), y[:2]
        shown = [f"{DASHES[k % len(DASHES)]} {name}" for k, name in enumerate(self.names)] + [
            "◆ " * bool(marks) + marks
        ]
        styles = (look(k, linewidth=1.6) for k in range(len(self.names)))
        super().__init__(axes, f"{title}: {', '.join(filter(None, shown))}", "", y, *styles)
        if hertz:
            frequency_axis(axes)
        else:
            axes.set_xlim(x[0], x[1])
            axes.xaxis.set_major_locator(MultipleLocator(x[2]))
            axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{round(value, 6):g}".replace("-", MINUS)))
            axes.set_xlabel(x[3], **LABEL)
        self.marks, self._dots = (
            (),
            plotted(axes, marker="D", color=INK, markersize=6, linestyle="", zorder=4, clip_on=False),
        )
        self.artists.append(self._dots)

    def update(self, x, curves, marks=()) -> None:
        """Show other curves, each with a value for every x (NaN leaves a gap), and point out some (x, y)."""
        if len(curves) != len(self.names):
            raise GainlibError(f"{len(curves)} curves; give {len(self.names)} rows, one a name")
        self._show(x, *curves, ends=self._ends)
        self.marks = tuple(marks)
        places = np.array(self.marks, float).reshape(-1, 2)
        self._dots.set_data(places[:, 0], np.clip(places[:, 1], *self._ends))

    def sentence(self) -> str:
        """Return how far each curve reaches, and what is pointed out."""
        said = []
        for name, values in zip(self.names, self.y, strict=True):
            if np.isfinite(values).any():
                ends = (self._told(each) for each in (np.nanmin(values), np.nanmax(values)))
                said.append("{} from {} to {} {}".format(name, *ends, self._units[1]))
        said += [
            f"{self._marks} at {self._at(x)} {self._units[0]}: {self._told(y)} {self._units[1]}" for x, y in self.marks
        ]
        return f"{self._title}: {'; '.join(each.rstrip() for each in said) or 'nothing to see'}."

    def table(self) -> Table:
        """Return the curves at some places, the ones pointed out among them."""
        rows = [(self._at(x), self._marks, self._told(y)) for x, y in self.marks]
        places = np.unique(self._spread(1, self.x.size, ROWS).round().astype(int) - 1) if self.x.size else ()
        for k in places:
            rows += [(self._at(self.x[k]), name, self._told(y[k])) for name, y in zip(self.names, self.y, strict=True)]
        return Table(self._title, (self._units[0], "", self._units[1]), tuple(rows))

    def _at(self, value):
        return number_text(value, self._digits[0])

    def _told(self, value):
        return number_text(value, self._digits[1], signed=True)


class Spectrum(Lines):
    """Two spectra on one scale: what goes in dashed, what comes out drawn through.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> spectrum = Spectrum(make_figure(400, 250).subplots())
    >>> spectrum.update([100, 200, 300], [-20, -100, -100], [-20, -100, -60])
    >>> spectrum.sentence()
    'The output exceeds the input most at 300 Hz, by 40.0 dB.'
    """

    def __init__(self, axes: Axes, low_db: float = -100.0, high_db: float = 0.0, title: str = "Spectrum"):
        self._low, self._title = low_db, title
        super().__init__(axes, f"{title}: ┅ in, ─ out", "", (low_db, high_db, 20, "dB"), IN, OUT)
        frequency_axis(axes)

    def update(self, frequency_hz, before_db, after_db) -> None:
        """Show the levels of input and output at the same frequencies."""
        self._show(frequency_hz, before_db, after_db, ends=(self._low - 10, np.inf))

    def sentence(self) -> str:
        """Return at which frequency the output has most that the input has not."""
        if not self.x.size:
            return f"{self._title}: nothing yet."
        before, after = np.maximum(self.y, self._low)
        most = int(np.argmax(after - before))
        if after[most] - before[most] < 0.5:
            return "The output contains nothing that the input does not."
        where = f"{number_text(self.x[most], 0)} Hz"
        return f"The output exceeds the input most at {where}, by {number_text(after[most] - before[most])} dB."

    def table(self) -> Table:
        """Return both spectra octave by octave, at the strongest of the output in each."""
        rows = []
        for low in (31.25 * 2**k for k in range(10)):
            inside = np.flatnonzero((self.x >= low) & (self.x < 2 * low))
            if inside.size:
                k = inside[np.argmax(self.y[1][inside])]
                rows.append((number_text(self.x[k], 0), *numbers(each[k] for each in self.y)))
        return Table(f"{self._title}, strongest of each octave", ("Hz", "in (dB)", "out (dB)"), tuple(rows))


class WavePair(Lines):
    """A few milliseconds of what goes in and of what comes out, on one scale; `one` is what the value 1 is.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> pair = WavePair(make_figure(400, 250).subplots())
    >>> pair.update([0, 1, 2], [0, 1, 0], [0, 0.5, 0])
    >>> pair.sentence()
    'Around the loudest moment: in up to 1.00, out up to 0.50 (full scale = 1).'
    """

    def __init__(
        self, axes: Axes, limit: float = 1.2, title: str = "Around the loudest moment", one: str = "full scale"
    ):
        self._one, self._title = one, title
        super().__init__(axes, f"{title}: ┅ in, ─ out", "ms", "", IN, OUT | {"linewidth": 1.8}, grid="y")
        full_scale_axis(axes, limit, f"{one} = 1")

    def update(self, time_ms, before, after) -> None:
        """Show another stretch; its ends are those of the time scale at the first call."""
        first = not self.x.size
        self._show(time_ms, before, after, least=2)
        if first:
            self._axes.set_xlim(self.x[0], self.x[-1])

    def sentence(self) -> str:
        """Return how high both go."""
        if not self.x.size:
            return f"{self._title}: nothing yet."
        highest = (number_text(np.abs(each).max(), 2) for each in self.y)
        return "{}: in up to {}, out up to {} ({} = 1).".format(self._title, *highest, self._one)

    def table(self) -> Table:
        """Return both waves at twelve places."""
        at = np.unique(np.linspace(0, self.x.size - 1, 12).round().astype(int)) if self.x.size else []
        columns = numbers(self.x[at], 2, True), *(numbers(each[at], 3, True) for each in self.y)
        return tabled(f"{self._title}, {self._one} = 1", ("ms", "in", "out"), *columns)


class ReductionTrace(Lines):
    """Gain reduction over time, hanging from 0 dB; more than `most_db` is drawn at that end.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> trace = ReductionTrace(make_figure(500, 200).subplots(), 1.0)
    >>> trace.update([0.25, 0.75], [0.0, 6.0])
    >>> trace.sentence()
    'Turned down by 6.0 dB at most, at 0.75 s, and by 3.0 dB on average.'
    """

    def __init__(self, axes: Axes, duration_s: float, most_db: float = 24.0):
        self._most, self.mean_db = most_db, 0.0
        super().__init__(axes, "Gain reduction", "", (-most_db, 1, 6, "dB"), look(0, linewidth=1.6), grid="y")
        time_axis(axes, 0, duration_s)

    def update(self, time_s, reduction_db, mean_db: float | None = None) -> None:
        """Show another run; reductions are not negative.

        `mean_db` is the mean over the time, where it is known better than from these points, as when they are the
        highest of blocks.
        """
        self._show(time_s, -np.asarray(reduction_db, float), ends=(-self._most, 0.0))
        self.mean_db = -float(self.y[0].mean()) if mean_db is None else mean_db

    def sentence(self) -> str:
        """Return the largest reduction, when it is, and the mean."""
        most = int(np.argmin(self.y[0])) if self.x.size else 0
        if not self.x.size or self.y[0][most] > -0.05:
            return "Nothing is turned down."
        return (
            f"Turned down by {number_text(-self.y[0][most])} dB at most, at "
            f"{number_text(self.x[most], 2)} s, and by {number_text(self.mean_db)} dB on average."
        )

    def table(self) -> Table:
        """Return the largest reduction in every half second."""
        rows = [(number_text(start, 1), number_text(-self.y[0][inside].min())) for start, inside in _parts(self.x)]
        return Table("Gain reduction over time", ("from (s)", "largest (dB)"), tuple(rows))


class LevelPair(Lines):
    """Levels going in and coming out, over time, and the threshold where there is one.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> pair = LevelPair(make_figure(500, 200).subplots(), 1.0)
    >>> pair.update([0.25, 0.75], [-30.0, -6.0], [-24.0, -8.0])
    >>> pair.sentence()
    'Peaks reach −6.0 dBFS going in and −8.0 dBFS coming out.'
    """

    def __init__(self, axes: Axes, duration_s: float, low_dbfs: float = -72.0, high_dbfs: float = 12.0):
        self._ends = (low_dbfs, high_dbfs)
        styles = look(0, linewidth=1.4), look(1, linewidth=1.4, linestyle=(0, (4, 1.5)))
        title = "Peaks of 20 ms: ─ in, ┄ out, ··· threshold"
        super().__init__(axes, title, "", (low_dbfs, high_dbfs, 12, "dBFS"), *styles, grid="y")
        time_axis(axes, 0, duration_s)
        self._threshold = axes.axhline(0, **THRESHOLD)
        self.artists.append(self._threshold)

    def update(self, time_s, before_dbfs, after_dbfs, threshold_dbfs=None) -> None:
        """Show another run."""
        move_rule(self._threshold, threshold_dbfs)
        self._show(time_s, before_dbfs, after_dbfs, ends=self._ends)

    def sentence(self) -> str:
        """Return the highest peaks on both sides."""
        before, after = (level_text(each.max(), "dBFS") for each in self.y)
        return f"Peaks reach {before} going in and {after} coming out."

    def table(self) -> Table:
        """Return the highest peak in every half second, on both sides."""
        rows = [(number_text(start, 1), *numbers(y[inside].max() for y in self.y)) for start, inside in _parts(self.x)]
        return Table("Peaks over time", ("from (s)", "in (dBFS)", "out (dBFS)"), tuple(rows))


def _parts(time_s):
    place = np.floor(time_s / EVERY_S).astype(int)
    return [(part * EVERY_S, place == part) for part in np.unique(place)]


class SafeTimes(Drawing):
    """Time a day over level at the ear: one curve a limit, and a point.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    levels_dba : array, shape (n,)
        Levels at which the curves are known.
    limits_min : mapping of str to array, shape (n,)
        Minutes a day allowed at those levels, by the name of the limit; the first one divides safe from not.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curve = SafeTimes(make_figure(500, 300).subplots(), [80, 90], {"a day": [1524, 151]})
    >>> curve.update(90, 302, {"a day": (151, 200.0)})
    >>> curve.sentence()
    '5 h 2 min a day at 90 dBA: 200 % of a day.'
    """

    def __init__(self, axes: Axes, levels_dba, limits_min):
        self.names, levels = tuple(limits_min), np.asarray(levels_dba, float)
        frame(axes, "How long a day: ★ = you", "level at the ear (dBA)", "", grid="both")
        axes.set_yscale("log")
        axes.set_ylim(1, 1440)
        axes.set_xlim(levels[0], levels[-1])
        axes.yaxis.set_major_locator(FixedLocator(list(TIMES_MIN)))
        axes.yaxis.set_major_formatter(FixedFormatter(list(TIMES_MIN.values())))
        axes.yaxis.set_minor_locator(NullLocator())
        for index, (name, minutes) in enumerate(limits_min.items()):
            style = look(index, True, markersize=5, zorder=2)
            axes.plot(levels, minutes, markevery=max(1, len(levels) // 9), label=name, **style)
        first = np.asarray(next(iter(limits_min.values())), float)
        style = {
            "facecolor": ORANGE,
            "alpha": 0.18,
            "hatch": "//",
            "edgecolor": INK,
            "label": f"beyond {self.names[0]}",
        }
        axes.fill_between(levels, first, 1440, where=first < 1440, **style)
        axes.legend(loc="upper right", prop={"family": TEXT["fontfamily"], "size": TEXT["fontsize"]}, framealpha=1)
        self._drop = plotted(axes, color=INK, linewidth=1, linestyle=":", zorder=3)
        self._point = plotted(axes, **HERE | {"marker": "*", "markersize": 17})
        self.artists = [self._drop, self._point]
        self._left, self._level_dba, self._minutes, self._shares = levels[0], 0.0, 0.0, {}

    def update(self, level_dba: float, minutes: float, shares) -> None:
        """Move the point; `shares` has minutes allowed a day and percent used by the name of the limit."""
        if set(shares) != set(self.names):
            raise GainlibError(f"shares of {', '.join(shares)}; give one for each of {', '.join(self.names)}")
        self._level_dba, self._minutes, self._shares = level_dba, minutes, dict(shares)
        at = min(max(minutes, 1), 1440)
        self._point.set_data([level_dba], [at])
        self._drop.set_data([level_dba, level_dba, self._left], [1, at, at])

    def sentence(self) -> str:
        """Return where the point is, and how much of each limit it uses."""
        used = "; ".join(f"{number_text(share, 0)} % of {name}" for name, (_, share) in self._shares.items())
        return f"{time_text(self._minutes)} a day at {number_text(self._level_dba, 0)} dBA: {used}."

    def table(self) -> Table:
        """Return what each limit allows at this level, and how much of it is used."""
        rows = ((name, time_text(most), f"{number_text(share, 0)} %") for name, (most, share) in self._shares.items())
        return Table(f"At {number_text(self._level_dba, 0)} dBA", ("limit", "allowed a day", "used"), tuple(rows))
