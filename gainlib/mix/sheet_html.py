"""The sheets as one page of HTML that needs no other file and prints on A4 and Letter, landscape, in black and white.

Tables come in pieces of twelve stems, each on a page of its own with its heading. Nothing is said by colour alone.
Names are what somebody typed: every text is escaped, and passes :func:`~gainlib.mix.sheet_csv.one_line`.
"""

import math

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from gainlib import __version__
from gainlib.levels.printing import number, quantity
from gainlib.mix.sheet import Setting, Sheet, bus_rows
from gainlib.mix.sheet_csv import one_line
from gainlib.mix.sheet_words import SAFETY, file_format, hand_off, noise_notes

COLUMNS = {
    "A": "polarity, DC block",
    "B": "trim",
    "C": "processors, in and out",
    "D": "output trim",
    "E": "fader",
    "F": "pan",
    "G": "sends",
}
"""What each column of the plan sheet holds; the letters stand in the drawing of a channel."""


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
        "breaks": lambda text: escape(text).replace("\n", Markup("<br>")),
        "number": lambda value, decimals: "" if value is None else number(value, decimals),
        "quantity": quantity,
        "flags": _flags,
        "value": _value,
        "by": _by,
        "letter": lambda setting: _column(setting)[0],
    }
    return pages.get_template("sheet.html").render(
        sheet=sheet,
        version=__version__,
        drive={"restage": "reference", "keep": "unchanged"}[sheet.plan.policy],
        columns=COLUMNS,
        heads=[f"{letter}\n{words}" for letter, words in COLUMNS.items()],
        safety=SAFETY,
        formats={strip.name: file_format(strip) for strip in sheet.found.strips},
        glance=list(_glance(sheet.settings).items()),
        bus_rows=list(bus_rows(sheet.before, sheet.after)),
        noise_notes=list(noise_notes(sheet)),
        hand_off=list(hand_off(sheet)),
    )


def _flags(stem):
    sure = {finding.tag: finding.sure for finding in stem.findings}
    return ", ".join(f"{tag}{'' if known else '?'}" for tag, known in sure.items())


def _glance(settings) -> dict[str, dict[str, dict[str, list[tuple[str, Setting]]]]]:
    """Return settings by strip, letter of the column, and what stands ahead of a line of it."""
    found: dict = {}
    for each in settings:
        letter, label, end = _column(each)
        found.setdefault(each.strip, {}).setdefault(letter, {}).setdefault(label, []).append((end, each))
    return found


def _column(setting):
    """Return the letter of a setting's column, and what stands ahead of its figures: a line's label, and a word."""
    control = setting.control
    if control.startswith("insert "):
        count, _, end = control.removeprefix("insert ").partition(" ")
        return "C", f"{count} {setting.processor}:", end
    if control.startswith("send "):
        return "G", Markup("<bdi>{}</bdi>:").format(one_line(control.removeprefix("send "))), ""
    if control == "mute":
        return "E", "muted", ""
    known = {"trim": "B", "output trim": "D", "fader": "E", "pan": "F"}
    return (known[control], "", "") if control in known else ("A", control, "")


def _value(setting, value):
    if setting.unit == "switch":
        return "inverted" if setting.control == "polarity" else "on" if value else "off"
    return number(value, 2 if setting.control == "pan" else 1, signed=math.isfinite(value))


def _by(setting):
    if setting.unit == "switch" or not math.isfinite(setting.before) or not math.isfinite(setting.after):
        return ""
    return f"{number(setting.after - setting.before, 1, signed=True)} dB"
