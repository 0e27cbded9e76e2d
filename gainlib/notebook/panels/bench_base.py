"""What the steps of the bench share: work with a bar and a stop, fields with their labels in full, tables in words."""

import asyncio
import html
import re
from collections.abc import Callable, Collection, Iterable
from contextlib import suppress

import ipywidgets as widgets
from traitlets import TraitError

from gainlib.audio import GainlibError
from gainlib.exercises.text import Unreadable, parse_number
from gainlib.notebook import assets
from gainlib.notebook.bench_work import Stopped
from gainlib.notebook.errors import Panel, Progress
from gainlib.notebook.prose import LiveRegion, style

AUTO = {"width": "auto"}
MARKS = re.compile(r"[\\\\`*_\[\]<>#$~|]")  # what Markdown would obey
FULL = {"style": {"description_width": "initial"}}


class StepLine(LiveRegion):
    """The line of a step; it brings the look of its fields along, on whichever page the step is."""

    _css = style() + assets.style("bench")


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
        self.said, self.inside, self.progress = StepLine(), inside, Progress()
        self.halt = button("Stop", tooltip="End this; nothing is changed")
        self.progress.widget.children += (self.halt,)
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
        self.song, self._noted = song, lambda: None
        self._slots = [each for each in children if isinstance(each, Slot)] or [Slot()]
        self._slot = self._slots[0]
        super().__init__(*children, *([] if self._slot in children else [self._slot]))
        self.add_class("gl-form").add_class("gl-bench")
        for slot in self._slots:
            slot.halt.on_click(self.guarded(lambda _button, slot=slot: self._stop(slot)))

    # ---- to be kept ------------------------------------------------------------------------------------------------

    shows_song = ()
    """Names of fields that show the song itself, which is kept anyway."""

    def entries(self) -> dict[str, widgets.Widget]:
        """Return the fields whose entries are kept, by name."""
        kinds = widgets.Text | widgets.Dropdown | widgets.Checkbox
        return {n: each for n, each in vars(self).items() if isinstance(each, kinds) and n not in self.shows_song}

    def standing(self) -> dict:
        """Return what is entered, as JSON."""
        return {name: each.value for name, each in self.entries().items()}

    def resume(self, kept: dict) -> None:
        """Enter what was kept; what cannot be chosen any more is left out."""
        for name, each in self.entries().items():
            if kept.get(name) is not None:
                with suppress(TraitError):
                    each.value = kept[name]

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back whenever something is entered."""
        self._noted = callback
        for each in self.entries().values():
            each.observe(lambda _change: callback(), "value")

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

    def action(
        self,
        pressed: widgets.Button,
        work: Callable,
        done: Callable,
        text: str,
        ask: Callable = lambda: (),
        sure: Callable[[Callable], None] = lambda begin: begin(),
    ) -> Callable[[], None]:
        """Give a button long work.

        Parameters
        ----------
        pressed : Button
        work : callable
            ``work(tell, *asked)`` runs in a thread and touches no widget; ``tell(label, done, total)`` reports.
        done : callable
            ``done(result)`` shows what came out, or takes it.
        text : str
            What stands there meanwhile.
        ask : callable
            ``ask()`` reads the fields first; returns a tuple.
        sure : callable
            ``sure(begin)`` calls ``begin()``, after a question where something is thrown away.

        Returns
        -------
        callable
            Does the same at once, as in a script.
        """

        def asked():
            self._slot = self._slot_of(pressed)
            return self._tried(ask)

        def begin():
            found = asked()
            if found is None:
                return
            slot, name = self._slot, text.rstrip(" …")
            try:
                self.song.work.later(
                    name, lambda tell: work(tell, *found), lambda future: self._ended(slot, future, done), slot.progress
                )
            except GainlibError as problem:
                self.tell("wrong", "Not now", f"{problem}.")
                return
            self.tell("busy", text)
            slot.progress.of(text).__enter__()

        def now():
            found = asked()
            if found is not None:
                self._tried(lambda: self.song.work.now(lambda tell: work(tell, *found), done))

        pressed.on_click(self.guarded(lambda _button: sure(self.guarded(lambda: begin() if _loop() else now()))))
        return now

    def at_once(self, pressed: widgets.Button, work: Callable[[], None]) -> None:
        """Give a button work that takes no time."""

        def do(_button):
            self._slot = self._slot_of(pressed)
            self._tried(work)

        pressed.on_click(self.guarded(do))

    def _stop(self, slot):
        self.song.work.stop()
        slot.progress.text.value = "Stopping at the end of this piece …"

    def _ended(self, slot, future, done):
        slot.progress.__exit__(None, None, None)
        self._slot = slot
        self.guarded(lambda: self._tried(lambda: done(future.result())))()

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


def _loop():
    try:
        return asyncio.get_running_loop()
    except RuntimeError:
        return None


def button(text: str, **kwargs) -> widgets.Button:
    """Return a button as wide as its words."""
    return widgets.Button(description=text, layout=dict(AUTO), **kwargs)


def row(*children) -> widgets.HBox:
    """Return widgets in a row that wraps."""
    return widgets.HBox(list(children)).add_class("gl-buttons")


def entry(text: str, **kwargs) -> widgets.Text:
    """Return a wide text field with its label in full; it gives its text when it is left."""
    layout = {"width": "min(52em, 97%)"}
    return widgets.Text(description=text, continuous_update=False, layout=layout, **FULL, **kwargs)


def menu(text: str, options, value=None, **kwargs) -> widgets.Dropdown:
    """Return a menu with its label in full."""
    return widgets.Dropdown(description=text, options=options, value=value, layout=dict(AUTO), **FULL, **kwargs)


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
        super().__init__(_typed(value), description=shown, continuous_update=False, layout=layout, **FULL)

    def number(self) -> float:
        """Return the number; what is none, or out of range, is refused with what would do."""
        limits = f"{_typed(self._low)} to {_typed(self._high)} {self._unit}".strip()
        try:
            found = parse_number(self.value, self._unit)
        except Unreadable as problem:
            raise GainlibError(f"{self._what}: {str(problem).rstrip('.')}") from None
        if not self._low <= found <= self._high:
            raise GainlibError(f"{self._what}: {self.value} is out of range; give {limits}")
        return found

    def show(self, value: float) -> None:
        """Enter a number."""
        self.value = _typed(value)


def _typed(value):
    return f"{value:.6g}".replace("-", "−")


def table(caption: str, heads: Iterable[str], rows: Iterable[Iterable[str]], figures: Collection[int] = ()) -> str:
    """Return a table as HTML; all text in it is shown, not obeyed.

    Parameters
    ----------
    caption : str
    heads : iterable of str
    rows : iterable of iterable of str
        The first cell names its row.
    figures : collection of int
        Columns that hold numbers.

    Examples
    --------
    >>> "<b>" in table("Stems", ("stem", "peak"), [("<b>", "−1.0")], {1})
    False
    """

    def cell(column, text):
        return f"<td{' class=gl-figure' if column in figures else ''}>{html.escape(str(text))}</td>"

    def head(column, text):
        return f'<th scope="col"{" class=gl-figure" if column in figures else ""}>{html.escape(text)}</th>'

    top = "".join(head(column, text) for column, text in enumerate(heads))

    def line(first, rest):
        cells = "".join(cell(column, text) for column, text in enumerate(rest, 1))
        return f'<tr><th scope="row">{html.escape(str(first))}</th>{cells}</tr>'

    body = "".join(line(first, rest) for first, *rest in rows)
    title = f"<caption>{html.escape(caption)}</caption>"
    return f"<table>{title}<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def listed(title: str, sentences: Iterable[str]) -> str:
    """Return sentences under a title as HTML, or nothing."""
    items = "".join(f"<li>{html.escape(each)}</li>" for each in sentences)
    return f"<p><b>{html.escape(title)}</b></p><ul>{items}</ul>" if items else ""


def sheet() -> widgets.HTML:
    """Return a place for tables and lists."""
    return widgets.HTML().add_class("gl-score").add_class("gl-wide")
