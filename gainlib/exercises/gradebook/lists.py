"""The files a teacher writes by hand: the class list, the overrides, other names of learners; and who is who.

They are tables as an office program saves them: comma, semicolon or tab between the cells, UTF-8 or what Windows calls
ANSI, a heading or (class list only) none. Numbers are drawn for a name as it was typed, so each spelling is marked by
its own; only then the marks are put together.
"""

import csv
import io
import json
import math
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.bank import bank
from gainlib.exercises.classfile import without_tag
from gainlib.exercises.text import Unreadable, parse_number, shorten
from gainlib.exercises.variants import normal_form
from gainlib.levels.printing import number

_LEARNER = ("learner", "name")
CLASS = ("class", "class_code", "class code")
_ID = ("id", "student id", "id number", "username", "number", "nr")
_MAIL = ("e-mail", "email", "e-mail address", "email address", "mail")
_SEPARATORS = ",;\t"


@dataclass(frozen=True)
class Listed:
    """Somebody on the class list.

    Attributes
    ----------
    learner : str
        As the list has it.
    class_code : str or None
        None where the list has no column for it: any class will do.
    id, mail : str
        What a learning platform knows them by, where the list has it.
    """

    learner: str
    class_code: str | None = None
    id: str = ""
    mail: str = ""

    def is_for(self, who: tuple[str, str]) -> bool:
        """Whether a class code and a name in normal form are meant."""
        return names_the_same(self.learner, self.class_code, who)


@dataclass(frozen=True)
class Override:
    """Points given by hand.

    Attributes
    ----------
    learner, class_code, exercise : str, str or None, str
        What is overridden; without a class code, the learner of that name.
    points : float
        What counts instead of the marker's.
    note : str
        Why; stays with the result.
    place : str
        File and line.
    """

    learner: str
    class_code: str | None
    exercise: str
    points: float
    note: str
    place: str

    def is_for(self, who: tuple[str, str]) -> bool:
        """Whether a class code and a name in normal form are meant."""
        return names_the_same(self.learner, self.class_code, who)


def names_the_same(learner: str, class_code: str | None, who: tuple[str, str]) -> bool:
    """Whether a name, and a class code if there is one, are those of somebody in normal form."""
    fits = class_code is None or same_name(without_tag(class_code)) == same_name(without_tag(who[0]))
    return same_name(learner) == same_name(who[1]) and fits


def same_name(name: str) -> str:
    """Return a name as people compare it: in normal form, one space between words.

    Examples
    --------
    >>> same_name("Inés  Müller") == same_name("inés müller ")
    True
    """
    return " ".join(normal_form(name).split())


def read_class_list(path: str | Path, known: Collection[str] = ()) -> tuple[Listed, ...]:
    """Read who is in the class.

    Parameters
    ----------
    path : path
        With a heading (``learner`` or ``name``; ``class``, ``id``, ``e-mail`` if wanted) the columns may stand in any
        order and others beside them. Without one a line is a name, or a name and a class code with a separator between.
    known : collection of str
        Names in the records: a line that is one of them is that name, whatever separators it holds.

    Raises
    ------
    GainlibError
        When the file cannot be read or names nobody.
    """
    rows = table(path)
    heading = [cell.casefold() for cell in rows[0][2]] if rows else []
    learner = column(heading, _LEARNER)
    if learner is not None:
        group, *others = (column(heading, names) for names in (CLASS, _ID, _MAIL))
        found = []
        for _, _, cells in rows[1:]:
            code = None if group is None else cell(cells, group)
            found.append((cell(cells, learner), code, *("" if each is None else cell(cells, each) for each in others)))
    elif {*heading} & {*CLASS, *_ID, *_MAIL}:
        raise GainlibError(f"{path}: the heading lacks learner; write it above the column of whole names")
    else:
        names = {normal_form(name) for name in known}
        found = [_bare(whole, cells, names) for _, whole, cells in rows]
    listed = {(same_name(name), group): Listed(name, group, *more) for name, group, *more in found if name}
    if not listed:
        raise GainlibError(f"{path}: names nobody; write one learner a line")
    return tuple(listed.values())


def read_overrides(path: str | Path) -> tuple[tuple[Override, ...], tuple[str, ...]]:
    """Read points given by hand.

    Parameters
    ----------
    path : path
        A table with the columns ``learner``, ``exercise``, ``points``, ``note`` and, if wanted, ``class``; or JSON, a
        list of objects with those names.

    Returns
    -------
    overrides : tuple of Override
        In the order of the file; of two for the same exercise the later counts.
    problems : tuple of str
        A sentence for every line that is none, with file and line.

    Raises
    ------
    GainlibError
        When the file cannot be read, or holds no such columns.
    """
    entries = _from_json(path) if Path(path).suffix.casefold() == ".json" else _from_table(path)
    overrides, problems = [], []
    for place, entry in entries:
        try:
            overrides.append(_override(place, entry))
        except Unreadable as problem:
            problems.append(f"{place}: {problem}; the line is skipped")
    return tuple(overrides), tuple(problems)


def _override(place, entry):
    learner, id, note = (str(entry.get(name) or "").strip() for name in ("learner", "exercise", "note"))
    group = entry.get("class")
    if not learner:
        raise Unreadable("names no learner")
    if not note:
        raise Unreadable("has no note; say why the points are changed")
    most = next((each.points for each in bank() if each.id == id), None)
    if most is None:
        raise Unreadable(f"there is no exercise “{shorten(id)}”")
    try:
        points = parse_number(entry.get("points"))
    except Unreadable:
        raise Unreadable(f"“{shorten(entry.get('points'))}” is no number of points") from None
    if not 0 <= points <= most or not math.isfinite(points):
        raise Unreadable(f"{number(points)} points are outside 0 to {number(most)}, what {id} is worth")
    return Override(learner, None if group is None else str(group).strip(), id, points, note, place)


def _from_json(path):
    try:
        entries = json.loads(_text(path))
    except (ValueError, RecursionError):
        raise GainlibError(f"{path} is not JSON; write a list of overrides, or a table") from None
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise GainlibError(f"{path}: holds no list of overrides, each with learner, exercise, points and note")
    for position, entry in enumerate(entries, start=1):
        named = {**entry, "learner": entry.get("learner", entry.get("name"))}
        named["class"] = next((entry[name] for name in CLASS if name in entry), None)
        yield f"{path}, entry {position}", named


def _from_table(path):
    rows = table(path)
    heading = [cell.casefold() for cell in rows[0][2]] if rows else []
    columns = {name: column(heading, (name,)) for name in ("exercise", "points", "note")}
    columns["learner"] = column(heading, _LEARNER)
    missing = [name for name, column in columns.items() if column is None]
    if missing:
        raise GainlibError(f"{path}: the heading lacks {', '.join(missing)}; it needs learner, exercise, points, note")
    columns["class"] = column(heading, CLASS)
    for line, _, cells in rows[1:]:
        named = {name: cell(cells, column) for name, column in columns.items() if column is not None}
        yield f"{path}, line {line}", named


def _bare(whole, cells, known):
    """Return name and class code of a line without a heading above it."""
    if normal_form(whole) in known or len(cells) == 1:
        return (whole if normal_form(whole) in known else cells[0]), None
    return cells[0], cells[1] or None


def column(heading: list[str], names: Iterable[str]) -> int | None:
    """Return where the first of the names stands in a heading."""
    return next((heading.index(name) for name in names if name in heading), None)


def cell(cells: list[str], column: int) -> str:
    """Return a cell of a line, empty where the line is too short."""
    return cells[column] if column < len(cells) else ""


def table(path: str | Path) -> list[tuple[int, str, list[str]]]:
    """Return number, whole text and cells of every line with something in it."""
    lines = list(io.StringIO(_text(path), newline=""))
    first = next((line for line in lines if line.strip()), "")
    reader = csv.reader(lines, delimiter=max(_SEPARATORS, key=first.count))
    rows, start = [], 1
    try:
        for cells in reader:
            whole = " ".join(lines[start - 1 : reader.line_num]).strip()
            if any(cell.strip() for cell in cells):
                rows.append((start, whole, [cell.strip() for cell in cells]))
            start = reader.line_num + 1
    except csv.Error as problem:
        raise GainlibError(f"{path}, line {reader.line_num}: is no line of a table ({problem})") from None
    return rows


def _text(path):
    try:
        content = Path(path).read_bytes()
    except OSError as problem:
        raise GainlibError(f"{path}: cannot be read ({problem.strerror or problem})") from None
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


# ----------------------------------------------------------------------------------------------------------- who is who


Who = tuple[str, str]
_ALSO, _IS = ("also", "alias"), ("learner", "name", "is")


def read_aliases(path: str | Path) -> dict[Who | str, str]:
    """Read a table with the columns ``also`` (a name in the records), ``learner`` (whose it is) and perhaps ``class``.

    Raises
    ------
    GainlibError
        When the file cannot be read, or holds no such columns.
    """
    rows = table(path)
    heading = [text.casefold() for text in rows[0][2]] if rows else []
    also, learner, group = (column(heading, names) for names in (_ALSO, _IS, CLASS))
    if also is None or learner is None:
        raise GainlibError(f"{path}: the heading lacks also or learner; it needs also, learner and, if wanted, class")
    found = {}
    for line, _, cells in rows[1:]:
        one, other = cell(cells, also), cell(cells, learner)
        if not one or not other:
            raise GainlibError(
                f"{path}, line {line}: a name is missing; write the name in the record, then whose it is"
            )
        found[same_name(one) if group is None else (same_name(without_tag(cell(cells, group))), same_name(one))] = other
    return found


def persons(names: Mapping[Who, Who], aliases: Mapping[Who | str, str]) -> dict[Who, Who]:
    """Return class code and name to show of whoever stands behind each class code and name in normal form."""
    shown: dict[Who, Who] = {}
    found = {}
    for who, (class_code, learner) in names.items():
        class_code = without_tag(class_code)
        one = (same_name(class_code), same_name(learner))
        name = aliases.get(one, aliases.get(one[1], learner))
        written = (" ".join(class_code.split()), " ".join(name.split()))
        found[who] = shown.setdefault((one[0], same_name(name)), written)
    return found


def collated(name: str) -> str:
    """Return what a name is sorted by: letters without their accents, whatever the case.

    Examples
    --------
    >>> sorted(["Zoe", "Émilie", "adam"], key=collated)
    ['adam', 'Émilie', 'Zoe']
    """
    letters = unicodedata.normalize("NFKD", name.casefold())
    return " ".join("".join(sign for sign in letters if not unicodedata.combining(sign)).split())
