"""Events of a record as they are read: checked, each once, in the order of their time."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.text import describe, shorten
from gainlib.exercises.variants import normal_form

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

    def learners(self) -> tuple[tuple[str, str], ...]:
        """Return class code and name of every learner in the events, in normal form, sorted."""
        return tuple(sorted({identity(event) for event in self.events}))


def is_new(event: dict) -> bool:
    """Whether an event is counted by the present rule of points, and not by the one before."""
    return event.get("rule") in (RULE, FIVE_TRIES, ALL_TRIES_ALIKE)


def edition_of(event: dict) -> int:
    """Return the edition of the exercise that an event is about; lines written before there were editions are of 1."""
    edition = event.get("edition", 1)
    return edition if isinstance(edition, int) and not isinstance(edition, bool) else 1


def identity(event: dict) -> tuple[str, str]:
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
        for event in found:
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


def parsed(lines: list[bytes], path: Path) -> tuple[list[dict], list[Damaged]]:
    """Return the events in lines of a record, and the lines that hold none."""
    events, damaged = [], []
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
            events.append(event)
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
