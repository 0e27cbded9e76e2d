"""Tables for a screen of 80 to 120 columns."""

import shutil
import sys
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

_PLAIN = {"−": "-", "…": "...", "–": "-", "→": "->"}


@dataclass(frozen=True)
class Column:
    """One column of numbers.

    Attributes
    ----------
    head : tuple of str
        Two lines: what, and in which unit.
    cells : tuple of str
        One text a row.
    spare : bool
        Left out when the screen is narrow.
    """

    head: tuple[str, str]
    cells: tuple[str, ...]
    spare: bool = False

    @property
    def width(self) -> int:
        """Columns of the screen that the widest text takes."""
        return max(map(display_width, (*self.head, *self.cells)))


def number(value: float | None, decimals: int = 1, silent: str = "silent") -> str:
    """Write a number as a table shows it: true minus sign, −inf in a word, None as nothing.

    Examples
    --------
    >>> number(-18.04), number(float("-inf")), number(None), number(3, 0)
    ('−18.0', 'silent', '', '3')
    """
    if value is None:
        return ""
    if value == float("-inf"):
        return silent
    text = f"{value:.{decimals}f}"
    return f"−{text[1:]}" if text.startswith("-") and text.strip("-0.") else text.lstrip("-")


def duration(seconds: float) -> str:
    """Write a length of time as minutes and seconds.

    Examples
    --------
    >>> duration(5.25), duration(185), duration(59.99)
    ('0:05.2', '3:05.0', '1:00.0')
    """
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"


def layout(names: Sequence[str], columns: Sequence[Column], width: int, head: str = "file") -> list[str]:
    """Lay out names on the left and numbers on the right.

    Parameters
    ----------
    names : sequence of str
        One a row; a long one loses its middle.
    columns : sequence of Column
        Spare ones are left out from the last on until the names have room.
    width : int
        Most columns of the screen a line may take.
    head : str
        Stands above the names.

    Returns
    -------
    list of str
        Two lines of heads and one a row.
    """
    longest = max(map(display_width, (head, *names)))
    columns = list(columns)
    while (room := width - sum(column.width + 2 for column in columns)) < min(longest, 24):
        spare = [column for column in columns if column.spare]
        if not spare:
            break
        columns.remove(spare[-1])
    room = max(min(longest, room), 8)
    rows = [[head, *(column.head[0] for column in columns)], ["", *(column.head[1] for column in columns)]]
    rows += [[shortened(name, room), *(column.cells[k] for column in columns)] for k, name in enumerate(names)]
    widths = [column.width for column in columns]
    return [
        (
            _fill(row[0], room)
            + "".join("  " + _fill(text, size, left=True) for text, size in zip(row[1:], widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def display_width(text: str) -> int:
    """Return how many columns of a screen `text` takes; East Asian wide letters and most emoji take two."""
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def shortened(text: str, width: int) -> str:
    """Cut the middle out of a text that is too wide; the end of a file name tells as much as its beginning.

    Examples
    --------
    >>> shortened("Acoustic guitar close take 12.wav", 20)
    'Acoustic …ake 12.wav'
    """
    if display_width(text) <= width:
        return text
    head, tail = "", ""
    while display_width(head) < (width - 1) // 2:
        head += text[len(head)]
    while display_width(head) + 1 + display_width(text[-len(tail) - 1 :]) <= width:
        tail = text[-len(tail) - 1 :]
    return f"{head}…{tail}"


def screen_width() -> int:
    """Return the width of the screen, 80 at least and 120 at most; 100 if there is no screen."""
    return min(max(shutil.get_terminal_size((100, 24)).columns, 80), 120)


def show(lines: Sequence[str]) -> None:
    """Print lines, with plain signs for those that the screen's alphabet lacks."""
    encoding = sys.stdout.encoding or "ascii"
    for line in lines:
        for sign, plain in _PLAIN.items():
            try:
                sign.encode(encoding)
            except UnicodeEncodeError:
                line = line.replace(sign, plain)
        print(line)


def _fill(text, width, left=False):
    space = " " * (width - display_width(text))
    return space + text if left else text + space
