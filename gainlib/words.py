"""Numbers and tables as a reader meets them, on a page, on paper or in a spreadsheet.

All have a true minus sign. :func:`number` and :func:`quantity` print what is there, such as a wanted value or a gain;
:func:`number_text` and :func:`level_text` what was measured, where −inf is the word "silent", and a value that is
undefined is "not defined".
"""

import csv
import io
import math
import unicodedata
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any

from markupsafe import Markup

from gainlib import __version__
from gainlib.errors import GainlibError

MINUS = "\N{MINUS SIGN}"
SILENT = "silent"
UNDEFINED = "not defined"
LEAST_PERCENT = 0.001
LOWEST_SHOWN_DB = -120.0
FORMULA = tuple("=+-@\t\r'＝＋－＠")
_TURNING = dict.fromkeys(map(ord, "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f"))


def number(value: float, decimals: int | None = None, signed: bool = False) -> str:
    """Return a number that is there, as in a wanted value or an answer: true minus sign, no minus zero.

    Parameters
    ----------
    value : float
        The number; infinities print as "+∞" and "−∞".
    decimals : int or None
        Decimals; None gives up to six significant figures without trailing zeros.
    signed : bool
        Whether to print a plus sign before positive numbers.

    Examples
    --------
    >>> number(-3.25, 1), number(-0.01, 1), number(6, signed=True), number(float("-inf"))
    ('−3.2', '0.0', '+6', '−∞')
    """
    if math.isinf(value):
        return "+∞" if value > 0 else f"{MINUS}∞"
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.6g}"
    if float(text) == 0:
        text = text.lstrip("-")
    if signed and float(text) > 0:
        text = f"+{text}"
    return text.replace("-", MINUS)


def quantity(value: float, unit: str = "", decimals: int | None = None, signed: bool = False) -> str:
    """Return a number that is there with its unit, as in "−3.2 dBTP"."""
    return f"{number(value, decimals, signed)} {unit}".strip()


def number_text(
    value: float | None, decimals: int = 1, signed: bool = False, silent: str = SILENT, undefined: str = UNDEFINED
) -> str:
    """Return a number that was measured, or the word where there is none: −inf is silent, None and NaN are undefined.

    Examples
    --------
    >>> number_text(-3.25, 2), number_text(3, signed=True), number_text(float("-inf")), number_text(None)
    ('−3.25', '+3.0', 'silent', 'not defined')
    """
    if value is None or math.isnan(value):
        return undefined
    return silent if value == -math.inf else number(value, decimals, signed)


def count(number: int, what: str) -> str:
    """Return a number with what is counted.

    Examples
    --------
    >>> count(1, "stem"), count(11, "stem")
    ('1 stem', '11 stems')
    """
    return f"{number} {what}{'' if number == 1 else 's'}"


def sentence(words: str) -> str:
    """Return words with a capital at the beginning and a full stop."""
    return f"{words[:1].upper()}{words[1:]}."


def time_text(minutes: float) -> str:
    """Return a length of time as one says it.

    Examples
    --------
    >>> time_text(7.5), time_text(60), time_text(151), time_text(3000)
    ('7.5 min', '1 h', '2 h 31 min', 'all day')
    """
    if minutes >= 1440:
        return "all day"
    if minutes < 60:
        return f"{number_text(minutes, 1 if minutes < 20 else 0).removesuffix('.0')} min"
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def level_text(value: float | None, unit: str = "dB", decimals: int = 1, signed: bool = True) -> str:
    """Return a measured level with its unit, or the word where there is none.

    Examples
    --------
    >>> level_text(-3.2), level_text(6, "dBTP"), level_text(float("-inf"), "dBFS"), level_text(None, "LUFS")
    ('−3.2 dB', '+6.0 dBTP', 'silent', 'not defined')
    """
    text = number_text(value, decimals, signed)
    return text if text in (SILENT, UNDEFINED) else f"{text} {unit}"


def depth_text(value: float) -> str:
    """Return a residual in words; what is under −120 dB is told as that.

    Examples
    --------
    >>> depth_text(-31.24), depth_text(-200)
    ('−31.2 dB', 'under −120 dB')
    """
    return f"under {level_text(LOWEST_SHOWN_DB, 'dB', 0)}" if value < LOWEST_SHOWN_DB else level_text(value)


def percent_text(value: float) -> str:
    """Return a share in percent with about three figures; what is under 0.001 % is told as that.

    Examples
    --------
    >>> percent_text(11.13), percent_text(0.263), percent_text(1e-9)
    ('11.1 %', '0.26 %', 'under 0.001 %')
    """
    if value < LEAST_PERCENT:
        return "under 0.001 %"
    return f"{number_text(value, 1 if value >= 10 else 2 if value >= 0.1 else 3)} %"


def peak_text(value: float | None, unit: str = "dBFS") -> str:
    """Return a level with its unit, in as many decimals as show on which side of 0 it is.

    Examples
    --------
    >>> peak_text(0.0086), peak_text(-0.04, "dBTP"), peak_text(5.91)
    ('+0.01 dBFS', '−0.04 dBTP', '+5.9 dBFS')
    """
    decimals = 1
    while value and abs(value) < 0.5 * 10.0**-decimals and decimals < 6:
        decimals += 1
    return level_text(value, unit, decimals)


# ---- texts of unknown origin -----------------------------------------------------------------------------------------


def one_line(text: str) -> str:
    """Return a text without signs that break a line, move a cursor or turn the direction of reading."""
    kept = "".join(" " if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") else sign for sign in text)
    return kept.translate(_TURNING).strip()


def bdi(text: str) -> Markup:
    """Return a text as HTML that keeps its direction of reading to itself."""
    return Markup("<bdi>{}</bdi>").format(one_line(text))


def tame(text: str) -> str:
    r"""Return a text of unknown origin as a cell that no spreadsheet takes for a formula, on one line.

    Examples
    --------
    >>> tame("=1+1"), tame("kick"), tame("a\nb"), tame("'quoted'")
    ("'=1+1", 'kick', 'a b', "''quoted'")
    """
    shown = one_line(text)
    return f"'{shown}" if shown.startswith(FORMULA) else shown


# ---- tables and pages ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Table:
    """A table as it is shown: beside a picture, in a panel, on a screen of text.

    Parameters
    ----------
    caption : str
        What the table holds.
    columns : tuple of str
        Headings, units included; the first column names the row.
    rows : iterable of iterable
        As many cells a row as there are columns.
    figures : collection of int
        Columns that hold numbers, which stand to the right; the first column is 0.

    Raises
    ------
    GainlibError
        If a row has another number of cells than there are columns.

    Examples
    --------
    >>> peaks = Table("Peaks", ("source", "peak (dBFS)"), (("<b>", "−1.0"),))
    >>> peaks.as_dict()["rows"], "<b>" in peaks.html()
    ([['<b>', '−1.0']], False)
    """

    caption: str
    columns: tuple[str, ...]
    rows: Iterable[Iterable[Any]] = ()
    figures: Collection[int] = ()

    def __post_init__(self):
        object.__setattr__(self, "rows", tuple(map(tuple, self.rows)))
        for row in self.rows:
            if len(row) != len(self.columns):
                raise GainlibError(
                    f"table {self.caption!r}: a row has {len(row)} cells; give {len(self.columns)}, one a column"
                )

    def as_dict(self) -> dict:
        """Return plain lists and strings, as they travel to the browser."""
        return {"caption": self.caption, "columns": list(self.columns), "rows": [list(map(str, r)) for r in self.rows]}

    def html(self) -> str:
        """Return the table as HTML; all text in it is shown, not obeyed, unless it is marked as HTML."""
        macros = templates("gainlib").get_template("table.html").module
        return str(macros.table(self.caption, self.columns, self.rows, self.figures))


def csv_text(rows: Iterable[Iterable[Any]], between: str = ",") -> str:
    """Return rows as separated values, the heading first."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n", delimiter=between).writerows(rows)
    return text.getvalue()


@cache
def templates(package: str) -> Any:
    """Return the page templates of a package (Jinja2), with those of the whole project, such as that of tables.

    Texts are escaped, what is not given is an error, and every page knows the project's version.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined  # whoever writes no page needs none

    loader = ChoiceLoader([PackageLoader(package), PackageLoader("gainlib")])
    pages = Environment(loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=StrictUndefined)
    pages.filters |= {
        "name": bdi,
        "number": lambda value, decimals=None: "" if value is None else number(value, decimals),
        "quantity": quantity,
        "counted": count,
    }
    pages.globals["version"] = __version__
    return pages
