"""A short take from end to end, with its highest and lowest sample and its offset."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from gainlib.meters import envelope_of
from gainlib.notebook.figures.axes import frame, full_scale_axis, time_axis
from gainlib.notebook.figures.palette import INK, SKY, VERMILLION
from gainlib.words import Table, number_text


class TakeWave:
    """The waveform of a mono take; marks at its two extremes, a line at its offset.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    seconds : float
        Length of the take.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> wave = TakeWave(make_figure(400, 200).subplots(), 1.0)
    >>> wave.update([0.1, 0.6, -0.3], 0.13)
    >>> wave.sentence()
    'The highest sample is +0.600, the lowest −0.300; the offset, their line of rest, lies at +0.130.'
    """

    def __init__(self, axes: Axes, seconds: float):
        self._seconds, self.highest, self.lowest, self.offset = seconds, 0.0, 0.0, 0.0
        frame(axes, "The take: ▼ highest sample, ▲ lowest, ─ · ─ offset")
        full_scale_axis(axes, 1.08, "full scale = 1")
        time_axis(axes, 0, seconds)
        self._body = PolyCollection([], facecolor=SKY, edgecolor=INK, linewidth=0.5, zorder=2)
        axes.add_collection(self._body, autolim=False)
        self._line = axes.axhline(0, color=VERMILLION, linewidth=1.6, linestyle="-.", zorder=3)
        style = {"color": VERMILLION, "markeredgecolor": INK, "markersize": 8, "zorder": 4}
        (self._above,) = axes.plot([], [], "v", **style)
        (self._below,) = axes.plot([], [], "^", **style)
        self.artists = [self._body, self._line, self._above, self._below]

    def update(self, samples, offset: float) -> None:
        """Show a take: samples of shape (frames,), full scale 1, from end to end, and its offset."""
        samples = np.asarray(samples, float)
        self.highest, self.lowest, self.offset = float(samples.max()), float(samples.min()), float(offset)
        low, high = envelope_of(samples[:, np.newaxis], min(900, len(samples)))
        centre = (np.arange(len(low)) + 0.5) * self._seconds / len(low)
        self._body.set_verts([np.column_stack([np.r_[centre, centre[::-1]], np.r_[high, low[::-1]]])])
        self._line.set_ydata([offset, offset])
        top, bottom = (place * self._seconds / len(samples) for place in (samples.argmax(), samples.argmin()))
        self._above.set_data([top], [self.highest + 0.045])
        self._below.set_data([bottom], [self.lowest - 0.045])

    def sentence(self) -> str:
        """Return the extremes and the offset."""
        highest, lowest, offset = (number_text(v, 3, sign=True) for v in (self.highest, self.lowest, self.offset))
        return (
            f"The highest sample is {highest}, the lowest {lowest}; the offset, their line of rest, lies at {offset}."
        )

    def table(self) -> Table | None:
        """Return None: the readings stand beside the picture."""
        return None
