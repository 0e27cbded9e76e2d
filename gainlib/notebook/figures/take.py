"""A short take from end to end, with its highest and lowest sample and its offset."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from gainlib.notebook.figures.axes import frame, full_scale_axis, time_axis
from gainlib.notebook.figures.palette import INK, SKY, VERMILLION
from gainlib.notebook.figures.waves import envelope_of
from gainlib.words import Table, number_text


class TakeWave:
    """The waveform of a mono take; marks at its two extremes, a line at its offset.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    samples : array, shape (frames,)
        Full scale 1.
    rate_hz : int
        Sample rate.
    offset : float
        Where the line stands.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> wave = TakeWave(make_figure(400, 200).subplots(), np.array([0.1, 0.6, -0.3]), 48000, 0.13)
    >>> wave.sentence()
    'The highest sample is +0.600, the lowest −0.300; the offset, their line of rest, lies at +0.130.'
    """

    def __init__(self, axes: Axes, samples, rate_hz: int, offset: float):
        samples = np.asarray(samples, float)
        self.highest, self.lowest, self.offset = float(samples.max()), float(samples.min()), float(offset)
        seconds = len(samples) / rate_hz
        frame(axes, "The take: ▼ highest sample, ▲ lowest, ─ · ─ offset")
        full_scale_axis(axes, 1.08, "full scale = 1")
        time_axis(axes, 0, seconds)
        low, high = envelope_of(samples[:, np.newaxis], 900)
        centre = (np.arange(len(low)) + 0.5) * seconds / len(low)
        outline = np.column_stack([np.r_[centre, centre[::-1]], np.r_[high, low[::-1]]])
        body = PolyCollection([outline], facecolor=SKY, edgecolor=INK, linewidth=0.5, zorder=2)
        axes.add_collection(body, autolim=False)
        line = axes.axhline(offset, color=VERMILLION, linewidth=1.6, linestyle="-.", zorder=3)
        style = {"color": VERMILLION, "markeredgecolor": INK, "markersize": 8, "zorder": 4}
        top, bottom = int(samples.argmax()) / rate_hz, int(samples.argmin()) / rate_hz
        (above,) = axes.plot([top], [self.highest + 0.045], "v", **style)
        (below,) = axes.plot([bottom], [self.lowest - 0.045], "^", **style)
        self.artists = [body, line, above, below]

    def sentence(self) -> str:
        """Return the extremes and the offset."""
        highest, lowest, offset = (number_text(v, 3, sign=True) for v in (self.highest, self.lowest, self.offset))
        return (
            f"The highest sample is {highest}, the lowest {lowest}; the offset, their line of rest, lies at {offset}."
        )

    def table(self) -> Table | None:
        """Return None: the readings stand beside the picture."""
        return None
