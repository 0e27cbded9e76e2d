"""Numbers as people type and read them, and templates filled with them.

Conventions
-----------
What a learner reads carries a true minus sign (U+2212). What a learner types may carry a comma or a point as decimal
sign, any of the dashes a keyboard or a word processor makes or the word "minus", the digits of any script, letters of
any width, a vulgar fraction, and the unit or no unit.
"""

import json
import math
import numbers
import re
import string
import unicodedata
from collections.abc import Iterable

from gainlib.words import MINUS, number

_DASHES = str.maketrans(dict.fromkeys("\u2212\u2013\u2014\u2012\u2011\u2010\ufe63\uff0d", "-"))
_SIGNS = re.compile(r"^(minus|plus)\b\s*", re.IGNORECASE)
_FRACTION = re.compile(r"(\d*)\s*([\u00bc-\u00be\u2150-\u215e])")
_SCALES = {("mv", "V"): 1e-3, ("khz", "Hz"): 1e3, ("s", "ms"): 1e3, ("ms", "s"): 1e-3}
_HOURS = ("h", "hr", "hrs", "hour", "hours")
_NUMBER = re.compile(r"([+-]?)\s*(\d+[.,]?\d*|[.,]\d+)(e[+-]?\d+)?\s*(.*)", re.IGNORECASE | re.DOTALL)
_PRINTED = re.compile(r"(?<![\w.,])[+\u2212-]?\d+(?:[.,]\d+)?")


class Unreadable(ValueError):
    """An answer that cannot be marked; the message says what was expected."""


def parse_number(answer, unit: str = "", aliases: tuple[str, ...] = ()) -> float:
    """Return the finite number a learner meant.

    Parameters
    ----------
    answer : object
        A real number, or text such as ``"−3,5 dB"``, ``"+0.25"`` or ``"1e-3"``.
    unit : str
        The unit of the answer; in text it may be left out or written in any case. For levels "dB" will do.
    aliases : tuple of str
        Other spellings of the unit.

    Raises
    ------
    Unreadable
        For truth values, NaN, infinity, other types, other units, and text that holds no number.

    Examples
    --------
    >>> parse_number("−3,5 dB", "dBFS"), parse_number(2, "V")
    (-3.5, 2.0)
    """
    wanted = f"a number in {unit}" if unit else "a number"
    if isinstance(answer, str):
        value = _parse_text(answer, unit, aliases, wanted)
    elif isinstance(answer, numbers.Real) and not isinstance(answer, bool):
        value = _finite_or_none(answer)
    else:
        raise Unreadable(f"{describe(answer)} cannot be read; enter {wanted}.")
    if value is None:
        raise Unreadable(f"{describe(answer)} cannot be read; enter {wanted} that is finite.")
    return value


def _finite_or_none(value):
    try:
        value = float(value)
    except OverflowError:
        return None
    return value if math.isfinite(value) else None


def _parse_text(answer, unit, aliases, wanted):
    match = _NUMBER.fullmatch(_plain(answer))
    if match is None:
        raise Unreadable(f"“{shorten(answer)}” cannot be read; enter {wanted}.")
    sign, digits, exponent, rest = match.groups()
    if rest and rest[0] in ".,'0123456789":
        raise Unreadable(
            f"“{shorten(answer)}” cannot be read; enter {wanted} with one decimal sign and no thousands sign."
        )
    value, own = float(sign + digits.replace(",", ".") + (exponent or "")), _squeezed(rest)
    scale = _SCALES.get((own, unit))
    if scale is None and own and own not in accepted_units(unit, aliases):
        inside = f": that is {number(60 * value)} minutes" if unit == "min" and own in _HOURS else ""
        raise Unreadable(f"“{shorten(answer)}” cannot be read{inside}; enter {wanted}.")
    return _finite_or_none(value * (scale or 1.0))


def _plain(answer):
    """Return what was typed with plain digits, letters and signs."""
    text = _FRACTION.sub(lambda found: f"{int(found[1] or 0) + unicodedata.numeric(found[2]):.9g}", answer)
    text = unicodedata.normalize("NFKC", text.translate(_DASHES)).replace("\u066b", ",").strip()
    return _SIGNS.sub(lambda found: "-" if found[1].casefold() == "minus" else "+", text, count=1)


def accepted_units(unit: str, aliases: tuple[str, ...] = ()) -> set[str]:
    """Return the spellings of a unit, squeezed and casefolded, that an answer may carry."""
    level = difference_unit(unit) == "dB"
    more = ("dB", "decibel", "decibels") if level else ("LKFS",) if unit == "LUFS" else ()
    return {_squeezed(name) for name in (unit, *more, *aliases) if name}


def _squeezed(text):
    return re.sub(r"\s+", "", text).rstrip(".").casefold()


def difference_unit(unit: str) -> str:
    """Return the unit of a difference of two such values: dB between levels in dBFS, LU between loudnesses in LUFS.

    Examples
    --------
    >>> difference_unit("dBTP"), difference_unit("LUFS"), difference_unit("mm"), difference_unit("dB/mm")
    ('dB', 'LU', 'mm', 'dB/mm')
    """
    if unit.startswith("dB") and "/" not in unit:
        return "dB"
    return "LU" if unit == "LUFS" else unit


def decimals_for(tolerance: float) -> int:
    """Return how many decimals show a value well enough for a tolerance: half of it still shows."""
    return min(9, max(0, math.ceil(-math.log10(tolerance / 2) - 1e-9))) if tolerance > 0 else 2


def printed_numbers(text: str) -> list[float]:
    """Return every number that can be read in a text.

    Examples
    --------
    >>> printed_numbers("12 tracks at −20.5 dBFS")
    [12.0, -20.5]
    """
    return [float(found.replace(MINUS, "-").replace(",", ".")) for found in _PRINTED.findall(text)]


def shorten(value: object, length: int = 40) -> str:
    """Return a value as text, cut to a length that fits a sentence."""
    text = " ".join(str(value).split())
    return text if len(text) <= length else f"{text[: length - 1]}…"


def sentences(parts: Iterable[str]) -> str:
    """Return parts as sentences behind one another, the last without its full stop."""
    return ". ".join(f"{part[:1].upper()}{part[1:]}" for part in parts)


def describe(value: object) -> str:
    """Return what a wrong answer is, in words short enough for a sentence."""
    if isinstance(value, bool):
        return "a yes or no"
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    if isinstance(value, dict):
        return f"a table of {len(value)}"
    if isinstance(value, (str, numbers.Real)):
        return f"“{shorten(value)}”"
    return f"a {type(value).__name__}"


def as_table(answer: object, wanted: str) -> dict:
    """Return an answer that is a table or its JSON; `wanted` is what else is asked for."""
    if isinstance(answer, str):
        try:
            answer = json.loads(answer)
        except ValueError:
            raise Unreadable(f"“{shorten(answer)}” cannot be read; give {wanted}.") from None
    if not isinstance(answer, dict):
        raise Unreadable(f"{describe(answer)} cannot be read; give {wanted}.")
    return answer


class _Filler(string.Formatter):
    """Formats numbers with a true minus sign and lists with commas; everything else as Python does."""

    def format_field(self, value, spec):
        if isinstance(value, (list, tuple)):
            return ", ".join(self.format_field(entry, spec) for entry in value)
        if isinstance(value, numbers.Real) and not isinstance(value, bool):
            text = format(value, spec) if spec else number(float(value))
            nought = spec and "-" in text and not text.strip("-0.")
            return format(0.0, spec) if nought else text.replace("-", MINUS)
        return format(value, spec)


def fill(template: str, values: dict) -> str:
    """Return a template with its ``{fields}`` filled from values, numbers with a true minus sign.

    Parameters
    ----------
    template : str
        Text with fields as in :meth:`str.format`.
    values : dict
        What the fields stand for.

    Returns
    -------
    str
        The text.

    Examples
    --------
    >>> fill("{N} tracks at {L} dBFS, {move:+.1f} dB", {"N": 8, "L": -20.5, "move": -3})
    '8 tracks at −20.5 dBFS, −3.0 dB'
    >>> fill("{x:+.1f} dB", {"x": -0.04})
    '+0.0 dB'
    """
    return _Filler().vformat(template, (), values)
