"""Fields for the parts of an exercise: one kind of field for each kind of part.

A field shows a label, takes an answer and gives it back as the part's JSON, or None while nothing was entered. It
judges nothing: an unreadable entry is handed on as it is, because the marking says best what was expected.
"""

import asyncio
import html
import time
from collections.abc import Callable, Iterable
from itertools import zip_longest
from typing import Any

from gainlib.audio import GainlibError
from gainlib.notebook import widgets
from gainlib.notebook.errors import entry, soon
from gainlib.notebook.prose import prose

WIDE = {"width": "100%", "max_width": "860px"}
BEHIND_S = 0.4
SHORT = 16  # characters; options no longer than that stand side by side
_CHOOSE = "choose …"


class Field:
    """Base of the fields.

    Attributes
    ----------
    widget : ipywidgets.Widget
        Display this.
    """

    widget: widgets.Widget
    moved_at = ""
    """When what is answered with was moved last, where something else keeps it."""
    _inputs: Iterable[widgets.Widget] = ()

    def _frame(self, label, rows):
        """Put rows of inputs under their label."""
        self._inputs = list(rows)
        self.widget = widgets.VBox([prose(label), *self._inputs], _dom_classes=("gl-field",))

    def value(self) -> Any:
        """Return the entry as the part's JSON, or None while there is none."""
        raise NotImplementedError

    def standing(self) -> Any:
        """Return what is entered so far as JSON to be kept, or None while there is nothing."""
        return self.value()

    def resume(self, kept: Any) -> None:
        """Enter what :meth:`standing` once returned."""
        self.show(kept)

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back whenever something is entered, with every letter."""
        for each in self._inputs:
            each.observe(lambda _change: callback(), "value")

    def show(self, value: Any) -> None:
        """Enter a value that :meth:`value` once returned; None empties the field."""
        raise NotImplementedError

    def on_enter(self, callback: Callable[[], None]) -> None:
        """Call back when the learner presses Enter, where the kind of field has such a thing."""

    def focus(self) -> None:
        """Put the keyboard's focus on it."""
        for each in list(self._inputs)[:1]:
            each.focus()


class NumberField(Field):
    """A line for a number, with its unit behind it; takes a comma or a point, any minus sign, and the unit."""

    def __init__(self, part, given: dict):
        self._line = number_line(part.label_for(given) or "Your answer", part.unit)
        self._inputs = [self._line]
        self.widget = widgets.HBox([self._line, widgets.Label(part.unit)]).add_class("gl-field")

    def value(self) -> str | None:
        """Return the text as typed, or None."""
        return self._line.value.strip() or None

    def show(self, value: Any) -> None:
        """Enter a number or a text."""
        self._line.value = "" if value is None else str(value).replace("-", "−")

    def standing(self) -> str | None:
        """Return the text to the letter, or None."""
        return self._line.value or None

    def resume(self, kept: Any) -> None:
        """Enter a text to the letter."""
        self._line.value = str(kept or "")

    def on_enter(self, callback: Callable[[], None]) -> None:
        """Call back on the Enter key.

        The page may tell of the key ahead of the last letter, so that is waited for; where it stands there already,
        nothing comes, and the wait ends by itself.
        """
        waiting = []

        def enter(*_):
            if waiting:
                waiting.pop().cancel()
                callback()

        def pressed(_widget, content, _buffers):
            if content.get("event") != "submit" or waiting:
                return
            try:
                waiting.append(asyncio.get_running_loop().call_later(BEHIND_S, enter))
            except RuntimeError:  # a script: the text was there first
                callback()

        self._line.on_msg(pressed)
        self._line.observe(enter, "value")


class ChoiceField(Field):
    """One of several options; none is chosen at first."""

    def __init__(self, part, given: dict):
        options = part.options_for(given)
        self._keys = [option.key for option in options]
        named, label = [(option.text, option.key) for option in options], part.label_for(given) or "Choose one"
        self._radio = widgets.RadioButtons(options=named, index=None, layout=WIDE, tooltip=label)
        if all(len(option.text) <= SHORT for option in options):
            self._radio.add_class("gl-across")
        self._frame(label, [self._radio])

    def value(self) -> str | None:
        """Return the key of the chosen option, or None."""
        return self._radio.value

    def show(self, value: Any) -> None:
        """Choose an option by key; any other value chooses none."""
        self._radio.value = value if value in self._keys else None


class MultiField(Field):
    """Any number of options, each with a box to tick."""

    def __init__(self, part, given: dict):
        options, look = part.options_for(given), {"indent": False, "layout": WIDE}
        self._boxes = {option.key: widgets.Checkbox(description=option.text, **look) for option in options}
        self._frame(part.label_for(given) or "Tick all that fit", self._boxes.values())

    def value(self) -> list[str] | None:
        """Return the keys of the ticked options, or None when no box is ticked."""
        return _ticked(self._boxes) or None

    def show(self, value: Any) -> None:
        """Tick the options of a list of keys."""
        _tick(self._boxes, value if isinstance(value, (list, tuple)) else ())


class OrderField(Field):
    """A list to choose for every place, so that no dragging is needed."""

    def __init__(self, part, given: dict):
        options = part.options_for(given)
        self._menus = [_menu(options, f"{place}.") for place in range(1, len(options) + 1)]
        self._frame(part.label_for(given) or "Put them in order", self._menus)

    def value(self) -> list[str] | None:
        """Return the keys in the learner's order; places still open are left out."""
        return [menu.value for menu in self._menus if menu.value is not None] or None

    def show(self, value: Any) -> None:
        """Enter an order of keys."""
        keys = list(value) if isinstance(value, (list, tuple)) else []
        for menu, key in zip_longest(self._menus, keys[: len(self._menus)]):
            _pick(menu, key)


class MapField(Field):
    """A list of options to choose from for every item."""

    def __init__(self, part, given: dict):
        options, look = part.options_for(given), {"style": {"description_width": "45%"}}
        self._menus = {item.key: _menu(options, item.text, **look) for item in part.items_for(given)}
        self._frame(part.label_for(given) or "Choose for each", self._menus.values())

    def value(self) -> dict | None:
        """Return what was chosen for the items; items without an entry are left out."""
        return {name: menu.value for name, menu in self._menus.items() if menu.value is not None} or None

    def show(self, value: Any) -> None:
        """Enter choices by item."""
        for name, menu in self._menus.items():
            _pick(menu, value.get(name) if isinstance(value, dict) else None)


class TagField(Field):
    """Boxes to tick for every item, where an item takes several options."""

    def __init__(self, part, given: dict):
        options, items = part.options_for(given), part.items_for(given)
        self._tags = {item.key: {one.key: _tag(item.text, one.text) for one in options} for item in items}
        rows = [
            widgets.HBox([widgets.Label(item.text), *self._tags[item.key].values()], _dom_classes=("gl-tags",))
            for item in items
        ]
        self._frame(part.label_for(given) or "Choose for each", rows)
        self._inputs = [box for boxes in self._tags.values() for box in boxes.values()]

    def value(self) -> dict | None:
        """Return the keys of what is ticked for the items; items without any are left out."""
        return {name: keys for name, boxes in self._tags.items() if (keys := _ticked(boxes))} or None

    def show(self, value: Any) -> None:
        """Tick options by item."""
        for name, boxes in self._tags.items():
            _tick(boxes, (value.get(name) if isinstance(value, dict) else None) or ())


def number_line(label: str, unit: str) -> widgets.Text:
    """Return a line to type a number in."""
    return entry(label, placeholder="a number", tooltip=f"{label} in {unit}" if unit else label)


def _menu(options, label, **look):
    choices = [(_CHOOSE, None), *((option.text, option.key) for option in options)]
    return widgets.Dropdown(options=choices, value=None, description=label, layout=WIDE, **look)


def _pick(menu, key):
    """Choose by key; what is not in the list chooses nothing."""
    menu.value = key if key in [known for _, known in menu.options] else None


def _ticked(boxes):
    return [key for key, box in boxes.items() if box.value]


def _tick(boxes, keys):
    for key, box in boxes.items():
        box.value = key in keys


def _tag(item, text):
    """Return a box to tick; whoever hears the page hears the item first, since every item has the same tags."""
    name = f'<span class="gl-heard">{html.escape(item)}: </span>{html.escape(text)}'
    look = {"indent": False, "layout": {"width": "auto"}, "tooltip": f"{item}: {text}"}
    return widgets.Checkbox(description=name, description_allow_html=True, **look)


class StateField(Field):
    """Controls set in a panel: the answer is where they stand.

    Parameters
    ----------
    part : Part
        Of the kind "state".
    given : dict
        Values of the variant.
    panel : object
        Has ``controls()``, the moved controls as JSON, None while all are as found, and ``set_controls(value)``.
    """

    def __init__(self, part, given: dict, panel):
        if panel is None or not hasattr(panel, "controls"):
            raise GainlibError("a part that is answered with controls needs a panel that has them")
        self._panel = panel
        what = part.label_for(given)
        self.widget = prose(f"**Your answer** is the controls as you set them above: {what[:1].lower()}{what[1:]}.")

    def value(self) -> dict | None:
        """Return where the controls stand, or None while nothing was moved."""
        return self._panel.controls()

    def show(self, value: Any) -> None:
        """Set the controls; None leaves them as the exercise put them."""
        self._panel.set_controls(value)

    @property
    def moved_at(self) -> str:
        """When the panel was moved last, "" where it does not keep that."""
        return getattr(self._panel, "moved_at", "")

    def standing(self) -> Any:
        """Return what the panel has besides its controls, which keep themselves."""
        return self._panel.standing() if hasattr(self._panel, "standing") else None

    def resume(self, kept: Any) -> None:
        """Give that back to the panel."""
        if hasattr(self._panel, "standing"):
            self._panel.resume(kept)

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back when that changes."""
        if hasattr(self._panel, "standing"):
            self._panel.on_change(callback)


FIELDS = {"number": NumberField, "choice": ChoiceField, "multi": MultiField, "order": OrderField, "map": MapField}


def field_for(part, given: dict, panel=None) -> Field:
    """Return the field for a part.

    Parameters
    ----------
    part : gainlib.exercises.model.Part
        What is asked for.
    given : dict
        Values of the variant.
    panel : object, optional
        The exercise's own panel, which a part of the kind "state" or "listening" reads.

    Raises
    ------
    GainlibError
        For a kind of part that has no field.
    """
    if part.kind == "state":
        return StateField(part, given, panel)
    if part.kind == "listening":
        return ListeningField(part, given, panel)
    if part.kind not in FIELDS:
        raise GainlibError(
            f"there is no field for a part of the kind {part.kind!r}; there is {', '.join(FIELDS)}, state, listening"
        )
    return TagField(part, given) if getattr(part, "several", False) else FIELDS[part.kind](part, given)


WORDS = {
    "right": "✓ Right",
    "partly": "◐ Partly right",
    "wrong": "✗ Not yet",
    "invalid": "? This cannot be read",
    "unattempted": "No answer yet",
}


def check_button(panel, press: Callable[[], None]) -> widgets.Button:
    """Return the button that has what is entered marked."""
    return panel.make_button("Check", press, button_style="primary", tooltip="Mark what you entered above")


def when_typed(typed_s: float, do: Callable[[], None]) -> None:
    """Do something that reads a field: at once, or a moment later where a letter has just come.

    The page may tell of a button ahead of the last letters.
    """
    if time.monotonic() - typed_s > BEHIND_S:
        do()
    else:
        soon(BEHIND_S, do)


BY_EAR, BY_READINGS = "by ear", "from readings, without listening"


class ListeningField(Field):
    """A listening test under its question, and beside it the way to the same points without listening.

    Parameters
    ----------
    part : Part
        Of the kind "listening".
    given : dict
        Values of the variant.
    panel : object
        Has ``run(part)``, see :class:`gainlib.notebook.panels.blind.Listening`.

    Attributes
    ----------
    way : ipywidgets.RadioButtons or None
        Which way is taken; None where there is only one.
    """

    def __init__(self, part, given: dict, panel):
        if panel is None or not hasattr(panel, "run"):
            raise GainlibError("a part that is answered by listening needs a panel that has the tests")
        self._run, self._stage, self.silent, self.way = panel.run(part), widgets.VBox(), None, None
        head = [prose(f"**{part.label_for(given)}**")]
        if part.silent is not None:
            self.silent = self._silent_field(part.silent.part, given)
            self.way = widgets.RadioButtons(options=(BY_EAR, BY_READINGS), description="How:", layout={"width": "auto"})
            self.way.add_class("gl-across")
            self.way.observe(lambda _change: self._arrange(), "value")
            head.append(self.way)
        self.widget = widgets.VBox([*head, self._stage])
        self.widget.add_class("gl-field")
        self._arrange()

    def _silent_field(self, part, given):
        if part.kind == "listening":
            return SettingsField(part, given, self._run.names)
        return field_for(part, given)

    @property
    def listens(self) -> bool:
        """Whether the answer is given by ear."""
        return self.way is None or self.way.value == BY_EAR

    def _arrange(self):
        readings = self._run.readings
        shown = [self._run] if self.listens else [*([readings] if readings is not None else []), self.silent.widget]
        self._stage.children = shown

    def value(self) -> Any:
        """Return the picks or settings, ``{"silent": entry}`` for readings, or None while there is nothing."""
        if self.listens:
            return self._run.entries()
        entry = self.silent.value()
        return None if entry is None else {"silent": entry}

    def show(self, value: Any) -> None:
        """Enter an answer, whichever way it was given."""
        if isinstance(value, dict):
            if self.way is not None and set(value) == {"silent"}:
                self.way.value = BY_READINGS
                self.silent.show(value["silent"])
        elif value is not None:
            self._run.show(value)

    def standing(self) -> Any:
        """Return the trials made so far, and what was entered without listening; None before anything was done."""
        silent = None if self.silent is None else self.silent.standing()
        found = {"listens": self.listens, "run": self._run.standing(), "silent": silent}
        return None if found == {"listens": True, "run": None, "silent": None} else found

    def resume(self, kept: Any) -> None:
        """Go on where the trials were left."""
        kept = kept or {}
        if kept.get("run") is not None:
            self._run.resume(kept["run"])
        if self.silent is not None:
            self.silent.resume(kept.get("silent"))
            self.way.value = BY_EAR if kept.get("listens", True) else BY_READINGS

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back after every trial, and when something is entered without listening."""
        self._run.on_change(callback)
        if self.silent is not None:
            self.silent.on_change(callback)
            self.way.observe(lambda _change: callback(), "value")

    def on_enter(self, callback: Callable[[], None]) -> None:
        """Call back on the Enter key in a line of the readings' answer."""
        if self.silent is not None:
            self.silent.on_enter(callback)


class SettingsField(Field):
    """A line for every trial of a test, to type the settings that the readings ask for."""

    def __init__(self, part, given: dict, names):
        labels = names or tuple(f"trial {k}" for k in range(1, part.trials_for(given) + 1))
        self._lines = [number_line(f"{k}. {label}", part.unit) for k, label in enumerate(labels, start=1)]
        self._frame(part.label_for(given), [widgets.HBox([line, widgets.Label(part.unit)]) for line in self._lines])
        self._inputs = self._lines

    def value(self) -> list | None:
        """Return what was typed, line by line; None while every line is empty."""
        typed = [line.value.strip() for line in self._lines]
        return typed if any(typed) else None

    def show(self, value: Any) -> None:
        """Enter numbers or texts."""
        entries = value if isinstance(value, (list, tuple)) else [""] * len(self._lines)
        for line, typed in zip(self._lines, entries, strict=False):
            line.value = "" if typed is None else str(typed).replace("-", "−")
