"""Drums moved ahead of the compressor of their group, on the demo as it is: what arrives at the bus."""

from dataclasses import dataclass
from functools import cache

from gainlib.demo import demo_session
from gainlib.demo.chains import DRUMS

_NODES = ("drums/insert 1/in", "drums/insert 1/out", "drums/out")


@dataclass(frozen=True)
class Moved:
    """What a move of the drum strips did.

    Attributes
    ----------
    group_db : float
        By how much the drums have moved at the bus, by energy.
    reduction_db, reduction_before_db : float
        What the compressor of the group takes off, by energy.
    """

    group_db: float
    reduction_db: float
    reduction_before_db: float


@cache
def drums_moved(by_db: float) -> Moved:
    """Return what becomes of the drums when their four strips move.

    Parameters
    ----------
    by_db : float
        The move.

    Returns
    -------
    Moved
    """
    session = demo_session(1, True, "rough", chains=True)
    moved = session.with_faders({name: session.strip(name).fader_db + by_db for name in DRUMS})
    before, after = (each.render().levels(_NODES, ("rms",)) for each in (session, moved))
    taken = [each[_NODES[0]].energy_dbfs - each[_NODES[1]].energy_dbfs for each in (after, before)]
    return Moved(after[_NODES[2]].energy_dbfs - before[_NODES[2]].energy_dbfs, *taken)
