"""Colours that stay apart for every common kind of colour vision, and never stand alone.

The first eight colours are Okabe and Ito's "Color Universal Design" set (2008); areas have five more of our own, always
hatched, so that the eleven strips of a mix share no hue. A line takes its colour together with a line style and a
marker, an area together with a hatch and a dark edge: a grey print says the same. Only the colours that stand out at
least 3:1 from white serve lines (WCAG 2.2, 1.4.11); areas are held together by their edge.
"""

from dataclasses import dataclass

INK = "#1a1a1a"
PAPER = "#ffffff"
GRID = "#d0d0d0"

BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"
GREY, INDIGO, BROWN, MINT, ROSE = "#A6A6A6", "#8C7FD6", "#A0703C", "#B5E3C4", "#F7C6C6"

FONT = "DejaVu Sans"  # comes with matplotlib, so a picture looks the same on every machine
TITLE = {"fontsize": 10.5, "fontfamily": FONT, "color": INK}
LABEL, TEXT = TITLE | {"fontsize": 9.5}, TITLE | {"fontsize": 9}

DASHED = (0, (6, 3))
MARK = {"linestyle": "none", "markeredgecolor": INK}
HERE = MARK | {"marker": "D", "markersize": 9, "color": VERMILLION, "zorder": 5, "clip_on": False}
START = MARK | {"marker": "D", "markersize": 7, "color": "none", "zorder": 3}
THRESHOLD = {"color": INK, "linewidth": 1.8, "linestyle": (0, (1, 1.5)), "zorder": 3.5, "visible": False}


@dataclass(frozen=True)
class Line:
    """How one curve looks: colour, line style and marker together."""

    color: str
    linestyle: str
    marker: str


@dataclass(frozen=True)
class Fill:
    """How one area looks: colour and hatch together, with a dark edge."""

    color: str
    hatch: str


LINES = (
    Line(BLUE, "-", "o"),
    Line(VERMILLION, "--", "s"),
    Line(GREEN, "-.", "^"),
    Line(BLACK, ":", "D"),
    Line(PURPLE, (0, (6, 1, 1, 1, 1, 1)), "v"),
)

_COLOURS = (BLUE, ORANGE, GREEN, PURPLE, SKY, VERMILLION, YELLOW, GREY, INDIGO, BROWN, MINT, ROSE)
_HATCHES = ("", "////", "....", "\\\\\\\\")

FILLS = tuple(Fill(_COLOURS[k % len(_COLOURS)], _HATCHES[k // 7 % len(_HATCHES)]) for k in range(28))


def line(index: int) -> Line:
    """Return the look of curve `index`; repeats after :data:`LINES`."""
    return LINES[index % len(LINES)]


def fill(index: int) -> Fill:
    """Return the look of area `index`; 28 differ, then they repeat."""
    return FILLS[index % len(FILLS)]


def look(index: int, marker: bool = False, **style) -> dict:
    """Return the style of curve `index`, with markers where they are asked for."""
    it = line(index)
    dots = {"marker": it.marker, "markersize": 4} if marker else {}
    return {"color": it.color, "linestyle": it.linestyle, "linewidth": 2, "zorder": 3} | dots | style
