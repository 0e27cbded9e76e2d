"""What a compressor or a gate does over time: its gain reduction, and the levels going in and coming out."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import ThresholdLine, db_axis, frame, time_axis
from gainlib.notebook.figures.palette import line
from gainlib.words import Table, level_text, number_text

EVERY_S = 0.5


class ReductionTrace:
    """Gain reduction over time, hanging from 0 dB.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    duration_s : float
        Length of the time axis.
    most_db : float
        Lower end of the scale; what is more is drawn at that end.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> trace = ReductionTrace(make_figure(500, 200).subplots(), 1.0)
    >>> trace.update([0.25, 0.75], [0.0, 6.0])
    >>> trace.sentence()
    'Turned down by 6.0 dB at most, at 0.75 s, and by 3.0 dB on average.'
    """

    def __init__(self, axes: Axes, duration_s: float, most_db: float = 24.0):
        self.time_s, self.reduction_db, self._most = np.zeros(1), np.zeros(1), most_db
        self.mean_db = 0.0
        frame(axes, "Gain reduction")
        time_axis(axes, 0, duration_s)
        db_axis(axes, -most_db, 1, 6, "dB")
        look = line(5)
        (self._line,) = axes.plot([], [], color=look.color, linewidth=1.6, zorder=3)
        self.artists = [self._line]

    def update(self, time_s, reduction_db, mean_db: float | None = None) -> None:
        """Show another run.

        Parameters
        ----------
        time_s, reduction_db : arrays, shape (n,)
            Reductions are not negative.
        mean_db : float, optional
            Mean over the time where it is known better than from these points, as when they are the highest of blocks.
        """
        self.time_s, self.reduction_db = np.asarray(time_s, float), np.asarray(reduction_db, float)
        _check(self.time_s, self.reduction_db)
        self.mean_db = float(self.reduction_db.mean()) if mean_db is None else mean_db
        self._line.set_data(self.time_s, -np.minimum(self.reduction_db, self._most))

    def sentence(self) -> str:
        """Return the largest reduction, when it is, and the mean."""
        most = int(np.argmax(self.reduction_db))
        if self.reduction_db[most] < 0.05:
            return "Nothing is turned down."
        return (
            f"Turned down by {number_text(self.reduction_db[most])} dB at most, at "
            f"{number_text(self.time_s[most], 2)} s, and by {number_text(self.mean_db)} dB on average."
        )

    def table(self) -> Table:
        """Return the largest reduction in every half second."""
        rows = [
            (number_text(start, 1), number_text(self.reduction_db[inside].max()))
            for start, inside in _parts(self.time_s)
        ]
        return Table("Gain reduction over time", ("from (s)", "largest (dB)"), tuple(rows))


class LevelPair:
    """Levels going in and coming out, over time.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    duration_s : float
        Length of the time axis.
    low_dbfs, high_dbfs : float
        Ends of the scale.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> pair = LevelPair(make_figure(500, 200).subplots(), 1.0)
    >>> pair.update([0.25, 0.75], [-30.0, -6.0], [-24.0, -8.0])
    >>> pair.sentence()
    'Peaks reach −6.0 dBFS going in and −8.0 dBFS coming out.'
    """

    def __init__(self, axes: Axes, duration_s: float, low_dbfs: float = -72.0, high_dbfs: float = 12.0):
        self.time_s, self.before, self.after = np.zeros(1), np.zeros(1), np.zeros(1)
        self._low, self._high = low_dbfs, high_dbfs
        frame(axes, "Peaks of 20 ms: ─ in, ┄ out, ··· threshold")
        time_axis(axes, 0, duration_s)
        db_axis(axes, low_dbfs, high_dbfs, 12, "dBFS")
        self._lines = []
        for k, dash in ((0, "-"), (1, (0, (4, 1.5)))):
            self._lines += axes.plot([], [], color=line(k).color, linestyle=dash, linewidth=1.4, zorder=3)
        self._threshold = ThresholdLine(axes, "y")
        self.artists = [*self._lines, *self._threshold.artists]

    def update(self, time_s, before_dbfs, after_dbfs, threshold_dbfs=None) -> None:
        """Show another run.

        Parameters
        ----------
        time_s, before_dbfs, after_dbfs : arrays, shape (n,)
            Levels in dBFS.
        threshold_dbfs : float, optional
            Drawn as a line where there is one.
        """
        self._threshold.update(threshold_dbfs)
        arrays = [np.asarray(each, float) for each in (time_s, before_dbfs, after_dbfs)]
        self.time_s, self.before, self.after = arrays
        _check(*arrays)
        for curve, values in zip(self._lines, arrays[1:], strict=True):
            curve.set_data(self.time_s, np.clip(values, self._low, self._high))

    def sentence(self) -> str:
        """Return the highest peaks on both sides."""
        before, after = (level_text(each.max(), "dBFS") for each in (self.before, self.after))
        return f"Peaks reach {before} going in and {after} coming out."

    def table(self) -> Table:
        """Return the highest peak in every half second, on both sides."""
        rows = [
            (number_text(start, 1), *(number_text(each[inside].max()) for each in (self.before, self.after)))
            for start, inside in _parts(self.time_s)
        ]
        return Table("Peaks over time", ("from (s)", "in (dBFS)", "out (dBFS)"), tuple(rows))


def _check(*arrays):
    if not arrays[0].size or len({each.shape for each in arrays}) > 1:
        raise GainlibError(f"{[each.size for each in arrays]} times and values; give one of each, one or more")


def _parts(time_s):
    place = np.floor(time_s / EVERY_S).astype(int)
    return [(part * EVERY_S, place == part) for part in np.unique(place)]
