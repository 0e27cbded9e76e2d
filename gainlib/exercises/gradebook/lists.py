"""The files a teacher writes by hand: the class list, the overrides, other names of learners; and who is who.

They are tables as an office program saves them: comma, semicolon or tab between the cells, UTF-8 or what Windows calls
ANSI, a heading or (class list only) none. Numbers are drawn for a name as it was typed, so each spelling is marked by
its own; only then the marks are put together.
"""

import csv
import io
import json
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.bank import bank
from gainlib.exercises.classfile import without_tag
from gainlib.exercises.record import Who
from gainlib.exercises.text import Unreadable, parse_number, shorten
from gainlib.exercises.variants import normal_form
from gainlib.words import number

_LEARNER, _CLASS = ("learner", "name"), ("class", "class_code", "class code")
_LISTED = {
    "learner": _LEARNER,
    "class": _CLASS,
    "id": ("id", "student id", "id number", "username", "number", "nr"),
    "mail": ("e-mail", "email", "e-mail address", "email address", "mail"),
}
_NEEDED = {"exercise": ("exercise",), "points": ("points",), "note": ("note",), "learner": _LEARNER}
_BY_HAND = {**_NEEDED, "class": _CLASS}
_ALIASES = {"also": ("also", "alias"), "learner": ("learner", "name", "is"), "class": _CLASS}
"""What a heading may call each column."""
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

    def is_for(self, who: Who) -> bool:
        """Whether a class code and a name in normal form are meant."""
        code = self.class_code
        fits = code is None or same_name(without_tag(code)) == same_name(without_tag(who[0]))
        return fits and same_name(self.learner) == same_name(who[1])


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

    is_for = Listed.is_for


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

    With a heading (``learner`` or ``name``; ``class``, ``id``, ``e-mail`` if wanted) the columns may stand in any order
    and others beside them. Without one a line is a name, or a name and a class code with a separator between; a line
    that is one of the `known` names in the records is that name, whatever separators it holds.
    """
    rows = _table(path)
    columns, entries = _under_heading(rows, _LISTED)
    if "learner" in columns:
        found = [(each["learner"], each.get("class"), each.get("id", ""), each.get("mail", "")) for _, each in entries]
    elif columns:
        raise GainlibError(f"{path}: the heading lacks learner; write it above the column of whole names")
    else:
        names = {normal_form(name) for name in known}
        found = [_bare(whole, cells, names) for _, whole, cells in rows]
    listed = {(same_name(name), group): Listed(name, group, *more) for name, group, *more in found if name}
    if not listed:
        raise GainlibError(f"{path}: names nobody; write one learner a line")
    return tuple(listed.values())


def read_overrides(path: str | Path) -> tuple[tuple[Override, ...], tuple[str, ...]]:
    """Read points given by hand, in the order of the file, and a sentence for every line that gives none.

    The file is a table with the columns ``learner``, ``exercise``, ``points``, ``note`` and, if wanted, ``class``; or
    JSON, a list of objects with those names. Behind the id of an exercise its title may stand.
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
    learner, exercise, note = (str(entry.get(name) or "").strip() for name in ("learner", "exercise", "note"))
    group = entry.get("class")
    if not learner:
        raise Unreadable("names no learner")
    if not note:
        raise Unreadable("has no note; say why the points are changed")
    id = exercise.partition(" ")[0]
    most = next((each.points for each in bank() if each.id == id), None)
    if most is None:
        raise Unreadable(f"there is no exercise “{shorten(exercise)}”")
    try:
        points = parse_number(entry.get("points"))
    except Unreadable:
        raise Unreadable(f"“{shorten(entry.get('points'))}” is no number of points") from None
    if not 0 <= points <= most:
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
        yield f"{path}, entry {position}", {name: entry[own] for name, own in _columns(entry, _BY_HAND).items()}


def _from_table(path):
    columns, entries = _under_heading(_table(path), _BY_HAND)
    missing = [name for name in _NEEDED if name not in columns]
    if missing:
        raise GainlibError(f"{path}: the heading lacks {', '.join(missing)}; it needs learner, exercise, points, note")
    yield from ((f"{path}, line {line}", entry) for line, entry in entries)


def _bare(whole, cells, known):
    """Return name and class code of a line without a heading above it."""
    if normal_form(whole) in known:
        return whole, None
    return cells[0], (cells[1] or None) if len(cells) > 1 else None


def _columns(heading, spellings):
    """Return how a heading spells each of our names that it has."""
    found = {name: next((each for each in own if each in heading), None) for name, own in spellings.items()}
    return {name: spelt for name, spelt in found.items() if spelt is not None}


def _under_heading(rows, spellings):
    """Return our names that the first row has, and for every other row its line and its cells by these names."""
    heading = [cell.casefold() for cell in rows[0][2]] if rows else []
    places = {name: heading.index(spelt) for name, spelt in _columns(heading, spellings).items()}
    entries = [
        (line, {name: cells[place] if place < len(cells) else "" for name, place in places.items()})
        for line, _, cells in rows[1:]
    ]
    return places, entries


def _table(path):
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


def read_aliases(path: str | Path) -> dict[Who | str, str]:
    """Read a table with the columns ``also`` (a name in the records), ``learner`` (whose it is), perhaps ``class``."""
    columns, entries = _under_heading(_table(path), _ALIASES)
    if not {"also", "learner"} <= {*columns}:
        raise GainlibError(f"{path}: the heading lacks also or learner; it needs also, learner and, if wanted, class")
    found = {}
    for line, entry in entries:
        if not entry["also"] or not entry["learner"]:
            raise GainlibError(
                f"{path}, line {line}: a name is missing; write the name in the record, then whose it is"
            )
        also = same_name(entry["also"])
        found[(same_name(without_tag(entry["class"])), also) if "class" in entry else also] = entry["learner"]
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
