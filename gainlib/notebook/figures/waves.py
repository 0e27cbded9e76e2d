"""Waves: a signal from end to end, a short take, the curve around a crest, and the needle that follows one."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from gainlib.meters import envelope_of
from gainlib.notebook.figures.axes import frame, full_scale_axis, time_axis
from gainlib.notebook.figures.palette import BLUE, INK, LABEL, MARK, ORANGE, SKY, TEXT, VERMILLION, YELLOW
from gainlib.notebook.figures.parts import Drawing, filled, numbers, plotted, put, rectangles, rule, same_length, tabled
from gainlib.words import Table, level_text, number_text

SCALE_VU = (-20, -10, -5, -2, 0, 3)  # no two so near that their figures touch on a desk
TOP_VU, HEADROOM = 3.0, 1.08
CREST_LIMIT = 1.25
EXTREME = MARK | {"color": VERMILLION, "markersize": 8, "zorder": 4}


def _body(axes):
    """Return a waveform's area, empty yet."""
    body = PolyCollection([], facecolor=SKY, edgecolor=INK, linewidth=0.5, zorder=2)
    axes.add_collection(body, autolim=False)
    return body


def _outline(body, at, low, high):
    body.set_verts([np.column_stack([np.r_[at, at[::-1]], np.r_[high, low[::-1]]])])


class Envelope(Drawing):
    """A waveform from end to end, with every stretch over full scale marked.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> wave = Envelope(make_figure(500, 200).subplots(), duration_s=2.0)
    >>> wave.update([-0.5, -1.2], [0.4, 1.1], over_samples=7)
    >>> wave.sentence()
    'Bus waveform: 7 samples are over full scale; the highest value is 1.20.'
    """

    def __init__(self, axes: Axes, duration_s: float, limit: float = 2.4, title: str = "Bus waveform"):
        self.duration_s, self._limit, self._title = duration_s, limit, title
        self.low, self.high, self.over_samples = np.zeros(0), np.zeros(0), 0
        frame(axes, f"{title}: ▼ ▲ = over full scale")
        full_scale_axis(axes, limit, "full scale = 1")
        time_axis(axes, 0, duration_s)
        self._wave = _body(axes)
        style = EXTREME | {"markeredgewidth": 0.5, "markersize": 7}
        self._above, self._below = (plotted(axes, marker=marker, **style) for marker in "v^")
        self.artists = [self._wave, self._above, self._below]

    def update(self, low, high, over_samples: int) -> None:
        """Show a new waveform, from :func:`gainlib.meters.envelope_of`, and how many samples are over full scale."""
        self.low, self.high = same_length(low, high)
        self.over_samples = int(over_samples)  # a column can hold many
        # each column as a step, so that a single sample keeps its width
        step = self.duration_s / len(self.low)
        edges = np.repeat(np.arange(len(self.low) + 1) * step, 2)[1:-1]
        _outline(self._wave, edges, np.repeat(self.low, 2), np.repeat(self.high, 2))
        centre, reach = (np.arange(len(self.low)) + 0.5) * step, 0.95 * self._limit
        for marks, which, at in ((self._above, self.high > 1, reach), (self._below, self.low < -1, -reach)):
            marks.set_data(centre[which], np.full(which.sum(), at))

    def sentence(self) -> str:
        """Return the number of samples over full scale and the highest value."""
        if not len(self.low):
            return f"{self._title}: nothing yet."
        highest = max(self.high.max(), -self.low.min())
        count = {0: "no sample is", 1: "1 sample is"}.get(self.over_samples, f"{self.over_samples:,} samples are")
        return f"{self._title}: {count} over full scale; the highest value is {highest:.2f}."

    def table(self) -> Table:
        """Return the extremes of ten equal stretches."""
        rows = []
        for part in np.array_split(np.arange(len(self.low)), min(10, len(self.low)) or 1):
            if len(part):
                start, stop = (self.duration_s * edge / len(self.low) for edge in (part[0], part[-1] + 1))
                values = numbers((self.low[part].min(), self.high[part].max()), 2)
                rows.append((f"{start:.1f} to {stop:.1f} s", *values))
        return Table(f"{self._title}, full scale = 1", ("stretch", "lowest", "highest"), tuple(rows))


class TakeWave(Drawing):
    """The waveform of a short mono take; marks at its highest and lowest sample, a line at its offset.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> wave = TakeWave(make_figure(400, 200).subplots(), 1.0)
    >>> wave.update([0.1, 0.6, -0.3], 0.13)
    >>> wave.sentence()
    'The highest sample is +0.600, the lowest −0.300; the offset, where the signal rests, is at +0.130.'
    """

    def __init__(self, axes: Axes, seconds: float):
        self._seconds, self._told = seconds, (0.0, 0.0, 0.0)
        frame(axes, "The take: ▼ highest sample, ▲ lowest, ─ · ─ offset")
        full_scale_axis(axes, 1.08, "full scale = 1")
        time_axis(axes, 0, seconds)
        self._wave = _body(axes)
        self._line = axes.axhline(0, color=VERMILLION, linewidth=1.6, linestyle="-.", zorder=3)
        self._above, self._below = (plotted(axes, marker=marker, **EXTREME) for marker in "v^")
        self.artists = [self._wave, self._line, self._above, self._below]

    def update(self, samples, offset: float) -> None:
        """Show a take: samples of shape (frames,), full scale 1, from end to end, and its offset."""
        samples = np.asarray(samples, float)
        self._told = samples.max(), samples.min(), offset
        low, high = envelope_of(samples[:, np.newaxis], min(900, len(samples)))
        _outline(self._wave, (np.arange(len(low)) + 0.5) * self._seconds / len(low), low, high)
        self._line.set_ydata([offset, offset])
        top, bottom = (place * self._seconds / len(samples) for place in (samples.argmax(), samples.argmin()))
        put(self._above, (top, samples.max() + 0.045))
        put(self._below, (bottom, samples.min() - 0.045))

    def sentence(self) -> str:
        """Return the extremes and the offset."""
        highest, lowest, offset = numbers(self._told, 3, signed=True)
        return (
            f"The highest sample is {highest}, the lowest {lowest}; the offset, where the signal rests, is at {offset}."
        )


class CrestCurve(Drawing):
    """Samples around a crest as dots on the curve they stand for, the true peak as the measure of height.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> view = CrestCurve(make_figure(400, 250).subplots(), reach=1)
    >>> view.update([-1, 0, 1], [0.35, 0.35, -0.35], [-1, -0.5, 0, 0.5, 1], [0.35, 0.5, 0.35, 0, -0.35], (-0.5, 0.5))
    >>> view.sentence()
    'Around the highest crest: the curve rises to −6.0 dBTP, 3.1 dB above the highest sample in sight.'
    """

    def __init__(self, axes: Axes, reach: int = 12):
        self._ends = [-reach - 0.5, reach + 0.5]
        self.places, self.samples, self.peak = np.zeros(1), np.zeros(1), (0.0, 0.0)
        frame(axes, "Crest: ● samples, ◆ true peak", "samples from the crest")
        axes.set_xlim(self._ends)
        axes.set_ylim(-CREST_LIMIT, CREST_LIMIT)
        axes.set_yticks([-1, -0.5, 0, 0.5, 1], ["−1", "−0.5", "0", "0.5", "1"])
        axes.set_ylabel("true peak = 1", **LABEL)
        axes.axhline(0, color=INK, linewidth=0.8, zorder=1.5)
        self._curve = plotted(axes, color=BLUE, linewidth=1.4, zorder=2)
        self._dots = plotted(axes, marker="o", color=ORANGE, markersize=5, markeredgewidth=0.5, zorder=3, **MARK)
        self._level = plotted(axes, color=INK, linewidth=1.1, linestyle=(0, (3, 2)), zorder=2.5)
        self._top = plotted(axes, marker="D", **EXTREME | {"markersize": 7})
        self.artists = [self._curve, self._level, self._dots, self._top]

    def update(self, places, samples, curve_places, curve, peak) -> None:
        """Show another crest.

        The places are counted in samples from the crest; `peak` is where the true peak is, and its value with its sign.
        """
        self.places, self.samples = same_length(places, samples)
        curve_places, curve = same_length(curve_places, curve)
        self.peak = tuple(peak)
        height = abs(self.peak[1]) or 1.0
        self._curve.set_data(curve_places, np.clip(curve / height, -CREST_LIMIT, CREST_LIMIT))
        self._dots.set_data(self.places, self.samples / height)
        put(self._top, (self.peak[0], self.peak[1] / height))
        highest = np.abs(self.samples).max() / height * (np.sign(self.peak[1]) or 1.0)
        self._level.set_data(self._ends, [highest, highest])

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
        columns = numbers(self.places, 0, signed=True), numbers(self.samples, 3, signed=True)
        return tabled(
            "Samples around the highest crest (full scale = 1)", ("samples from the crest", "value"), *columns
        )


def deflection(vu):
    """Return how far the needle swings, as a share of its swing at +3 VU: in proportion to the rectified voltage.

    Examples
    --------
    >>> round(float(deflection(0.0)), 3), float(deflection(-np.inf))
    (0.708, 0.0)
    """
    return 10.0 ** ((np.asarray(vu, float) - TOP_VU) / 20.0)


class NeedleTrace(Drawing):
    """Where the needle stood, over time; a strip shows when the burst sounds.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> trace = NeedleTrace(make_figure(500, 250).subplots(), 2.0)
    >>> trace.update(np.array([0.5, 1.0]), np.array([-11.0, -14.0]), (0.5, 0.55))
    >>> trace.sentence()
    'The needle swings up to −11.0 VU, 0.00 s after the burst begins.'
    """

    def __init__(self, axes: Axes, duration_s: float):
        self.time_s, self.vu, self.burst_s = np.zeros(1), np.full(1, -np.inf), (0.0, duration_s)
        frame(axes, "VU needle: ▬ burst, ◆ highest")
        time_axis(axes, 0, duration_s)
        axes.set_ylim(0, HEADROOM)
        axes.set_yticks(deflection(SCALE_VU), numbers(SCALE_VU, 0, signed=True))
        axes.set_ylabel("VU", **TEXT)
        rule(axes, deflection(0))
        self._strip = filled(axes, YELLOW, linewidth=0.6)
        self._line = plotted(axes, color=BLUE, linewidth=1.8, zorder=3)
        style = EXTREME | {"clip_on": False}
        self._top, self._off = (
            plotted(axes, **style | {"marker": m, "markersize": s}) for m, s in (("D", 7), ("^", 9))
        )
        self.artists = [self._strip, self._line, self._top, self._off]

    def update(self, time_s, vu, burst_s) -> None:
        """Show another run of the needle: positions in VU, −inf at rest, and when the burst begins and ends."""
        self.time_s, self.vu = same_length(time_s, vu)
        self.burst_s = tuple(burst_s)
        swing = deflection(self.vu)
        every = max(1, self.vu.size // 750)  # finer than the screen shows
        self._line.set_data(self.time_s[::every], np.minimum(swing[::every], HEADROOM))
        highest = int(np.argmax(swing))
        on_scale = swing[highest] <= HEADROOM
        place = self.time_s[highest], min(swing[highest], 1.03)
        put(self._top, place if on_scale and swing[highest] > 0 else None)
        put(self._off, None if on_scale else place)
        begin, end = self.burst_s
        self._strip.set_verts(rectangles(begin, 0.0, max(end - begin, 0.02), 0.045))

    def sentence(self) -> str:
        """Return how far the needle swings, and when."""
        highest = int(np.argmax(self.vu))
        if self.vu[highest] == -np.inf:
            return "The needle stays at rest."
        after = number_text(self.time_s[highest] - self.burst_s[0], 2)
        off = ", off the end of its scale" if self.vu[highest] > TOP_VU else ""
        return f"The needle swings up to {level_text(self.vu[highest], 'VU')}{off}, {after} s after the burst begins."

    def table(self) -> Table:
        """Return where the needle stands every half second and at its highest."""
        times = np.arange(0.5, self.time_s[-1] + 1e-9, 0.5)
        rows = [(f"{time:.1f}", number_text(self._at(time), signed=True)) for time in times]
        highest = int(np.argmax(self.vu))
        rows.append((f"{self.time_s[highest]:.2f} (highest)", number_text(self.vu[highest], signed=True)))
        return Table("The needle over time", ("time (s)", "VU"), tuple(rows))

    def _at(self, time_s):
        return float(self.vu[min(np.searchsorted(self.time_s, time_s), self.vu.size - 1)])
