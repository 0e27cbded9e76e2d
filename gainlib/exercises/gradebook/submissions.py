"""Files as a class hands them in, told by what they hold: events, each with the line it stands in.

Learning platforms pack, rename and add endings, so archives are looked into, and a file that is no record is named with
the reason. Unlike :func:`gainlib.exercises.read_events`, which trusts one's own record, this keeps an event that stands
under two names for both of them, since that is how a copied file looks, and says where two versions of one event stand.
"""

import io
import json
import os
import zipfile
import zlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

from gainlib.audio import GainlibError
from gainlib.exercises.classfile import account, check_value, is_letter_box
from gainlib.exercises.record import Damaged, Who, identity, parsed

_NESTED = 20
_LATEST_S = datetime(9999, 12, 31, tzinfo=UTC).timestamp()
SUFFIX = ".jsonl"
_BOM = b"\xef\xbb\xbf"
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_ZIP = b"PK\x03\x04"
_LARGEST = 64 * 2**20
_UNPACKED = 256 * 2**20
_DEEPEST = 3
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, NotImplementedError, ValueError)


@dataclass(frozen=True)
class Found:
    """A file that may hold a record: its path, an archive counting as a folder, and its lines."""

    path: Path
    lines: tuple[bytes, ...]


@dataclass(frozen=True)
class Unused:
    """A file that is not used.

    Attributes
    ----------
    path : Path
        Where it lies; an archive counts as a folder.
    reason : str
        Why it is not used.
    lost : bool
        Whether something that was handed in may be lost with it.
    """

    path: Path
    reason: str
    lost: bool = False

    def __str__(self):
        return f"{self.path}: {self.reason}"


def handed_files(path: Path) -> Iterator[Found | Unused]:
    """Yield every file under a path; one that was named by itself is a record whatever it holds. Hidden ones are left.

    Archives are looked into as far as a class can fill them, and nothing is unpacked on disk.
    """
    if not os.path.isdir(path):
        yield from _of_file(path, alone=True)
        return
    for each in _under(path):
        yield from [each] if isinstance(each, Unused) else _of_file(each)


def _under(folder):
    found, boxed = [], is_letter_box(Path(folder))

    def refused(problem):
        why = problem.strerror or problem
        found.append(Unused(Path(problem.filename), f"cannot be read ({why}); the folder is skipped", lost=True))

    for place, _, names in os.walk(folder, onerror=refused):
        for name in names:
            path = Path(place, name)
            if _passed_over(name):
                continue
            if boxed and path.is_symlink():  # it would lead to what its account may not read
                found.append(Unused(path, "is a link; what is handed in is a file"))
                continue
            if os.path.exists(path) and not os.path.isfile(path):  # a pipe would be waited for
                found.append(Unused(path, "is no ordinary file; it is skipped", lost=True))
            else:
                found.append(path)
    return sorted(found, key=lambda each: each.path if isinstance(each, Unused) else each)


def _of_file(path, alone=False):
    try:
        if not _may_be_record(path) and path.stat().st_size > _LARGEST:
            yield Unused(path, "is larger than a record is")
            return
        content = path.read_bytes()
    except OSError as problem:
        yield Unused(path, f"cannot be read ({problem.strerror or problem}); the file is skipped", lost=True)
        return
    yield from _of_content(path, content, [_UNPACKED], alone=alone)


def _of_content(path, content, left, depth=0, alone=False):
    if content.startswith(_ZIP):
        yield from _of_archive(path, content, left, depth)
        return
    lines = _lines(content)
    if alone or _may_be_record(path) or any(b'"kind"' in line and parsed([line], path)[0] for line in lines):
        yield Found(path, lines) if any(line.strip() for line in lines) else Unused(path, "is empty", lost=True)
    else:
        yield Unused(path, _kind(path, content))


def _name(member):
    """Return the name of what an archive holds; many write UTF-8 without saying so."""
    try:
        return member.filename if member.flag_bits & 0x800 else member.filename.encode("cp437").decode()
    except UnicodeError:
        return member.filename


def _of_archive(path, content, left, depth):
    """Yield what an archive holds; `left` is one number, what may still be unpacked of one file handed in."""
    if depth == _DEEPEST:
        yield Unused(path, "is an archive within archives too deep to look into; unpack it", lost=True)
        return
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
        members = [each for each in archive.infolist() if not each.is_dir()]
    except _BROKEN:
        yield Unused(path, "is a zip archive that is cut off or damaged; ask for it again", lost=True)
        return
    for member in members:
        parts = [part for part in PurePosixPath(_name(member)).parts if part not in ("..", "/")]
        if not parts or any(_passed_over(part) or part == "__MACOSX" for part in parts):
            continue
        inner = path.joinpath(*parts)
        try:
            with archive.open(member) as file:
                held = file.read(min(_LARGEST, left[0]) + 1)
        except _BROKEN as problem:
            locked = "is locked with a password" if member.flag_bits & 1 else f"cannot be unpacked ({problem})"
            yield Unused(inner, f"{locked}; ask for it again", lost=True)
            continue
        left[0] -= len(held)
        if len(held) > _LARGEST or left[0] < 0:
            yield Unused(inner, "is larger than what a class hands in; unpack the archive", lost=True)
            return
        yield from _of_content(inner, held, left, depth + 1)


def _lines(content) -> tuple[bytes, ...]:
    """Return the lines of a record; one list of events counts as a line each."""
    if content.startswith(_UTF_16):
        content = content.decode("utf-16", errors="replace").encode("utf-8")
    content = content.removeprefix(_BOM)
    if content.lstrip()[:1] == b"[":
        try:
            return tuple(json.dumps(event).encode() for event in json.loads(content))
        except (ValueError, RecursionError, TypeError):
            pass
    return tuple(content.splitlines())


def _passed_over(name):
    """Whether a file is hidden, or holds the others off while a record is written."""
    return name.startswith(".") or name.endswith(f"{SUFFIX}.lock")


def _may_be_record(path):
    return path.name.casefold().endswith(SUFFIX)


def _kind(path, content):
    if path.suffix.casefold() == ".ipynb":
        return "is a notebook; the record is what the index page downloads"
    return "holds no record" if content else "is empty"


# --------------------------------------------------------------------------------------------------------------- events


@dataclass(frozen=True)
class Line:
    """An event and where it stands.

    Attributes
    ----------
    event : dict
        As it was written.
    path, number : Path, int
        The file, and the line in it; the first is 1.
    """

    event: dict
    path: Path
    number: int

    def __str__(self):
        return f"{self.path.parent.name}/{self.path.name}, line {self.number}"

    @property
    def who(self) -> Who:
        """Class code and learner in normal form."""
        return identity(self.event)


@dataclass(frozen=True)
class HandedIn:
    """What a folder of records holds.

    Attributes
    ----------
    lines : tuple of Line
        Every event once, in the order of their time.
    damaged : tuple of Damaged
        Lines that could not be read.
    unused : tuple of Unused
        Files that are not used, with the reason.
    rewritten : tuple of (Line, Line)
        Two versions of one event of one learner; the first was kept.
    shared : tuple of (Line, Line)
        One event under the names of two learners; both were kept.
    files : int
        Record files found.
    holders : dict
        For every record file, and each class code and learner in it in normal form: time and number of the last line,
        the file's check value, and the account that put it into a letter box, "" where it lies in none.
    """

    lines: tuple[Line, ...]
    damaged: tuple[Damaged, ...] = ()
    unused: tuple[Unused, ...] = ()
    rewritten: tuple[tuple[Line, Line], ...] = ()
    shared: tuple[tuple[Line, Line], ...] = ()
    files: int = 0
    holders: dict[tuple[Path, Who], tuple[str, int, str, str]] = field(default_factory=dict)

    def names(self) -> dict[Who, Who]:
        """Return class code and name as last written, for every class code and name in normal form, sorted."""
        written = {line.who: (line.event["class_code"].strip(), line.event["learner"].strip()) for line in self.lines}
        return dict(sorted(written.items()))


def collect(path: str | Path, but: Collection[Path] = ()) -> HandedIn:
    """Read a record file, or every record file of a folder down to any depth, also within archives.

    A record is known by what it holds, whatever its name; hidden files do not count, nor those that nobody handed in,
    such as the class list (`but`, resolved paths). A file or a line that cannot be read is named, the rest counts.
    """
    damaged, lines, unused, holders = [], [], [], {}
    first_with: dict[tuple[bytes, ...], Path] = {}
    for found in handed_files(Path(path)):
        if but and Path(os.path.realpath(found.path)) in but:
            continue
        if isinstance(found, Found) and found.lines in first_with:
            found = Unused(found.path, f"is the same as {first_with[found.lines].name}, and counted once")
        if isinstance(found, Unused):
            unused.append(found)
            continue
        first_with[found.lines] = found.path
        check, by = check_value(found.lines), account(found.path)
        events, bad = parsed(found.lines, found.path)
        deep = {number for number, event in events.items() if _deeper_than(event, _NESTED)}
        bad += [Damaged(found.path, number, "nested deeper than a record is") for number in deep]
        damaged += sorted(bad, key=lambda each: each.line)
        for line in (Line(event, found.path, number) for number, event in events.items() if number not in deep):
            last = (line.event["time"], line.number, check, by)
            holders[found.path, line.who] = max(holders.get((found.path, line.who), last), last)
            lines.append(line)
    kept, rewritten, shared = _each_once(lines)
    kept.sort(key=lambda line: moment(line.event["time"]) or float("inf"))
    once = (kept, damaged, unused, rewritten, shared)
    return HandedIn(*map(tuple, once), len(first_with), holders)


def moment(time: str) -> float | None:
    """Return the time of an event in seconds since 1970, whatever its time zone; None where it is no time.

    Examples
    --------
    >>> moment("2026-05-04T10:00:00+00:00") == moment("2026-05-04T12:00:00+02:00"), moment("soon")
    (True, None)
    """
    try:
        parsed_time = datetime.fromisoformat(time)
        aware = parsed_time if parsed_time.tzinfo else parsed_time.replace(tzinfo=UTC)
        seconds = aware.timestamp()
    except (ValueError, OverflowError):
        return None
    return seconds if 0 <= seconds <= _LATEST_S else None


def same_json(one: object, other: object) -> bool:
    """Whether two values are the same JSON, whatever the order of their keys."""
    return json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)


def _deeper_than(value, depth):
    if not isinstance(value, (dict, list)):
        return False
    inner = value.values() if isinstance(value, dict) else value
    return depth == 0 or any(_deeper_than(entry, depth - 1) for entry in inner)


def _each_once(lines):
    """Return the lines to keep, the pairs that are two versions of one event, and those that are under two names."""
    kept, rewritten, shared = [], [], []
    known: dict[str, list[Line]] = {}
    for line in lines:
        others = known.setdefault(line.event["id"], [])
        if any(same_json(other.event, line.event) for other in others):
            continue
        own = [other for other in others if other.who == line.who]
        if own:
            rewritten.append((own[0], line))
            continue
        if others:
            shared.append((others[0], line))
        others.append(line)
        kept.append(line)
    return kept, rewritten, shared


def require(path: str | Path) -> Path:
    """Return the path if there is a file or a folder."""
    path = Path(path)
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError, ValueError):
        raise GainlibError(f"there is no record at {path}; give a record file or a folder of them") from None
    except OSError as problem:
        raise GainlibError(
            f"{path}: cannot be read ({problem.strerror or problem}); check the permissions of its folder"
        ) from None
    return path
