"""Between the first two steps of the bench: a list of faults of one's own, against that of the detectors."""

import html

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.mix.guesses import FAULTS, compare_faults
from gainlib.notebook.panels.bench_base import Slot, Step, button, menu, offer, row, sheet, table
from gainlib.notebook.panels.bench_looked import measured
from gainlib.notebook.prose import LiveRegion, prose
from gainlib.words import count

LISTS = """
**What is wrong with your stems?** This is not graded either. Make a list; an empty one says that nothing is wrong.
Comparing shows every difference with the evidence for it, so that you can look at them one by one. What the detectors
call **possible** may have an innocent cause as well and never counts against you. Compare the levels above first: the
findings of step 2 appear with this comparison.
"""
KINDS = {
    "found": "found, and not on your list",
    "possible": "possible, and not on your list; does not count",
    "listed": "on your list, and not found",
}


class FaultsGuess(Step):
    """A list of faults, and how it differs from that of the detectors.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song
    looked : MeasuredStems

    Attributes
    ----------
    which, what : Dropdown
    listed : list of (str, str)
        Strip and tag.
    ticks : list of Checkbox
        One for each difference.
    seen : LiveRegion
        How many of them have been looked at.
    compare : callable
        What the button does, at once.
    """

    def __init__(self, song, looked):
        self._looked, self.listed, self.ticks, self._found = looked, [], [], None
        self.which = menu("Stem with a fault:", ())
        self.what = menu("Fault:", [(f"{tag}: {words}", tag) for tag, words in FAULTS.items()], "too hot")
        self.what.layout.max_width = "97%"
        self.put, self.measure = button("Put it on my list"), button("Compare the lists", button_style="primary")
        self._mine, self.agreed, self._differences, self.seen = row(), sheet(), widgets.VBox(), LiveRegion()
        super().__init__(
            song, prose(LISTS), Slot(self.which, self.what, self.put), self._mine, Slot(self.measure), self.agreed,
            self._differences, self.seen,
        )  # fmt: skip
        self.at_once(self.put, self.put_on)
        self.compare = self.action(self.measure, measured, self._compared, "Measuring the stems …", self._asked)
        song.watch(self._changed)
        self._changed("opened")
        if looked.findings:
            self._changed("checked")

    def standing(self) -> dict:
        """Return what is entered, and the list."""
        return super().standing() | {"listed": self.listed}

    def resume(self, kept: dict) -> None:
        """Enter what was kept, as far as there are such stems."""
        super().resume(kept)
        listed = [tuple(key) for key in kept.get("listed", ()) if len(key) == 2]
        self.listed = [(name, tag) for name, tag in listed if name in self.which.options and tag in FAULTS]
        if self.listed:
            self._list()

    # ---- the list --------------------------------------------------------------------------------------------------

    def put_on(self) -> None:
        """Put the chosen fault on the list."""
        self.song.opened()
        key = (self.which.value, self.what.value)
        if key in self.listed:
            raise GainlibError(f"{key[0]}: {key[1]} is on your list already; choose another fault or another stem")
        self.listed.append(key)
        self._list()

    def _take_off(self, key):
        self.listed.remove(key)
        self._list()
        self.put.focus()

    def _list(self):
        """Show the list: a button for each, which takes it off."""
        self._mine.children = [self._entry(key) for key in self.listed]
        text = f"{count(len(self.listed), 'fault')} on your list." if self.listed else "Your list is empty."
        self.tell("note", "", text, of=self.put)
        self._noted()

    def _entry(self, key):
        taken = button(f"Take off {key[0]}: {key[1]}")
        taken.on_click(self.guarded(lambda _button: self._take_off(key)))
        return taken

    # ---- against the detectors -------------------------------------------------------------------------------------

    def _asked(self):
        return self._looked.ask(tuple(self.listed))

    def _compared(self, found):
        stems, listed = self._looked.take(found)
        here = {stem.name for stem in stems}
        late = self._looked.findings
        self._found = compare_faults([key for key in listed if key[0] in here], stems)
        if not self.song.stems:
            self.song.check(stems)
        rows = [(strip, tag, "found" if sure else "possible") for strip, tag, sure in self._found.agreed]
        self.agreed.value = table("On both lists", ("stem", "what", "how sure"), rows) if rows else ""
        self.ticks = [_tick(each) for each in self._found.differences]
        for tick in self.ticks:
            tick.observe(self.guarded(lambda _change: self._count()), "value")
        boxes = zip(self._found.differences, self.ticks, strict=True)
        self._differences.children = [widgets.VBox([_box(each), tick]).add_class("gl-box") for each, tick in boxes]
        self._sum_up(late)
        self._count()

    def _sum_up(self, late):
        """Say how the lists compare."""
        found = self._found
        possible = len(found.differences) - len(found.counted)
        text = f"{len(found.agreed)} on both lists, {count(len(found.counted), 'difference')}"
        text += f", {possible} possible that do not count." if possible else "."
        if not found.differences:
            text = "Your list and that of the detectors are the same."
        if late:
            text += " The findings had been on the page before, so this does not count."
        self.tell("note" if found.differences else "right", "Compared" if found.differences else "Agreed", text)

    def _count(self):
        """Say how many differences have been looked at."""
        seen, all_of_them = sum(tick.value for tick in self.ticks), len(self.ticks)
        if not self.ticks:
            self.seen.say()
        elif seen < all_of_them:
            self.seen.say("note", "", f"{seen} of {all_of_them} looked at.")
        else:
            self.seen.say("right", "All looked at", f"{all_of_them} of {all_of_them}.")

    def _changed(self, what):
        if what == "opened":
            self.listed, self.ticks, self._found = [], [], None
            self._mine.children = self._differences.children = []
            self.agreed.value = ""
            self.seen.say()
        if what in ("opened", "stems"):
            self._offer()
            self._noted()
        if what == "opened":
            self.note("Open a song first." if self.song.session is None else "Your list is empty.")
        elif what == "checked" and self._found is None:
            text = "Step 2 shows its findings now. You can still compare, but it does not count."
            self._slot = self._slot_of(self.measure)
            self.tell("note", "", text)

    def _offer(self):
        names = [strip.name for strip in self.song.session.strips] if self.song.session is not None else []
        offer(self.which, names)
        kept = [key for key in self.listed if key[0] in names]
        if kept != self.listed:
            self.listed = kept
            self._list()


def _tick(difference):
    text = f"Looked at: {difference.strip}, {difference.tag}"
    return widgets.Checkbox(description=text, indent=False, layout={"width": "auto"})


def _box(difference):
    evidence = f"{difference.evidence[:1].upper()}{difference.evidence[1:]}."
    title = f"{difference.strip} · {difference.tag}"
    head = f'<span class="gl-box-title">{html.escape(title)}</span>: {KINDS[difference.kind]}.'
    return widgets.HTML(f"{head}<br>{html.escape(evidence)}")
