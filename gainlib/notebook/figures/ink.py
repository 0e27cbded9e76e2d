"""A picture as numbers: what matplotlib draws, noted down for the browser to draw.

On paper an artist draws itself through one of matplotlib's renderers; on the page it draws itself through this one,
which keeps outlines, looks and letters in place of pixels. So every plot is described once, and what takes its time on
a page, pixels, is made where it is seen and as fine as it is seen.
"""

from functools import cache

import numpy as np
from matplotlib.artist import Artist
from matplotlib.backend_bases import RendererBase
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags
from matplotlib.path import Path
from matplotlib.transforms import Affine2D

from gainlib.notebook.figures.palette import FONT

UNITS = 16
"""To a pixel of the page; places travel as whole numbers of 16 bits, so that a picture may be some 2,000 px wide."""
FAR = 2**15 - 1
GLYPH_SIZE = 64
USUAL = "0123456789 .,:+−%()dBFSTPkHzRMUVLms"


class Ink(RendererBase):
    """Notes marks down from the bottom up, each an outline or a row of signs with its look, or a line of letters."""

    def __init__(self, fig: Figure):
        super().__init__()
        self._width, self._height, self._dpi = *fig.bbox.size, fig.dpi
        self._flip = Affine2D().scale(1, -1).translate(0, self._height)
        self._marks, self._places = [], []

    def noted(self) -> dict:
        """Return the marks and their places, as they travel."""
        places = np.concatenate(self._places) if self._places else np.zeros((0, 2))
        whole = np.clip(np.round(places * UNITS), -FAR, FAR).astype("<i2")
        return {"marks": self._marks, "places": whole.tobytes()}

    # ---- what matplotlib asks a renderer ---------------------------------------------------------------------------

    def get_canvas_width_height(self):
        """Return the size in pixels."""
        return self._width, self._height

    def points_to_pixels(self, points):
        """Return a typographic size in pixels."""
        return points * self._dpi / 72

    def draw_path(self, gc, path, transform, rgbFace=None):
        """Note an outline down."""
        look = self._look(gc, rgbFace)
        if look:
            self._note(look, *self._runs(path, transform + self._flip, rgbFace is None))

    def draw_markers(self, gc, marker_path, marker_trans, path, trans, rgbFace=None):
        """Note a row of signs down: the outline of one, and where they stand."""
        look = self._look(gc, rgbFace)
        where = (trans + self._flip).transform(path.vertices)
        where = where[np.isfinite(where).all(axis=1)]
        pixels = np.round(where) @ (1, FAR)
        where = where[np.sort(np.unique(pixels, return_index=True)[1])]  # on one pixel only one of them is seen
        if look and len(where):
            runs, places = self._runs(marker_path, marker_trans + Affine2D().scale(1, -1), False)
            self._note(look | {"sign": runs}, [len(where)], np.concatenate([places, where]))

    def draw_text(self, gc, x, y, s, prop, angle, ismath=False, mtext=None):
        """Note a line of letters down, from the left end of its baseline."""
        size = self.points_to_pixels(prop.get_size_in_points())
        look = {"text": s, "at": [round(float(x), 1), round(float(y), 1)], "size": round(size, 2)}
        self._marks.append(look | {"fill": _hex(gc.get_rgb())} | ({"angle": angle} if angle else {}) | self._clip(gc))

    def word(self, gc, x, y, text):
        """Note a short text down, without the laying out that would take longer than all the rest."""
        size = self.points_to_pixels(text.get_fontsize())
        letters, (low, high) = text.get_text(), heights()
        left = {"left": 0.0, "center": 0.5, "right": 1.0}[text.get_ha()] * sum(glyph(each)[1] for each in letters)
        rise = {"bottom": -low, "baseline": 0.0, "top": -high, "center": -(low + high) / 2}
        rise["center_baseline"] = -high / 2
        at = x - left * size / GLYPH_SIZE, self._height - y - rise[text.get_va()] * size / GLYPH_SIZE
        self.draw_text(gc, *at, letters, text.get_fontproperties(), 0.0)

    # ---- how it is noted -------------------------------------------------------------------------------------------

    def _look(self, gc, face):
        """Return what is filled and stroked, and how; empty if nothing is to be seen."""
        look, width = {}, gc.get_linewidth()
        if face is not None and (len(face) < 4 or face[3]):
            look["fill"] = _hex(tuple(face))
        if hatch := gc.get_hatch():
            look["hatch"] = [hatch, _hex(tuple(gc.get_hatch_color()))]
        if width and gc.get_rgb()[3]:
            look |= {"line": _hex(tuple(gc.get_rgb())), "width": round(self.points_to_pixels(width), 2)}
            _, dashes = gc.get_dashes()
            if dashes is not None and len(dashes):
                look["dashes"] = [round(self.points_to_pixels(each), 2) for each in dashes]
        return look | self._clip(gc) if look else look

    def _clip(self, gc):
        box = gc.get_clip_rectangle()
        if box is None:
            return {}
        left, bottom, right, top = box.extents.tolist()
        return {"clip": [round(v, 1) for v in (left, self._height - top, right - left, top - bottom)]}

    @staticmethod
    def _runs(path, transform, line):
        """Return how many places each part has, below nought where it is closed, and the places."""
        path = path.cleaned(transform, remove_nans=True, simplify=line and path.should_simplify, curves=False)
        vertices, codes = path.vertices[:-1], path.codes[:-1]  # the last one only says that it ends
        starts = np.flatnonzero(codes == Path.MOVETO)
        if not len(starts):
            return [], vertices
        kept = codes != Path.CLOSEPOLY
        counts = np.add.reduceat(kept, starts, dtype=int)
        return np.where(np.logical_or.reduceat(~kept, starts), -counts, counts).tolist(), vertices[kept]

    def _note(self, look, runs, places):
        """Note a mark down; lines of one look become one mark."""
        if not runs:
            return
        last = self._marks[-1] if self._marks else {}
        if "fill" not in look and look == {name: value for name, value in last.items() if name != "runs"}:
            last["runs"] += runs
        else:
            self._marks.append(look | {"runs": runs})
        self._places.append(places)


@cache
def _hex(colour):
    return to_hex(colour, keep_alpha=len(colour) == 4 and colour[3] < 1)


def ground(fig: Figure) -> dict:
    """Return all that stays in a picture."""
    ink = Ink(fig)
    fig.draw(ink)
    return ink.noted()


def moving(fig: Figure, artists: list[Artist]) -> dict:
    """Return what changes in a picture, in the order given."""
    ink = Ink(fig)
    for artist in artists:
        artist.draw(ink)
    return ink.noted()


@cache
def heights() -> tuple[float, float]:
    """Return how far letters reach below and above their baseline, as matplotlib lays its lines out."""
    font = get_font(findfont(FontProperties(family=FONT)))
    font.set_size(GLYPH_SIZE, 72)
    font.set_text("lp", 0.0, flags=LoadFlags.NO_HINTING)
    below = font.get_descent() / 64
    return -below, font.get_width_height()[1] / 64 - below


@cache
def glyph(letter: str) -> tuple[str, float]:
    """Return the outline of a letter, upside down as font files have it, and how far it is to the next one."""
    font = get_font(findfont(FontProperties(family=FONT)))
    font.set_size(GLYPH_SIZE, 72)
    advance = font.load_char(ord(letter), flags=LoadFlags.NO_HINTING).linearHoriAdvance / 65536
    signs = {Path.MOVETO: "M", Path.LINETO: "L", Path.CURVE3: "Q", Path.CURVE4: "C", Path.CLOSEPOLY: "Z"}
    steps = Path(*font.get_path()).iter_segments(simplify=False)
    parts = (signs[code] + ("" if code == Path.CLOSEPOLY else " ".join(f"{v:.1f}" for v in to)) for to, code in steps)
    return "".join(parts), advance
