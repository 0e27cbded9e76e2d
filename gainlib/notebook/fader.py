"""Faders of the workbook's own: lying rows with a name, a travel, a typed value.

Every control is reachable by keyboard: arrows move 0.1 dB, page keys 1 dB, Home is unity, End is silence, and the value
can be typed. The positions follow :class:`gainlib.session.FaderLaw`; the browser moves the handle itself, so the
hand never waits for Python. The values travel as one list: the latest wins.
"""

import math
from dataclasses import asdict, dataclass

import anywidget
import traitlets

from gainlib.audio import GainlibError
from gainlib.notebook import assets
from gainlib.notebook.moves import Moves

LOWEST_DB = -140.0  # below this a fader is silent
UNDO_STEPS = 200


def _to_wire(values, _widget):
    return ["-inf" if v == -math.inf else v for v in values]  # JSON has no infinity


def _from_wire(values, _widget):
    return [-math.inf if v == "-inf" else float(v) for v in values]


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


class Faders(Moves, anywidget.AnyWidget):
    """Several faders in rows, with mute, solo, undo and a link that moves all by the same number of dB.

    Parameters
    ----------
    names : sequence of str
        One row each, unique.
    values_db : sequence of float, optional
        Where the faders start; unity if left out, −inf is silence.
    law : FaderLaw or EvenTravel, optional
        Travel; the default law if left out. :meth:`take_law` changes it.
    options : sequence of {"mute", "solo"}
        Which buttons each row has.
    scale : {"db", "mm"}
        What the scale and the typed value mean; ``values_db`` is in dB either way.
    label : str
        What the group is called by a screen reader.
    line_up : bool
        Whether to keep the room of mute and solo free, so that the travel stands in line with faders that have them.
    looks : sequence of dict
        ``color`` and ``hatch`` of each row in the plots, shown as a swatch; none if left out.
    apart : sequence of str
        Names without buttons that the link does not move, such as the master.
    compact : bool
        Whether buttons are letters and the label stands above, as on a desk.

    Attributes
    ----------
    values_db : list of float
        In the order of the names; observe it for pictures that follow the hand.
    released : int
        Counts finished gestures: a drag let go, keys at rest, a typed value, a mute, an undo. Observe it for heavy
        work.
    mute, solo : list of str
        Names whose button is down.
    locked : bool
        Whether all move together.
    top_db : float
        At the upper end of the travel.

    Raises
    ------
    GainlibError
        For names that are missing or not unique, or a value that is NaN or above the top of the travel.

    Examples
    --------
    >>> faders = Faders(("kick", "bass"), (-9.0, float("-inf")))
    >>> faders.as_dict()
    {'kick': -9.0, 'bass': -inf}
    >>> faders.move_all(2.0)
    >>> faders.as_dict()
    {'kick': -7.0, 'bass': -inf}
    >>> faders.undo()
    >>> faders.values_db
    [-9.0, -inf]
    """

    MOVED = "values_db"
    _esm = assets.module("fader")
    _css = assets.style()
    names = traitlets.List(traitlets.Unicode()).tag(sync=True)
    values_db = traitlets.List(traitlets.Float()).tag(sync=True, to_json=_to_wire, from_json=_from_wire)
    start_db = traitlets.List(traitlets.Float()).tag(sync=True, to_json=_to_wire, from_json=_from_wire)
    # the page counts its gestures, Python counts all: were it one number, two ends could write the same count
    gesture = traitlets.Int(0).tag(sync=True)
    released = traitlets.Int(0)
    mute = traitlets.List(traitlets.Unicode()).tag(sync=True)
    solo = traitlets.List(traitlets.Unicode()).tag(sync=True)
    locked = traitlets.Bool(False).tag(sync=True)
    can_undo = traitlets.Bool(False).tag(sync=True)
    options = traitlets.List(traitlets.Enum(("mute", "solo"))).tag(sync=True)
    scale = traitlets.Enum(("db", "mm"), "db").tag(sync=True)
    label = traitlets.Unicode("Faders").tag(sync=True)
    line_up = traitlets.Bool(False).tag(sync=True)
    law = traitlets.Dict().tag(sync=True)
    looks = traitlets.List(traitlets.Dict()).tag(sync=True)
    apart = traitlets.List(traitlets.Unicode()).tag(sync=True)
    compact = traitlets.Bool(False).tag(sync=True)

    def __init__(
        self,
        names,
        values_db=None,
        *,
        law=None,
        options=("mute", "solo"),
        scale="db",
        label="Faders",
        line_up=False,
        looks=(),
        apart=(),
        compact=False,
    ):
        if law is None:
            from gainlib.session import FaderLaw

            law = FaderLaw()
        names = [str(name) for name in names]
        if not names or len(set(names)) < len(names):
            raise GainlibError(f"faders need at least one name and no name twice; these are {names}")
        values = [0.0] * len(names) if values_db is None else [float(v) for v in values_db]
        self._ends(law)
        super().__init__(
            names=names,
            values_db=values,
            start_db=values,
            options=list(options),
            scale=scale,
            label=label,
            line_up=line_up,
            law=asdict(law),
            looks=list(looks),
            apart=list(apart),
            compact=compact,
        )
        self._past = [self._state()]
        self.observe(self._let_go, "gesture")
        self.observe(self._remember, "released")
        self.on_msg(self._asked)

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

    @property
    def silenced(self) -> tuple[str, ...]:
        """Names that do not sound: muted, or not soloed while another is."""
        return tuple(n for n in self.names if n in self.mute or (self.solo and n not in self.solo))

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

    def move_all(self, step_db: float) -> None:
        """Move every fader that is not silent by the same number of dB, as far as all have room.

        Parameters
        ----------
        step_db : float
            Positive is louder.
        """
        linked = [name not in self.apart for name in self.names]
        moving = [v for v, links in zip(self.values_db, linked, strict=True) if links and v > -math.inf]
        if not moving:
            return
        room = self.top_db - max(moving) if step_db > 0 else self._low_db - min(moving)
        step = min(step_db, max(room, 0)) if step_db > 0 else max(step_db, min(room, 0))
        self.set_values([v + step * links for v, links in zip(self.values_db, linked, strict=True)])

    def undo(self) -> None:
        """Go back by one gesture; does nothing at the start."""
        if len(self._past) > 1:
            self._past.pop()
            self._recall(self._past[-1])

    def reset(self) -> None:
        """Go back to the start; can be undone."""
        self._recall((list(self.start_db), [], []))

    def restart(self, values_db) -> None:
        """Take new starting values and forget the past, as for another variant of an exercise."""
        values = [float(v) for v in values_db]
        with self.hold_sync():
            self.start_db = values
            self.values_db, self.mute, self.solo = values, [], []
            self._past.clear()
            self.released += 1

    # ---- memory ----------------------------------------------------------------------------------------------------

    def _state(self):
        return list(self.values_db), list(self.mute), list(self.solo)

    def _recall(self, state):
        with self.hold_sync():
            self.values_db, self.mute, self.solo = (list(part) for part in state)
            self.released += 1

    def _let_go(self, _change):
        self.released += 1

    def _remember(self, _change):
        if not self._past or self._past[-1] != self._state():
            self._past.append(self._state())
            del self._past[:-UNDO_STEPS]
        self.can_undo = len(self._past) > 1

    def _asked(self, _widget, content, _buffers):
        if content.get("do") == "undo":
            self.undo()
        elif content.get("do") == "reset":
            self.reset()


class Fader(Faders):
    """One fader.

    Parameters
    ----------
    name : str
        Shown at its left.
    value_db : float
        Where it starts.
    **kwargs
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

    value_db = traitlets.Float(0.0)

    def __init__(self, name: str, value_db: float = 0.0, **kwargs):
        kwargs.setdefault("options", ())
        kwargs.setdefault("label", name)
        super().__init__((name,), (value_db,), **kwargs)
        self.value_db = float(value_db)
        self.observe(self._from_list, "values_db")
        self.observe(self._to_list, "value_db")

    def _from_list(self, change):
        self.value_db = change["new"][0]

    def _to_list(self, change):
        self.values_db = [change["new"]]


def fader_ties(faders: Faders, field: str = "fader_db", owners=None) -> list[dict]:
    """Return what faders, mutes and solos stand for in a mix that follows them in the browser; `owners` by name."""
    rows = [[name, (owners or {}).get(name, name)] for name in faders.names]
    fields, model = (
        {"values_db": field, **{option: option for option in faders.options}},
        f"IPY_MODEL_{faders.model_id}",
    )
    return [{"model": model, "trait": trait, "owners": rows, "field": field} for trait, field in fields.items()]
