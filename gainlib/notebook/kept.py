"""What was moved, typed and chosen, and not handed in: kept within a second, and there again the next time.

One JSON file for each learner and notebook, ``kept/05-….json`` beside the record, holds values by the name of their
place: a desk, an exercise with one set of numbers, a step of the bench. Every write counts the file's revision up, and
each value bears the revision that brought it. So a second tab sees what is newer than its own; the move made last wins,
and the view in the other tab is told. A value is JSON; whoever reads one looks whether it still fits.
"""

import asyncio
import atexit
import hashlib
import json
import logging
import threading
import uuid
import weakref
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import filelock

from gainlib.exercises.record import now, refused, write_whole
from gainlib.exercises.variants import normal_form

FOLDER = "kept"
WITHIN_S = 0.3  # what moves meanwhile goes in the same write
LOOK_S = 1.0  # how often it is seen whether another tab has written
MOST_PLACES, LONGEST = 200, 200_000  # values in a file, and characters of one
_LOCK_S = 2.0
log = logging.getLogger(__name__)


class Entry(NamedTuple):
    """One value: the revision of the file that brought it, when it was moved (UTC, ISO 8601), and what it is."""

    revision: int
    time: str
    value: Any


def path_for(folder: Path, learner: str, class_code: str, notebook: str) -> Path:
    """Return the file of a learner and a notebook; the name of a file tells nobody's name."""
    who = hashlib.sha256(f"{normal_form(class_code)}\n{normal_form(learner)}".encode()).hexdigest()[:16]
    return Path(folder) / FOLDER / f"{notebook}-{who}.json"


def forget(folder: Path, learner: str, class_code: str = "") -> None:
    """Remove all that is kept of a learner."""
    of_all = path_for(folder, learner, class_code, "*")
    for path in of_all.parent.glob(f"{of_all.name}*"):
        with suppress(OSError):
            path.unlink()


class Kept:
    """The values of one learner and one notebook.

    Parameters
    ----------
    path : Path or None
        Of the file; None keeps in memory only.

    Attributes
    ----------
    trouble : str
        Why nothing can be written, as a sentence; "" where all is well.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "05.json"
    >>> kept = Kept(path)
    >>> kept.keep("panel bus", {"drive_db": -3.0})
    >>> kept.flush()
    >>> Kept(path).kept("panel bus")
    {'drive_db': -3.0}
    """

    def __init__(self, path: Path | None = None):
        self._lock, self._file = threading.RLock(), threading.RLock()  # a hand never waits for the disk
        self._watchers, self._loop = {}, None
        self.path, self._dirty = None, set()
        self.turn_to(path)
        _STORES.add(self)

    def turn_to(self, path: Path | None) -> None:
        """Go on with another file, as for another learner; ``told("other")`` goes to the views."""
        self.flush()
        with self._file, self._lock:
            self.path, self.trouble, self._dirty, self._newer = path, "", set(), {}
            self._stamp = self._stamped()
            self._revision, there = self._read()
            self._mine, self._seen = dict(there), {key: entry.revision for key, entry in there.items()}
        for key in list(self._watchers):
            self._tell(key, "other")

    # ---- values ----------------------------------------------------------------------------------------------------

    def kept(self, key: str) -> Any:
        """Return the value of a place, None where there is none."""
        entry = self._mine.get(key)
        return None if entry is None else entry.value

    def time(self, key: str) -> str:
        """Return when the value of a place was moved, "" where there is none."""
        entry = self._mine.get(key)
        return "" if entry is None else entry.time

    def keep(self, key: str, value: Any) -> None:
        """Take a value; it is written a moment later, with all that moves until then."""
        text = json.dumps(value, ensure_ascii=False, allow_nan=False)
        if len(text) > LONGEST:
            log.warning("%s holds %d characters; that is too much to keep", key, len(text))
            return
        value = json.loads(text)
        with self._lock:
            if key in self._mine and self._mine[key].value == value:
                return
            self._mine[key] = Entry(0, now(), value)
            self._dirty.add(key)
        _CLERK.wake()

    def take(self, key: str) -> Any:
        """Take over what another tab has made of a place, and return it."""
        with self._lock:
            newer = self._newer.pop(key, None)
            if newer is not None:
                self._mine[key] = newer
                self._dirty.add(key)  # it may have been written over meanwhile
        _CLERK.wake()
        return self.kept(key)

    def watch(self, key: str, told: Callable[[str], None]) -> None:
        """Call ``told(what)``: "newer" when another tab has moved the place on, "other" when another learner works.

        Any other word is a sentence that says why nothing can be written. The view made last is told.
        """
        self._watchers[key] = told
        with suppress(RuntimeError):
            self._loop = asyncio.get_running_loop()
            _CLERK.begin()  # who only looks on hears of other tabs as well

    def place(self, key: str) -> "Place":
        """Return the handle of a place."""
        return Place(self, key)

    # ---- the file --------------------------------------------------------------------------------------------------

    def flush(self) -> None:
        """Write what has moved, now."""
        with self._file:
            with self._lock:
                moved, self._dirty = {key: self._mine[key] for key in self._dirty}, set()
            if not moved or self.path is None:
                return
            try:
                self.path.parent.mkdir(exist_ok=True)
                with filelock.FileLock(f"{self.path}.lock", timeout=_LOCK_S):
                    self._write(moved)
                self.trouble = ""
            except filelock.Timeout:
                with self._lock:
                    self._dirty |= set(moved)  # another tab is writing; the next round does
            except OSError as problem:
                before, self.trouble = self.trouble, f"{refused(self.path, problem)}; what you move is not kept"
                for key in moved if not before else ():
                    self._tell(key, self.trouble)

    def _write(self, moved):
        there = self.look()
        self._revision += 1
        there |= {key: entry._replace(revision=self._revision) for key, entry in moved.items()}
        there = dict(sorted(there.items(), key=lambda item: item[1].revision)[-MOST_PLACES:])
        document = {"revision": self._revision, "writer": _WRITER, "places": there}
        write_whole(self.path, json.dumps(document, ensure_ascii=False, allow_nan=False).encode())
        self._stamp, self._there = self._stamped(), there
        self._seen |= dict.fromkeys(moved, self._revision)

    def look(self) -> dict[str, Entry]:
        """See whether another tab has written, tell the views of what it has moved, and return what stands there."""
        with self._file:
            stamp = self._stamped()
            if stamp != self._stamp:
                self._stamp = stamp
                self._revision, there = self._read()
                self._hear(there)
            return dict(self._there)

    def _hear(self, there):
        for key, entry in there.items():
            if entry.revision <= self._seen.get(key, 0):
                continue
            self._seen[key] = entry.revision
            with self._lock:
                same = key in self._mine and self._mine[key].value == entry.value
                shown = key in self._watchers and not same
                if shown:
                    self._newer[key] = entry
                elif key not in self._dirty:
                    self._mine[key] = entry
            if shown:
                self._tell(key, "newer")

    def _stamped(self):
        with suppress(OSError, AttributeError):
            found = self.path.stat()
            return found.st_ino, found.st_mtime_ns, found.st_size
        return None

    def _read(self):
        """Return revision and values as they stand in the file; what is damaged counts for nothing."""
        self._there = {}
        if self._stamp is None:
            return 0, {}
        try:
            found = json.loads(self.path.read_bytes())
            revision, places = int(found["revision"]), found["places"].items()
            self._there = {key: Entry(int(n), str(time), value) for key, (n, time, value) in places}
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as problem:
            log.warning("%s cannot be read (%s); it is begun anew", self.path, problem)
            return 0, {}
        return revision, self._there

    def _tell(self, key, what):
        told = self._watchers.get(key)
        if told is None:
            return
        if self._loop is None or self._loop.is_closed():
            told(what)
        else:
            self._loop.call_soon_threadsafe(told, what)


@dataclass(frozen=True)
class Place:
    """One place of a store, for the view that stands there."""

    store: Kept
    key: str

    @property
    def value(self) -> Any:
        """What is kept, None where nothing is."""
        return self.store.kept(self.key)

    @property
    def time(self) -> str:
        """When it was moved, "" where nothing is."""
        return self.store.time(self.key)

    def keep(self, value: Any) -> None:
        """Keep a value."""
        self.store.keep(self.key, value)

    def take(self) -> Any:
        """Take over what another tab has made of it."""
        return self.store.take(self.key)

    def watch(self, told: Callable[[str], None]) -> None:
        """Be told of other tabs, and of what cannot be written."""
        self.store.watch(self.key, told)


class _Clerk:
    """One thread that writes for all stores, and looks for other tabs."""

    def __init__(self):
        self._moved, self._thread = threading.Event(), None

    def begin(self):
        """Be there."""
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._work, name="gainlib-kept", daemon=True)
            self._thread.start()

    def wake(self):
        """Have what was moved written soon."""
        self.begin()
        self._moved.set()

    def _work(self):
        while True:
            if self._moved.wait(LOOK_S):
                self._moved.clear()
                threading.Event().wait(WITHIN_S)
            for store in list(_STORES):
                try:
                    store.flush()
                    store.look()
                except Exception:
                    log.exception("what was moved could not be written")


_WRITER = uuid.uuid4().hex
_STORES: "weakref.WeakSet[Kept]" = weakref.WeakSet()
_CLERK = _Clerk()


@atexit.register
def _at_the_end():
    for store in list(_STORES):
        store.flush()
