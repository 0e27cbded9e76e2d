"""What lies on the bench: one song, with what is known of it, and panels that are told of every change.

Song and entries are kept from one day to the next in the bench's own folder.
"""

import json
import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from gainlib.audio import AudioFile, GainlibError
from gainlib.exercises.record import RACK, bench_folder
from gainlib.notebook.background import Work
from gainlib.notebook.kept import Kept

SONG = "song"
log = logging.getLogger(__name__)


def make_home(path: Path) -> None:
    """Make the bench's own folder, if that is where `path` shall lie; no other folder is made unasked."""
    if path.resolve().parent == bench_folder():
        bench_folder().mkdir(parents=True, exist_ok=True)


@dataclass
class Song:
    """What lies on the bench.

    Attributes
    ----------
    home : pathlib.Path or None
        Where things are to be written unless the learner says otherwise; None is the bench's own folder.
    session : Session or None
        With the chains and the balance as they stand.
    stems : tuple of Stem
        Levels and findings; empty until they are measured.
    plan : Plan or None
        Made of the session as it stands.
    target_dbtp : float
        What the bus was planned for.
    notes : tuple of str
        What came up on the way, for the sheets.
    peak_s : float or None
        Where the bus peaks, once that is known.
    work : Work
        What all panels of the bench do their long work with.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Session, Strip
    >>> song = Song()
    >>> song.watch(lambda what: print("changed:", what))
    >>> song.open(Session([Strip("kick", Audio(np.zeros(480), 48000))], name="Demo song in A minor"))
    changed: opened
    >>> song.change(song.session.with_("kick", fader_db=-3.0), "balance")
    changed: balance
    """

    home: Path | None = None
    session: Any = None
    stems: tuple = ()
    plan: Any = None
    target_dbtp: float = -6.0
    notes: tuple[str, ...] = ()
    peak_s: float | None = None
    work: Work = field(default_factory=Work, repr=False)
    _watchers: list = field(default_factory=list, repr=False)
    _as_came: Any = field(default=None, repr=False)

    def watch(self, told: Callable[[str], None]) -> None:
        """Have ``told(what)`` called after a change.

        Parameters
        ----------
        told : callable
            `what` is "opened", "checked", "stems", "chains", "balance", "mixer" or "planned".
        """
        self._watchers.append(told)

    def open(self, session, home: Path | None = None, notes=(), *, as_it_came: bool = True) -> None:
        """Put another song on the bench, as it came or with what was done to it before; its boxes as now measured."""
        from gainlib.boxes import refreshed

        with suppress(GainlibError):  # a damaged rack is told where boxes are measured
            session, _ = refreshed(session, self.rack)
        self.session, self.home, self.notes = session, home, tuple(notes)
        self._as_came = session if as_it_came else None
        self.stems, self.plan, self.peak_s = (), None, None
        self._tell("opened")

    @property
    def stem_names(self) -> list[str]:
        """Names of the stems; none while there is no song."""
        return [strip.name for strip in self.session.strips] if self.session is not None else []

    @property
    def worked_on(self) -> bool:
        """Whether something was done to the song since it was opened."""
        return self.session is not None and self.session is not self._as_came

    def check(self, stems) -> None:
        """Take what a look at the stems brought up."""
        self.stems = tuple(stems)
        self._tell("checked")

    def change(self, session, *what: str) -> None:
        """Take other stems, chains or a balance, as `what` says; a plan made before is out of date."""
        self.session, self.plan = session, None
        names = {strip.name for strip in session.strips}
        self.stems = tuple(stem for stem in self.stems if stem.name in names)
        for each in what:
            self._tell(each)

    def planned(self, plan, target_dbtp: float) -> None:
        """Take a plan of the session as it stands."""
        self.plan, self.target_dbtp = plan, target_dbtp
        self._tell("planned")

    def opened(self):
        """Return the session, or say that there is none."""
        if self.session is None:
            raise GainlibError("there is no song on the bench; open a folder or the demo in step 1")
        return self.session

    def plan_made(self):
        """Return the plan, or say that there is none."""
        self.opened()
        if self.plan is None:
            raise GainlibError("there is no plan of the song as it is now; make one in step 5")
        return self.plan

    @property
    def rack(self):
        """The user's black boxes, as they stand in the file."""
        from gainlib.boxes import Rack

        return Rack(bench_folder() / RACK)

    @property
    def title(self) -> str:
        """Name of the song, or a word for it."""
        return (self.session.name if self.session is not None else "") or "song"

    @property
    def duration_s(self) -> float:
        """Length of the song."""
        return self.session.frames / self.session.rate_hz

    def place_for(self, what: str) -> Path:
        """Return a path that is free, in the song's home, for something to be written.

        Parameters
        ----------
        what : str
            Behind the song's name, such as "sheets" or "song.json".
        """
        from gainlib.mix.paths import file_name

        home = self.home or bench_folder()
        stem, dot, suffix = what.partition(".")
        taken = {each.name.casefold() for each in home.iterdir()} if home.is_dir() else set()
        return home / file_name(f"{self.title} {stem}", f"{dot}{suffix}", taken)

    def _tell(self, what):
        for told in self._watchers:
            told(what)


# ---- what is kept ----------------------------------------------------------------------------------------------------


def document(session) -> dict:
    """Return a session as JSON, its stems by their paths alone: a checksum of all of them takes too long for a move."""
    from gainlib.session.files import reference_of, to_builtins

    def audio(source, name):
        if isinstance(source, AudioFile):
            return {"file": source.path.resolve().as_posix()}
        return reference_of(source, f"strip {name!r}: ")

    def of(part, leave_out):
        return {each.name: to_builtins(getattr(part, each.name)) for each in fields(part) if each.name != leave_out}

    strips = [of(strip, "audio") | {"audio": audio(strip.audio, strip.name)} for strip in session.strips]
    return of(session, "strips") | {"strips": strips}


def keep_step(store: Kept, step) -> None:
    """Have a step stand as it was left in a store, and keep what is entered there from now on."""
    name = type(step).__name__
    kept = store.kept(name)
    if isinstance(kept, dict):
        step.resume(kept)
    step.on_change(lambda: store.keep(name, step.standing()))


class BenchKept:
    """The song of a bench in its store, with chains and balance."""

    def __init__(self, song: Song, store: Kept):
        self._song, self._store = song, store
        song.watch(self._changed)

    def resume(self, step) -> None:
        """Put the song on the bench that lay there last."""
        self._store.watch(SONG, step.guarded(lambda what: self._told(step, what)))
        self._open(step, self._store.kept(SONG))

    def _told(self, step, what):
        if what == "newer":
            step.offer_newer(lambda: self._open(step, self._store.take(SONG)))
        else:
            step.notice.message = what

    def _open(self, step, kept):
        from gainlib.session import from_json

        if not isinstance(kept, dict):
            return
        try:
            home, notes = kept["home"], tuple(map(str, kept["notes"]))
            session = from_json(json.dumps(kept["session"]))
        except GainlibError as problem:
            step.tell("wrong", "Not there", f"what lay on the bench last cannot be opened: {problem}")
            return
        except (TypeError, ValueError, KeyError) as problem:
            log.warning("what lay on the bench last does not fit any more (%r)", problem)
            return
        step.resume_song(session, None if home is None else Path(home), notes)

    def _changed(self, what):
        song = self._song
        if what in ("checked", "planned"):
            return
        try:
            home = None if song.home is None else str(song.home)
            self._store.keep(SONG, {"session": document(song.session), "home": home, "notes": list(song.notes)})
        except GainlibError as problem:
            log.info("the song is not kept: %s", problem)
