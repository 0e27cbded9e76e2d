"""Step 1 of the bench: a folder of stems, a song saved earlier, files from another computer, or the demo."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from gainlib.audio import AudioFile, GainlibError, write
from gainlib.errors import said_of
from gainlib.mix.paths import file_name, text_of
from gainlib.notebook import widgets
from gainlib.notebook.bench_song import bench_folder
from gainlib.notebook.bench_upload import Incoming, PickStems
from gainlib.notebook.identity import here
from gainlib.notebook.panels.steps import Entry, Slot, Step, WorkButton, sheet
from gainlib.notebook.prose import Question, prose
from gainlib.session.routing import at_other_rates
from gainlib.words import Table, count, number_text, sentence

FOLDER = """
**A folder on the computer the workbook runs on.** Paste its path as your file manager gives it, with or without
quotes.
"""
UPLOAD = """
**Or files from the computer in front of you**, if that is another one: they are copied to the folder `{folder}` there.
{stems}
"""
DEMO = "**Or try it first** with the eleven stems of the demo song, with faults, chains and a balance."
ANOTHER = (
    "Open another song? Chains and balance of {} leave the bench; save the song in step 7 if you want to keep them."
)
CONVERT = "Converted copies go to the bench's own folder; your files stay as they are."
HEADS = ("stem", "file", "channels", "length (s)")


@dataclass(frozen=True)
class Folder:
    """A folder of stems as read; their rates may differ."""

    name: str
    strips: tuple
    home: Path | None
    unreadable: tuple[str, ...]

    @property
    def rate_hz(self) -> int:
        """The rate of most of them."""
        odd = at_other_rates(self.strips)
        return next(strip.audio.rate_hz for strip in self.strips if strip not in odd)


class OpenStep(Step):
    """Ways to put a song on the bench.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    path, leave_out : Entry
    upload : PickStems
        Takes files.
    open_song, open_demo, convert, without : WorkButton
        The last two where stems of the folder are at other rates than the rest.
    """

    def __init__(self, song):
        where = "the path of the folder that holds your stems"
        self.path = Entry("Folder, or a saved song (.json):", where, placeholder=r"C:\Music\My song\stems")
        self.leave_out = Entry("Leave out (names or patterns, commas between):", placeholder="mix print, *ref*")
        asks, blue = (self.path.path, self._left_out), {"button_style": "primary"}
        self.open_song = WorkButton("Open", _open, self._opened, "Opening …", asks=asks, sure=self._sure, **blue)
        self.open_demo = WorkButton("Use the demo stems", _demo, self._put, "Opening the demo …", sure=self._sure)
        rest = {"asks": (lambda: self._folder,), "sure": self._sure}
        self.convert = WorkButton("Convert them", _converted, self._put, "Converting …", **rest, **blue)
        self.without = WorkButton("Leave them out", _without, self._put, "Opening …", **rest)
        self.upload = PickStems("Upload stems:", self._uploads, self.guarded(lambda come: self.uploaded(come)))
        self.found, self.question = sheet(), Question()
        self._folder, self._rates = None, Slot(self.convert, self.without)
        super().__init__(
            song, prose(FOLDER), self.path, self.leave_out, Slot(self.open_song), self._rates,
            prose(UPLOAD.format(folder=_uploads_folder(), stems=here().stems)), Slot(self.upload),
            prose(DEMO), Slot(self.open_demo),
            self.question, self.found,
        )  # fmt: skip
        self.path.on_msg(self._entered)
        self._ask_rates(None)

    def _left_out(self):
        return [name.strip() for name in self.leave_out.value.split(",") if name.strip()]

    def _entered(self, _widget, content, _buffers):
        """Say that Enter in the path field opens nothing by itself: what was typed may still be on its way."""
        if content.get("event") == "submit" and self.song.session is None:
            self.note("Now press Open.")

    def _sure(self, begin):
        """Ask before a song that was worked on leaves the bench."""
        if self.song.worked_on:
            self.question.ask(ANOTHER.format(self.song.title), "Yes, another song", begin)
        else:
            begin()

    def offer_newer(self, take: Callable[[], None]) -> None:
        """Ask whether to take over what another tab has put on the bench or set there."""
        self.question.take_over(self.guarded(take))

    def resume_song(self, session, home, notes) -> None:
        """Put a song on the bench with what was done to it before."""
        self.song.open(session, home, notes, as_it_came=False)
        self._show()
        text = f"{self.song.title}, with its chains and its balance, as you left it. Check and plan it anew."
        self.tell("right", "There again", text)

    def _opened(self, found):
        """Put a song on the bench, or ask what to do with stems at other rates."""
        odd = at_other_rates(found.strips) if isinstance(found, Folder) else ()
        self._ask_rates(found if odd else None)
        if not odd:
            self._put(_song_of(found) if isinstance(found, Folder) else found)
            return
        text = f"{_by_rate(odd)}; the others are at {found.rate_hz} Hz. "
        self.said.say()
        self._slot = self._rates
        self.tell("partly", f"{count(len(odd), 'stem')} at another rate", f"{text}{CONVERT}")

    def _ask_rates(self, folder):
        self._folder = folder
        widgets.look(self._rates, display="none" if folder is None else None)
        self._rates.said.say()
        if folder is not None:
            self.convert.description = f"Convert to {folder.rate_hz} Hz"

    def _put(self, found):
        session, home, unreadable, notes = found
        self._ask_rates(None)
        if self._slot is self._rates:  # it is out of sight from now on
            self._slot = self._slots[0]
        self.song.open(session, home, [*(f"not read: {each}" for each in unreadable), *notes])
        self._show()
        stems = count(len(session.strips), "stem")
        text = f"{self.song.title}: {stems}, {session.rate_hz} Hz, {number_text(self.song.duration_s)} s."
        if unreadable:
            text += f" These are left out, because they cannot be read: {'; '.join(unreadable)}."
        text = " ".join([text, *map(sentence, notes)])
        self.tell("partly" if unreadable else "right", "Opened", text)

    def _show(self):
        session = self.song.session
        rows = ((s.name, *_file(s), number_text(s.audio.frames / s.audio.rate_hz)) for s in session.strips)
        self.found.value = Table(f"What is on the bench: {self.song.title}", HEADS, rows, (2, 3)).html()

    # ---- from another computer -------------------------------------------------------------------------------------

    def _uploads(self):
        return Incoming(_uploads_folder() / time.strftime("%Y-%m-%d %H.%M.%S"))

    def uploaded(self, coming: Incoming) -> None:
        """Open what has come in.

        Parameters
        ----------
        coming : Incoming
            With all its files there.
        """
        self._slot = self._slot_of(self.upload)
        if not coming.arrived:
            self.tell("wrong", "Nothing taken", f"{'; '.join(coming.refused) or 'no file arrived'}.")
            return
        songs = [path for path in coming.arrived if path.suffix == ".json"]
        self.path.value = str(songs[0] if len(songs) == 1 else coming.folder)
        self.open_song()
        if coming.refused:
            self._slot = self._slot_of(self.upload)
            self.tell("partly", "Taken", f"{count(len(coming.arrived), 'file')}; {'; '.join(coming.refused)}.")


def _uploads_folder():
    return bench_folder() / "uploads"


def _open(tell, path, leave_out):
    """Open a folder or a saved song; returns session, where things go by default, and what could not be read."""
    place = path.resolve().parent
    home = None if place.is_relative_to(_uploads_folder().resolve()) else place
    if path.suffix.casefold() == ".json" or path.is_file():
        return _open_song(path), home, (), ()
    from gainlib.session.files import strips_of_folder

    unreadable = []
    strips = strips_of_folder(path, leave_out, unreadable)
    if not strips:
        raise GainlibError("; ".join([*unreadable, "no stem is left to open"]))
    return Folder(path.resolve().name, tuple(strips), home, tuple(unreadable))


def _song_of(folder, notes=()):
    from gainlib.session import Session

    return Session(folder.strips, name=folder.name), folder.home, folder.unreadable, tuple(notes)


def _without(tell, folder):
    odd = at_other_rates(folder.strips)
    kept = tuple(strip for strip in folder.strips if strip not in odd)
    return _song_of(replace(folder, strips=kept), [f"left out, because they are at another rate: {_by_rate(odd)}"])


def _by_rate(strips):
    return ", ".join(f"{strip.name} ({strip.audio.rate_hz} Hz)" for strip in strips)


def _converted(tell, folder):
    """Convert what is at another rate, into the bench's own folder; what was converted before is taken again."""
    from gainlib.audio.files import at_rate

    odd, strips = at_other_rates(folder.strips), list(folder.strips)
    home = bench_folder() / "converted"
    home.mkdir(parents=True, exist_ok=True)
    for done, strip in enumerate(odd):
        tell("convert", done, len(odd))
        source = strip.audio
        target = home / file_name(strip.name, f" {folder.rate_hz} Hz {source.sha256[:8]}.wav", set())
        if not target.exists():
            write(target, at_rate(source, folder.rate_hz), "FLOAT")
        strips[strips.index(strip)] = strip.with_(audio=AudioFile(target))
    note = f"copies converted to {folder.rate_hz} Hz stand for {_by_rate(odd)}"
    return _song_of(replace(folder, strips=tuple(strips)), [note])


def _open_song(path):
    from gainlib.session import from_json

    text = text_of(path, "a song saved from the bench, or a folder")
    with said_of(path.name):
        return from_json(text, path.resolve().parent)


def _demo(tell):
    from gainlib.demo import demo_session

    return demo_session(1, True, "spread", chains=True), None, (), ()


def _file(strip):
    from gainlib.mix.sheet import file_format

    return file_format(strip), str(strip.audio.channels)
