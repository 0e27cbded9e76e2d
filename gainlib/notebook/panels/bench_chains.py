"""Step 3 of the bench: a session by mouse, what each stem passes, where it goes, and in which order."""

import dataclasses
import html
import textwrap
from collections.abc import Callable
from contextlib import suppress

from gainlib import mix
from gainlib.audio import GainlibError, write_whole
from gainlib.boxes import refreshed
from gainlib.errors import said_of
from gainlib.mix import chainsfile, channels
from gainlib.mix.paths import text_of
from gainlib.notebook import widgets
from gainlib.notebook.bench_song import make_home
from gainlib.notebook.controls import COLUMNS, ChannelTable
from gainlib.notebook.errors import button, row
from gainlib.notebook.panels.steps import Entry, NumberEntry, Slot, Step, WorkButton, menu, number_in, offer, tick
from gainlib.notebook.prose import Question, prose
from gainlib.notebook.records import PickFile, SaveButton
from gainlib.processors import BlackBox, named
from gainlib.processors.controls import controls, in_ms, in_s, kinds_in_words, plain_name
from gainlib.session import Insert
from gainlib.words import level_text

BOXES = """
Press what a strip **passes** to open its chain here. A chain that holds only equalisers, delays and the like is
**linear**: it needs no box, and its level does not matter. Enter a level-dependent box as **a black box**, with a name
of your own and the average that its maker built it for; −18 dBFS is common practice where the maker states none (no
source). Measured below, it is known by that name from then on. Or choose a textbook model, which is not any of your
devices. Keep to the order of the signal.
"""
FILE = "**All of this is also a text file**, which you can write yourself, keep, and read into the same stems again."
EVERYTHING, IN_RACK = "master", "rack: "
LOW_DB, HIGH_DB = -120.0, 60.0
HIDDEN = ("seed",)  # draws noise; nothing that anybody sets on a box


class ChainsStep(Step):
    """A table of the channels, the boxes of the chosen one, and files that say it all at once.

    Attributes
    ----------
    table : ChannelTable
        Trims, groups, sends and order.
    which, kind : Dropdown
        The strip whose chain is open, and the box to add.
    rows : list of BoxRow
        Its chain.
    undo, add, clear, read_file, write_file : WorkButton
    """

    def __init__(self, song):
        self.table = ChannelTable(self._enter, self.guarded(self._press))
        self.undo = WorkButton("Undo", self._undo, tooltip="Take back the last change of channels or chains")
        self.which, self.kind = menu("Chain of:", ()), menu("Box:", _kinds(()), "BlackBox")
        self.add = WorkButton("Add the box", self._add, button_style="primary")
        self.clear = WorkButton("Nothing here: linear", lambda: self._set(()))
        self.rows, self._boxes, self._suggested = [], widgets.VBox(), ""
        self.file = Entry("Chains file (.toml):", "the path of the chains file")
        self.read_file = WorkButton(
            "Read the chains file", _read_chains, self._chains_read, "Reading …",
            asks=(song.opened, lambda: song.rack, self.file.path),
        )  # fmt: skip
        self.write_file = WorkButton(
            "Write the chains file", _write_chains, self._chains_written, "Writing …",
            asks=(song.opened, self.file.path), sure=self._sure,
        )  # fmt: skip
        self.question = Question()
        self.download = SaveButton("Download it", self.guarded(self._packed), "application/toml")
        self.pick = PickFile("Or one from the computer in front of you:", self.guarded(self._picked))
        self.pick.accept = ".toml,.json"
        self.which.observe(self.guarded(lambda _change: self._fill()), "value")
        super().__init__(
            song, self.table, Slot(self.undo), prose(BOXES), self.which, self._boxes,
            Slot(self.kind, self.add, self.clear), prose(FILE), self.file,
            Slot(self.read_file, self.write_file, self.download), self.question, self.pick, _example(),
        )  # fmt: skip

    # ---- the table -------------------------------------------------------------------------------------------------

    def _enter(self, names, field, value) -> bool:
        """Take an entry of the table into the song; False where it is refused."""
        return self.beside(self.undo, lambda: self._take_entry(names, field, value)) is True

    def _take_entry(self, names, field, value):
        who = ", ".join(names) if len(names) <= 3 else f"{len(names)} ticked"
        with said_of(who):
            session = self._entered(self.song.opened(), names, field, value)
        self.song.change(session, "chains")
        row = next(each for each in self.table.rows if each["name"] == names[0])
        shown = {True: "on", False: "off"}.get(row[field], row[field])
        self.tell("right", "Set", f"{who}: {COLUMNS[field].partition(' (')[0]} {shown or 'none'}.")
        return True

    def _entered(self, session, names, field, value):
        if field == "to":
            return channels.set_outputs(session, names, value)
        if field == "sends":
            return channels.set_sends(session, names, value)
        if field == "chain":
            value, field = self.channel.inserts, "inserts"
        elif field != "dc_block":
            value = number_in(value, COLUMNS[field].partition(" (")[0], "dB", LOW_DB, HIGH_DB)
        for name in names:
            session = session.with_(_target(name), **{field: value})
        return session

    def _press(self, what, name):
        if what == "open":
            self.which.value = name
        else:
            self.beside(self.undo, lambda: self._rearrange(what, name))

    def _rearrange(self, what, name):
        session = self.song.opened()
        if what == "remove":
            self.song.change(channels.without_group(session, name), "chains")
            self.tell("note", "", f"The group {name} is gone; what went there goes on where it went.")
            return
        self.song.change(channels.moved(session, name, -1 if what == "up" else 1), "chains")
        names = [row["name"] for row in self.table.rows]
        self.tell("note", "", f"{name} is number {names.index(name) + 1} of {len(names)}.")

    def _undo(self):
        """Take back the last change of channels or chains, of whichever strips; the balance stays as it is."""
        if len(self.past) > 1:
            self.past.pop()
            self.song.change(channels.with_balance_of(self.past[-1], self.song.session), "chains")
            self.tell("note", "", "Taken back.")

    def _remember(self, what):
        """Note channels that are new; with other stems or another song the past is over."""
        session, names = self.song.session, self.song.stem_names
        if session is not None:
            fresh = what == "opened" or (what == "stems" and names != self._names)
            self.remember(session, fresh, lambda was, now: channels.with_balance_of(was, now) == now)
        self._names, self.undo.disabled = names, len(self.past) < 2

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

    def _add(self):
        """Add the chosen box at the end of the chain."""
        known, name = self.kind.value.startswith(IN_RACK), self.kind.value.removeprefix(IN_RACK)
        box = self.song.rack[name].box if known else named(name)()
        self._set((*self.channel.inserts, Insert(box)))

    def _set(self, inserts):
        self.song.change(self.song.opened().with_(_target(self.which.value), inserts=tuple(inserts)), "chains")
        self.tell("right", "Set", f"{self.which.value}: {in_words(self.channel.inserts)}.", of=self.add)

    def _edited(self, place, read):
        """Take a box as it is set now, with what the rack knows of it once it bears the name of one there."""
        inserts, insert = list(self.channel.inserts), read()
        box, before = insert.processor, inserts[place].processor
        if isinstance(box, BlackBox) and box.name != before.name:
            insert = dataclasses.replace(insert, processor=self.song.rack.known(box))
        inserts[place] = insert
        self._set(inserts)

    def _moved(self, place, step):
        inserts = list(self.channel.inserts)
        box = inserts.pop(place)
        if step:
            inserts.insert(max(place + step, 0), box)
        self._set(inserts)

    def _fill(self):
        """Put the chosen chain on the page."""
        self.table.current = self.which.value or ""
        self.rows = [self._row(place, insert) for place, insert in enumerate(self._inserts())]
        self._boxes.children = self.rows

    def _inserts(self):
        return self.channel.inserts if self.song.session is not None and self.which.value is not None else ()

    def _row(self, place, insert):
        def trying(work):
            return self.guarded(lambda told: self._tried(lambda: work(place, told)))

        return BoxRow(insert, place + 1, trying(self._edited), trying(self._moved))

    # ---- files -----------------------------------------------------------------------------------------------------

    def _sure(self, begin):
        """Ask before a file that is there is replaced."""
        path = self._tried(self.file.path)
        if path is not None and path.is_file():
            self.question.ask(f"{path.name} is there already. Replace it?", "Yes, replace it", begin)
        else:
            begin()

    def _packed(self):
        """Return the chains file for somebody who sits at another computer."""
        text = self.beside(self.write_file, lambda: chainsfile.chains_text(self.song.opened()))
        return None if text is None else ("chains.toml", text.encode())

    def _picked(self, name, content):
        """Take a chains file from another computer into the song."""

        def take():
            if content is None:
                raise GainlibError(f"{name} is too large for a chains file; pick another")
            self._chains_read(_applied(self.song.opened(), self.song.rack, name, content))

        self.beside(self.read_file, take)

    def _chains_written(self, path):
        self.tell("right", "Written", f"{path}. It holds chains, groups, sends and the balance, but no audio.")

    def _chains_read(self, found):
        session, notes = found
        self.song.notes = tuple(dict.fromkeys((*self.song.notes, *notes)))
        self.song.change(session, "chains", "balance")  # a chains file may bring faders along
        boxes = sum(bool(strip.inserts) for strip in session.strips)
        text = f"{boxes} of {len(session.strips)} stems go through something. " + " ".join(f"{note}." for note in notes)
        self.tell("partly" if notes else "right", "Read", text, of=self.read_file)

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
        if [row.insert for row in self.rows] != list(self._inserts()):  # what was typed there is on the page already
            self._fill()
        if what == "opened":
            before, self._suggested = self._suggested, str(self.song.place_for("chains.toml"))
            self.file.value = self._suggested if self.file.value in ("", before) else self.file.value
            self.note("" if session is not None else "Open a song first; its stems appear here.")
        rows = list(_rows(session)) if session is not None else []
        names = {row["name"] for row in rows}
        self.table.ticked = [name for name in self.table.ticked if name in names and what != "opened"]
        self.table.rows = rows
        widgets.look(self.table, display="" if rows else "none")

    def _racked(self):
        with suppress(GainlibError):  # a damaged rack is told where boxes are measured
            return tuple(self.song.rack)
        return ()


def _rows(session):
    """Yield what the table shows of each channel."""
    for each in (*session.strips, *session.groups):
        yield _row(each.name, "group" if each in session.groups else "strip", each) | {
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


def _read_chains(tell, session, rack, path):
    return _applied(session, rack, path.name, text_of(path, "a chains file"))


def _applied(session, rack, name, text):
    with said_of(name):
        session, notes = mix.apply_chains(session, text)
    return refreshed(session, rack)[0], notes


def _write_chains(tell, session, path):
    if path.suffix.casefold() != ".toml":
        raise GainlibError(f"{path.name} is not a name for a chains file; give one that ends in .toml")
    text = chainsfile.chains_text(session)
    make_home(path)
    write_whole(path, text)
    return path


def _kinds(racked):
    boxes = [(words, name) for name, words in kinds_in_words().items()]
    return [*((f"“{name}”, from your rack", f"{IN_RACK}{name}") for name in racked), *boxes]


def _example():
    text = chainsfile.__doc__.partition("::\n")[2].replace("``", "")
    lines, _, words = text.partition("\n\nA stem is named")
    lines, words = html.escape(textwrap.dedent(lines).strip()), html.escape(words)
    shown = f"<pre tabindex=0>{lines}</pre><p>A stem is named{words}</p>"
    title = "What a chains file looks like"
    return widgets.HTML(f"<details><summary>{title}</summary>{shown}</details>").add_class("gl-wide")


class BoxRow(widgets.VBox):
    """An insert under the hand: its settings, the gain on either side, and where it stands in the order.

    Parameters
    ----------
    insert : Insert
        As it stands.
    number : int
        Its place in the chain, from 1.
    changed : callable
        ``changed(read)`` after a setting; ``read()`` returns the insert as it is set now, or raises.
    moved : callable
        ``moved(step)``: −1 earlier, 1 later, 0 out of the chain.
    """

    def __init__(self, insert: Insert, number: int, changed: Callable, moved: Callable):
        self.insert = insert
        kind = insert.kind
        box = insert.processor
        self.fields = {each.field: self._field(each) for each in controls(type(box)) if self._seen(each)}
        if isinstance(box, BlackBox):
            name = widgets.Text(box.name, description="name:", continuous_update=False, layout={"width": "16em"})
            self.fields = {"name": name} | self.fields
        self.around = {
            f"{side}_db": NumberEntry(f"gain {side}", getattr(insert, f"{side}_db"), "dB", LOW_DB, HIGH_DB)
            for side in ("in", "out")
        }
        self.bypass = tick("bypassed", insert.bypass)
        self.earlier = button("Earlier", tooltip=f"Move box {number} one place ahead")
        self.later = button("Later", tooltip=f"Move box {number} one place back")
        self.remove = button("Remove", tooltip=f"Take box {number} out of the chain")
        for pressed, step in ((self.earlier, -1), (self.later, 1), (self.remove, 0)):
            pressed.on_click(lambda _button, step=step: moved(step))
        everything = (*self.fields.values(), *self.around.values(), self.bypass)
        for widget in everything:
            widget.observe(lambda _change: changed(self._read), "value")
        words = in_words([insert]) if kind == "BlackBox" else kinds_in_words()[kind]
        title = widgets.Label(f"{number} · {words}")
        super().__init__([title.add_class("gl-box-title"), row(*everything, self.earlier, self.later, self.remove)])
        self.add_class("gl-box")

    def _seen(self, control):
        there = getattr(self.insert.processor, control.field) is not None
        return control.field not in HIDDEN and not control.may_be_none and there

    def _field(self, control):
        value = getattr(self.insert.processor, control.field)
        if control.choices:
            return menu(f"{control.label}:", control.choices, value)
        if isinstance(control.default, bool):
            return tick(control.label, value)
        label = "built for an average of" if isinstance(self.insert.processor, BlackBox) else control.label
        in_seconds = control.unit == "s"
        return NumberEntry(label, in_ms(value) if in_seconds else value, "ms" if in_seconds else control.unit)

    def _read(self) -> Insert:
        """Return the insert as the fields have it; refuses what the box cannot be set to."""
        values = {name: self._value(name) for name in self.fields}
        around = {name: field.number() for name, field in self.around.items()}
        processor = dataclasses.replace(self.insert.processor, **values)
        self.insert = Insert(processor, bypass=self.bypass.value, **around)
        return self.insert

    def _value(self, name):
        field = self.fields[name]
        if not isinstance(field, NumberEntry):
            return field.value
        number = in_s(field.number()) if name.endswith("_s") else field.number()
        if isinstance(getattr(self.insert.processor, name), int):
            if number != int(number):
                raise GainlibError(f"{name}: {field.value} is not a whole number; give one")
            return int(number)
        return number


def in_words(inserts) -> str:
    """Return what a chain is made of, in the order of the signal."""
    parts = []
    for insert in inserts:
        box, reference = insert.processor, insert.processor.reference_dbfs
        text = box.called if isinstance(box, BlackBox) else plain_name(insert.kind)
        text += f", built for {level_text(reference, 'dBFS')}" if reference is not None else ""
        text += ", measured" if isinstance(box, BlackBox) and box.measured else ""
        parts.append(f"{text} (bypassed)" if insert.bypass else text)
    return " → ".join(parts) or "linear: nothing here depends on level"
