"""What a learner did: append-only JSON lines, one event a line.

Kinds of event, and the fields each has beside ``id``, ``time`` (UTC), ``kind``, ``learner``, ``class_code``,
``version``, ``rule`` (the rule of points it is counted by, see :mod:`~gainlib.exercises.sets`; none in old records) and
``after`` (the :func:`~gainlib.exercises.record.link` of this learner's line before it in the same file, empty in the
first; none in old records):

============== ======================================================================================
start          ``lab``
attempt        ``exercise``, ``attempt``: a set of numbers was asked for, 0 for the first
answer         ``exercise``, ``attempt``, ``answer`` as it was given, ``given`` as it was shown; every try is one
hint           ``exercise``, ``attempt``, ``hint``: the number of the hint opened, 1 for the first
solution       ``exercise``, ``attempt``: the solution was asked for, which ends these numbers for points
review         as an answer, to numbers asked before ``lab``; earns no points (:mod:`~gainlib.exercises.tally`)
prediction     ``lab``, ``question``, ``choice``; ungraded; ``locked`` where it was compared and stays as it is
sitting        ``lab``, ``attempt``: the numbers of an exam; ``step``: "begin" or "end"
============== ======================================================================================

A record keeps answers, not verdicts: whoever reads it marks again. It never holds audio or other arrays. Two records
are merged by joining the files, in any order and as often as one likes, since every event has its own id. A line
damaged by a crash or by hand is named and skipped; the rest counts. Links hold through joining and erasing, whatever
the order of the lines, since each is among one learner's own.

The folder is the one given, else the environment variable ``GAINLIB_RECORDS``, else ``records`` beside the labs, and
where the labs are somebody else's, as in a course folder, the user's own data folder.
"""

import hashlib
import json
import math
import numbers
import os
import uuid
from collections.abc import Iterable, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import filelock
import platformdirs

from gainlib.audio import GainlibError
from gainlib.exercises.bank import edition_now
from gainlib.exercises.text import describe, shorten
from gainlib.exercises.variants import normal_form

FILE_NAME = "record.jsonl"
ENVIRONMENT = "GAINLIB_RECORDS"
BENCH_ENVIRONMENT = "GAINLIB_BENCH"
RACK = "rack.json"
MOST_VALUES = 1000
LONGEST_TEXT = 20_000
_LOCK_SECONDS = 10.0
_TAIL = 65_536  # bytes in which a learner's last line is looked for before all of a file is read

RULE = 4
"""Stands in every line of a record that is counted by :mod:`gainlib.exercises.sets`."""
FIVE_TRIES = 3
"""The same when a number earned everything in five tries, and a list in part at each; what that earned is kept."""
ALL_TRIES_ALIKE = 2
"""The same before later tries at a choice counted less; lines with it keep what they earned."""
_NEEDED = {
    "start": {"lab": str},
    "attempt": {"exercise": str, "attempt": int},
    "answer": {"exercise": str, "attempt": int, "answer": object},
    "hint": {"exercise": str, "attempt": int, "hint": int},
    "solution": {"exercise": str, "attempt": int},
    "review": {"lab": str, "exercise": str, "attempt": int, "answer": object},
    "prediction": {"lab": str, "question": str, "choice": object},
    "sitting": {"lab": str, "attempt": int, "step": str},
}
_ALWAYS = {"id": str, "time": str, "kind": str, "learner": str, "class_code": str}


Who = tuple[str, str]
"""Class code and name of a learner, as a rule in normal form."""


@dataclass(frozen=True)
class Damaged:
    """A line that could not be read.

    Attributes
    ----------
    path, line : Path, int
        Where it stands; the first line is 1.
    reason : str
        What is wrong with it.
    """

    path: Path
    line: int
    reason: str

    def __str__(self):
        return f"{self.path}, line {self.line}: {self.reason}; the line is skipped"


@dataclass(frozen=True)
class Events:
    """Events in the order of their time, and the lines that could not be read.

    Attributes
    ----------
    events : tuple of dict
        As they were written.
    damaged : tuple of Damaged
        What was skipped.
    """

    events: tuple[dict, ...]
    damaged: tuple[Damaged, ...] = ()

    def of(self, learner: str, class_code: str = "") -> "Events":
        """Return the events of one learner, whatever the spelling of case."""
        who = (normal_form(class_code), normal_form(learner))
        return Events(tuple(event for event in self.events if identity(event) == who), self.damaged)

    def learners(self) -> tuple[Who, ...]:
        """Return class code and name of every learner in the events, in normal form, sorted."""
        return tuple(sorted({identity(event) for event in self.events}))


def is_new(event: dict) -> bool:
    """Whether an event is counted by the present rule of points, and not by the one before."""
    return event.get("rule") in (RULE, FIVE_TRIES, ALL_TRIES_ALIKE)


def identity(event: dict) -> Who:
    """Return class code and learner of an event in normal form."""
    return normal_form(event["class_code"]), normal_form(event["learner"])


def link(event: dict) -> str:
    """Return what a learner's next line carries as ``after``: a digest of an event, in whatever form it is written."""
    return hashlib.sha256(json.dumps(event, sort_keys=True).encode()).hexdigest()[:16]


def read_events(*paths: str | Path) -> Events:
    """Return the events of record files and of folders of record files, each event once, in the order of their time.

    Parameters
    ----------
    *paths : path
        Files, or folders searched for ``*.jsonl`` down to any depth.

    Raises
    ------
    GainlibError
        When a path does not exist.
    """
    events: dict[str, dict] = {}
    damaged: list[Damaged] = []
    for path in _files(paths):
        found, bad = parsed(path.read_bytes().splitlines(), path)
        damaged.extend(bad)
        for event in found.values():
            events.setdefault(event["id"], event)
    ordered = sorted(events.values(), key=lambda event: event["time"])
    return Events(tuple(ordered), tuple(damaged))


def _files(paths: Iterable):
    for path in map(Path, paths):
        if path.is_dir():
            yield from sorted(path.rglob("*.jsonl"))
        elif path.is_file():
            yield path
        else:
            raise GainlibError(f"there is no record at {path}; give a record file or a folder of them")


def parsed(lines: Sequence[bytes], path: Path) -> tuple[dict[int, dict], list[Damaged]]:
    """Return the events in lines of a record by the number of their line, and the lines that hold none."""
    events, damaged = {}, []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            event = json.loads(line.decode("utf-8"))
            json.dumps(event, ensure_ascii=False).encode("utf-8")  # an escape may stand for half a letter
            _check(event)
        except (ValueError, RecursionError) as problem:
            damaged.append(Damaged(path, number, _reason(problem)))
        else:
            events[number] = event
    return events, damaged


def _reason(problem):
    if isinstance(problem, GainlibError):
        return str(problem)
    if isinstance(problem, UnicodeDecodeError):
        return "not UTF-8 text"
    return "holds half a letter" if isinstance(problem, UnicodeEncodeError) else "not a whole line of JSON"


def _check(event):
    if not isinstance(event, dict):
        raise GainlibError(f"an event is expected, this is {describe(event)}")
    kind = event.get("kind")
    needed = {**_ALWAYS, **(_NEEDED.get(kind, {}) if isinstance(kind, str) else {})}
    for name, wanted in needed.items():
        value = event.get(name)
        if name not in event or not isinstance(value, wanted) or (isinstance(value, bool) and wanted is int):
            raise GainlibError(f"“{name}” is missing or is no {wanted.__name__}")
    if kind not in _NEEDED:
        raise GainlibError(f"there is no kind of event “{shorten(kind)}”")


# ----------------------------------------------------------------------------------------------------------- the record


def records_folder(folder: str | Path | None = None) -> Path:
    """Return where records are kept.

    Parameters
    ----------
    folder : path or None
        Taken as it is; None asks the environment, then looks for the labs upwards from the working folder. Where
        these are not the user's own, or cannot be written, it is in the user's data folder.
    """
    chosen = folder if folder is not None else os.environ.get(ENVIRONMENT)
    if chosen:
        return Path(chosen).expanduser()
    home = course_folder()
    if home and _is_own(home):
        return home / "records"
    return Path(platformdirs.user_data_dir("gainlib", appauthor=False)) / "records"


def course_folder() -> Path | None:
    """Return the folder that the labs lie in, looked for upwards from the working folder; None without one."""
    here = Path.cwd()
    return next((place for place in (here, *here.parents) if (place / "labs").is_dir()), None)


def _is_own(home):
    """Tell whether records go beside the labs: where many may write, the first learner would own everybody's."""
    records = home / "records"
    if not os.access(records if records.exists() else home, os.W_OK):
        return False
    if not hasattr(os, "geteuid") or os.geteuid() == 0:
        return True
    mine = {os.geteuid()} | ({home.stat().st_uid} if records.exists() else set())
    return (records if records.exists() else home).stat().st_uid in mine


def bench_folder() -> Path:
    """Return the folder of the bench's own: uploads, what the demo leaves behind, and the rack of black boxes.

    The environment variable ``GAINLIB_BENCH`` names it; else it is ``bench`` beside the learners' records.
    """
    chosen = os.environ.get(BENCH_ENVIRONMENT)
    return Path(chosen).expanduser().resolve() if chosen else records_folder().resolve().parent / "bench"


class Record:
    """The record file of one folder, written by any number of notebooks.

    Parameters
    ----------
    folder : path or None
        See :func:`records_folder`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     record = Record(folder)
    ...     _ = record.answer("anna", "05-1", 0, "−12,3 dB", class_code="7b")
    ...     [(event["kind"], event["answer"]) for event in record.events().of("Anna", "7B").events]
    [('answer', '−12,3 dB')]
    """

    def __init__(self, folder: str | Path | None = None):
        self.path = records_folder(folder) / FILE_NAME

    def start(self, learner: str, lab: str, class_code: str = "") -> dict:
        """Write that a lab was opened; return the event."""
        return self._append("start", learner, class_code, lab=str(lab))

    def attempt(self, learner: str, exercise: str, attempt: int, class_code: str = "") -> dict:
        """Write that a set of numbers was asked for; return the event."""
        return self._append("attempt", learner, class_code, exercise=exercise, attempt=int(attempt))

    def answer(
        self, learner: str, exercise: str, attempt: int, answer: Any, given: dict | None = None, class_code: str = ""
    ) -> dict:
        """Write an answer as it was given, and the values it was given for; return the event."""
        fields = {"exercise": exercise, "attempt": int(attempt), "answer": plain(answer)}
        return self._append("answer", learner, class_code, **fields, given=plain(given))

    def hint(self, learner: str, exercise: str, attempt: int, hint: int, class_code: str = "") -> dict:
        """Write that hint number `hint` was opened, 1 for the first; return the event."""
        return self._append("hint", learner, class_code, exercise=exercise, attempt=int(attempt), hint=int(hint))

    def solution(self, learner: str, exercise: str, attempt: int, class_code: str = "") -> dict:
        """Write that the solution was asked for; return the event."""
        return self._append("solution", learner, class_code, exercise=exercise, attempt=int(attempt))

    def review(
        self, learner: str, lab: str, exercise: str, attempt: int, answer: Any, given: dict, class_code: str = ""
    ) -> dict:
        """Write an answer to a question of an earlier lab, asked before `lab`; return the event."""
        fields = {"lab": str(lab), "exercise": exercise, "attempt": int(attempt), "answer": plain(answer)}
        return self._append("review", learner, class_code, **fields, given=plain(given))

    def prediction(
        self, learner: str, lab: str, question: str, choice: Any, class_code: str = "", locked: bool = False
    ) -> dict:
        """Write a prediction, or that it is locked; return the event."""
        fields = {"lab": str(lab), "question": question, "choice": plain(choice)} | ({"locked": True} if locked else {})
        return self._append("prediction", learner, class_code, **fields)

    def sitting(self, learner: str, lab: str, attempt: int, step: str, class_code: str = "") -> dict:
        """Write that an exam was begun or ended; return the event."""
        return self._append("sitting", learner, class_code, lab=str(lab), attempt=int(attempt), step=step)

    def events(self) -> Events:
        """Return all events of this record; none where there is no file yet."""
        if not os.path.exists(self.path):
            return Events(())
        with self._locked():
            return read_events(self.path)

    @property
    def cut_off(self) -> bool:
        """Whether the last line was not written to its end; the next one closes it off."""
        try:
            with self.path.open("rb") as file:
                return bool(file.seek(0, os.SEEK_END)) and file.seek(-1, os.SEEK_END) >= 0 and file.read(1) != b"\n"
        except OSError:
            return False

    def merge(self, text: str | bytes) -> int:
        """Add the readable events of another record that are not here yet; return how many."""
        lines = text.encode() if isinstance(text, str) else text
        new, _ = parsed(lines.splitlines(), self.path)
        with self._locked():
            known = {event["id"] for event in read_events(self.path).events} if os.path.exists(self.path) else set()
            missing = list({event["id"]: event for event in new.values() if event["id"] not in known}.values())
            self._write(missing)
        return len(missing)

    def erase(self, learner: str, class_code: str = "") -> int:
        """Remove every line of one learner from the file; return how many events went."""
        who = (normal_form(class_code), normal_form(learner))
        if not os.path.exists(self.path):
            return 0
        with self._locked():
            lines = self.path.read_bytes().splitlines(keepends=True)
            kept = [line for line in lines if _event_of(line, who) is None]
            write_whole(self.path, b"".join(kept))
        return len(lines) - len(kept)

    def _append(self, kind, learner, class_code, **fields):
        from gainlib import __version__

        who = {"learner": str(learner), "class_code": str(class_code), "version": __version__, "rule": RULE}
        if "exercise" in fields:
            who["edition"] = edition_now(fields["exercise"])
        event = {"id": uuid.uuid4().hex, "time": now(), "kind": kind, **who, **fields}
        with self._locked():
            event["after"] = self._last_link(identity(event))
            self._write([event])
        return event

    def _last_link(self, who):
        """Return the link of a learner's last whole line; empty where there is none."""
        if not os.path.exists(self.path):
            return ""
        with self.path.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            for start in (max(size - _TAIL, 0), 0):
                file.seek(start)
                for line in reversed(file.read().splitlines()):
                    if event := _event_of(line, who):
                        return link(event)
                if not start:
                    break
        return ""

    def _write(self, events):
        """Append whole lines in one write; what a crash left unfinished is closed off as a line of its own."""
        if not events:
            return
        lines = to_lines(events)
        with self.path.open("ab+") as file:
            size = file.seek(0, os.SEEK_END)
            if size:
                file.seek(size - 1)
                lines = lines if file.read(1) == b"\n" else b"\n" + lines
            file.write(lines)
            file.flush()
            os.fsync(file.fileno())

    @contextmanager
    def _locked(self):
        """Hold the record; what the system refuses meanwhile is said in a sentence."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with filelock.FileLock(f"{self.path}.lock", timeout=_LOCK_SECONDS):
                yield
        except filelock.Timeout:
            raise GainlibError(
                f"{self.path} has been held by another program for {_LOCK_SECONDS:g} s; close it and answer again"
            ) from None
        except OSError as problem:
            raise refused(self.path, problem) from None


def write_whole(path: Path, content: bytes) -> None:
    """Write a file that is never seen half: beside it first, on the disk, then in its place.

    Whoever writes the same file from several programs holds a lock. What a crash left beside is written over.
    """
    unfinished = path.with_name(f"{path.name}.new")
    try:
        with unfinished.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(unfinished, path)
    except OSError:
        with suppress(OSError):
            unfinished.unlink()
        raise


def refused(path: Path, problem: OSError) -> GainlibError:
    """Return what to say where the system refuses a file of the record's folder.

    Examples
    --------
    >>> str(refused(Path("record.jsonl"), PermissionError(13, "Permission denied")))
    'record.jsonl cannot be written (Permission denied); set GAINLIB_RECORDS to a folder of your own'
    """
    reason = f"{path.parent} is a file" if isinstance(problem, FileExistsError) else problem.strerror or problem
    return GainlibError(f"{path} cannot be written ({reason}); set {ENVIRONMENT} to a folder of your own")


def to_lines(events: Iterable[dict]) -> bytes:
    """Return events as the lines of a record file."""
    return "".join(json.dumps(event, ensure_ascii=False, allow_nan=False) + "\n" for event in events).encode("utf-8")


def now() -> str:
    """Return the time of an event: UTC, ISO 8601, so that text order is time order."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def _event_of(line, who):
    """Return the event in a line if it is this learner's, else None."""
    try:
        event = json.loads(line.decode("utf-8"))
        return event if identity(event) == who else None
    except (ValueError, TypeError, KeyError, RecursionError):
        return None


def plain(value: Any) -> Any:
    """Return an answer as JSON that fits a line: what is no JSON, or is as large as an array, becomes a word.

    Examples
    --------
    >>> plain((1, float("nan"), {"a": True})), plain([0.0] * 5000)
    ([1, 'nan', {'a': True}], '<a list of 5000>')
    """
    return _plain(value, 8) if _size(value, 8) <= MOST_VALUES else f"<{describe(value)}>"


def _size(value, depth):
    if depth and isinstance(value, dict):
        return sum(_size(entry, depth - 1) for entry in value.values())
    if depth and isinstance(value, (list, tuple)):
        return sum(_size(entry, depth - 1) for entry in value) if len(value) <= MOST_VALUES else len(value)
    return 1


def _plain(value, depth):
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return value[:LONGEST_TEXT]
    if isinstance(value, numbers.Integral):
        return int(value) if abs(value) < 2**53 else shorten(value)
    if isinstance(value, numbers.Real):
        return float(value) if math.isfinite(value) else str(float(value))
    if depth and isinstance(value, dict):
        return {shorten(name, 200): _plain(entry, depth - 1) for name, entry in value.items()}
    if depth and isinstance(value, (list, tuple)):
        return [_plain(entry, depth - 1) for entry in value]
    return f"<{describe(value)}>"
