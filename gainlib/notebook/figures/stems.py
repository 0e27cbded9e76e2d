"""Stems side by side: average, peak and noise of each against the levels that are called too hot and too low."""

import numpy as np
from matplotlib.axes import Axes

from gainlib.notebook.figures.axes import Boxes, db_axis, frame, rectangles
from gainlib.notebook.figures.palette import BLUE, INK, ORANGE, SKY, VERMILLION
from gainlib.words import Table, number_text

LOW_DB, HIGH_DB = -72.0, 12.0


class StemLevels:
    """A row for each stem: a bar from the active level to the true peak, and a mark for a steady floor.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    stems : sequence of Stem
        As measured.
    low_dbfs, hot_dbfs : float
        Active levels at and beyond which a stem is called too low or too hot.

    Examples
    --------
    >>> from gainlib.demo import demo_session
    >>> from gainlib.notebook.figures import make_figure
    >>> from gainlib.mix import checkup
    >>> stems = checkup(demo_session().strips[:2])
    >>> StemLevels(make_figure(600, 200).subplots(), stems, -34.0, -13.0).sentence()
    'Active levels from −24.8 to −8.9 dBFS. Too hot: 01 kick.'
    """

    artists = ()

    def __init__(self, axes: Axes, stems, low_dbfs: float, hot_dbfs: float):
        self.stems, self._low, self._hot = tuple(stems), low_dbfs, hot_dbfs
        count = len(self.stems)
        frame(axes, "● = active level, ▎= true peak, ◇ = steady floor in the pauses", grid="x")
        db_axis(axes, LOW_DB, HIGH_DB, 6, "dBFS; a ● on dotted ground is too low, on hatched ground too hot", "x")
        axes.set_ylim(count - 0.4, -0.6)
        axes.set_yticks(
            range(count), [stem.name if len(stem.name) < 25 else f"{stem.name[:23]}…" for stem in self.stems]
        )
        for start, stop, colour, hatch in ((LOW_DB, low_dbfs, "#e8f1f8", "..."), (hot_dbfs, HIGH_DB, "#fdf1e6", "///")):
            zone = axes.add_patch(Boxes(facecolor=colour, edgecolor="#c8c8c8", hatch=hatch, linewidth=0.0, zorder=0.6))
            zone.set_verts(rectangles([start], -0.6, stop - start, count + 0.2))
        axes.axvline(0, color=INK, linewidth=1.2, linestyle=(0, (6, 3)), zorder=1.5)
        self._draw(axes)

    def _draw(self, axes):
        rows = np.arange(len(self.stems))
        average = np.array([stem.reading.active_dbfs for stem in self.stems])
        peak = np.array([stem.reading.true_peak_dbtp for stem in self.stems])
        floor = np.array([np.nan if stem.noise_dbfs is None else stem.noise_dbfs for stem in self.stems])
        heard = np.isfinite(average) & np.isfinite(peak)
        left, right = (np.clip(values[heard], LOW_DB, HIGH_DB) for values in (average, peak))
        bars = axes.add_patch(Boxes(facecolor=SKY, edgecolor=INK, linewidth=0.6, zorder=2))
        bars.set_verts(rectangles(left, rows[heard] - 0.14, right - left, 0.28))
        style = {"linestyle": "none", "markeredgecolor": INK, "zorder": 3}
        far = (average[heard] >= self._hot) | (average[heard] <= self._low)
        for which, colour in ((far, VERMILLION), (~far, BLUE)):
            axes.plot(left[which], rows[heard][which], marker="o", color=colour, markersize=8, **style)
        axes.plot(
            right, rows[heard], marker="|", color=INK, markersize=15, markeredgewidth=2.5, linestyle="none", zorder=3
        )
        axes.plot(floor, rows, marker="D", color=ORANGE, markersize=6, **style)
        for row in rows[~heard]:
            axes.text(LOW_DB + 1, row, "silent", va="center", fontsize=9, color=INK, zorder=3)

    def sentence(self) -> str:
        """Return the range of the levels, and who lies beyond the limits."""
        heard = [(s.name, s.reading.active_dbfs) for s in self.stems if np.isfinite(s.reading.active_dbfs)]
        if not heard:
            return "Every stem is silent."
        levels = [level for _, level in heard]
        parts = [f"Active levels from {number_text(min(levels))} to {number_text(max(levels))} dBFS."]
        groups = {
            "Too hot": [name for name, level in heard if level >= self._hot],
            "Too low": [name for name, level in heard if level <= self._low],
            "Silent": [s.name for s in self.stems if not np.isfinite(s.reading.active_dbfs)],
        }
        parts += [f"{word}: {', '.join(names)}." for word, names in groups.items() if names]
        return " ".join(parts)

    def table(self) -> Table | None:
        """Return None: the panel has a table with more."""
        return None
