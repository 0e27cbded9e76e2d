"""The highest crest: its samples, and the curve they stand for."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import FONT, LABEL_PT, frame
from gainlib.notebook.figures.palette import BLUE, INK, ORANGE, VERMILLION
from gainlib.words import Table, level_text, number_text

LIMIT = 1.25


class CrestCurve:
    """Samples around a crest as dots on the curve they stand for, the true peak as the measure of height.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    reach : int
        Samples to either side of the crest.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> view = CrestCurve(make_figure(400, 250).subplots(), reach=1)
    >>> view.update([-1, 0, 1], [0.35, 0.35, -0.35], [-1, -0.5, 0, 0.5, 1], [0.35, 0.5, 0.35, 0, -0.35], (-0.5, 0.5))
    >>> view.sentence()
    'Around the highest crest: the curve rises to −6.0 dBTP, 3.1 dB above the highest sample in sight.'
    """

    def __init__(self, axes: Axes, reach: int = 12):
        self._reach = reach
        self.places, self.samples, self.peak = np.zeros(1), np.zeros(1), (0.0, 0.0)
        frame(axes, "Crest: ● samples, ◆ true peak", "samples from the crest")
        axes.set_xlim(-reach - 0.5, reach + 0.5)
        axes.set_ylim(-LIMIT, LIMIT)
        axes.set_yticks([-1, -0.5, 0, 0.5, 1], ["−1", "−0.5", "0", "0.5", "1"])
        axes.set_ylabel("true peak = 1", fontsize=LABEL_PT, fontfamily=FONT, color=INK)
        axes.axhline(0, color=INK, linewidth=0.8, zorder=1.5)
        (self._curve,) = axes.plot([], [], color=BLUE, linewidth=1.4, zorder=2)
        style = {"linestyle": "none", "markeredgecolor": INK}
        (self._dots,) = axes.plot(
            [], [], marker="o", color=ORANGE, markersize=5, markeredgewidth=0.5, zorder=3, **style
        )
        (self._level,) = axes.plot([], [], color=INK, linewidth=1.1, linestyle=(0, (3, 2)), zorder=2.5)
        (self._peak,) = axes.plot([], [], marker="D", color=VERMILLION, markersize=7, zorder=4, **style)
        self.artists = [self._curve, self._level, self._dots, self._peak]

    def update(self, places, samples, curve_places, curve, peak) -> None:
        """Show another crest.

        Parameters
        ----------
        places, samples : arrays, shape (n,)
            Samples, and where they are, counted in samples from the crest.
        curve_places, curve : arrays, shape (points,)
            The curve through them.
        peak : (float, float)
            Where the true peak is, and its value with its sign.
        """
        self.places, self.samples, self.peak = np.asarray(places, float), np.asarray(samples, float), tuple(peak)
        if self.places.shape != self.samples.shape or np.shape(curve_places) != np.shape(curve):
            raise GainlibError("places and values of a crest differ in number; give one place a value")
        height = abs(self.peak[1]) or 1.0
        self._curve.set_data(curve_places, np.clip(np.asarray(curve, float) / height, -LIMIT, LIMIT))
        self._dots.set_data(self.places, self.samples / height)
        self._peak.set_data([self.peak[0]], [self.peak[1] / height])
        highest = np.abs(self.samples).max() / height * (np.sign(self.peak[1]) or 1.0)
        self._level.set_data([-self._reach - 0.5, self._reach + 0.5], [highest, highest])

    def sentence(self) -> str:
        """Return the true peak and how far it is above the samples."""
        if not self.peak[1]:
            return "There is no crest: the signal is silent."
        peak_db, sample_db = (20 * np.log10(value) for value in (abs(self.peak[1]), np.abs(self.samples).max()))
        rise = number_text(peak_db - sample_db)
        where = "on" if rise == "0.0" else f"{rise} dB above"
        return (
            f"Around the highest crest: the curve rises to {level_text(peak_db, 'dBTP')}, {where} the highest sample "
            "in sight."
        )

    def table(self) -> Table:
        """Return the samples."""
        rows = tuple(
            (number_text(place, 0, sign=True), number_text(value, 3, sign=True))
            for place, value in zip(self.places, self.samples, strict=True)
        )
        return Table("Samples around the highest crest, full scale = 1", ("samples from the crest", "value"), rows)
