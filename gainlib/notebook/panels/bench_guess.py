"""Between the first two steps of the bench, for who likes: guesses at levels and at faults, before they are measured.

Nothing here is graded and nothing waits for it. A guess counts as long as the page has not shown the answer.
"""

import html
from functools import partial

import numpy as np

from gainlib import mix
from gainlib.audio import Audio, GainlibError
from gainlib.audio.types import stretch_of
from gainlib.mix.guesses import (
    ENOUGH,
    FAULTS,
    FIGURES,
    LIMIT_DB,
    STEMS,
    calibrated,
    compare_faults,
    compare_levels,
    near_by_figure,
    why_not,
)
from gainlib.notebook import widgets
from gainlib.notebook.errors import row
from gainlib.notebook.panels.steps import NumberEntry, Slot, Step, WorkButton, menu, offer, sheet, tick
from gainlib.notebook.prose import LiveRegion, prose
from gainlib.words import Table, count, level_text, number_text, sentence

LENGTH_S = 30.0
LEVELS = f"""
**This is not graded, and you can skip it.** Say what you expect of three stems before anything is measured, by ear and
by the meters you have; that is how you learn what a meter will say. *Active level* is the average of the parts where
something plays; a full-scale sine has 0 dBFS. *Crest factor* is how far the highest peak lies above the plain average
there; a sine has 3 dB. *Loudness* is that of the whole stem, without its pauses.

You are **on target** if you come within {LIMIT_DB:g} dB (loudness: {LIMIT_DB:g} LU) on at least {ENOUGH} of the
{STEMS} stems
for each of the three figures.
"""
NOTE = "You hear the stems as they are. The player says by how much it has turned all of them down."
HEADS = ("stem", "figure", "you", "measured", "off by", f"within {LIMIT_DB:g}")
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


class GuessStep(widgets.VBox):
    """Two panels, one on levels and one on faults.

    Attributes
    ----------
    levels : LevelsGuess
    faults : FaultsGuess
    """

    def __init__(self, song):
        looked = MeasuredStems(song)
        self.levels, self.faults = LevelsGuess(song, looked), FaultsGuess(song, looked)
        self.steps = (self.levels, self.faults)
        super().__init__(self.steps)

    @property
    def said(self):
        """The line of the levels, which come first."""
        return self.levels.said


class MeasuredStems:
    """What was measured for the guesses, and what the page has shown of it.

    Attributes
    ----------
    levels : set of str
        Names of the stems whose levels have been shown.
    findings : bool
        Whether the findings have been.
    """

    def __init__(self, song):
        self._song = song
        self._forget()
        song.watch(self._changed)
        if song.stems:
            self._changed("checked")
        if song.plan is not None:
            self._changed("planned")

    def _forget(self):
        self._stems, self._of, self.levels, self.findings = (), object(), set(), False

    def _changed(self, what):
        if what == "opened":
            self._forget()
        if what in ("checked", "planned"):
            self.levels |= {strip.name for strip in self._song.session.strips}
        self.findings |= what == "checked"

    def ask(self) -> tuple:
        """Return what :func:`_measured` asks for: the song's mark, its stems, and what is known of them."""
        session = self._song.opened()
        known = self._song.stems or tuple(stem for stem in self._stems if stem.name in session.names)
        return self._of, session.strips, known

    def take(self, found) -> tuple:
        """Keep what was measured; returns stems and guesses."""
        of, stems, guesses = found
        if of is not self._of:
            raise GainlibError("another song is on the bench now; compare again")
        self._stems = stems
        return stems, guesses


def _measured(tell, asked, guesses):
    """Return the song's mark, its stems and the guesses; nothing is measured twice."""
    of, strips, known = asked
    return of, known or mix.checkup(strips, tell), guesses


class StemRow(widgets.VBox):
    """A stem to choose, and a field for each figure.

    Parameters
    ----------
    place : int
        Counted from 1.

    Attributes
    ----------
    which : Dropdown
    fields : tuple of NumberEntry
        In the order of the figures; empty at first.
    """

    def __init__(self, place: int):
        self.which = menu(f"Stem {place}:", ())
        self.fields = tuple(
            NumberEntry(f"{each.name.capitalize()} {place}", 0.0, each.unit, each.low, each.high) for each in FIGURES
        )
        for each in self.fields:
            widgets.look(each, width=f"{len(each.description) * 0.5 + 6:.1f}em")  # three beside each other
        super().__init__([row(self.which), row(*self.fields)])
        self.add_class("gl-box")
        self.clear()

    def clear(self) -> None:
        """Empty the fields."""
        for each in self.fields:
            each.value = ""

    def numbers(self) -> tuple[float, ...]:
        """Return the guesses; a field that is empty is named."""
        for each in self.fields:
            if not each.value.strip():
                label = each.description.rstrip(":")
                raise GainlibError(f"{label} is empty; enter what you expect (a rough guess will do)")
        return tuple(each.number() for each in self.fields)


class LevelsGuess(Step):
    """Three stems, their levels as guessed, and as measured.

    Attributes
    ----------
    rows : tuple of StemRow
    calibrated : bool
        Whether the levels of three stems were guessed well enough.
    hear, compare : WorkButton
    """

    def __init__(self, song, looked):
        self._looked, self.calibrated, self._unfit = looked, False, set()
        self.rows = tuple(StemRow(place) for place in range(1, STEMS + 1))
        self.start = NumberEntry("From second", 0.0, "s", 0.0)
        to_hear = (lambda: [song.session.strip(name) for name in self._chosen()], self._start_s)
        self.hear = WorkButton("Hear these stems", _sounds, self._heard, "Reading the stems …", asks=to_hear)
        self.compare = WorkButton(
            "Compare the levels", _measured, self._compared, "Measuring the stems …",
            asks=(looked.ask, self._guessed), button_style="primary",
        )  # fmt: skip
        self.badge, self.result, self._sound = widgets.HTML().add_class("gl-box"), sheet(), widgets.VBox()
        super().__init__(
            song, prose(LEVELS), *self.rows, Slot(self.start, self.hear), self._sound, Slot(self.compare),
            self.badge, self.result,
        )  # fmt: skip
        if looked.levels:
            self._changed("checked")

    def entries(self) -> dict:
        """Return the fields of the rows as well."""
        rows = {f"stem {k}": each.which for k, each in enumerate(self.rows)}
        guesses = {f"guess {k} {n}": field for k, each in enumerate(self.rows) for n, field in enumerate(each.fields)}
        return super().entries() | rows | guesses

    def standing(self) -> dict:
        """Return what is entered, and what the page has shown by then."""
        return super().standing() | {"shown": sorted(self._looked.levels), "findings": self._looked.findings}

    def resume(self, kept: dict) -> None:
        """Enter what was kept, and remember what the page has shown."""
        super().resume(kept)
        self._looked.levels |= set(map(str, kept.get("shown", ())))
        self._looked.findings |= bool(kept.get("findings"))

    def _used(self):
        """Return the rows on the page: fewer than three in a song of fewer stems."""
        return [each for each in self.rows if each.layout.display != "none"]

    def _offer(self):
        """Offer the stems that can be guessed at; a row whose stem has gone gets another one and is emptied."""
        names = [name for name in self.song.stem_names if name not in self._unfit]
        taken = [each.which.value for each in self.rows[: len(names)]]
        free = [name for name in names if name not in taken]
        for place, each in enumerate(self.rows):
            gone = each.which.value not in names
            offer(each.which, names)
            widgets.look(each, display="" if place < len(names) else "none")
            if gone:
                each.clear()
                each.which.value = free.pop(0) if free else None

    def _chosen(self):
        self.song.opened()
        names = [each.which.value for each in self._used()]
        if not names:
            raise GainlibError("no stem of this song has levels to guess; it is silent or too short")
        if None in names:
            raise GainlibError(f"stem {names.index(None) + 1} is not chosen; choose one in its menu")
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise GainlibError(f"{twice} is chosen twice; choose another stem in one of the menus")
        return names

    # ---- by ear ----------------------------------------------------------------------------------------------------

    def _start_s(self):
        start_s = self.start.number()
        if start_s >= self.song.duration_s:
            length = number_text(self.song.duration_s)
            raise GainlibError(f"the song is {length} s long; start before its end")
        return start_s

    def _heard(self, sounds):
        from gainlib.notebook.listen import Player

        self._sound.children = [Player(sounds, match=False, note=NOTE)]
        heard = f"Up to {LENGTH_S:.0f} s from second {self.start.value}"
        self.tell("right", "Ready", f"{heard}. Turn down before you play.")

    # ---- against the measurement -----------------------------------------------------------------------------------

    def _guessed(self):
        return dict(zip(self._chosen(), (each.numbers() for each in self._used()), strict=True))

    def _compared(self, found):
        stems, guesses = self._looked.take(found)
        reasons = {stem.name: why_not(stem) for stem in stems if stem.name in guesses}
        unfit = {name: why for name, why in reasons.items() if why}
        if unfit:
            self._replace(unfit)
        else:
            self._show(compare_levels(guesses, stems))

    def _replace(self, unfit):
        self._unfit |= set(unfit)
        self._offer()
        why = "; ".join(f"{name} {reason}" for name, reason in unfit.items())
        text = "Another stem has taken its place: enter its figures, then compare again."
        self.tell("note", "Not compared", f"{why}. {text} You have not been shown any level.")

    def _show(self, guesses):
        names = dict.fromkeys(guess.strip for guess in guesses)
        before = [name for name in names if name in self._looked.levels]
        self._looked.levels |= set(names)
        self.result.value = Table(
            "Your guesses and what was measured", HEADS, map(_guess_row, guesses), (2, 3, 4)
        ).html()
        near = ", ".join(f"{what} {hits} of {len(names)}" for what, hits in near_by_figure(guesses).items())
        text = f"Within {LIMIT_DB:g} dB (loudness: {LIMIT_DB:g} LU): {near}."
        if before:
            what = f"The levels of {', '.join(before)} had"
            self.tell("note", "Compared", f"{text} {what} been on the page before, so this does not count.")
        elif calibrated(guesses):
            self._award(names)
            self.tell("right", "On target", text)
        elif len(names) < STEMS:
            self.tell("note", "Compared", f"{text} You need {STEMS} stems to be on target.")
        else:
            wanted = f"You need {ENOUGH} of {STEMS} for each; try others, whose levels you have not seen."
            self.tell("note", "Not on target yet", f"{text} {wanted}")

    def _award(self, names):
        self.calibrated = True
        self.badge.value = f"<b>✓ On target</b> on {html.escape(', '.join(names))}"
        widgets.look(self.badge, display="")

    def _changed(self, what):
        if what == "opened":
            self._unfit, self.calibrated = set(), False
            widgets.look(self.badge, display="none")
            self.empty(self._sound, self.result)
            for each in self.rows:
                each.which.options = ()
            self._offer()
            self.note("Open a song first." if self.song.session is None else "")
        elif what == "stems":
            self._sound.children = []
            self._offer()
        elif what in ("checked", "planned") and not self.result.value:
            text = "The levels of the stems are on the page now. You can still guess, but it does not count."
            self.beside(self.compare, lambda: self.tell("note", "", text))
        self.noted()


def _guess_row(guess):
    figure = guess.figure
    values = (level_text(value, figure.unit, signed=False) for value in (guess.guessed, guess.measured))
    off = level_text(guess.off, figure.apart)
    return (guess.strip, figure.name, *values, off, "yes" if guess.near else "no")


def _sounds(tell, strips, start_s):
    sounds = {}
    for done, strip in enumerate(strips):
        tell("Reading stems: {done} of {total}", done, len(strips))
        rate = strip.audio.rate_hz
        first = round(start_s * rate)
        stretch = stretch_of(strip.audio, first, first + round(LENGTH_S * rate))
        sounds[strip.name] = Audio(np.concatenate(list(stretch.blocks())), rate, strip.name)
    return sounds


class FaultsGuess(Step):
    """A list of faults, and how it differs from that of the detectors.

    Attributes
    ----------
    which, what : Dropdown
    listed : list of (str, str)
        Strip and tag.
    ticks : list of Checkbox
        One for each difference.
    seen : LiveRegion
        How many of them have been looked at.
    put_on, compare : WorkButton
    """

    def __init__(self, song, looked):
        self._looked, self.listed, self.ticks, self._found = looked, [], [], None
        self.which = menu("Stem with a fault:", ())
        self.what = menu("Fault:", [(f"{tag}: {words}", tag) for tag, words in FAULTS.items()], "too hot")
        widgets.look(self.what, max_width="97%")
        self.put_on = WorkButton("Put it on my list", self._put_on)
        self.compare = WorkButton(
            "Compare the lists", _measured, self._compared, "Measuring the stems …",
            asks=(looked.ask, lambda: tuple(self.listed)), button_style="primary",
        )  # fmt: skip
        self._mine, self.agreed, self._differences, self.seen = row(), sheet(), widgets.VBox(), LiveRegion()
        super().__init__(
            song, prose(LISTS), Slot(self.which, self.what, self.put_on), self._mine, Slot(self.compare), self.agreed,
            self._differences, self.seen,
        )  # fmt: skip
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

    def _put_on(self):
        self.song.opened()
        key = (self.which.value, self.what.value)
        if key in self.listed:
            raise GainlibError(f"{key[0]}: {key[1]} is on your list already; choose another fault or another stem")
        self.listed.append(key)
        self._list()

    def _take_off(self, key):
        self.listed.remove(key)
        self._list()
        self.put_on.focus()

    def _list(self):
        """Show the list: a button for each, which takes it off."""
        offered = {key: f"Take off {key[0]}: {key[1]}" for key in self.listed}
        self._mine.children = [self.make_button(text, partial(self._take_off, key)) for key, text in offered.items()]
        text = f"{count(len(self.listed), 'fault')} on your list." if self.listed else "Your list is empty."
        self.tell("note", "", text, of=self.put_on)
        self.noted()

    # ---- against the detectors -------------------------------------------------------------------------------------

    def _compared(self, found):
        stems, listed = self._looked.take(found)
        here = {stem.name for stem in stems}
        late = self._looked.findings
        self._found = compare_faults([key for key in listed if key[0] in here], stems)
        if not self.song.stems:
            self.song.check(stems)
        rows = [(strip, tag, "found" if sure else "possible") for strip, tag, sure in self._found.agreed]
        self.agreed.value = Table("On both lists", ("stem", "what", "how sure"), rows).html() if rows else ""
        self.ticks = [tick(f"Looked at: {each.strip}, {each.tag}") for each in self._found.differences]
        self._differences.children = self.boxes(map(_box, self._found.differences), self.ticks, self._count)
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
        seen, all_of_them = sum(each.value for each in self.ticks), len(self.ticks)
        if not self.ticks:
            self.seen.say()
        elif seen < all_of_them:
            self.seen.say("note", "", f"{seen} of {all_of_them} looked at.")
        else:
            self.seen.say("right", "All looked at", f"{all_of_them} of {all_of_them}.")

    def _changed(self, what):
        if what == "opened":
            self.listed, self.ticks, self._found = [], [], None
            self.empty(self._mine, self._differences, self.agreed)
            self.seen.say()
        if what in ("opened", "stems"):
            self._offer()
            self.noted()
        if what == "opened":
            self.note("Open a song first." if self.song.session is None else "Your list is empty.")
        elif what == "checked" and self._found is None:
            text = "Step 2 shows its findings now. You can still compare, but it does not count."
            self.beside(self.compare, lambda: self.tell("note", "", text))

    def _offer(self):
        offer(self.which, self.song.stem_names)
        kept = [key for key in self.listed if key[0] in self.song.stem_names]
        if kept != self.listed:
            self.listed = kept
            self._list()


def _box(difference):
    title = f"{difference.strip} · {difference.tag}"
    head = f'<span class="gl-box-title">{html.escape(title)}</span>: {KINDS[difference.kind]}.'
    return f"{head}<br>{html.escape(sentence(difference.evidence))}"
