"""Text that is drawn once and stamped from then on.

Laying out and rasterising a word takes matplotlib most of a millisecond; the names above ten bars would cost as much as
the bars. A :class:`Stamp` keeps the finished bitmap of its text and only places it.
"""

import threading
from functools import lru_cache

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

_LOCK = threading.Lock()


class Stamp(Text):
    """A short horizontal text whose bitmap is kept; otherwise like matplotlib's ``Text``.

    It is placed to the whole pixel and cut off where its axes end.
    """

    def draw(self, renderer):
        """Place the bitmap."""
        if not self.get_visible() or not self.get_text():
            return
        look = (self.get_fontfamily()[0], self.get_fontsize(), self.get_color(), self.get_ha(), self.get_va())
        with _LOCK:
            bitmap, left, bottom = _bitmap(self.get_text(), look, self.get_figure(root=True).dpi)
        x, y = self.get_transform().transform(self.get_position())
        gc = renderer.new_gc()
        self._set_gc_clip(gc)
        renderer.draw_image(gc, round(x) + left, round(y) + bottom, bitmap)
        gc.restore()


@lru_cache(maxsize=500)
def _bitmap(text, look, dpi):
    """Return the bitmap, lowest line first, and where its lower left corner lies from the anchor, in pixels."""
    family, size, color, ha, va = look
    width, height = 2 * round(dpi * size / 72 * (len(text) + 2)), 2 * round(dpi * size / 72 * 3)
    fig = Figure(figsize=(width / dpi, height / dpi), dpi=dpi)
    canvas = FigureCanvasAgg(fig)
    fig.patch.set_alpha(0)
    fig.text(0.5, 0.5, text, fontfamily=family, fontsize=size, color=color, ha=ha, va=va)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[::-1]  # lowest line first, as it is stamped
    inked = pixels[:, :, 3] > 0
    rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
    if not len(rows):
        return np.zeros((1, 1, 4), np.uint8), 0, 0
    cut = pixels[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].copy()
    return cut, int(columns[0]) - width // 2, int(rows[0]) - height // 2
