"""What goes into a box and what comes out: two spectra, and a few milliseconds of two waves."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame, frequency_axis, full_scale_axis
from gainlib.notebook.figures.palette import VERMILLION, line
from gainlib.words import Table, number_text


class Spectrum:
    """Two spectra on one scale: what goes in dashed, what comes out drawn through.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    low_db, high_db : float
        Ends of the level scale.
    title : str
        Above the picture.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> spectrum = Spectrum(make_figure(400, 250).subplots())
    >>> spectrum.update([100, 200, 300], [-20, -100, -100], [-20, -100, -60])
    >>> spectrum.sentence()
    'The output has most more than the input at 300 Hz: 40.0 dB.'
    """

    def __init__(self, axes: Axes, low_db: float = -100.0, high_db: float = 0.0, title: str = "Spectrum"):
        self.hz, self.before, self.after = np.zeros(0), np.zeros(0), np.zeros(0)
        self._low, self._title = low_db, title
        frame(axes, f"{title}: ┅ in, ─ out", grid="both")
        frequency_axis(axes)
        db_axis(axes, low_db, high_db, 20, "dB")
        (self._after,) = axes.plot([], [], color=line(0).color, linestyle="-", linewidth=1.6, zorder=2)
        (self._before,) = axes.plot([], [], color=VERMILLION, linestyle="--", linewidth=1.4, zorder=3)
        self.artists = [self._after, self._before]

    def update(self, frequency_hz, before_db, after_db) -> None:
        """Show other spectra.

        Parameters
        ----------
        frequency_hz, before_db, after_db : arrays, shape (n,)
            Levels of input and output at the same frequencies.
        """
        arrays = [np.asarray(each, float) for each in (frequency_hz, before_db, after_db)]
        if not arrays[0].size or len({each.shape for each in arrays}) > 1:
            raise GainlibError(f"spectra of {[each.size for each in arrays]} points; give one of each a frequency")
        self.hz, self.before, self.after = arrays
        self._before.set_data(self.hz, np.maximum(self.before, self._low - 10))
        self._after.set_data(self.hz, np.maximum(self.after, self._low - 10))

    def _gained(self):
        floor = self._low
        return np.maximum(self.after, floor) - np.maximum(self.before, floor)

    def sentence(self) -> str:
        """Return at which frequency the output has most that the input has not."""
        if not self.hz.size:
            return f"{self._title}: nothing yet."
        gained = self._gained()
        most = int(np.argmax(gained))
        if gained[most] < 0.5:
            return "The output has nothing that the input has not."
        where = f"{number_text(self.hz[most], 0)} Hz"
        return f"The output has most more than the input at {where}: {number_text(gained[most])} dB."

    def table(self) -> Table:
        """Return both spectra octave by octave, at the strongest of the output in each."""
        rows = []
        for low in (31.25 * 2**k for k in range(10)):
            inside = np.flatnonzero((self.hz >= low) & (self.hz < 2 * low))
            if inside.size:
                k = inside[np.argmax(self.after[inside])]
                levels = (number_text(each[k]) for each in (self.before, self.after))
                rows.append((number_text(self.hz[k], 0), *levels))
        return Table(f"{self._title}, strongest of each octave", ("Hz", "in (dB)", "out (dB)"), tuple(rows))


class WavePair:
    """A few milliseconds of what goes in and of what comes out, on one scale.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    limit : float
        Height of the upright axis.
    title : str
        Above the picture.
    one : str
        What the value 1 is.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> pair = WavePair(make_figure(400, 250).subplots())
    >>> pair.update([0, 1, 2], [0, 1, 0], [0, 0.5, 0])
    >>> pair.sentence()
    'Around the loudest place: in up to 1.00, out up to 0.50 (full scale = 1).'
    """

    def __init__(
        self, axes: Axes, limit: float = 1.2, title: str = "Around the loudest place", one: str = "full scale"
    ):
        self._one = one
        self.time_ms, self.before, self.after, self._title = np.zeros(0), np.zeros(0), np.zeros(0), title
        self._axes, self.limit = axes, limit
        frame(axes, f"{title}: ┅ in, ─ out", "ms")
        full_scale_axis(axes, limit, f"{one} = 1")
        (self._after,) = axes.plot([], [], color=line(0).color, linestyle="-", linewidth=1.8, zorder=2)
        (self._before,) = axes.plot([], [], color=VERMILLION, linestyle="--", linewidth=1.4, zorder=3)
        self.artists = [self._after, self._before]

    def update(self, time_ms, before, after) -> None:
        """Show another stretch; its ends are those of the time scale at the first call.

        Parameters
        ----------
        time_ms, before, after : arrays, shape (n,)
            Samples of input and output at the same times.
        """
        arrays = [np.asarray(each, float) for each in (time_ms, before, after)]
        if arrays[0].size < 2 or len({each.shape for each in arrays}) > 1:
            raise GainlibError(f"waves of {[each.size for each in arrays]} samples; give two or more of each")
        if not self.time_ms.size:
            self._axes.set_xlim(arrays[0][0], arrays[0][-1])
        self.time_ms, self.before, self.after = arrays
        self._before.set_data(self.time_ms, self.before)
        self._after.set_data(self.time_ms, self.after)

    def sentence(self) -> str:
        """Return how high both go."""
        if not self.time_ms.size:
            return f"{self._title}: nothing yet."
        highest = (number_text(np.abs(each).max(), 2) for each in (self.before, self.after))
        return "{}: in up to {}, out up to {} ({} = 1).".format(self._title, *highest, self._one)

    def table(self) -> Table:
        """Return both waves at twelve places."""
        places = np.unique(np.linspace(0, self.time_ms.size - 1, 12).round().astype(int)) if self.time_ms.size else []
        rows = tuple(
            (
                number_text(self.time_ms[k], 2, True),
                number_text(self.before[k], 3, True),
                number_text(self.after[k], 3, True),
            )
            for k in places
        )
        return Table(f"{self._title}, {self._one} = 1", ("ms", "in", "out"), rows)
