"""Controls under the hand: rows of sliders and lists, faders, and a table of channels.

Every control is reachable by keyboard: arrow keys move one step, page keys a larger one, Home goes to the neutral value
(of a fader unity, and End is silence), and every number can be typed. A control that does nothing now is off and says
why. The browser moves the handles itself, so the hand never waits for Python; the values travel as one list: the latest
wins.

The widgets' own way waits for each answer before the next value is sent: two to five a second where the server is far
away. Moves are messages of their own instead: several are under way at once, each has a number, and the page is told
when one is done with (``moving`` in ``static/common.js``). Of those that come in while the one before them is worked
through, only the newest is worked through.
"""

import asyncio
import logging
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import traitlets

from gainlib.audio import GainlibError
from gainlib.exercises.experiment import Again, Choice, Experiment, Mixer, Setting, Slider, Text, Trims
from gainlib.notebook import widgets
from gainlib.session import FaderLaw

LOWEST_DB = -140.0  # below this a fader is silent
MOST_PRESSES, LONGEST_TEXT, TOP_DB = 1_000_000, 20_000, 40.0  # of what was kept
IDLE_S = 0.005
"""Whoever has waited as long for a move has no other one waiting."""
LOOK_S = 0.002, 0.03
"""Least and longest time to see what else has come in."""
log = logging.getLogger(__name__)


class Moves(widgets.Scripted):
    """A widget whose list named by `MOVED` the page moves; `released` counts the gestures that are finished."""

    MOVED = ""
    # the page counts its gestures, Python counts all: were it one number, two ends could write the same count
    gesture = traitlets.Int(0).tag(sync=True)
    released = traitlets.Int(0)
    label = traitlets.Unicode("").tag(sync=True)

    def __init__(self, *args, **kwargs):
        self._waiting, self._due_s, self._timer = None, 0.0, None
        self._ended_s, self._took_s = -math.inf, 0.0
        super().__init__(*args, **kwargs)
        self.on_msg(self._heard)
        self.observe(self._let_go, "gesture")

    def _let_go(self, _change):
        self.released += 1

    def set_state(self, sync_data):
        """Take what the page says of the widget; moves that came before it come first, or are in it."""
        if self.MOVED in sync_data:
            self._pass_over()
        else:
            self._work()
        super().set_state(sync_data)

    def _heard(self, _widget, content, _buffers):
        if content.get("do") != "move":
            self._work()
            return
        now = time.monotonic()
        if self._waiting is None:
            self._due_s = now + min(max(LOOK_S[0], 0.15 * self._took_s), LOOK_S[1])
        self._pass_over()
        self._waiting = content
        if now - self._ended_s > IDLE_S:
            self._work()
        else:
            self._timer = asyncio.get_running_loop().call_later(max(0.0, self._due_s - now), self._work)

    def _pass_over(self):
        if self._timer is not None:
            self._timer.cancel()
        if self._waiting is not None:
            self.send({"moved": self._waiting["number"]})
        self._timer = self._waiting = None

    def _work(self):
        move, self._waiting = self._waiting, None
        if move is None:
            return
        begun_s, wire = time.monotonic(), move["values"]
        values = self.trait_metadata(self.MOVED, "from_json", self._trait_from_json)(wire, self)
        try:
            with self._lock_property(**{self.MOVED: wire}):  # the page has them: they need not go back
                setattr(self, self.MOVED, values)
        finally:
            self._ended_s = time.monotonic()
            self._took_s = self._ended_s - begun_s
            self.send({"moved": move["number"]})


# ---- sliders and lists -----------------------------------------------------------------------------------------------


class Controls(Moves):
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
    FILES = ("controls.js", "controls.css")
    rows = traitlets.List(traitlets.Dict()).tag(sync=True)
    places = traitlets.List(traitlets.Float()).tag(sync=True)
    off = traitlets.List(traitlets.Unicode()).tag(sync=True)
    hidden = traitlets.List(traitlets.Bool()).tag(sync=True)

    def __init__(self, rows: Sequence[Slider | Choice], label: str = "Settings"):
        names = [row.name for row in rows]
        if not names or len(set(names)) < len(names):
            raise GainlibError(f"controls need at least one name and no name twice; these are {names}")
        self._rows = {row.name: row for row in rows}
        still = {"off": [""] * len(names), "hidden": [False] * len(names)}
        super().__init__(
            rows=[_spec(row) for row in rows], places=[_place(row, row.start) for row in rows], label=label, **still
        )

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


# ---- faders ----------------------------------------------------------------------------------------------------------


def on_wire(value: Any) -> Any:
    """Return a value, or values, as they travel: JSON has no infinity, so a silent level is a word."""
    if isinstance(value, dict):
        return {name: on_wire(each) for name, each in value.items()}
    if isinstance(value, tuple | list):
        return [on_wire(each) for each in value]
    return "-inf" if value == -math.inf else value


def _from_wire(values, _widget):
    return [-math.inf if v == "-inf" else float(v) for v in values]


WIRE = {"to_json": lambda values, _widget: on_wire(values), "from_json": _from_wire}


@dataclass(frozen=True)
class EvenTravel:
    """The travel of a trim: as many dB to every millimetre, and no silence at its end.

    Parameters
    ----------
    low_db, high_db : float
        Ends of the range.
    length_mm : float
        Travel.

    Examples
    --------
    >>> EvenTravel(-24, 24).db_at(50)
    0.0
    """

    low_db: float = -24.0
    high_db: float = 24.0
    length_mm: float = 100.0

    def __post_init__(self):
        if not (-math.inf < self.low_db < self.high_db < math.inf and 0 < self.length_mm < math.inf):
            raise GainlibError(
                f"a travel of {self.length_mm} mm from {self.low_db} to {self.high_db} dB is none; the low end is first"
            )

    def db_at(self, position_mm: float) -> float:
        """Return the level in dB at a position in mm."""
        return self.low_db + (self.high_db - self.low_db) * position_mm / self.length_mm


class Faders(Moves):
    """Several faders in rows, with mute, solo and a link that moves all by the same number of dB.

    Parameters
    ----------
    names : sequence of str
        One row each, unique.
    values_db : sequence of float, optional
        Where the faders start; unity if left out, −inf is silence.
    law : FaderLaw or EvenTravel, optional
        Travel; the default law if left out. :meth:`take_law` changes it.
    label : str
        What the group is called by a screen reader.
    **more
        Any of the attributes from `options` on.

    Attributes
    ----------
    values_db : list of float
        In the order of the names; observe it for pictures that follow the hand.
    released : int
        Counts finished gestures: a drag let go, keys at rest, a typed value, a mute. Observe it for heavy work.
    mute, solo : list of str
        Names whose button is down.
    locked : bool
        Whether all move together.
    top_db : float
        At the upper end of the travel.
    options : list of {"mute", "solo"}
        Which buttons each row has.
    scale : {"db", "mm"}
        What the scale and the typed value mean; ``values_db`` is in dB either way.
    looks : list of dict
        ``color`` and ``hatch`` of each row in the plots, shown as a swatch; none if left out.
    apart : list of str
        Names without buttons that the link does not move, such as the master.
    compact : bool
        Whether buttons are letters and the label stands above, as on a desk.

    Raises
    ------
    GainlibError
        For names that are missing or not unique, or a value that is NaN or above the top of the travel.

    Examples
    --------
    >>> faders = Faders(("kick", "bass"), (-9.0, float("-inf")))
    >>> faders.as_dict()
    {'kick': -9.0, 'bass': -inf}
    >>> faders.set_values({"kick": -7.0})
    >>> faders.values_db
    [-7.0, -inf]
    """

    MOVED = "values_db"
    FILES = ("fader.js",)
    names = traitlets.List(traitlets.Unicode()).tag(sync=True)
    values_db = traitlets.List(traitlets.Float()).tag(sync=True, **WIRE)
    start_db = traitlets.List(traitlets.Float()).tag(sync=True, **WIRE)
    mute = traitlets.List(traitlets.Unicode()).tag(sync=True)
    solo = traitlets.List(traitlets.Unicode()).tag(sync=True)
    locked = traitlets.Bool(False).tag(sync=True)
    options = traitlets.List(traitlets.Enum(("mute", "solo")), ["mute", "solo"]).tag(sync=True)
    scale = traitlets.Enum(("db", "mm"), "db").tag(sync=True)
    law = traitlets.Dict().tag(sync=True)
    looks = traitlets.List(traitlets.Dict()).tag(sync=True)
    apart = traitlets.List(traitlets.Unicode()).tag(sync=True)
    compact = traitlets.Bool(False).tag(sync=True)

    def __init__(self, names, values_db=None, *, law=None, label="Faders", **more):
        names, law = [str(name) for name in names], law or FaderLaw()
        if not names or len(set(names)) < len(names):
            raise GainlibError(f"faders need at least one name and no name twice; these are {names}")
        values = [0.0] * len(names) if values_db is None else [float(v) for v in values_db]
        self._ends(law)
        super().__init__(names=names, values_db=values, start_db=values, law=asdict(law), label=label, **more)

    @traitlets.validate("values_db", "start_db")
    def _check_values(self, proposal):
        values = [float(v) for v in proposal["value"]]
        if len(values) != len(self.names) and self.names:
            raise GainlibError(f"{len(values)} values for {len(self.names)} faders; give one a fader")
        for name, value in zip(self.names, values, strict=False):
            if not (value <= self.top_db + 0.01 and (value >= self._low_db or self._closes)):
                kind, low = ("fader", "−inf") if self._closes else ("trim", f"{self._low_db:g}")
                raise GainlibError(f"{name}: {value} dB; a {kind} goes from {low} up to {self.top_db:.3f} dB")
        return values

    def _ends(self, law):
        self.top_db = law.db_at(law.length_mm)
        lowest_db = law.db_at(0)
        self._closes = lowest_db == -math.inf
        self._low_db = LOWEST_DB if self._closes else lowest_db

    def take_law(self, law) -> None:
        """Take another travel; the values stay, but for those above its top, which come down to it.

        Parameters
        ----------
        law : FaderLaw or EvenTravel
            Of the same kind as before.
        """
        self._ends(law)
        with self.hold_sync():
            self.values_db = [min(value, self.top_db) for value in self.values_db]
            self.start_db = [min(value, self.top_db) for value in self.start_db]
            self.law = asdict(law)

    # ---- reading ---------------------------------------------------------------------------------------------------

    def as_dict(self) -> dict[str, float]:
        """Return the value of every fader by its name, in dB."""
        return dict(zip(self.names, self.values_db, strict=True))

    # ---- moving from Python ----------------------------------------------------------------------------------------

    def set_values(self, values_db) -> None:
        """Move the faders as one finished gesture.

        Parameters
        ----------
        values_db : mapping of str to float, or sequence of float
            Names left out stay where they are.
        """
        if hasattr(values_db, "keys"):
            unknown = sorted(set(values_db) - set(self.names))
            if unknown:
                raise GainlibError(f"no fader is called {unknown[0]!r}; there are {', '.join(self.names)}")
            values_db = [float(values_db.get(name, old)) for name, old in self.as_dict().items()]
        with self.hold_sync():
            self.values_db = list(values_db)
            self.released += 1


class Fader(Faders):
    """One fader.

    Parameters
    ----------
    name : str
        Shown at its left.
    value_db : float
        Where it starts.
    **more
        As :class:`Faders`; there are no mute and solo buttons unless asked for.

    Examples
    --------
    >>> fader = Fader("master", -3.0)
    >>> fader.value_db
    -3.0
    >>> fader.value_db = 0.0
    >>> fader.values_db
    [0.0]
    """

    def __init__(self, name: str, value_db: float = 0.0, **more):
        super().__init__((name,), (value_db,), **{"options": (), "label": name} | more)

    @property
    def value_db(self) -> float:
        """Where it stands."""
        return self.values_db[0]

    @value_db.setter
    def value_db(self, value_db: float):
        self.values_db = [value_db]


def fader_ties(faders: Faders, field: str = "fader_db", owners=None) -> list[dict]:
    """Return what faders, mutes and solos stand for in a mix that follows them in the browser; `owners` by name."""
    tie = {
        "model": f"IPY_MODEL_{faders.model_id}",
        "owners": [[name, (owners or {}).get(name, name)] for name in faders.names],
    }
    fields = {"values_db": field} | {option: option for option in faders.options}
    return [tie | {"trait": trait, "field": field} for trait, field in fields.items()]


# ---- how they stand, to be kept --------------------------------------------------------------------------------------


def as_json(experiment: Experiment, setting: Setting) -> dict:
    """Return a setting as JSON: levels that are silent as "-inf", what is chosen by the word for it in Python."""
    choices = {each.name for each in experiment.controls if isinstance(each, Choice)}
    return {name: str(value) if name in choices else on_wire(value) for name, value in setting.items()}


def setting_of(experiment: Experiment, kept: Any) -> Setting:
    """Return the setting that was kept; a control whose value does not fit any more stands at its start."""
    kept, values = kept if isinstance(kept, dict) else {}, {}
    for control in experiment.controls:
        if control.name not in kept:
            continue
        try:
            values |= _values(control, kept)
        except (GainlibError, TypeError, ValueError, KeyError, AttributeError) as problem:
            log.warning("%s is back at its start: what was kept does not fit (%s)", control.label, problem)
    return experiment.start.with_(**values)


def _values(control, kept):
    value = kept[control.name]
    if isinstance(control, Slider):
        return {control.name: control.checked(value)}
    if isinstance(control, Choice):
        return {control.name: {str(each): each for each in control.options}[value]}
    if isinstance(control, Again):
        return {control.name: _whole(value, control.start)}
    if isinstance(control, Text):
        return {control.name: value[:LONGEST_TEXT] + ""}
    if isinstance(control, Trims):
        return {control.name: _levels(control, value, control.low_db, control.high_db)}
    return {control.name: _levels(control, value, LOWEST_DB, TOP_DB)} | _buttons(control, kept)


def _whole(value, low):
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= MOST_PRESSES:
        raise ValueError(f"{value!r} is not a count")
    return value


def _levels(control, kept, low, high):
    if set(kept) != set(control.names):
        raise ValueError(f"other names: {', '.join(kept)}")
    closes = isinstance(control, Mixer)
    levels = {name: -math.inf if closes and kept[name] == "-inf" else float(kept[name]) for name in control.names}
    for name, db in levels.items():
        if not (low <= db <= high or (closes and db == -math.inf)):
            raise ValueError(f"{name}: {db} dB")
    return levels


def _buttons(mixer, kept):
    """Return which strips are muted and soloed."""
    return {option: tuple(name for name in mixer.names if name in kept.get(option, ())) for option in mixer.options}


# ---- channels --------------------------------------------------------------------------------------------------------

COLUMNS = {
    "trim_db": "input trim (dB)", "dc_block": "DC block", "chain": "passes", "post_trim_db": "output trim (dB)",
    "to": "goes to", "sends": "sends (dB)",
}  # fmt: skip


class ChannelTable(widgets.Scripted):
    """The lines, what is ticked, and which chain is open.

    Parameters
    ----------
    entered : callable
        ``entered(names, field, value)``: text, or True and False for a switch; for "chain" the names that get the
        chain that is open. False says that it was refused; then the entry stays as it was typed, and is marked.
    pressed : callable
        ``pressed(what, name)``: "open" a chain, "up" or "down" for a line, "remove" for a group.

    Attributes
    ----------
    rows : list of dict
        Name, kind ("strip", "group" or "master") and the text of each column; None where it has none.
    ticked : list of str
    current : str
        The channel whose chain is open.
    """

    FILES = ("channels.js", "channels.css")
    columns = traitlets.Dict(COLUMNS).tag(sync=True)
    rows = traitlets.List().tag(sync=True)
    ticked = traitlets.List(traitlets.Unicode()).tag(sync=True)
    current = traitlets.Unicode("").tag(sync=True)

    def __init__(
        self, entered: Callable[[list[str], str, str | bool], bool], pressed: Callable[[str, str], None], **kwargs
    ):
        super().__init__(**kwargs)
        self._entered, self._pressed = entered, pressed
        self.on_msg(lambda _widget, said, _buffers: self.heard(said))

    def heard(self, said: dict) -> None:
        """Take what the page sends."""
        known = {row["name"] for row in self.rows}
        if "field" in said:
            names = [name for name in said["names"] if name in known]
            done = bool(names) and said["field"] in COLUMNS and self._entered(names, said["field"], said["value"])
            self.send({"row": said["row"], "field": said["field"], "done": done})
        elif said.get("name") in known:
            self._pressed(said["do"], said["name"])
