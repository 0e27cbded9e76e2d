"""One box of a chain on the page: its settings, the gain on either side, and where it stands in the order."""

import dataclasses
from collections.abc import Callable

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.notebook.panels.bench_base import NumberEntry, button, menu, row
from gainlib.processors import BlackBox
from gainlib.processors.controls import controls, in_ms, in_s, kinds_in_words, plain_name
from gainlib.session import Insert
from gainlib.words import level_text

HIDDEN = ("seed",)  # draws noise; nothing that anybody sets on a box


class BoxRow(widgets.VBox):
    """An insert under the hand.

    Parameters
    ----------
    insert : Insert
        As it stands.
    number : int
        Its place in the chain, from 1.
    changed : callable
        ``changed(insert)`` after a setting; what it raises is the caller's.
    moved : callable
        ``moved(step)``: −1 earlier, 1 later, 0 out of the chain.
    """

    def __init__(self, insert: Insert, number: int, changed: Callable, moved: Callable):
        self.insert, self._changed, self._quiet = insert, changed, False
        kind = insert.kind
        box = insert.processor
        self.fields = {each.field: self._field(each) for each in controls(type(box)) if self._seen(each)}
        if isinstance(box, BlackBox):
            name = widgets.Text(box.name, description="name:", continuous_update=False, layout={"width": "16em"})
            self.fields = {"name": name} | self.fields
        self.around = {
            "in_db": NumberEntry("gain in", insert.in_db, "dB", -120.0, 60.0),
            "out_db": NumberEntry("gain out", insert.out_db, "dB", -120.0, 60.0),
        }
        self.bypass = widgets.Checkbox(insert.bypass, description="bypassed", indent=False, layout={"width": "auto"})
        self.earlier = button("Earlier", tooltip=f"Move box {number} one place ahead")
        self.later = button("Later", tooltip=f"Move box {number} one place back")
        self.remove = button("Remove", tooltip=f"Take box {number} out of the chain")
        for pressed, step in ((self.earlier, -1), (self.later, 1), (self.remove, 0)):
            pressed.on_click(lambda _button, step=step: moved(step))
        everything = (*self.fields.values(), *self.around.values(), self.bypass)
        for widget in everything:
            widget.observe(lambda _change: self._set(), "value")
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
            return widgets.Checkbox(value, description=control.label, indent=False, layout={"width": "auto"})
        label = "built for an average of" if isinstance(self.insert.processor, BlackBox) else control.label
        in_seconds = control.unit == "s"
        return NumberEntry(label, in_ms(value) if in_seconds else value, "ms" if in_seconds else control.unit)

    def _set(self):
        if not self._quiet:
            self._changed(self._read)

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
