"""Step 3 of the bench: a session by mouse, what each stem passes, where it goes, and in which order."""

import dataclasses
import html
import textwrap
from contextlib import suppress

import ipywidgets as widgets

from gainlib.audio import GainlibError, replacing
from gainlib.exercises.text import Unreadable, parse_number
from gainlib.mix import channels
from gainlib.mix.paths import pasted_path, text_of
from gainlib.notebook.bench_song import make_home
from gainlib.notebook.controls import COLUMNS, ChannelTable
from gainlib.notebook.panels.bench_base import Slot, Step, button, entry, menu, offer
from gainlib.notebook.panels.bench_boxes import BoxRow, in_words
from gainlib.notebook.prose import Question, prose
from gainlib.notebook.records import PickFile, SaveButton
from gainlib.processors import BlackBox
from gainlib.processors.controls import plain_name

TEXT = """
Enter the trims, groups and sends as your mixer has them. **Name a group** under *goes to*, or name it under *sends*
with a level (echo −12, cue −6 pre), and it is made. **Tick several strips**, and what you enter in the line *apply to
these* goes to all of them. Up and Down go from strip to strip.
"""
BOXES = """
Press what a strip **passes** to open its chain here. A chain that holds only equalisers, delays and the like is
**linear**: it needs no box, and its level does not matter. Enter a level-dependent box as **a black box**, with a name
of your own and the average that its maker built it for; −18 dBFS is common practice where the maker states none (no
source). Measured below, it is known by that name from then on. Or choose a textbook model, which is not any of your
devices. Keep to the order of the signal.
"""
FILE = "**All of this is also a text file**, which you can write yourself, keep, and read into the same stems again."
EVERYTHING, IN_RACK = "master", "rack: "
UNDO_STEPS = 200
LOW_DB, HIGH_DB = -120.0, 60.0


class ChainsStep(Step):
    """A table of the channels, the boxes of the chosen one, and files that say it all at once.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    table : ChannelTable
        Trims, groups, sends and order.
    which, kind : Dropdown
        The strip whose chain is open, and the box to add.
    rows : list of BoxRow
        Its chain.
    read_file, write_file : callable
        What the buttons do, at once.
    """

    def __init__(self, song):
        self.table = ChannelTable(self._enter, self.guarded(self._press))
        self.back = button("Undo", tooltip="Take back the last change of channels or chains")
        self.which, self.kind = menu("Chain of:", ()), menu("Box:", _kinds(()), "BlackBox")
        self.add_box, self.clear = button("Add the box", button_style="primary"), button("Nothing here: linear")
        self.rows, self._boxes, self._past, self._own, self._suggested = [], widgets.VBox(), [], False, ""
        self.file, self.take = entry("Chains file (.toml):"), button("Read the chains file")
        self.save, self.question = button("Write the chains file"), Question()
        self.download = SaveButton("Download it", self.guarded(self._packed), "application/toml")
        self.pick = PickFile("Or one from the computer in front of you:", self.guarded(self._picked))
        self.pick.accept = ".toml,.json"
        super().__init__(
            song, prose(TEXT), self.table, Slot(self.back), prose(BOXES), self.which, self._boxes,
            Slot(self.kind, self.add_box, self.clear), prose(FILE), self.file,
            Slot(self.take, self.save, self.download), self.question, self.pick, _example(),
        )  # fmt: skip
        self.at_once(self.back, self.undo)
        self.at_once(self.add_box, self.add)
        self.at_once(self.clear, lambda: self._set(()))
        place = lambda: pasted_path(self.file.value, "the path of the chains file")  # noqa: E731
        self.read_file = self.action(
            self.take, _read_chains, self._chains_read, "Reading …", lambda: (song.opened(), song.rack, place())
        )
        self.write_file = self.action(
            self.save, _write_chains, self._chains_written, "Writing …", lambda: (song.opened(), place()), self._sure
        )
        self.which.observe(self.guarded(lambda _change: self._fill()), "value")
        song.watch(self._changed)
        self._changed("opened")

    # ---- the table -------------------------------------------------------------------------------------------------

    def _enter(self, names, field, value) -> bool:
        """Take an entry of the table into the song; False where it is refused."""
        self._slot = self._slot_of(self.back)
        return self._tried(self._entry_of(names, field, value)) is True

    def _entry_of(self, names, field, value):
        """Return what takes an entry into the song and says so."""

        def enter():
            who = ", ".join(names) if len(names) <= 3 else f"{len(names)} ticked"
            try:
                session = self._entered(self.song.opened(), names, field, value)
            except GainlibError as problem:
                raise GainlibError(f"{who}: {problem}") from None
            self.song.change(session, "chains")
            row = next(each for each in self.table.rows if each["name"] == names[0])
            shown = {True: "on", False: "off"}.get(row[field], row[field])
            self.tell("right", "Set", f"{who}: {COLUMNS[field].partition(' (')[0]} {shown or 'none'}.")
            return True

        return enter

    def _entered(self, session, names, field, value):
        if field == "to":
            return channels.set_outputs(session, names, value)
        if field == "sends":
            return channels.set_sends(session, names, value)
        if field == "chain":
            value, field = self.channel.inserts, "inserts"
        elif field != "dc_block":
            value = _level(value, COLUMNS[field].partition(" (")[0])
        for name in names:
            session = session.with_(_target(name), **{field: value})
        return session

    def _press(self, what, name):
        if what == "open":
            self.which.value = name
            return
        self._slot = self._slot_of(self.back)
        self._tried(lambda: self._rearrange(what, name))

    def _rearrange(self, what, name):
        session = self.song.opened()
        if what == "remove":
            self.song.change(channels.without_group(session, name), "chains")
            self.tell("note", "", f"The group {name} is gone; what went there goes on where it went.")
            return
        self.song.change(channels.moved(session, name, -1 if what == "up" else 1), "chains")
        names = [row["name"] for row in self.table.rows]
        self.tell("note", "", f"{name} is number {names.index(name) + 1} of {len(names)}.")

    def undo(self) -> None:
        """Take back the last change of channels or chains, of whichever strips; the balance stays as it is."""
        if len(self._past) > 1:
            self._past.pop()
            self.song.change(channels.with_balance_of(self._past[-1], self.song.session), "chains")
            self.tell("note", "", "Taken back.")

    def _remember(self, what):
        """Note channels that are new; with other stems or another song the past is over."""
        session = self.song.session
        if session is not None:
            names = [strip.name for strip in session.strips]
            if what == "opened" or not self._past or (what == "stems" and names != self._names):
                self._past = [session]
            elif channels.with_balance_of(self._past[-1], session) != session:
                self._past = [self._past[0], *[*self._past[1:], session][-UNDO_STEPS:]]
            self._names = names
        self.back.disabled = len(self._past) < 2

    # ---- one chain under the hand ----------------------------------------------------------------------------------

    @property
    def channel(self):
        """The strip, the group or the master whose chain is open, as it stands in the song."""
        session = self.song.opened()
        if self.which.value is None:
            raise GainlibError("no stem is chosen; choose one")
        if self.which.value == EVERYTHING:
            return session.master
        return next(each for each in (*session.strips, *session.groups) if each.name == self.which.value)

    def add(self) -> None:
        """Add the chosen box at the end of the chain."""
        from gainlib.processors import named
        from gainlib.session import Insert

        known, name = self.kind.value.startswith(IN_RACK), self.kind.value.removeprefix(IN_RACK)
        box = self.song.rack[name].box if known else named(name)()
        self._set((*self.channel.inserts, Insert(box)))

    def _set(self, inserts, rebuild=True):
        self._own = not rebuild  # what was typed here is on the page already
        try:
            self.song.change(self.song.opened().with_(_target(self.which.value), inserts=tuple(inserts)), "chains")
        finally:
            self._own = False
        self.tell("right", "Set", f"{self.which.value}: {in_words(self.channel.inserts)}.", of=self.add_box)

    def _edited(self, place, read):
        inserts = list(self.channel.inserts)
        insert = read()
        inserts[place] = self._as_measured(inserts[place], insert)
        self._set(inserts, rebuild=inserts[place] != insert)

    def _as_measured(self, before, insert):
        """Return an insert with what the rack knows of its box, once that bears the name of one there."""
        box = insert.processor
        if not isinstance(box, BlackBox) or box.name == before.processor.name:
            return insert
        return dataclasses.replace(insert, processor=self.song.rack.known(box))

    def _moved(self, place, step):
        inserts = list(self.channel.inserts)
        box = inserts.pop(place)
        if step:
            inserts.insert(max(place + step, 0), box)
        self._set(inserts)

    def _fill(self):
        """Put the chosen chain on the page."""
        self.rows, self.table.current = [], self.which.value or ""
        if self.song.session is not None and self.which.value is not None:
            self.rows = [self._row(place, insert) for place, insert in enumerate(self.channel.inserts)]
        self._boxes.children = self.rows

    def _row(self, place, insert):
        return BoxRow(
            insert, place + 1,
            self.guarded(lambda read: self._tried(lambda: self._edited(place, read))),
            self.guarded(lambda step: self._tried(lambda: self._moved(place, step))),
        )  # fmt: skip

    # ---- files -----------------------------------------------------------------------------------------------------

    def _sure(self, begin):
        """Ask before a file that is there is replaced."""
        path = self._tried(lambda: pasted_path(self.file.value, "the path of the chains file"))
        if path is not None and path.is_file():
            self.question.ask(f"{path.name} is there already. Replace it?", "Yes, replace it", begin)
        else:
            begin()

    def _packed(self):
        """Return the chains file for somebody who sits at another computer."""
        self._slot = self._slot_of(self.save)
        text = self._tried(lambda: _text(self.song.opened()))
        return None if text is None else ("chains.toml", text.encode())

    def _picked(self, name, content):
        """Take a chains file from another computer into the song."""
        self._slot = self._slot_of(self.take)
        if content is None:
            self.tell("wrong", "Not done", f"{name} is too large for a chains file; pick another.")
            return
        found = self._tried(lambda: _applied(self.song.opened(), self.song.rack, name, content))
        if found is not None:
            self._chains_read(found)

    def _chains_written(self, path):
        self.tell("right", "Written", f"{path}. It holds chains, groups, sends and the balance, but no audio.")

    def _chains_read(self, found):
        session, notes = found
        self.song.notes = tuple(dict.fromkeys((*self.song.notes, *notes)))
        self.song.change(session, "chains", "balance")  # a chains file may bring faders along
        boxes = sum(bool(strip.inserts) for strip in session.strips)
        text = f"{boxes} of {len(session.strips)} stems go through something. " + " ".join(f"{note}." for note in notes)
        self.tell("partly" if notes else "right", "Read", text, of=self.take)

    # ---- what the song tells ---------------------------------------------------------------------------------------

    def _changed(self, what):
        if what not in ("opened", "stems", "chains"):
            return
        self._remember(what)
        if what != "stems":
            chosen, self.kind.options = self.kind.value, _kinds(self._racked())
            self.kind.value = chosen if chosen in dict(self.kind.options).values() else "BlackBox"
        session = self.song.session
        offer(self.which, [*session.names, EVERYTHING] if session is not None else [])
        if not self._own:
            self._fill()
        if what == "opened":
            before, self._suggested = self._suggested, str(self.song.place_for("chains.toml"))
            self.file.value = self._suggested if self.file.value in ("", before) else self.file.value
            self.note("" if session is not None else "Open a song first; its stems appear here.")
        rows = list(_rows(session)) if session is not None else []
        names = {row["name"] for row in rows}
        self.table.ticked = [name for name in self.table.ticked if name in names and what != "opened"]
        self.table.rows = rows
        self.table.layout.display = "" if rows else "none"

    def _racked(self):
        with suppress(GainlibError):  # a damaged rack is told where boxes are measured
            return tuple(self.song.rack)
        return ()


def _rows(session):
    """Yield what the table shows of each channel."""
    for kind, those in (("strip", session.strips), ("group", session.groups)):
        for each in those:
            yield _row(each.name, kind, each) | {
                "dc_block": getattr(each, "dc_block", None), "post_trim_db": channels.level_cell(each.post_trim_db),
                "to": channels.outputs_text(each.to), "sends": channels.sends_text(each.sends),
            }  # fmt: skip
    yield _row(EVERYTHING, "master", session.master)


def _row(name, kind, channel):
    boxes = [
        f"{getattr(each.processor, 'name', '') or plain_name(each.kind)}{' (bypassed)' if each.bypass else ''}"
        for each in channel.inserts
    ]
    cells = dict.fromkeys(COLUMNS) | {"trim_db": channels.level_cell(channel.trim_db)}
    return {"name": name, "kind": kind} | cells | {"chain": " → ".join(boxes) or "linear"}


def _target(name):
    return "bus" if name == EVERYTHING else name


def _level(text, what):
    try:
        level = parse_number(text, "dB")
    except Unreadable as problem:
        raise GainlibError(f"{what}: {str(problem).rstrip('.')}") from None
    if not LOW_DB <= level <= HIGH_DB:
        raise GainlibError(f"{what}: {text} is out of range; give −120 to 60 dB")
    return level


def _read_chains(tell, session, rack, path):
    return _applied(session, rack, path.name, text_of(path, "a chains file"))


def _applied(session, rack, name, text):
    from gainlib.boxes import refreshed
    from gainlib.mix import apply_chains

    try:
        session, notes = apply_chains(session, text)
    except GainlibError as problem:
        raise GainlibError(f"{name}: {problem}") from None
    return refreshed(session, rack)[0], notes


def _text(session):
    from gainlib.mix.chainsfile import chains_text

    return chains_text(session)


def _write_chains(tell, session, path):
    if path.suffix.casefold() != ".toml":
        raise GainlibError(f"{path.name} is not a name for a chains file; give one that ends in .toml")
    text = _text(session)
    make_home(path)
    with replacing(path) as part:
        part.write_text(text, encoding="utf-8", newline="\n")
    return path


def _kinds(racked):
    from gainlib.processors.controls import kinds_in_words

    boxes = [(words, name) for name, words in kinds_in_words().items()]
    return [*((f"“{name}”, from your rack", f"{IN_RACK}{name}") for name in racked), *boxes]


def _example():
    from gainlib.mix import chainsfile

    text = chainsfile.__doc__.partition("::\n")[2].replace("``", "")
    lines, _, words = text.partition("\n\nA stem is named")
    lines, words = html.escape(textwrap.dedent(lines).strip()), html.escape(words)
    shown = f"<pre tabindex=0>{lines}</pre><p>A stem is named{words}</p>"
    title = "What a chains file looks like"
    return widgets.HTML(f"<details><summary>{title}</summary>{shown}</details>").add_class("gl-wide")
