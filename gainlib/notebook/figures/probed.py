"""What came back of a test file: gain, distortion and noise of a sine against the level it was fed at."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.notebook.figures.axes import Boxes, db_axis, frame, rectangles
from gainlib.notebook.figures.drive import BAND, MOST_PERCENT
from gainlib.notebook.figures.palette import INK, PAPER, VERMILLION, line
from gainlib.words import LEAST_PERCENT, Table, level_text, number_text, percent_text

GAINS_DB, NOISES_DBFS = (-24.0, 12.0), (-150.0, 0.0)
HIDDEN = {"facecolor": "#eeeeee", "edgecolor": "#8a8a8a", "hatch": "////", "linewidth": 0.0, "zorder": 0.6}


class ProbedCurves:
    """Three pictures under each other, one scale of level.

    Dots are the steps of the test file. The dotted band is the working range, the dashed upright line the reference;
    hatched is what the recording cannot show.

    Parameters
    ----------
    gain, bent, noise : matplotlib axes
        For gain in dB, distortion in percent, noise in dBFS.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> curves = ProbedCurves(*make_figure(400, 600).subplots(3, 1))
    >>> curves.update([-30, -18, -6], [0, -0.3, -3.1], [np.nan, 1.0, 11.1], [0.1, 0.1, 0.1], [-90, -90, -90], 0.0)
    >>> curves.sentence()
    'Gain from 0.0 to −3.1 dB; distortion shows from −18.0 dBFS on and reaches 11.1 %; no reference.'
    """

    def __init__(self, gain: Axes, bent: Axes, noise: Axes):
        self._axes = gain, bent, noise
        self.level = np.zeros(0)
        self.working, self.reference = None, None
        frame(gain, "Gain of a sine: ● a step, ▒ working range, ┆ reference", grid="both")
        frame(bent, "Distortion (THD): ////  hidden by noise", grid="both")
        frame(noise, "Noise while it sounds", grid="both")
        for axes in self._axes:
            db_axis(axes, -78.0, 0.0, 6, "fed (dBFS)" if axes is noise else "", "x")
        db_axis(gain, *GAINS_DB, 6, "dB")
        db_axis(noise, *NOISES_DBFS, 30, "dBFS")
        bent.set_yscale("log")
        bent.set_ylim(LEAST_PERCENT, MOST_PERCENT)
        bent.set_yticks([0.001, 0.01, 0.1, 1, 10, 100], ["0.001", "0.01", "0.1", "1", "10", "100 %"])
        bent.minorticks_off()
        self._bands = [axes.add_patch(Boxes(**BAND)) for axes in self._axes]
        self._hidden = bent.add_patch(Boxes(**HIDDEN))
        self._lines = [
            axes.plot([], [], color=look.color, linestyle=look.linestyle, marker="o", markersize=4, zorder=3)[0]
            for axes, look in zip(self._axes, map(line, range(3)), strict=True)
        ]
        self._refs = [
            axes.axvline(0.0, color=VERMILLION, linewidth=1.8, linestyle=(0, (6, 3)), zorder=2, visible=False)
            for axes in self._axes
        ]
        self._word = gain.text(0, GAINS_DB[0] + 1.5, "", fontsize=9, color=INK, ha="center", va="bottom", zorder=4)
        self._word.set_bbox({"facecolor": PAPER, "edgecolor": "none", "pad": 1.5})
        self.artists = [*self._bands, self._hidden, *self._lines, *self._refs, self._word]

    def update(self, level_dbfs, gain_db, thd_percent, floor_percent, noise_dbfs, plain_db, working=None) -> None:
        """Show another recording.

        Parameters
        ----------
        level_dbfs, gain_db, thd_percent, floor_percent, noise_dbfs : arrays, shape (n,)
            As in :class:`gainlib.boxes.probe.ProbeCurve`.
        plain_db : float
            Where the gain is steady; the scale of the gain is laid around it.
        working : (float, float, float), optional
            Lowest, best and highest level of the working range.
        """
        columns = (level_dbfs, gain_db, thd_percent, floor_percent, noise_dbfs)
        self.level, self.gain, self.thd, self.floor, self.noise = (np.asarray(each, float) for each in columns)
        self.working, self.reference = working, None if working is None else working[1]
        low, high = GAINS_DB
        shift = 6.0 * round(plain_db / 6.0) if np.isfinite(plain_db) else 0.0
        gains = low + shift, high + shift
        self._axes[0].set_ylim(*gains)
        clipped = (
            np.clip(self.gain, *gains),
            np.clip(self.thd, LEAST_PERCENT, MOST_PERCENT),
            np.clip(self.noise, *NOISES_DBFS),
        )
        for curve, values in zip(self._lines, clipped, strict=True):
            curve.set_data(self.level, values)
        edges = np.concatenate([self.level[:1] - 3.0, (self.level[1:] + self.level[:-1]) / 2.0, self.level[-1:] + 1.5])
        top = np.clip(self.floor, LEAST_PERCENT, MOST_PERCENT)
        self._hidden.set_verts(rectangles(edges[:-1], LEAST_PERCENT, np.diff(edges), top - LEAST_PERCENT))
        for band, (bottom, height) in zip(
            self._bands, ((gains[0], high - low), (LEAST_PERCENT, MOST_PERCENT), (NOISES_DBFS[0], 150.0)), strict=True
        ):
            shown = () if working is None else rectangles(working[0], bottom, working[2] - working[0], height)
            band.set_verts(np.asarray(shown))
        for mark in self._refs:
            mark.set_visible(self.reference is not None)
            if self.reference is not None:
                mark.set_xdata([self.reference, self.reference])
        self._word.set_text("" if self.reference is None else f"reference {level_text(self.reference, 'dBFS')}")
        self._word.set_position((self.reference or 0.0, gains[0] + 1.5))

    def sentence(self) -> str:
        """Return gain, distortion and reference in a sentence."""
        if not self.level.size:
            return "Nothing has been read yet."
        ends = [number_text(float(value)) for value in (self.gain.max(), self.gain.min())]
        gain = f"Gain {ends[0]} dB throughout" if ends[0] == ends[1] else f"Gain from {ends[0]} to {ends[1]} dB"
        shown = np.flatnonzero(np.isfinite(self.thd))
        bent = "no distortion stands out from the noise"
        if shown.size:
            first, most = level_text(float(self.level[shown[0]]), "dBFS"), percent_text(float(np.nanmax(self.thd)))
            bent = f"distortion shows from {first} on and reaches {most}"
        if self.reference is None:
            return f"{gain}; {bent}; no reference."
        span = f"{number_text(self.working[0])} to {level_text(self.working[2], 'dBFS')}"
        return f"{gain}; {bent}; working range {span}, reference {level_text(self.reference, 'dBFS')}."

    def table(self) -> Table:
        """Return every step."""
        rows = tuple(
            (
                number_text(level, 0),
                number_text(gain, 2, sign=True),
                percent_text(thd) if np.isfinite(thd) else f"under {percent_text(floor).removeprefix('under ')}",
                number_text(noise),
            )
            for level, gain, thd, floor, noise in zip(
                self.level, self.gain, self.thd, self.floor, self.noise, strict=True
            )
        )
        return Table("What came back of each step", ("fed (dBFS)", "gain (dB)", "THD", "noise (dBFS)"), rows)
