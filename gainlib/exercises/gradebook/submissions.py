"""Record files as a class hands them in: every event with the line it stands in, and nothing taken on trust.

Unlike :func:`gainlib.exercises.read_events`, which trusts one's own record, this keeps an event that stands under two
names for both of them, since that is how a copied file looks, and says where two versions of one event stand.
"""

import json
import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.events import Damaged, identity, parsed
from gainlib.exercises.gradebook.files import Found, Unused, handed_files
from gainlib.exercises.handin import account, check_value

_DEEPEST = 20
_LATEST_S = datetime(9999, 12, 31, tzinfo=UTC).timestamp()


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
    def who(self) -> tuple[str, str]:
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
    holders : tuple of (Path, tuple of (str, str))
        Every record file with each class code and learner in it, in normal form.
    checks : dict
        For each class code and learner in normal form a file each: time and number of its last line, check value.
    accounts : dict
        For each of them the accounts that put the files into a letter box.
    """

    lines: tuple[Line, ...]
    damaged: tuple[Damaged, ...] = ()
    unused: tuple[Unused, ...] = ()
    rewritten: tuple[tuple[Line, Line], ...] = ()
    shared: tuple[tuple[Line, Line], ...] = ()
    files: int = 0
    holders: tuple[tuple[Path, tuple[str, str]], ...] = ()
    checks: dict[tuple[str, str], list[tuple[str, int, str]]] = field(default_factory=dict)
    accounts: dict[tuple[str, str], set[str]] = field(default_factory=dict)

    def names(self) -> dict[tuple[str, str], tuple[str, str]]:
        """Return class code and name as last written, for every class code and name in normal form, sorted."""
        written = {line.who: (line.event["class_code"].strip(), line.event["learner"].strip()) for line in self.lines}
        return dict(sorted(written.items()))


def collect(path: str | Path, but: Collection[Path] = ()) -> HandedIn:
    """Read a record file, or every record file of a folder down to any depth, also within archives.

    Parameters
    ----------
    path : path
        A file, or a folder; a record is known by what it holds, whatever its name. Hidden files do not count.
    but : collection of Path
        Resolved paths of files that nobody handed in, such as the class list.

    Returns
    -------
    HandedIn
        Without any lines where there is no record; a file or a line that cannot be read is named, the rest counts.
    """
    damaged, lines, unused, holders, checks, accounts = [], [], [], {}, {}, {}
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
        for read in _read(found):
            (lines if isinstance(read, Line) else damaged).append(read)
            if isinstance(read, Line):
                last = (read.event["time"], read.number, check)
                holders[found.path, read.who] = max(holders.get((found.path, read.who), last), last)
                accounts.setdefault(read.who, set()).update({by} - {""})
    kept, rewritten, shared = _each_once(lines)
    kept.sort(key=lambda line: moment(line.event["time"]) or float("inf"))
    once = (kept, damaged, unused, rewritten, shared)
    for (_, who), last in holders.items():
        checks.setdefault(who, []).append(last)
    return HandedIn(*map(tuple, once), len(first_with), tuple(holders), checks, accounts)


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


def _read(found: Found) -> Iterator[Line | Damaged]:
    for number, line in enumerate(found.lines, start=1):
        events, damaged = parsed([line], found.path)
        for event in events:
            reason = _unfit(event)
            yield Damaged(found.path, number, reason) if reason else Line(event, found.path, number)
        yield from (replace(bad, line=number) for bad in damaged)


def _unfit(event):
    """Return why an event that is JSON can be no event of a record; empty where it can."""
    return "nested deeper than a record is" if _deeper_than(event, _DEEPEST) else ""


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
    """Return the path if there is a file or a folder.

    Raises
    ------
    GainlibError
        When there is neither, or it cannot be looked at.
    """
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
