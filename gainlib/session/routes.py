"""Every way a strip takes to the bus, with its gain, where all on the way scales with what it gets.

A linear processor may be moved across a gain. So a way is a chain of the sums whose inserts it passes, and one gain for
each side; what a strip sounds like behind a chain does not depend on any fader, and can be worked out once.
"""

from dataclasses import dataclass

from gainlib.audio import GainlibError
from gainlib.session import routing
from gainlib.session.checks import nearest
from gainlib.session.strip import BUS, ratio

Chain = tuple[str, ...]


@dataclass(frozen=True)
class Routes:
    """All ways to the bus.

    Attributes
    ----------
    gains : dict of (str, tuple of str) to (float, float), or None
        By strip and by the groups (and "bus") whose inserts are passed, in order: gain to the left and to the right,
        master trim and fader left out. None where a processor on the way depends on level.
    reason : str
        Which one; empty otherwise.
    """

    gains: dict[tuple[str, Chain], tuple[float, float]] | None
    reason: str = ""


def bus_routes(session, *, faders=None, pan=None, mute=()) -> Routes:
    """Return the ways of all strips to the bus.

    Parameters
    ----------
    session : Session
    faders, pan : mapping of str to float, optional
        Stand in for the session's, by name of strip or group.
    mute : iterable of str
        Names muted besides those the session mutes.

    Returns
    -------
    routes : Routes

    Raises
    ------
    GainlibError
        For a name the session does not hold.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.processors import Delay
    >>> from gainlib.session import Group, Session, Strip
    >>> tone = Audio(np.full(480, 0.1), 48000)
    >>> session = Session([Strip("snare", tone, to=("bus", "room"))], [Group("room", inserts=(Delay(0.01),))])
    >>> sorted(bus_routes(session).gains)
    [('snare', ()), ('snare', ('room',))]
    """
    faders, pan = faders or {}, pan or {}
    known = routing.channels(session)
    for name in (*faders, *pan, *mute):
        if name not in known:
            raise GainlibError(f"no strip or group is named {name!r}; {nearest(name, known)}")
    by_source = {name: [] for name in known}
    for edge in routing.heard(session, mute)[1]:
        by_source[edge.source].append(edge)
    to_bus = {BUS: {(BUS,) if _active(session.master) else (): (1.0, 1.0)}}

    def ahead(channel, passed):
        found = {}
        fader_db, position = faders.get(channel.name, channel.fader_db), pan.get(channel.name, channel.pan)
        for edge in by_source[channel.name]:
            pair = routing.edge_pair(channel, edge, session.pan_law_db, fader_db, position)
            for chain, further in to_bus.get(edge.to, {}).items():
                left, right = found.get(passed + chain, (0.0, 0.0))
                found[passed + chain] = left + pair[0] * further[0], right + pair[1] * further[1]
        return found

    for name in reversed(routing.topological_order(session)):
        group = known[name]
        gain = ratio(group.trim_db + group.post_trim_db)
        onward = ahead(group, (name,) if _active(group) else ())
        to_bus[name] = {chain: (gain * left, gain * right) for chain, (left, right) in onward.items()}
    reason = _level_dependent(session, to_bus)
    if reason:
        return Routes(None, reason)
    return Routes({(strip.name, chain): pair for strip in session.strips for chain, pair in ahead(strip, ()).items()})


def _active(owner):
    return [insert for insert in owner.inserts if not insert.bypass]


def _level_dependent(session, to_bus):
    for owner, label in [*((group, f"group {group.name!r}") for group in session.groups), (session.master, "master")]:
        found = next((insert for insert in _active(owner) if not insert.processor.linear), None)
        reaches_bus = owner is session.master or any(any(pair) for pair in to_bus[owner.name].values())
        if found is not None and reaches_bus:
            return f"the {label} has a {found.kind} behind the faders"
    return ""
