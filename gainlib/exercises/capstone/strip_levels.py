"""Levels along one strip as its gains stand: measured where a box is fed otherwise, shifted where it is only gain.

The same levels as a render of the whole session has at these nodes; a strip alone takes a tenth of the time.
"""

from dataclasses import dataclass
from functools import lru_cache

from gainlib.exercises.capstone import assignment, staged
from gainlib.exercises.controls import applied
from gainlib.meters import NodeReading
from gainlib.processors import Processor
from gainlib.session import Session

LINE_UP_DBFS = -18.0
METERS = ("sample_peak", "rms", "active")
_KEPT = 512


@dataclass(frozen=True)
class BoxState:
    """How one box is fed, and how it compares with its bypass.

    Attributes
    ----------
    name : str
        What it is called here.
    built_for_dbfs : float
        What its maker built it for; for a box that does not care, the usual line-up level.
    into : NodeReading
        At its input.
    bypass_dbfs, active_dbfs : float
        Energy ahead of it and behind it.
    """

    name: str
    built_for_dbfs: float
    into: NodeReading
    bypass_dbfs: float
    active_dbfs: float

    @property
    def difference_db(self) -> float:
        """Active against bypass."""
        return self.active_dbfs - self.bypass_dbfs

    @property
    def shift_db(self) -> float:
        """By how much it should be fed hotter, its peaks regarded."""
        return staged.wanted_shift_db(self.into, self.built_for_dbfs)[0]


def built_for_dbfs(box: Processor) -> float:
    """Return the level written on a box: its reference, or the usual line-up level where it has none."""
    return LINE_UP_DBFS if box.reference_dbfs is None else box.reference_dbfs


def points(session: Session, name: str) -> tuple[str, ...]:
    """Return the nodes along a strip, from the stem to the pre-fader tap."""
    boxes = range(1, len(session.strip(name).inserts) + 1)
    around = [f"{name}/insert {k}/{end}" for k in boxes for end in ("in", "out")]
    return (f"{name}/source", f"{name}/trim", *around, f"{name}/post")


def levels(seed: int, name: str, fields: dict) -> dict[str, NodeReading]:
    """Return the levels along a strip.

    Parameters
    ----------
    seed : int
        Number of the session.
    name : str
        Of a strip that sounds.
    fields : dict
        Its controls.

    Returns
    -------
    dict of str to NodeReading
        By node.
    """
    ahead = {key: value for key, value in fields.items() if key == "trim_db" or key.startswith("insert ")}
    found = dict(_measured(seed, name, tuple(sorted(ahead.items()))))
    post = f"{name}/post"
    return {**found, post: found[post].shifted(fields["post_trim_db"])}


@lru_cache(maxsize=_KEPT)
def _measured(seed, name, ahead):
    session = assignment.session_of(seed)
    placed = applied(session, {name: {**dict(ahead), "post_trim_db": 0.0}})
    strip = placed.strip(name).with_(sends=(), to=())
    return tuple(Session((strip,)).render().levels(points(session, name), METERS).items())


def moved_db(seed: int, name: str, was: dict, now: dict) -> float:
    """Return by how much a strip has moved at the sum it feeds, by energy.

    Parameters
    ----------
    seed : int
        Number of the session.
    name : str
        Of the strip.
    was, now : dict
        Its controls then and now.

    Returns
    -------
    float
    """
    before, after = (
        levels(seed, name, fields)[f"{name}/post"].energy_dbfs + fields["fader_db"] for fields in (was, now)
    )
    return after - before


def guessed(measured: dict[str, NodeReading], was: dict, now: dict, name: str) -> dict[str, NodeReading]:
    """Return levels while a hand moves: what was measured, shifted as if every box passed on what it gets.

    Parameters
    ----------
    measured : dict of str to NodeReading
        Along the strip, from its stem, as it was measured last.
    was, now : dict
        Its controls then and now.
    name : str
        Of the strip.

    Returns
    -------
    dict of str to NodeReading
    """
    total, found = 0.0, {}
    for node, level in measured.items():
        control = _control_at(node.removeprefix(f"{name}/"))
        if control in now:  # a group has no gains around its box
            total += now[control] - was[control]
        found[node] = level.shifted(total)
    return found


def _control_at(point):
    if point in ("trim", "post"):
        return {"trim": "trim_db", "post": "post_trim_db"}[point]
    if point.startswith("insert"):
        _, number, end = point.replace("/", " ").split()
        return f"insert {number} {end}_db"
    return None


def boxes_of(seed: int, name: str, along: dict[str, NodeReading]) -> list[BoxState]:
    """Return the boxes of a strip as they are fed.

    Parameters
    ----------
    seed : int
        Number of the session.
    name : str
        Of the strip.
    along : dict of str to NodeReading
        Levels along it.

    Returns
    -------
    list of BoxState
    """
    found = []
    for number, insert in enumerate(assignment.session_of(seed).strip(name).inserts, start=1):
        ahead = f"{name}/trim" if number == 1 else f"{name}/insert {number - 1}/out"
        into, out = along[f"{name}/insert {number}/in"], along[f"{name}/insert {number}/out"]
        built_for = built_for_dbfs(insert.processor)
        box = assignment.box_name(name, number)
        found.append(BoxState(box, built_for, into, along[ahead].energy_dbfs, out.energy_dbfs))
    return found
