"""What the steps of the bench and of the round trip are made of: buttons with their work, fields, tables in words."""

import html
import logging
import math
import operator
import re
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from typing import Any

import msgspec
import numpy as np
from traitlets import TraitError

from gainlib.audio import GainlibError
from gainlib.exercises.text import Unreadable, parse_number
from gainlib.mix.paths import pasted_path
from gainlib.notebook import widgets
from gainlib.notebook.background import Stopped, running_loop
from gainlib.notebook.errors import Panel, Progress, button, row
from gainlib.notebook.prose import LiveRegion
from gainlib.words import number

AUTO = {"width": "auto"}
MARKS = re.compile(r"[\\\\`*_\[\]<>#$~|]")  # what Markdown would obey
FULL = {"style": {"description_width": "initial"}}
UNDO_STEPS = 200
log = logging.getLogger(__name__)


class StepLine(LiveRegion):
    """The line of a step; it brings the look of its fields along, on whichever page the step is."""

    FILES = (*LiveRegion.FILES, "bench.css")


class WorkButton(widgets.Button):
    """A button with its work: pressed, it is done in a thread with a bar beside it; called, at once, as in a script.

    Parameters
    ----------
    text : str
        On the button.
    work : callable
        ``work(tell, *asked)`` touches no widget; ``tell(label, done, total)`` reports.
    done : callable, optional
        ``done(found)`` shows what came out, or takes it. Without it ``work()`` takes no time and is all there is.
    busy : str
        What stands there meanwhile.
    asks : iterable of callable or widget
        What is read first, in this order: what a call returns, what a menu or a box to tick has.
    wipes : callable, optional
        ``wipes()`` takes what came out last off the page; else what is refused would stand over the figures of another.
    sure : callable
        ``sure(begin)`` calls ``begin()``, after a question where something is thrown away.
    keeps : (str, type), optional
        What came out stands there again after a reload: its name among what is kept, and its type.

    Attributes
    ----------
    found : object
        What came out last, where it is to be kept.
    """

    def __init__(
        self,
        text: str,
        work: Callable,
        done: Callable | None = None,
        busy: str = "",
        *,
        asks: Iterable = (),
        wipes: Callable[[], None] | None = None,
        sure: Callable[[Callable], None] = lambda begin: begin(),
        keeps: tuple[str, Any] | None = None,
        **look,
    ):
        super().__init__(description=text, layout=AUTO, **look)
        self.work, self.done, self.busy, self._asks, self._wipes = work, done, busy, asks, wipes
        self.sure, self.keeps, self.found, self.step = sure, keeps, None, None

    def __call__(self) -> None:
        """Do it here and now, unasked."""
        self.step.do(self, here=True)

    def asked(self) -> tuple:
        """Return what the work is to be done with."""
        if self._wipes is not None:
            self.found = None
            self._wipes()
            self.step.noted()
        return tuple(each() if callable(each) else each.value for each in self._asks)


class Slot(widgets.VBox):
    """Widgets in a row, and under them the place where what their buttons do is reported: a bar, and a line.

    Parameters
    ----------
    *inside : widgets

    Attributes
    ----------
    progress : Progress
        The bar, with a button that stops the work.
    said : LiveRegion
        The line.
    """

    def __init__(self, *inside: widgets.Widget):
        self.halt = button("Stop", tooltip="End this; nothing is changed")
        self.said, self.inside, self.progress = StepLine(), inside, Progress(self.halt)
        super().__init__([*([row(*inside)] if inside else []), self.progress.widget, self.said])


class Step(Panel):
    """A step of the bench: its widgets, with a :class:`Slot` for each piece of work.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song
        What lies on the bench.
    *children : widgets
        From the top.

    Attributes
    ----------
    said : LiveRegion
        The line that speaks now.
    """

    def __init__(self, song, *children):
        self.song, self.noted, self.past = song, lambda: None, []
        self._slots = [each for each in children if isinstance(each, Slot)] or [Slot()]
        self._slot = self._slots[0]
        super().__init__(*children, *([] if self._slot in children else [self._slot]))
        self.add_class("gl-form").add_class("gl-bench")
        for slot in self._slots:
            slot.halt.on_click(self.guarded(lambda _button, slot=slot: self._stop(slot)))
        self._buttons = [each for slot in self._slots for each in slot.inside if isinstance(each, WorkButton)]
        for own in self._buttons:
            own.step = self
            begin = self.guarded(lambda own=own: self.do(own))
            own.on_click(self.guarded(lambda _button, own=own, begin=begin: own.sure(begin)))
        song.watch(self._changed)
        self._changed("opened")

    def _changed(self, what: str) -> None:
        """Follow the song, which was "opened", "checked", "planned", or has other "stems", "chains" and the like."""

    # ---- to be kept ------------------------------------------------------------------------------------------------

    shows_song = ()
    """Names of fields that show the song itself, which is kept anyway."""

    def entries(self) -> dict[str, widgets.Widget]:
        """Return the fields whose entries are kept, by name."""
        kinds = widgets.Text | widgets.Dropdown | widgets.Checkbox
        return {n: each for n, each in vars(self).items() if isinstance(each, kinds) and n not in self.shows_song}

    def standing(self) -> dict:
        """Return what is entered and what came out, as JSON."""
        found = {own.keeps[0]: to_kept(own.found) for own in self._buttons if own.keeps}
        return {name: each.value for name, each in self.entries().items()} | found

    def resume(self, kept: dict) -> None:
        """Enter what was kept, and show what came out last; what does not fit any more is left out."""
        for name, each in self.entries().items():
            if kept.get(name) is not None:
                with suppress(TraitError):
                    each.value = kept[name]
        for own in self._buttons:
            found = from_kept(own.keeps[1] | None, kept.get(own.keeps[0])) if own.keeps else None
            if found is not None:
                self._slot = self._slot_of(own)
                self._came(own, found)

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back whenever something is entered."""
        self.noted = callback
        for each in self.entries().values():
            each.observe(lambda _change: callback(), "value")

    # ---- what can be taken back ------------------------------------------------------------------------------------

    def remember(self, now: Any, fresh: bool, same: Callable[[Any, Any], bool] = operator.eq) -> None:
        """Note where all stands, if it is new: where it began and the last moves stay, a `fresh` one ends the past."""
        self.past = [] if fresh else self.past
        if not (self.past and same(self.past[-1], now)):
            self.past = [*self.past[:1], *[*self.past[1:], now][-UNDO_STEPS:]]

    # ---- what is said ----------------------------------------------------------------------------------------------

    @property
    def said(self) -> LiveRegion:
        """The line that speaks now."""
        return self._slot.said

    def tell(self, state: str, word: str = "", text: str = "", of: widgets.Widget | None = None) -> None:
        """Say how it went, where the work is reported now or beside a button; names and paths are shown as they are."""
        said = self.said if of is None else self._slot_of(of).said
        said.say(state, word, MARKS.sub(r"\\\g<0>", text))

    def note(self, text: str) -> None:
        """Say something in the first place, and nothing in the others: the song has changed."""
        for slot in self._slots:
            slot.said.say()
        self._slot = self._slots[0]
        self.tell("note", "", text)

    def _slot_of(self, pressed):
        return next((slot for slot in self._slots if pressed in slot.inside), self._slots[0])

    # ---- what is done ----------------------------------------------------------------------------------------------

    def do(self, pressed: WorkButton, here: bool = False) -> None:
        """Do the work of a button: in a thread where the page waits for it, else here and now."""
        if pressed.done is None:
            self.beside(pressed, pressed.work)
            return
        asked, slot = self.beside(pressed, pressed.asked), self._slot
        if asked is None:
            return

        def work(tell):
            return pressed.work(tell, *asked)

        if here or running_loop() is None:
            self._tried(lambda: self.song.work.now(work, lambda found: self._came(pressed, found)))
            return
        try:
            self.song.work.later(pressed.busy.rstrip(" …"), work, partial(self._ended, pressed, slot), slot.progress)
        except GainlibError as problem:
            self.tell("wrong", "Not now", f"{problem}.")
            return
        self.tell("busy", pressed.busy)
        slot.progress.of(pressed.busy).__enter__()

    def beside(self, pressed: widgets.Widget, work: Callable) -> Any:
        """Return what work returns that takes no time; it reports beside a button."""
        self._slot = self._slot_of(pressed)
        return self._tried(work)

    @staticmethod
    def empty(*places: widgets.Widget) -> None:
        """Take everything off the page that stands in some places: tables, or pictures and players."""
        for each in places:
            if isinstance(each, widgets.HTML):
                each.value = ""
            else:
                each.children = []

    def boxes(self, lines: Iterable[str], fields: Iterable, told: Callable, under: bool = True) -> list[widgets.VBox]:
        """Return a box for every line of HTML with its field under it, or over it; ``told()`` after every entry."""
        made = []
        for line, each in zip(lines, fields, strict=True):
            each.observe(self.guarded(lambda _change: told()), "value")
            pair = widgets.HTML(line), each
            made.append(widgets.VBox(pair if under else pair[::-1]).add_class("gl-box"))
        return made

    def _stop(self, slot):
        self.song.work.stop()
        if slot.progress.text is not None:  # else the bar is not there yet, and what ends sooner shows none
            slot.progress.text.value = "Stopping at the end of this piece …"

    def _ended(self, pressed, slot, future):
        slot.progress.__exit__(None, None, None)
        self._slot = slot
        self.guarded(lambda: self._tried(lambda: self._came(pressed, future.result())))()

    def _came(self, pressed, found):
        if pressed.keeps:
            pressed.found = found
        pressed.done(found)
        self.noted()

    def _tried(self, work):
        """Return what work returns; what it cannot do is said here as a sentence, and gives None."""
        try:
            return work()
        except Stopped:
            self.tell("note", "Stopped", "Nothing was changed, and nothing half-done is left.")
        except (GainlibError, Unreadable) as problem:
            self.tell("wrong", "Not done", f"{str(problem).rstrip('.')}.")
        except Exception:
            self.tell("wrong", "Not done", "")
            raise
        return None


# ---- what came out, over a reload ------------------------------------------------------------------------------------


def to_kept(found: Any) -> Any:
    """Return what came out as JSON; what is no finite number becomes text."""

    def written(value):
        if isinstance(value, dict):
            return {str(key): written(each) for key, each in value.items()}
        if isinstance(value, list | tuple):
            return [written(each) for each in value]
        return repr(value) if isinstance(value, float) and not math.isfinite(value) else value

    return written(msgspec.to_builtins(found, enc_hook=lambda value: value.tolist()))


def from_kept(kind: Any, kept: Any) -> Any:
    """Return what was kept, of some type; None where it does not fit any more.

    Examples
    --------
    >>> from_kept(dict[float, float], to_kept({63.0: -math.inf, 125.0: np.float64(-70.5)}))
    {63.0: -inf, 125.0: -70.5}
    """
    try:
        return msgspec.convert(kept, kind, strict=False, dec_hook=lambda _kind, values: np.array(values, float))
    except (msgspec.ValidationError, ValueError, TypeError) as problem:
        log.warning("what was read last does not fit any more (%s)", problem)
        return None


# ---- widgets ---------------------------------------------------------------------------------------------------------


class Entry(widgets.Text):
    """A wide text field with its label in full; it gives its text when it is left.

    Parameters
    ----------
    text : str
        Its label.
    what : str
        What path it wants, for an error.
    """

    def __init__(self, text: str, what: str = "a path", **kwargs):
        self._what, layout = what, {"width": "min(52em, 97%)"}
        super().__init__(description=text, continuous_update=False, layout=layout, **FULL, **kwargs)

    def path(self):
        """Return the path that was pasted; an empty field is refused."""
        return pasted_path(self.value, self._what)

    def path_or_none(self):
        """Return the path that was pasted, None where the field is empty."""
        return self.path() if self.value.strip() else None


def menu(text: str, options, value=None, **kwargs) -> widgets.Dropdown:
    """Return a menu with its label in full."""
    return widgets.Dropdown(description=text, options=options, value=value, layout=AUTO, **FULL, **kwargs)


def offer(which: widgets.Dropdown, names: list[str]) -> None:
    """Offer other names in a menu; what was chosen stays chosen, where it is still there."""
    chosen = which.value
    which.options = names
    which.value = chosen if chosen in names else names[0] if names else None


class NumberEntry(widgets.Text):
    """A short field for a number; takes a comma or a point, any minus sign, and the unit.

    Parameters
    ----------
    label : str
        What it is, for the eye and for an error.
    value : float
        Where it starts.
    unit : str
        Behind the label.
    low, high : float
        What is taken.

    Examples
    --------
    >>> field = NumberEntry("True peak of the bus", -6.0, "dBTP", -60.0, 6.0)
    >>> field.value = "−3,5 dB"
    >>> field.number()
    -3.5
    """

    def __init__(self, label: str, value: float, unit: str = "", low: float = -1e9, high: float = 1e9):
        self._what, self._unit, self._low, self._high = label, unit, low, high
        shown = f"{label} ({unit}):" if unit else f"{label}:"
        layout = {"width": f"{len(shown) * 0.58 + 7:.1f}em"}
        super().__init__(number(value), description=shown, continuous_update=False, layout=layout, **FULL)

    def number(self) -> float:
        """Return the number; what is none, or out of range, is refused with what would do."""
        return number_in(self.value, self._what, self._unit, self._low, self._high)

    def show(self, value: float) -> None:
        """Enter a number."""
        self.value = number(value)


def number_in(text: str, what: str, unit: str, low: float, high: float) -> float:
    """Return a number that was typed; what is none, or out of range, is refused with what would do."""
    try:
        found = parse_number(text, unit)
    except Unreadable as problem:
        raise GainlibError(f"{what}: {str(problem).rstrip('.')}") from None
    if not low <= found <= high:
        raise GainlibError(f"{what}: {text} is out of range; give {f'{number(low)} to {number(high)} {unit}'.strip()}")
    return found


def listed(title: str, sentences: Iterable[str]) -> str:
    """Return sentences under a title as HTML, or nothing."""
    items = "".join(f"<li>{html.escape(each)}</li>" for each in sentences)
    return f"<p><b>{html.escape(title)}</b></p><ul>{items}</ul>" if items else ""


def sheet() -> widgets.HTML:
    """Return a place for tables and lists."""
    return widgets.HTML().add_class("gl-score").add_class("gl-wide")


def tick(text: str, value: bool = False) -> widgets.Checkbox:
    """Return a box to tick, as wide as its words."""
    return widgets.Checkbox(value, description=text, indent=False, layout=AUTO)
