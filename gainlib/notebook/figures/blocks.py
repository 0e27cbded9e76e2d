"""How loud the blocks of a loudness meter are, which of them count, and where the gates stand."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import db_axis, frame, rectangles
from gainlib.notebook.figures.palette import BLUE, INK, PAPER, SKY, VERMILLION
from gainlib.words import Table, level_text, number_text

LOW_LUFS, HIGH_LUFS, BIN_LU = -84.0, 0.0, 2.0


class BlockBars:
    """The blocks of a loudness meter sorted by loudness; those that a gate leaves out are hatched.

    Parameters
    ----------
    axes : matplotlib axes
        Where to draw.
    most : int
        Blocks that the upright axis has room for.

    Examples
    --------
    >>> from gainlib.notebook.figures import make_figure
    >>> bars = BlockBars(make_figure(400, 250).subplots())
    >>> bars.update([-20.5, -20.5, -np.inf], [True, True, False], -30.5, -20.5, gates="both")
    >>> bars.sentence()
    'Loudness: 2 of 3 blocks count and give −20.5 LUFS; 1 is silent.'
    """

    def __init__(self, axes: Axes, most: int = 60):
        self.blocks_lufs, self.kept, self.loudness_lufs = np.zeros(0), np.zeros(0, bool), None
        self.gate_lufs, self.gates = -np.inf, "both"
        frame(axes, "Blocks: ▨ left out, ◆ loudness", y_label="blocks")
        db_axis(axes, LOW_LUFS, HIGH_LUFS, 10, "block of 400 ms (LUFS); dashed: gates", "x")
        axes.set_xticks(
            [LOW_LUFS + 1, *range(-70, 1, 10)], ["silent", *(number_text(level, 0) for level in range(-70, 1, 10))]
        )
        axes.set_ylim(0, most)
        look = {"edgecolor": INK, "linewidth": 0.8, "zorder": 2}
        self._kept = PolyCollection([], facecolor=SKY, **look)
        self._left = PolyCollection([], facecolor=PAPER, hatch="////", **look)
        for bars in (self._kept, self._left):
            axes.add_collection(bars, autolim=False)
        (self._absolute,) = axes.plot([-70, -70], [0, most], color=INK, linewidth=1.4, linestyle=(0, (6, 3)), zorder=3)
        (self._relative,) = axes.plot([], [], color=VERMILLION, linewidth=1.6, linestyle="-.", zorder=3)
        (self._result,) = axes.plot([], [], color=BLUE, linewidth=1.8, marker="D", markevery=(1, 1), zorder=4)
        self._most = most
        self.artists = [self._kept, self._left, self._absolute, self._relative, self._result]

    def update(self, blocks_lufs, kept, gate_lufs: float, loudness_lufs: float | None, gates: str = "both") -> None:
        """Show other blocks.

        Parameters
        ----------
        blocks_lufs : sequence of float
            Loudness of every block; −inf is silence.
        kept : sequence of bool
            Which of them count.
        gate_lufs : float
            Where the relative gate stands; −inf for nowhere.
        loudness_lufs : float or None
            What the blocks that count give.
        gates : {"none", "absolute", "both"}
            Which gates are at work; the others are not drawn.
        """
        self.blocks_lufs, self.kept = np.asarray(blocks_lufs, float), np.asarray(kept, bool)
        if self.blocks_lufs.shape != self.kept.shape:
            raise GainlibError(f"{self.blocks_lufs.size} blocks and {self.kept.size} marks; give one a block")
        self.gate_lufs, self.loudness_lufs, self.gates = gate_lufs, loudness_lufs, gates
        counts = [self._counts(self.blocks_lufs[choice]) for choice in (self.kept, ~self.kept)]
        self._kept.set_verts(self._boxes(0, counts[0]))
        self._left.set_verts(self._boxes(counts[0], counts[1]))
        self._absolute.set_visible(gates != "none")
        shown = gates == "both" and gate_lufs > LOW_LUFS
        self._relative.set_data(*(([gate_lufs] * 2, [0, self._most]) if shown else ([], [])))
        at = None if loudness_lufs is None or loudness_lufs < LOW_LUFS else loudness_lufs
        self._result.set_data(*(([at] * 2, [0, 0.93 * self._most]) if at is not None else ([], [])))

    @staticmethod
    def _edges():
        return np.arange(LOW_LUFS, HIGH_LUFS + 0.5 * BIN_LU, BIN_LU)

    def _counts(self, blocks):
        edges = self._edges()
        # a hair above the edge keeps a steady tone of a whole number from flickering between two bars
        place = np.searchsorted(edges[1:-1], np.maximum(blocks, LOW_LUFS) + 1e-6, side="right")
        return np.bincount(place, minlength=len(edges) - 1)

    def _boxes(self, base, counts):
        some = counts > 0
        base = np.broadcast_to(base, counts.shape)
        return rectangles(self._edges()[:-1][some], base[some], BIN_LU, counts[some])

    def sentence(self) -> str:
        """Return how many blocks count and what they give."""
        total, silent = len(self.blocks_lufs), int((self.blocks_lufs == -np.inf).sum())
        if not total or self.loudness_lufs is None:
            return "Loudness: no block is full yet."
        others = f"; {silent} {'is' if silent == 1 else 'are'} silent" if silent else ""
        return (
            f"Loudness: {int(self.kept.sum())} of {total} blocks count and give "
            f"{level_text(self.loudness_lufs, 'LUFS')}{others}."
        )

    def table(self) -> Table:
        """Return how many blocks there are at which loudness, and the gates."""
        rows = []
        kept, left = (self._counts(self.blocks_lufs[choice]) for choice in (self.kept, ~self.kept))
        for low, counting, out in zip(self._edges(), kept, left, strict=False):
            if counting or out:
                name = (
                    "silent, or nearly"
                    if low == LOW_LUFS
                    else f"{number_text(low, 0)} to {number_text(low + BIN_LU, 0)}"
                )
                rows.append((name, str(counting), str(out)))
        gate = level_text(self.gate_lufs, "LUFS") if self.gate_lufs > -np.inf else "nowhere"
        caption = {
            "none": "no gate is at work",
            "absolute": "the gate stands at −70 LUFS",
            "both": f"the gates stand at −70 LUFS and at {gate}",
        }[self.gates]
        return Table(f"Blocks by loudness; {caption}", ("LUFS", "blocks that count", "left out"), tuple(rows))
