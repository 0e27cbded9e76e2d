"""What a verb tells and writes: lines for a reader, one JSON document for a script, progress, figures as CSV.

Results go to standard output, all else to the error stream: progress, cautions, what went wrong. ``schema.json`` beside
this file describes the documents of all verbs; its number, ``SCHEMA``, goes up where one of them changes so that a
script would notice.
"""

import argparse
import json
import os
import shutil
import stat
import sys
import textwrap
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

from gainlib import __version__
from gainlib.errors import GainlibError, renamed
from gainlib.words import FORMULA, SILENT, Table, csv_text, number_text, one_line

SCHEMA = 1

_PLAIN = {"−": "-", "…": "...", "–": "-", "→": "->", "“": '"', "”": '"'}


def path_of(text: str) -> Path:
    """Return a path; a leading ~ is the home folder."""
    return Path(os.path.expanduser(text))


def decimal(text: str) -> float:
    """Return a number as somebody typed it, with either minus sign and a point or a comma; ValueError if it is none."""
    return float(text.replace("−", "-").replace(",", "."))


def told(old: str, new: str) -> None:
    """Say that something is called otherwise than in the version before, which reads both."""
    print(renamed(old, new), file=sys.stderr)


def rack_of(options: argparse.Namespace):
    """Return the user's measured boxes."""
    from gainlib.boxes import Rack
    from gainlib.exercises.record import RACK, bench_folder

    return Rack(path_of(options.rack) if options.rack else bench_folder() / RACK)


@contextmanager
def wrong_use(options: argparse.Namespace) -> Iterator[None]:
    """End the process with 2 where a file that was named is not what it should be."""
    try:
        yield
    except GainlibError as error:
        options.usage_error(str(error))


def check_lab(options: argparse.Namespace, lab: str) -> None:
    """Refuse a lab that there is not."""
    from gainlib.exercises.bank import lab_numbers

    if lab not in lab_numbers():
        options.usage_error(f"there is no lab {lab!r}; there are {', '.join(lab_numbers())}")


# ---- the report ------------------------------------------------------------------------------------------------------


class Report:
    """What a verb tells and finds.

    Parameters
    ----------
    verb : str
    as_json : bool
        Whether standard output gets one document at the end and nothing else.
    places : sequence of str
        Paths as typed; folders ahead of what they name stand in no document.

    Attributes
    ----------
    result : dict
        What was found, by name; see ``schema.json``.
    """

    def __init__(self, verb: str, as_json: bool, places: Sequence[str] = ()):
        self._verb, self.as_json, self._problems, self.result = verb, as_json, [], {}
        self._places = _folders(places)

    def show(self, lines: Sequence[str]) -> None:
        """Print lines for a reader, unless a script reads."""
        if not self.as_json:
            show(lines)

    def problem(self, sentence: object) -> None:
        """Tell what went wrong."""
        print(plain(str(sentence)), file=sys.stderr)
        self._problems.append(self.without_places(str(sentence)))

    def without_places(self, sentence: str) -> str:
        """Return a sentence with files by their names alone: where they lie is nobody's business elsewhere."""
        for place in self._places:
            sentence = sentence.replace(place, "")
        return sentence

    def close(self, code: int) -> None:
        """Give the document, if that is what was asked for."""
        if self.as_json:
            whole = {"schema": SCHEMA, "gainlib": __version__, "verb": self._verb, "exit": code}
            print(document(whole | {"problems": self._problems, "result": self.result}))


def _folders(texts):
    """Return what may stand ahead of a file's name, the longest first."""
    folders = {os.getcwd()}
    for path in (Path(os.path.expanduser(text)) for text in texts if text):
        for each in (path, Path(os.path.abspath(path)), Path(os.path.realpath(path))):
            folders |= {
                str(folder) for folder in (each, each.parent) if len(folder.parts) > 1 or not folder.is_absolute()
            }
    return sorted((f"{folder}{os.sep}" for folder in folders if folder not in (".", "")), key=len, reverse=True)


def document(whole: object) -> str:
    """Return JSON: −inf as "-inf", NaN as null, and no sign that breaks a line or ends in the middle of a letter."""
    text = json.dumps(jsonable(whole), indent=1, ensure_ascii=False)
    return text.encode("utf-8", "backslashreplace").decode()


def jsonable(value: Any) -> Any:
    """Return a value as JSON holds it: dataclasses as objects, −inf as "-inf", NaN as null."""
    if is_dataclass(value):
        value = asdict(value)
    if isinstance(value, Mapping):
        return {str(name): jsonable(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [jsonable(each) for each in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    number = float(value)
    if number != number:
        return None
    return number if abs(number) < float("inf") else ("-inf" if number < 0 else "inf")


# ---- on the screen ---------------------------------------------------------------------------------------------------


def figure(value: float | None, decimals: int = 1, silent: str = SILENT) -> str:
    """Write a number as a table on the screen shows it: what is undefined as nothing.

    Examples
    --------
    >>> figure(-18.04), figure(float("-inf")), figure(None), figure(3, 0)
    ('−18.0', 'silent', '', '3')
    """
    return number_text(value, decimals, silent=silent, undefined="")


def layout(table: Table, spare: Collection[str] = ()) -> list[str]:
    """Lay out names on the left and numbers on the right, in lines of which the first two are heads.

    Columns whose head is `spare` are left out from the last on until the names have room, and on a very narrow screen
    others from the last on; a name that is still too long loses its middle.
    """
    from rich.cells import cell_len

    (head, *names), *columns = zip(table.columns, *(map(str, row) for row in table.rows), strict=True)
    # Each column has two blanks between it and the one before.
    wide = {each: 2 + max(map(cell_len, (*each[0].split("\n"), *each[1:]))) for each in columns}
    longest = max(map(cell_len, (head, *names)))
    while (room := screen_width() - sum(map(wide.get, columns))) < min(longest, 24):
        least = [each for each in columns if each[0] in spare] or (columns[2:] if room < min(longest, 10) else [])
        if not least:
            break
        columns.remove(least[-1])
    heads = [each if "\n" in each else f"{each}\n" for each in (head, *(column[0] for column in columns))]
    names = [shortened(name, max(room, 8)) for name in names]
    return grid(heads, list(zip(names, *(column[1:] for column in columns), strict=True)), numbers=heads[1:])


def grid(heads: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[str]) -> list[str]:
    """Lay out rows in lines that fit the screen; under the heads of `numbers` cells stand to the right, unbroken."""
    from rich.console import Console
    from rich.table import Table as Grid

    table = Grid(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    for head in heads:
        right = head in numbers
        table.add_column(head, justify="right" if right else "left", no_wrap=right, overflow="fold")
    for cells in rows:
        table.add_row(*cells)
    # Neither colour nor markup: the same lines go to a screen and into a pipe, and a name may hold brackets.
    console = Console(width=screen_width(), color_system=None, markup=False, emoji=False, highlight=False)
    with console.capture() as lines:
        console.print(table)
    return [line.rstrip() for line in lines.get().splitlines()]


def shortened(text: str, width: int) -> str:
    """Cut the middle out of a text that is too wide; the end of a file name tells as much as its beginning.

    Examples
    --------
    >>> shortened("Acoustic guitar close take 12.wav", 20)
    'Acoustic …ake 12.wav'
    """
    from rich.cells import cell_len

    if cell_len(text) <= width:
        return text
    head, tail = "", ""
    while cell_len(head) < (width - 1) // 2:
        head += text[len(head)]
    while cell_len(head) + 1 + cell_len(text[-len(tail) - 1 :]) <= width:
        tail = text[-len(tail) - 1 :]
    return f"{head}…{tail}"


def screen_width() -> int:
    """Return the width of the screen, 40 at least and 120 at most; 100 if there is no screen."""
    return min(max(shutil.get_terminal_size((100, 24)).columns, 40), 120)


def show(lines: Sequence[str]) -> None:
    """Print lines, with plain signs for those that the screen's alphabet lacks."""
    encoding = getattr(sys.stdout, "encoding", None) or "ascii"  # there is no stream where a shell has closed it
    for line in lines:
        for sign, plain_sign in _PLAIN.items():
            try:
                sign.encode(encoding)
            except UnicodeEncodeError:
                line = line.replace(sign, plain_sign)
        print(line)


def wrapped(text: str, first: str = "", then: str | None = None) -> list[str]:
    """Return a text in lines for the screen, `first` ahead of the first one and `then` (or the same) of the others."""
    then = first if then is None else then
    return textwrap.wrap(text, screen_width(), initial_indent=first, subsequent_indent=then, break_long_words=False)


def plain(text: str) -> str:
    """Return a text that moves no cursor and breaks no line; hardly any file name needs it."""
    return text if text.isprintable() else one_line(text)


class Bar:
    """A progress bar on the error stream, a new one wherever work begins anew."""

    def __init__(self, quiet: bool, form: str = "{desc} {percentage:3.0f}% |{bar}| {n:.0f} of {total:.0f}"):
        off = quiet or not (sys.stderr and sys.stderr.isatty())  # a log or a script gets no line that moves
        self._quiet, self._form, self._bar, self._label = off, form, None, ""

    def __call__(self, label: str, done: float, total: float, at: str = "") -> None:
        """Show how far the work under a label has come, and at what it is."""
        from tqdm import tqdm

        if self._bar is None or total != self._bar.total or done < self._bar.n:
            self.close()
            off = self._quiet or not total
            self._bar = tqdm(total=total, desc=label, bar_format=self._form, file=sys.stderr, leave=False, disable=off)
        self._bar.set_description_str(at or label, refresh=False)
        self._bar.update(done - self._bar.n)
        if label != self._label:
            self._bar.refresh()
        self._label = label

    def close(self) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.close()
        self._bar = None


# ------------------------------------------------------------------------------------------------------------- writing


def check_target(options: argparse.Namespace, target: Path, label: str) -> None:
    """Refuse a place where no file can stand, before anything long begins; a file there already is no problem.

    Whether one may be written shows only when it is; by then the figures can be printed, so that no work is lost.
    """
    from gainlib.audio import audio_suffixes

    if target.suffix.lower() in audio_suffixes():
        options.usage_error(f"{target} is a sound file by its name; choose another name for {label}")
    if os.path.isdir(target):
        options.usage_error(f"{target} is a folder; name a file in it for {label}")
    folder = target.resolve().parent
    try:
        there = stat.S_ISDIR(folder.stat().st_mode)
    except OSError as error:
        there = isinstance(error, PermissionError)
    if not there:
        options.usage_error(f"{target}: the folder {folder} does not exist; make it first")


def write_csv(target: Path, rows: Sequence[Mapping]) -> None:
    """Write rows of figures as comma-separated values in UTF-8, whole or not at all."""
    from gainlib.audio import write_whole

    text = csv_text([list(rows[0]), *(map(_cell, row.values()) for row in rows)])
    write_whole(target, text, errors="backslashreplace")


def _cell(value):
    """Write a value so that it can be read back: −inf as -inf, None and NaN as nothing, points for decimals.

    A text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA) and not _is_number(value) else value
    if value is None or value != value:
        return ""
    return value if isinstance(value, int) else repr(float(value))


def _is_number(text):
    try:
        float(text)
    except ValueError:
        return False
    return True
