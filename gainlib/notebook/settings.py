"""Settings of an experiment: a row for each, with a slider over its steps or a list to choose from.

A setting has a fixed row of steps, each with the words that stand for it; what travels between page and Python is only
which step it is at. Sliders and lists are the browser's own, so keys, screen readers and touch work as they always do.
All settings share one memory: undo and back to start.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import anywidget
import traitlets

from gainlib.audio import GainlibError
from gainlib.notebook import assets

UNDO_STEPS = 200


@dataclass(frozen=True)
class Steps:
    """One setting.

    Parameters
    ----------
    name : str
        What it is called in the values.
    label : str
        What a learner reads.
    steps : tuple
        The values it can take, in order.
    texts : tuple of str
        What stands for each of them.
    start : object
        The value it starts at.
    listed : bool
        Whether it is chosen from a list instead of slid.
    """

    name: str
    label: str
    steps: tuple
    texts: tuple[str, ...]
    start: Any
    listed: bool = False

    def __post_init__(self):
        if len(self.steps) < 2 or len(self.texts) != len(self.steps):
            raise GainlibError(
                f"{self.label}: {len(self.steps)} steps, {len(self.texts)} texts; give two or more, and one text each"
            )
        if self.start not in self.steps:
            raise GainlibError(
                f"{self.label}: {self.start!r} is none of its steps, {self.steps[0]!r} to {self.steps[-1]!r}"
            )


class Settings(anywidget.AnyWidget):
    """Several settings in rows.

    Parameters
    ----------
    rows : sequence of Steps
        One a row, names unique.
    label : str
        What the group is called by a screen reader.

    Attributes
    ----------
    places : list of int
        Which step each setting is at, in the order of the rows; observe it for pictures that follow the hand.
    released : int
        Counts finished gestures: a drag let go, keys at rest, a choice, an undo. Observe it for heavy work.

    Raises
    ------
    GainlibError
        For no rows, or a name that is there twice.

    Examples
    --------
    >>> settings = Settings([Steps("burst_s", "Burst", (0.005, 2.0), ("5 ms", "2 s"), 2.0)])
    >>> settings.set(burst_s=0.005)
    >>> settings.value("burst_s")
    0.005
    >>> settings.undo()
    >>> settings.values
    {'burst_s': 2.0}
    """

    _esm = assets.module("settings")
    _css = assets.style() + assets.style("settings")
    rows = traitlets.List(traitlets.Dict()).tag(sync=True)
    places = traitlets.List(traitlets.Int()).tag(sync=True)
    start = traitlets.List(traitlets.Int()).tag(sync=True)
    # the page counts its gestures, Python counts all: were it one number, two ends could write the same count
    gesture = traitlets.Int(0).tag(sync=True)
    released = traitlets.Int(0)
    can_undo = traitlets.Bool(False).tag(sync=True)
    label = traitlets.Unicode("Settings").tag(sync=True)

    def __init__(self, rows: Sequence[Steps], label: str = "Settings"):
        names = [row.name for row in rows]
        if not names or len(set(names)) < len(names):
            raise GainlibError(f"settings need at least one name and no name twice; these are {names}")
        self._rows = {row.name: row for row in rows}
        places = [row.steps.index(row.start) for row in rows]
        super().__init__(
            rows=[{"label": row.label, "texts": list(row.texts), "listed": row.listed} for row in rows],
            places=places,
            start=places,
            label=label,
        )
        self._past = [list(places)]
        self.observe(self._let_go, "gesture")
        self.observe(self._remember, "released")
        self.on_msg(self._asked)

    @traitlets.validate("places")
    def _check_places(self, proposal):
        places = list(proposal["value"])
        fits = len(places) == len(self._rows) and all(
            0 <= place < len(row.steps) for place, row in zip(places, self._rows.values(), strict=True)
        )
        if not fits:
            raise GainlibError(f"places {places} do not fit the {len(self._rows)} settings; give a step of each")
        return places

    @property
    def values(self) -> dict[str, Any]:
        """The value of every setting by its name."""
        return {row.name: row.steps[place] for row, place in zip(self._rows.values(), self.places, strict=True)}

    def value(self, name: str) -> Any:
        """Return the value of one setting.

        Parameters
        ----------
        name : str
            Of the setting; an unknown one is refused with those there are.
        """
        if name not in self._rows:
            raise GainlibError(f"no setting is called {name!r}; there is {', '.join(self._rows)}")
        return self.values[name]

    def set(self, **values: Any) -> None:
        """Set some as one finished gesture; values that are no step of their setting are refused."""
        places = list(self.places)
        order = list(self._rows)
        for name, value in values.items():
            self.value(name)
            if value not in self._rows[name].steps:
                raise GainlibError(f"{name}: {value!r} is none of its steps")
            places[order.index(name)] = self._rows[name].steps.index(value)
        self._move(places)

    def undo(self) -> None:
        """Go back by one gesture; does nothing at the start."""
        if len(self._past) > 1:
            self._past.pop()
            self._move(self._past[-1])

    def reset(self) -> None:
        """Go back to the start; can be undone."""
        self._move(self.start)

    def _move(self, places):
        with self.hold_sync():
            self.places = list(places)
            self.released += 1

    def _let_go(self, _change):
        self.released += 1

    def _remember(self, _change):
        if self._past[-1] != self.places:
            self._past.append(list(self.places))
            del self._past[:-UNDO_STEPS]
        self.can_undo = len(self._past) > 1

    def _asked(self, _widget, content, _buffers):
        if content.get("do") == "undo":
            self.undo()
        elif content.get("do") == "reset":
            self.reset()
