"""Step 3 of the bench: what each stem passes, as far as level matters there."""

import dataclasses
import html
from contextlib import suppress

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.mix.paths import pasted_path, text_of
from gainlib.notebook.panels.bench_base import NumberEntry, Slot, Step, button, entry, menu, offer, row, sheet, table
from gainlib.notebook.panels.bench_boxes import BoxRow, in_words
from gainlib.notebook.prose import prose
from gainlib.processors import BlackBox
from gainlib.words import number_text

TEXT = """
A chain that holds only equalisers, delays and the like is **linear**: it needs no box here, and its level does not
matter. Enter a level-dependent box as **a black box**, with a name of your own and the average that its maker built it
for; −18 dBFS is common practice where the maker states none (no source). Measured below, it is known by that name from
then on. Or choose a textbook model, which is not any of your devices. Keep to the order of the signal. Enter the trims
that your mixer already has as well.
"""
FILE = (
    "**If you have many stems**, write them into a chains file, which may hold groups, sends and the balance as well."
)
EVERYTHING, IN_RACK = "master", "rack: "
HEADS = ("strip or group", "input trim (dB)", "passes", "output trim (dB)", "goes to")


class ChainsStep(Step):
    """A menu of the stems, the boxes of the chosen one, and files that say it all at once.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    which, kind : Dropdown
        The strip that is edited, and the box to add.
    rows : list of BoxRow
        Its chain.
    gains : dict of str to NumberEntry
        Its input trim and output trim, as they stand in the mixer.
    read_file : callable
        What the button does, at once.
    """

    def __init__(self, song):
        self.which, self.kind = menu("Chain of:", ()), menu("Box:", _kinds(()), "BlackBox")
        self.add_box, self.clear = button("Add the box", button_style="primary"), button("Nothing here: linear")
        self.rows, self._boxes, self.overview = [], widgets.VBox(), sheet()
        self.gains = {
            "trim_db": NumberEntry("input trim", 0.0, "dB", -120.0, 60.0),
            "post_trim_db": NumberEntry("output trim", 0.0, "dB", -120.0, 60.0),
        }
        self.dc_block = widgets.Checkbox(False, description="DC block", indent=False, layout={"width": "auto"})
        self._quiet = self._own = False
        self.file, self.take = entry("Chains file (.toml):"), button("Read the chains file")
        controls = row(self.which, *self.gains.values(), self.dc_block)
        super().__init__(
            song, prose(TEXT), controls, self._boxes, Slot(self.kind, self.add_box, self.clear), self.overview,
            prose(FILE), self.file, Slot(self.take), _example(),
        )  # fmt: skip
        self.at_once(self.add_box, self.add)
        self.at_once(self.clear, lambda: self._set(()))
        self.read_file = self.action(
            self.take, _read_chains, self._chains_read, "Reading …",
            lambda: (song, pasted_path(self.file.value, "the path of the chains file")),
        )  # fmt: skip
        self.which.observe(self.guarded(lambda _change: self._fill()), "value")
        for each in (*self.gains.values(), self.dc_block):
            each.observe(self.guarded(lambda _change: self._tried(self._trim)), "value")
        song.watch(self._changed)
        self._changed("opened")

    shows_song = ("dc_block",)

    # ---- one chain under the hand ----------------------------------------------------------------------------------

    @property
    def channel(self):
        """The strip, the group or the master that is edited, as it stands in the song."""
        session = self.song.opened()
        if self.which.value is None:
            raise GainlibError("no stem is chosen; choose one")
        if self.which.value == EVERYTHING:
            return session.master
        return next(each for each in (*session.strips, *session.groups) if each.name == self.which.value)

    def _change(self, **fields):
        name = "bus" if self.which.value == EVERYTHING else self.which.value
        self._own = True  # what was typed here is on the page already
        try:
            self.song.change(self.song.session.with_(name, **fields), "chains")
        finally:
            self._own = False

    def _trim(self):
        """Take trims and DC block into the song, as far as they have changed."""
        if self._quiet or self.song.session is None:
            return
        wanted = {name: field.number() for name, field in self.gains.items()} | {"dc_block": self.dc_block.value}
        channel = self.channel
        changed = {name: new for name, new in wanted.items() if getattr(channel, name, new) != new}
        if changed:
            self._change(**changed)
            self.tell("right", "Set", f"{self.which.value}: {in_words(self.channel.inserts)}.")

    def add(self) -> None:
        """Add the chosen box at the end of the chain."""
        from gainlib.processors import named
        from gainlib.session import Insert

        known, name = self.kind.value.startswith(IN_RACK), self.kind.value.removeprefix(IN_RACK)
        box = self.song.rack[name].box if known else named(name)()
        self._set((*self.channel.inserts, Insert(box)))

    def _set(self, inserts, rebuild=True):
        self._change(inserts=tuple(inserts))
        if rebuild:
            self._fill()
        self.tell("right", "Set", f"{self.which.value}: {in_words(self.channel.inserts)}.")

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
        self.rows = []
        if self.song.session is not None and self.which.value is not None:
            channel, self._quiet = self.channel, True
            for name, field in self.gains.items():
                field.show(getattr(channel, name, 0.0))
                field.layout.display = "" if hasattr(channel, name) else "none"
            self.dc_block.value = getattr(channel, "dc_block", False)
            self.dc_block.layout.display = "" if hasattr(channel, "dc_block") else "none"
            self._quiet = False
            self.rows = [self._row(place, insert) for place, insert in enumerate(channel.inserts)]
        self._boxes.children = self.rows

    def _row(self, place, insert):
        return BoxRow(
            insert, place + 1,
            self.guarded(lambda read: self._tried(lambda: self._edited(place, read))),
            self.guarded(lambda step: self._tried(lambda: self._moved(place, step))),
        )  # fmt: skip

    # ---- files -----------------------------------------------------------------------------------------------------

    def _chains_read(self, found):
        session, notes = found
        self.song.notes = tuple(dict.fromkeys((*self.song.notes, *notes)))
        self.song.change(session, "chains", "balance")  # a chains file may bring faders along
        self._changed("opened")
        self._slot = self._slot_of(self.take)
        boxes = sum(bool(strip.inserts) for strip in session.strips)
        text = f"{boxes} of {len(session.strips)} stems go through something. " + " ".join(f"{note}." for note in notes)
        self.tell("partly" if notes else "right", "Read", text)

    # ---- what the song tells ---------------------------------------------------------------------------------------

    def _changed(self, what):
        if what in ("opened", "stems"):
            self._offer()
        if what in ("opened", "chains"):
            chosen, self.kind.options = self.kind.value, _kinds(self._racked())
            self.kind.value = chosen if chosen in dict(self.kind.options).values() else "BlackBox"
        if what in ("opened", "stems") or (what == "chains" and not self._own):
            self._fill()
        if what == "opened":
            text = "" if self.song.session is not None else "Open a song first; its stems appear here."
            self.note(text)
        if what in ("opened", "stems", "chains"):
            self._show()

    def _racked(self):
        with suppress(GainlibError):  # a damaged rack is told where boxes are measured
            return tuple(self.song.rack)
        return ()

    def _offer(self):
        session = self.song.session
        offer(self.which, [*session.names, EVERYTHING] if session is not None else [])

    def _show(self):
        session = self.song.session
        if session is None:
            self.overview.value = ""
            return
        channels = [*session.strips, *session.groups]
        rows = [
            (each.name, number_text(each.trim_db), in_words(each.inserts), number_text(each.post_trim_db), _to(each))
            for each in channels
        ]
        master = session.master
        rows.append((EVERYTHING, number_text(master.trim_db), in_words(master.inserts), "–", "–"))
        self.overview.value = table("All chains", HEADS, rows, (1, 3))


def _read_chains(tell, song, path):
    from gainlib.boxes import refreshed
    from gainlib.mix import apply_chains

    text = text_of(path, "a chains file")
    try:
        session, notes = apply_chains(song.opened(), text)
    except GainlibError as problem:
        raise GainlibError(f"{path.name}: {problem}") from None
    return refreshed(session, song.rack)[0], notes


def _kinds(racked):
    from gainlib.processors.controls import kinds_in_words

    boxes = [(f"{words}{'' if name == 'BlackBox' else f' ({name})'}", name) for name, words in kinds_in_words().items()]
    return [*((f"“{name}”, from your rack", f"{IN_RACK}{name}") for name in racked), *boxes]


def _to(channel):
    return ", ".join(channel.outputs) or "–"


def _example():
    from gainlib.mix import chainstext

    text = html.escape(chainstext.__doc__.partition("::\n")[2].strip("\n"))
    return widgets.HTML(f"<details><summary>What a chains file looks like</summary><pre>{text}</pre></details>")
