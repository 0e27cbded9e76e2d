"""How long ears may take a level: curves of the time allowed, and the point somebody is at."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, TEXT_PT, frame
from gainlib.notebook.figures.palette import INK, ORANGE, VERMILLION, line
from gainlib.words import Table, number_text, time_text

TIMES_MIN = {1: "1 min", 5: "5 min", 15: "15 min", 60: "1 h", 240: "4 h", 480: "8 h", 1440: "24 h"}


class SafeTimes:
    """Time a day over level: one curve a limit, and a point.

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
        self.names = tuple(limits_min)
        levels = np.asarray(levels_dba, float)
        frame(axes, "How long a day: ★ = you", "level at the ear (dBA)", "", grid="both")
        axes.set_yscale("log")
        axes.set_ylim(1, 1440)
        axes.set_xlim(levels[0], levels[-1])
        axes.yaxis.set_major_locator(FixedLocator(list(TIMES_MIN)))
        axes.yaxis.set_major_formatter(FixedFormatter(list(TIMES_MIN.values())))
        axes.yaxis.set_minor_locator(NullLocator())
        for index, (name, minutes) in enumerate(limits_min.items()):
            look = line(index)
            style = {"color": look.color, "linestyle": look.linestyle, "linewidth": 2, "label": name}
            axes.plot(levels, minutes, marker=look.marker, markevery=max(1, len(levels) // 9), markersize=5, **style)
        first = np.asarray(next(iter(limits_min.values())), float)
        look = {"facecolor": ORANGE, "alpha": 0.18, "hatch": "//", "edgecolor": INK, "label": f"beyond {self.names[0]}"}
        axes.fill_between(levels, first, 1440, where=first < 1440, **look)
        axes.legend(loc="upper right", prop={"family": FONT, "size": TEXT_PT}, framealpha=1)
        (self._drop,) = axes.plot([], [], color=INK, linewidth=1, linestyle=":", zorder=3)
        (self._point,) = axes.plot(
            [], [], "*", color=VERMILLION, markeredgecolor=INK, markersize=17, zorder=5, clip_on=False
        )
        self._ends = (levels[0], levels[-1])
        self.artists = [self._drop, self._point]
        self._level_dba, self._minutes, self._shares = 0.0, 0.0, {}

    def update(self, level_dba: float, minutes: float, shares) -> None:
        """Move the point.

        Parameters
        ----------
        level_dba, minutes : float
            Level, and time a day.
        shares : mapping of str to (float, float)
            Minutes allowed a day, and percent of the allowance used, by the name of the limit.
        """
        if set(shares) != set(self.names):
            raise GainlibError(f"shares of {', '.join(shares)}; give one for each of {', '.join(self.names)}")
        self._level_dba, self._minutes, self._shares = level_dba, minutes, dict(shares)
        at = min(max(minutes, 1), 1440)
        self._point.set_data([level_dba], [at])
        self._drop.set_data([level_dba, level_dba, self._ends[0]], [1, at, at])

    def sentence(self) -> str:
        """Return where the point is, and how much of each limit it uses."""
        used = "; ".join(f"{number_text(share, 0)} % of {name}" for name, (_, share) in self._shares.items())
        return f"{time_text(self._minutes)} a day at {number_text(self._level_dba, 0)} dBA: {used}."

    def table(self) -> Table:
        """Return what each limit allows at this level, and how much of it is used."""
        rows = tuple(
            (name, time_text(allowed), f"{number_text(share, 0)} %") for name, (allowed, share) in self._shares.items()
        )
        level = number_text(self._level_dba, 0)
        return Table(f"At {level} dBA", ("limit", "allowed a day", "used"), rows)
