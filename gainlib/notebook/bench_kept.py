"""What lies on the bench, and what was typed there, kept from one day to the next: the store of a bench."""

import json
import logging
from dataclasses import fields
from pathlib import Path

from gainlib.audio import AudioFile, GainlibError
from gainlib.notebook.bench_song import bench_folder
from gainlib.notebook.kept import Kept

FILE = "kept.json"
SONG = "song"
log = logging.getLogger(__name__)


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
    """What is kept of a bench: the song with its chains and its balance, and what stands in the fields of its steps.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song
    """

    def __init__(self, song):
        self._song, self._store = song, Kept(bench_folder() / FILE)
        song.watch(self._changed)

    def attach(self, step) -> None:
        """Have a step stand as it was left, and keep what is entered there from now on."""
        keep_step(self._store, step)

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
