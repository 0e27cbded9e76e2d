"""The class's marks as a table for a learning platform or a spreadsheet: one line a learner and exercise."""

import csv
import re
import unicodedata
from pathlib import Path

from gainlib.audio import replacing
from gainlib.exercises.gradebook.result import Gradebook
from gainlib.exercises.gradebook.rows import Row

HEADING = (
    *("learner", "class", "lab", "exercise", "attempts", "hints"),
    *("points", "max", "state", "time", "variant", "notes"),
)
_FORMULA = tuple("=+-@\t\r＝＋－＠")
_TURNING = re.compile("[\u202a-\u202e\u2066-\u2069\u200e\u200f]")


def write_csv(path: str | Path, book: Gradebook) -> None:
    """Write the rows: UTF-8, comma between cells, point in numbers, one heading.

    A text that a spreadsheet would take for a formula gets an apostrophe in front, so that a name cannot calculate.

    Parameters
    ----------
    path : path
        Replaced when the new file is whole.
    book : Gradebook
        The marks.

    Raises
    ------
    GainlibError
        When the file cannot be written.
    """
    with replacing(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADING)
        writer.writerows(_cells(row) for row in book.rows)


def _cells(row: Row):
    points = (plain_number(row.points), plain_number(row.max_points))
    who = (tame(row.learner), tame(row.class_code), row.lab, row.exercise)
    return (*who, row.attempts, row.hints, *points, row.state, row.time, row.variant, tame("; ".join(row.notes)))


def plain_number(value: float) -> str:
    """Return points with a point and as many decimals as they have, four at most.

    Examples
    --------
    >>> plain_number(2.0), plain_number(1.7), plain_number(0.85)
    ('2', '1.7', '0.85')
    """
    return f"{round(value, 4):.4f}".rstrip("0").rstrip(".")


def tame(text: str) -> str:
    r"""Return a text of unknown origin as a cell that no spreadsheet takes for a formula.

    Examples
    --------
    >>> tame("=1+1"), tame("anna"), tame("a\nb")
    ("'=1+1", 'anna', 'a b')
    """
    shown = one_line(text)
    return f"'{shown}" if shown.startswith(_FORMULA) else shown


def one_line(text: str) -> str:
    r"""Return a text of unknown origin without signs that move a cursor, break a line or turn the direction of reading.

    Examples
    --------
    >>> one_line("an\x1b[2Jna\u202e")
    'an [2Jna'
    """
    visible = ("".join(" " if unicodedata.category(sign) in ("Cc", "Zl", "Zp") else sign for sign in text)).strip()
    return _TURNING.sub("", visible)
