"""Between the first two steps of the bench, for who likes: guesses at levels and at faults, before they are measured.

Nothing here is graded and nothing waits for it. A guess counts as long as the page has not shown the answer.
"""

import html

import ipywidgets as widgets

from gainlib.audio import Audio, GainlibError
from gainlib.mix.guesses import (
    ENOUGH,
    FIGURES,
    LIMIT_DB,
    STEMS,
    calibrated,
    compare_levels,
    near_by_figure,
    why_not,
)
from gainlib.notebook.panels.bench_base import NumberEntry, Slot, Step, button, menu, offer, row, sheet, table
from gainlib.notebook.panels.bench_faults import FaultsGuess
from gainlib.notebook.panels.bench_looked import MeasuredStems, measured
from gainlib.notebook.prose import prose
from gainlib.words import level_text, number_text

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


class GuessStep(widgets.VBox):
    """Two panels, one on levels and one on faults.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

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
            each.layout.width = f"{len(each.description) * 0.5 + 6:.1f}em"  # three beside each other
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

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song
    looked : MeasuredStems

    Attributes
    ----------
    rows : tuple of StemRow
    calibrated : bool
        Whether the levels of three stems were guessed well enough.
    hear, compare : callable
        What the buttons do, at once.
    """

    def __init__(self, song, looked):
        self._looked, self.calibrated, self._unfit = looked, False, set()
        self.rows = tuple(StemRow(place) for place in range(1, STEMS + 1))
        self.start, self.listen = NumberEntry("From second", 0.0, "s", 0.0), button("Hear these stems")
        self.measure = button("Compare the levels", button_style="primary")
        self.badge, self.result, self._sound = widgets.HTML().add_class("gl-box"), sheet(), widgets.VBox()
        super().__init__(
            song, prose(LEVELS), *self.rows, Slot(self.start, self.listen), self._sound, Slot(self.measure),
            self.badge, self.result,
        )  # fmt: skip
        self.hear = self.action(self.listen, _sounds, self._heard, "Reading the stems …", self._to_hear)
        self.compare = self.action(self.measure, measured, self._compared, "Measuring the stems …", self._guessed)
        song.watch(self._changed)
        self._changed("opened")
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
        session = self.song.session
        strips = session.strips if session is not None else ()
        names = [strip.name for strip in strips if strip.name not in self._unfit]
        taken = [each.which.value for each in self.rows[: len(names)]]
        free = [name for name in names if name not in taken]
        for place, each in enumerate(self.rows):
            gone = each.which.value not in names
            offer(each.which, names)
            each.layout.display = "" if place < len(names) else "none"
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

    def _to_hear(self):
        names, start_s = self._chosen(), self.start.number()
        if start_s >= self.song.duration_s:
            length = number_text(self.song.duration_s)
            raise GainlibError(f"the song is {length} s long; start before its end")
        return [self.song.session.strip(name) for name in names], start_s

    def _heard(self, sounds):
        from gainlib.notebook.listen import Player

        self._sound.children = [Player(sounds, match=False, note=NOTE)]
        self.tell(
            "right", "Ready", f"Up to {LENGTH_S:.0f} s from second {self.start.value}. Turn down before you play."
        )

    # ---- against the measurement -----------------------------------------------------------------------------------

    def _guessed(self):
        names = self._chosen()
        return self._looked.ask(dict(zip(names, (each.numbers() for each in self._used()), strict=True)))

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
        text = (
            f"{why}. Another stem has taken its place: enter its figures, then compare again. You have not been shown "
            f"any level."
        )
        self.tell("note", "Not compared", text)

    def _show(self, guesses):
        names = dict.fromkeys(guess.strip for guess in guesses)
        before = [name for name in names if name in self._looked.levels]
        self._looked.levels |= set(names)
        self._noted()
        self.result.value = table("Your guesses and what was measured", HEADS, map(_guess_row, guesses), (2, 3, 4))
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
        self.badge.layout.display = ""

    def _changed(self, what):
        if what == "opened":
            self._unfit, self.calibrated, self._sound.children = set(), False, []
            self.result.value, self.badge.layout.display = "", "none"
            for each in self.rows:
                each.which.options = ()
            self._offer()
            self.note("Open a song first." if self.song.session is None else "")
        elif what == "stems":
            self._sound.children = []
            self._offer()
        elif what in ("checked", "planned") and not self.result.value:
            text = "The levels of the stems are on the page now. You can still guess, but it does not count."
            self._slot = self._slot_of(self.measure)
            self.tell("note", "", text)
        self._noted()


def _guess_row(guess):
    figure = guess.figure
    values = (level_text(value, figure.unit, sign=False) for value in (guess.guessed, guess.measured))
    off = level_text(guess.off, figure.apart)
    return (guess.strip, figure.name, *values, off, "yes" if guess.near else "no")


def _sounds(tell, strips, start_s):
    import numpy as np

    from gainlib.mix.live import Stretch

    sounds = {}
    for done, strip in enumerate(strips):
        tell("Reading stems: {done} of {total}", done, len(strips))
        rate = strip.audio.rate_hz
        first = round(start_s * rate)
        stretch = Stretch(strip.audio, first, first + round(LENGTH_S * rate))
        sounds[strip.name] = Audio(np.concatenate(list(stretch.blocks())), rate, strip.name)
    return sounds
