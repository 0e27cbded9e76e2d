"""The sheets as a page to print: HTML that needs no other file, on A4 and Letter, landscape, in black and white.

Its first sheet of paper has a line for each strip, group and the master, 24 strips of them; all else is appendix.
Nothing is said by colour alone. Names are what somebody typed: every text is escaped, and passes :func:`one_line`.
"""

import math

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from gainlib import __version__
from gainlib.levels.printing import number, quantity
from gainlib.mix.console import LEGEND, cell_text, console_table
from gainlib.mix.moves import said_once
from gainlib.mix.sheet import SAFETY, Sheet, bus_rows, file_format, hand_off, noise_notes
from gainlib.mix.sheet_files import one_line

COLUMNS = {
    "A": "polarity, DC block",
    "B": "input trim",
    "C": "processors",
    "D": "output trim",
    "E": "fader",
    "F": "pan",
    "G": "sends",
}
"""Where each column of the page sits; the letters stand in the drawing of a channel as well."""


def templates(package: str) -> Environment:
    """Return the page templates of a package: texts are escaped, and what is not given is an error."""
    return Environment(
        loader=PackageLoader(package), autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=StrictUndefined
    )


def channel_drawing() -> str:
    """Return a channel of a mixer as a line of boxes: SVG, black on white, with a text for those who do not see it."""
    return templates("gainlib.mix").get_template("channel.svg").render()


def page(sheet: Sheet) -> str:
    """Return the sheets as a whole HTML document."""
    pages = templates("gainlib.mix")
    pages.finalize = lambda value: one_line(value) if type(value) is str else value
    pages.filters |= {
        "name": lambda text: Markup("<bdi>{}</bdi>").format(one_line(text)),
        "piece": _one_line_piece,
        "breaks": lambda text: escape(text).replace("\n", Markup("<br>")),
        "number": lambda value, decimals: "" if value is None else number(value, decimals),
        "signed": lambda value: number(value, 1, signed=math.isfinite(value)),
        "quantity": quantity,
        "flags": _flags,
    }
    return pages.get_template("sheet.html").render(
        sheet=sheet,
        version=__version__,
        drive={"restage": "reference", "keep": "unchanged"}[sheet.plan.policy],
        lines=(lines := list(console_table(sheet.rows))),
        size=_size(lines),
        columns=COLUMNS,
        legend=LEGEND,
        moved=said_once(sheet.plan.moves),
        safety=SAFETY,
        formats={strip.name: file_format(strip) for strip in sheet.found.strips},
        bus_rows=list(bus_rows(sheet.before, sheet.after)),
        noise_notes=list(noise_notes(sheet)),
        hand_off=list(hand_off(sheet)),
    )


def _size(lines):
    """Return the class of a table that has to fit one page."""
    letters = sum(len(cell_text(cell)) for _, cells in lines for cell in cells) / len(lines)
    return "" if len(lines) <= 16 else "many" if letters < 110 else "dense"


def _one_line_piece(text):
    """Keep the blanks at the ends of a piece, which part it from the next."""
    return escape(f"{text[: len(text) - len(text.lstrip(' '))]}{one_line(text)}{text[len(text.rstrip(' ')) :]}")


def _flags(stem):
    sure = {finding.tag: finding.sure for finding in stem.findings}
    return ", ".join(f"{tag}{'' if known else '?'}" for tag, known in sure.items())
