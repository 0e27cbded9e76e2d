"""The controls of an experiment as compact rows: sliders with a typed value, and lists to choose from.

Arrow keys move one step, page keys a larger one, Home goes to the neutral value, and every number can be typed. A
control that does nothing now is off and says why. The browser moves the handles itself; the values travel as one
list: the latest wins.
"""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import anywidget
import traitlets

from gainlib.audio import GainlibError
from gainlib.exercises.experiment import Choice, Slider
from gainlib.notebook import assets
from gainlib.notebook.moves import Moves


class Controls(Moves, anywidget.AnyWidget):
    """Sliders and choices in rows.

    Parameters
    ----------
    rows : sequence of Slider or Choice
        One a row, names unique.
    label : str
        What the group is called by a screen reader.

    Attributes
    ----------
    places : list of float
        The number of each slider, the place of each choice in its list; observe it for pictures that follow the hand.
    released : int
        Counts finished gestures: a drag let go, keys at rest, a typed value, a choice. Observe it for heavy work.
    off : list of str
        Why each row does nothing now, "" where it does.
    hidden : list of bool
        Which rows are not on the page now.

    Examples
    --------
    >>> controls = Controls([Slider("drive_db", "Drive", -18, 18), Choice("box", "Box", {"a": "A", "b": "B"})])
    >>> controls.set(box="b")
    >>> controls.values
    {'drive_db': 0.0, 'box': 'b'}
    """

    MOVED = "places"
    _esm = assets.module("controls")
    _css = assets.style() + assets.style("controls")
    rows = traitlets.List(traitlets.Dict()).tag(sync=True)
    places = traitlets.List(traitlets.Float()).tag(sync=True)
    off = traitlets.List(traitlets.Unicode()).tag(sync=True)
    hidden = traitlets.List(traitlets.Bool()).tag(sync=True)
    # the page counts its gestures, Python counts all: were it one number, two ends could write the same count
    gesture = traitlets.Int(0).tag(sync=True)
    released = traitlets.Int(0)
    label = traitlets.Unicode("Settings").tag(sync=True)

    def __init__(self, rows: Sequence[Slider | Choice], label: str = "Settings"):
        names = [row.name for row in rows]
        if not names or len(set(names)) < len(names):
            raise GainlibError(f"controls need at least one name and no name twice; these are {names}")
        self._rows = {row.name: row for row in rows}
        super().__init__(
            rows=[_spec(row) for row in rows],
            places=[_place(row, row.start) for row in rows],
            off=[""] * len(names),
            hidden=[False] * len(names),
            label=label,
        )
        self.observe(self._let_go, "gesture")

    @traitlets.validate("places")
    def _check_places(self, proposal):
        places = list(proposal["value"])
        if len(places) != len(self._rows):
            raise GainlibError(f"{len(places)} values for {len(self._rows)} controls; give one a control")
        for row, place in zip(self._rows.values(), places, strict=True):
            _value(row, place)
        return places

    @property
    def values(self) -> dict[str, Any]:
        """The value of every control by its name."""
        return {row.name: _value(row, place) for row, place in zip(self._rows.values(), self.places, strict=True)}

    def set(self, **values: Any) -> None:
        """Set some as one finished gesture; values out of reach are refused."""
        unknown = sorted(set(values) - set(self._rows))
        if unknown:
            raise GainlibError(f"no control is called {unknown[0]!r}; there is {', '.join(self._rows)}")
        wanted = {**self.values, **values}
        places = [_place(row, row.checked(wanted[row.name])) for row in self._rows.values()]
        with self.hold_sync():
            self.places = places
            self.released += 1

    def turn_off(self, setting) -> None:
        """Turn off what does nothing in a setting, with the reason, and hide what does not belong to it."""
        with self.hold_sync():
            self.off = [row.off(setting) for row in self._rows.values()]
            self.hidden = [not row.shown(setting) for row in self._rows.values()]

    def _let_go(self, _change):
        self.released += 1


def _spec(row):
    if isinstance(row, Choice):
        return {"label": row.label, "options": list(row.options.values()), "turns": row.turns}
    numbers = {"low": row.low, "high": row.high, "step": row.step, "decimals": row.decimals, "steps": list(row.steps)}
    numbers["words"] = [[float(value), text] for value, text in row.words.items()]
    numbers["travel"] = None if row.travel is None else asdict(row.travel)
    home = row.start if row.home is None else row.home
    page = 10 * row.step if row.page is None else row.page
    return {"label": row.label, "unit": row.unit, "home": home, "page": page, "signed": row.low < 0, **numbers}


def _place(row, value):
    return float(list(row.options).index(value)) if isinstance(row, Choice) else float(value)


def _value(row, place):
    if not isinstance(row, Choice):
        return row.checked(place)
    if not (float(place).is_integer() and 0 <= place < len(row.options)):
        raise GainlibError(f"{row.label}: {place!r} is no place in its list of {len(row.options)}")
    return list(row.options)[int(place)]
