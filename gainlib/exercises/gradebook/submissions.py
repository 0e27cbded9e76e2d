"""Record files as a class hands them in: every event with the line it stands in, and nothing taken on trust.

Unlike :func:`gainlib.exercises.read_events`, which trusts one's own record, this keeps an event that stands under two
names for both of them, since that is how a copied file looks, and says where two versions of one event stand.
"""

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.events import Damaged, identity, parsed

SUFFIX = ".jsonl"
_DEEPEST = 20
_BOM = b"\xef\xbb\xbf"
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
    unread : tuple of str
        Files that could not be read, with the reason.
    rewritten : tuple of (Line, Line)
        Two versions of one event of one learner; the first was kept.
    shared : tuple of (Line, Line)
        One event under the names of two learners; both were kept.
    files : int
        Record files found.
    """

    lines: tuple[Line, ...]
    damaged: tuple[Damaged, ...] = ()
    unread: tuple[str, ...] = ()
    rewritten: tuple[tuple[Line, Line], ...] = ()
    shared: tuple[tuple[Line, Line], ...] = ()
    files: int = 0

    def names(self) -> dict[tuple[str, str], tuple[str, str]]:
        """Return class code and name as last written, for every class code and name in normal form, sorted."""
        written = {line.who: (line.event["class_code"].strip(), line.event["learner"].strip()) for line in self.lines}
        return dict(sorted(written.items()))


def collect(path: str | Path) -> HandedIn:
    """Read a record file, or every record file of a folder down to any depth.

    Parameters
    ----------
    path : path
        A file, or a folder searched for ``*.jsonl``; hidden files do not count.

    Returns
    -------
    HandedIn
        Without any lines where there is no record; a file or a line that cannot be read is named, the rest counts.
    """
    path = Path(path)
    damaged, unread, lines = [], [], []
    paths = _record_files(path, unread) if os.path.isdir(path) else [path]
    for each in paths:
        try:
            content = each.read_bytes()
        except OSError as problem:
            unread.append(f"{each}: cannot be read ({problem.strerror or problem}); the file is skipped")
            continue
        for found in _read(content, each):
            (lines if isinstance(found, Line) else damaged).append(found)
    kept, rewritten, shared = _each_once(lines)
    kept.sort(key=lambda line: moment(line.event["time"]) or float("inf"))
    return HandedIn(tuple(kept), tuple(damaged), tuple(unread), tuple(rewritten), tuple(shared), len(paths))


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


def _record_files(folder, unread):
    """Return the record files of a folder down to any depth, sorted; what cannot be looked into goes to `unread`."""

    def refused(problem):
        unread.append(f"{problem.filename}: cannot be read ({problem.strerror or problem}); the folder is skipped")

    found = []
    for place, _, names in os.walk(folder, onerror=refused):
        for name in names:
            path = Path(place, name)
            if name.startswith(".") or not name.casefold().endswith(SUFFIX):
                continue
            if os.path.exists(path) and not os.path.isfile(path):
                unread.append(f"{path}: is no ordinary file; it is skipped")  # a pipe would be waited for
            else:
                found.append(path)
    return sorted(found)


def _read(content: bytes, path: Path) -> Iterator[Line | Damaged]:
    for number, line in enumerate(content.removeprefix(_BOM).splitlines(), start=1):
        events, damaged = parsed([line], path)
        for event in events:
            reason = _unfit(event)
            yield Damaged(path, number, reason) if reason else Line(event, path, number)
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
