"""What a black box shows of itself when it is fed softer and louder."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame
from gainlib.notebook.figures.palette import INK, line
from gainlib.notebook.figures.travel import HERE
from gainlib.words import LOWEST_SHOWN_DB, Table, depth_text, level_text, number_text

DASHED = (0, (6, 3))


class OutAgainstIn:
    """Level out against level in of a sine, beside the line on which out equals in.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    low_dbfs, high_dbfs : float
        Ends of both scales.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curve = OutAgainstIn(make_figure(400, 300).subplots())
    >>> curve.update([-60, 0], [-54, 2], here=(0, 2))
    >>> curve.sentence()
    'Fed a sine of 0.0 dBFS, the box gives +2.0 dBFS; gain +2.0 dB, fed softest +6.0 dB.'
    """

    def __init__(self, axes: Axes, low_dbfs: float = -60.0, high_dbfs: float = 12.0):
        self.level_in, self.level_out, self.here = np.zeros(0), np.zeros(0), None
        frame(axes, "Out against in: ┅ slope 1, ◆ here", grid="both")
        db_axis(axes, low_dbfs, high_dbfs, 12, "sine in, peak level (dBFS)", "x")
        db_axis(axes, low_dbfs - 12, high_dbfs + 12, 12, "out (dBFS)")
        axes.plot([low_dbfs, high_dbfs], [low_dbfs, high_dbfs], color=INK, linewidth=1.2, linestyle=DASHED)
        look = line(0)
        (self._curve,) = axes.plot([], [], color=look.color, linestyle="-", marker="o", markersize=4, linewidth=2)
        (self._mark,) = axes.plot([], [], clip_on=False, **HERE)
        self.artists = [self._curve, self._mark]

    def update(self, level_in_dbfs, level_out_dbfs, here) -> None:
        """Show another box or another drive.

        Parameters
        ----------
        level_in_dbfs, level_out_dbfs : arrays, shape (n,)
            Of a sine; sine-referred.
        here : (float, float)
            In and out at the drive that is set.
        """
        self.level_in, self.level_out = np.asarray(level_in_dbfs, float), np.asarray(level_out_dbfs, float)
        if self.level_in.shape != self.level_out.shape:
            raise GainlibError(f"{self.level_in.size} levels in, {self.level_out.size} out; give as many out as in")
        self.here = here
        self._curve.set_data(self.level_in, self.level_out)
        self._mark.set_data([here[0]], [here[1]])

    def sentence(self) -> str:
        """Return what comes out here, and the gain against that for the softest sine."""
        if self.here is None:
            return "Level out against level in."
        level_in, level_out = self.here
        softest = self.level_out[0] - self.level_in[0]
        return (
            f"Fed a sine of {level_text(level_in, 'dBFS')}, the box gives {level_text(level_out, 'dBFS')}; gain "
            f"{level_text(level_out - level_in)}, fed softest {level_text(softest)}."
        )

    def table(self) -> Table:
        """Return the curve."""
        rows = tuple(
            (number_text(fed, 0), number_text(out), number_text(out - fed, sign=True))
            for fed, out in zip(self.level_in, self.level_out, strict=True)
        )
        return Table("Out against in", ("sine in (dBFS)", "out (dBFS)", "gain (dB)"), rows)


class Residuals:
    """What is left when the input is halved and when it is repeated, against drive.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    low_dbfs, high_dbfs : float
        Ends of the level scale.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> left = Residuals(make_figure(400, 300).subplots())
    >>> left.update([-60, 0], [-200, -31.2], [-200, -200], here=(0, -31.2, -200))
    >>> left.sentence()
    'Fed 0 dBFS: halving the input leaves −31.2 dB, repeating it leaves under −120 dB.'
    """

    def __init__(self, axes: Axes, low_dbfs: float = -60.0, high_dbfs: float = 12.0):
        self.level, self.halved, self.repeated, self.here = np.zeros(0), np.zeros(0), np.zeros(0), None
        frame(axes, "Left over: ─● halved, ┅■ repeated", grid="both")
        db_axis(axes, low_dbfs, high_dbfs, 12, "sine in, peak level (dBFS)", "x")
        db_axis(axes, LOWEST_SHOWN_DB, 0, 20, "dB")
        first, second = line(0), line(1)
        style = {"linewidth": 2, "markersize": 4, "clip_on": False}
        (self._halved,) = axes.plot([], [], color=first.color, linestyle="-", marker="o", zorder=3, **style)
        (self._repeated,) = axes.plot([], [], color=second.color, linestyle=DASHED, marker="s", zorder=2, **style)
        (self._mark,) = axes.plot([], [], clip_on=False, **HERE)
        self.artists = [self._halved, self._repeated, self._mark]

    def update(self, level_dbfs, halved_db, repeated_db, here) -> None:
        """Show another box or another drive.

        Parameters
        ----------
        level_dbfs, halved_db, repeated_db : arrays, shape (n,)
            Residuals at each level; under −120 dB they are drawn there.
        here : (float, float, float)
            Drive that is set, and both residuals there.
        """
        arrays = [np.asarray(each, float) for each in (level_dbfs, halved_db, repeated_db)]
        if len({each.shape for each in arrays}) > 1:
            raise GainlibError(f"{[each.size for each in arrays]} levels and residuals; give one of each a level")
        self.level, self.halved, self.repeated = arrays
        self.here = here
        for curve, values in ((self._halved, self.halved), (self._repeated, self.repeated)):
            curve.set_data(self.level, np.clip(values, LOWEST_SHOWN_DB, 0.0))
        self._mark.set_data([here[0]], [min(0.0, max(here[1], LOWEST_SHOWN_DB))])

    def sentence(self) -> str:
        """Return both residuals here."""
        if self.here is None:
            return "What is left over against drive."
        level, halved, repeated = self.here
        return (
            f"Fed {level_text(level, 'dBFS', 0)}: halving the input leaves {depth_text(halved)}, repeating it leaves "
            f"{depth_text(repeated)}."
        )

    def table(self) -> Table:
        """Return both residuals at every level."""
        rows = tuple(
            (number_text(level, 0), depth_text(halved), depth_text(repeated))
            for level, halved, repeated in zip(self.level, self.halved, self.repeated, strict=True)
        )
        return Table("Left over", ("sine in (dBFS)", "halving leaves", "repeating leaves"), rows)
