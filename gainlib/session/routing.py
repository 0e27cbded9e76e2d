"""Who feeds whom, with which gain: order, loops, mute and solo, node names, gains from strip to bus.

Everything here is a pure function of a session's data; no audio is touched.

Mute and solo
-------------
Mute silences both taps. When anything is soloed, an edge from u to v stays open if u is soloed or carries something
soloed, or if v is soloed or leads to something soloed. Groups and returns behind a soloed strip therefore stay open,
and a soloed return is heard with what is sent to it, without the dry ways. Mute wins over solo.
"""

from dataclasses import dataclass

import numpy as np

from gainlib.audio import GainlibError
from gainlib.session.checks import nearest
from gainlib.session.pan import PAN_LAWS_DB, pan_gains, pan_pair, spread
from gainlib.session.strip import BUS, Group, Strip, ratio

__all__ = [
    "PAN_LAWS_DB",
    "BusPaths",
    "Edge",
    "bus_paths",
    "channels",
    "check",
    "edge_pair",
    "edges_of",
    "heard",
    "insert_nodes",
    "node_names",
    "pan_gains",
    "pan_pair",
    "spread",
    "strip_gain",
    "topological_order",
    "upstream",
]


@dataclass(frozen=True)
class Edge:
    """One way from a strip or group into a sum.

    Attributes
    ----------
    source, to : str
        Names of the strip or group it leaves and of the group (or "bus") it enters.
    kind : {"out", "post", "pre"}
        The main way, or a send and its tap.
    level_db : float
        Gain of the send; 0 for the main way.
    """

    source: str
    to: str
    kind: str
    level_db: float = 0.0

    @property
    def node(self) -> str:
        """Name of the node whose audio this adds to its sum."""
        return f"{self.source}/out" if self.kind == "out" else f"{self.source}/send {self.to}"


# ------------------------------------------------------------------------------------------------------------- gains


def strip_gain(channel: Strip | Group, fader_db: float | None = None) -> float:
    """Return the linear gain of a fader, 0 when muted; `fader_db` stands in for the channel's own."""
    return 0.0 if channel.mute else ratio(channel.fader_db if fader_db is None else fader_db)


def edge_pair(channel, edge: Edge, pan_law_db: float, fader_db: float, pan: float) -> tuple[float, float]:
    """Return left and right gain of an edge, from its channel's pre-fader tap to the sum it enters."""
    if edge.kind == "out":
        left, right = pan_pair(pan, pan_law_db, channel.channels)
        gain = ratio(fader_db)
    else:
        left, right = pan_pair(0.0, pan_law_db, channel.channels)
        gain = ratio(edge.level_db + (fader_db if edge.kind == "post" else 0.0))
    return left * gain, right * gain


# ------------------------------------------------------------------------------------------------------------- graph


def channels(session) -> dict[str, Strip | Group]:
    """Return every strip and group by name, strips first."""
    return {each.name: each for each in (*session.strips, *session.groups)}


def edges_of(channel: Strip | Group) -> tuple[Edge, ...]:
    """Return the edges that leave a strip or group: the main way first, then its sends."""
    main = tuple(Edge(channel.name, to, "out") for to in channel.to)
    return main + tuple(Edge(channel.name, send.to, send.tap, send.level_db) for send in channel.sends)


def check(session) -> None:
    """Refuse doubled names, unknown destinations, loops and unequal rates, and name them."""
    known = {}
    for channel in (*session.strips, *session.groups):
        if channel.name in known:
            raise GainlibError(f"two strips or groups are named {channel.name!r}; names must be unique")
        known[channel.name] = channel
    sums = [group.name for group in session.groups]
    for channel in known.values():
        for name in channel.outputs:
            if name != BUS and name not in sums:
                _refuse_destination(channel, name, known, sums)
    rates = {strip.name: strip.audio.rate_hz for strip in session.strips}
    if len(set(rates.values())) > 1:
        shown = ", ".join(f"{name!r} {rate} Hz" for name, rate in rates.items())
        raise GainlibError(f"the strips differ in sample rate ({shown}); convert them to one rate first")
    topological_order(session)


def _refuse_destination(channel, name, known, sums):
    where = f"{type(channel).__name__.lower()} {channel.name!r}"
    if name in known:
        raise GainlibError(f"{where} goes to {name!r}, which is a strip; only groups and 'bus' take signals")
    raise GainlibError(f"{where} goes to {name!r}, which does not exist; {nearest(name, [*sums, BUS])}")


def topological_order(session) -> tuple[str, ...]:
    """Return the names of the groups, each behind all groups that feed it.

    Raises
    ------
    GainlibError
        For a loop, which is named from group to group.
    """
    groups = {group.name: group for group in session.groups}
    order, state = [], {}

    def visit(name, trail):
        if state.get(name) == "done":
            return
        if name in trail:
            loop = " → ".join((*trail[trail.index(name) :], name))
            raise GainlibError(f"the groups feed each other in a loop: {loop}; take one of these ways out")
        for target in groups[name].outputs:
            if target in groups:
                visit(target, (*trail, name))
        state[name] = "done"
        order.append(name)

    for name in reversed(groups):
        visit(name, ())
    return tuple(reversed(order))


def heard(session, mute=()) -> tuple[frozenset[str], tuple[Edge, ...]]:
    """Return what mute and solo leave over.

    Parameters
    ----------
    session : Session
    mute : iterable of str
        Names muted besides those the session mutes.

    Returns
    -------
    names : frozenset of str
        Strips and groups whose taps carry signal.
    edges : tuple of Edge
        Edges that carry signal, in the order of strips, then groups.
    """
    everything = (*session.strips, *session.groups)
    muted = {each.name for each in everything if each.mute}.union(mute)
    soloed = {each.name for each in everything if each.solo}
    lit, leads = _around(session, soloed)
    names, edges = set(), []
    for each in everything:
        if each.name in muted:
            continue
        passing = [edge for edge in edges_of(each) if not soloed or each.name in lit or edge.to in leads]
        edges += passing
        if passing or not soloed or each.name in lit:
            names.add(each.name)
    return frozenset(names), tuple(edges)


def upstream(session, targets) -> frozenset[str]:
    """Return `targets` (groups, "bus") and the names of all strips and groups whose signal arrives at one of them."""
    _, edges = heard(session)
    reached = set(targets)
    for name in (*reversed(topological_order(session)), *(strip.name for strip in session.strips)):
        if any(edge.source == name and edge.to in reached for edge in edges):
            reached.add(name)
    return frozenset(reached)


def _around(session, soloed):
    """Return the names behind anything soloed, and those ahead of it, the soloed ones with both."""
    lit, leads = set(soloed), set(soloed)
    if soloed:
        order = [session.group(name) for name in topological_order(session)]
        for each in (*session.strips, *order):
            if each.name in lit:
                lit.update(each.outputs)
        for group in reversed(order):
            if leads.intersection(group.outputs):
                leads.add(group.name)
    return lit, leads


# ------------------------------------------------------------------------------------------------------------- nodes


def insert_nodes(owner: str, inserts) -> list[str]:
    """Return the names of the nodes ahead of and behind each insert, counted from 1."""
    return [f"{owner}/insert {k}/{end}" for k in range(1, len(inserts) + 1) for end in ("in", "out")]


def node_names(session) -> tuple[str, ...]:
    """Return the name of every node of a session, in the order the signal passes them."""
    names = []
    for channel in (*session.strips, *(session.group(name) for name in topological_order(session))):
        owner = channel.name
        names += [f"{owner}/{'source' if isinstance(channel, Strip) else 'in'}", f"{owner}/trim"]
        names += insert_nodes(owner, channel.inserts)
        names += [f"{owner}/post", f"{owner}/out", *(f"{owner}/send {send.to}" for send in channel.sends)]
    return (*names, f"{BUS}/in", f"{BUS}/trim", *insert_nodes(BUS, session.master.inserts), BUS)


# ------------------------------------------------------------------------------------------------------ gains to bus


@dataclass(frozen=True)
class BusPaths:
    """The linear way of every strip to the bus.

    Attributes
    ----------
    gains : dict of str to array of shape (2, channels), or None
        From each strip's signal ahead of mute and fader (``render.post_blocks``) to "bus/in": main ways and sends,
        groups nested, mute and solo applied (zeros where nothing arrives). None where the way is not a plain gain.
    master_gain : float
        From "bus/in" to "bus": master trim and fader.
    reason : str
        Why `gains` is None, in one sentence; empty otherwise.
    """

    gains: dict[str, np.ndarray] | None
    master_gain: float
    reason: str = ""


def bus_paths(session, *, faders=None, pan=None, mute=(), master_trim_db: float | None = None) -> BusPaths:
    """Return the gains from every strip to the bus, if all that lies behind the faders is gain.

    Parameters
    ----------
    session : Session
    faders : mapping of str to float, optional
        Faders in dB that stand in for the session's, of strips and groups.
    pan : mapping of str to float, optional
        Pans that stand in for the session's.
    mute : iterable of str
        Names muted besides those the session mutes.
    master_trim_db : float, optional
        Stands in for the session's.

    Returns
    -------
    paths : BusPaths

    Raises
    ------
    GainlibError
        For a name the session does not hold.
    """
    faders, pan = faders or {}, pan or {}
    known = channels(session)
    for name in (*faders, *pan, *mute):
        if name not in known:
            raise GainlibError(f"no strip or group is named {name!r}; {nearest(name, known)}")
    trim_db = session.master.trim_db if master_trim_db is None else master_trim_db
    master_gain = ratio(trim_db + session.master.fader_db)
    by_source: dict[str, list[Edge]] = {name: [] for name in known}
    for edge in heard(session, mute)[1]:
        by_source[edge.source].append(edge)

    to_bus = {BUS: (1.0, 1.0)}  # left and right gain from a sum to "bus/in"; no path ever crosses the sides

    def ahead(channel):
        left = right = 0.0
        fader_db, position = faders.get(channel.name, channel.fader_db), pan.get(channel.name, channel.pan)
        for edge in by_source[channel.name]:
            if edge.to in to_bus:
                gains = edge_pair(channel, edge, session.pan_law_db, fader_db, position)
                left += gains[0] * to_bus[edge.to][0]
                right += gains[1] * to_bus[edge.to][1]
        return left, right

    for name in reversed(topological_order(session)):
        group = known[name]
        gain = ratio(group.trim_db + group.post_trim_db)
        left, right = ahead(group)
        to_bus[name] = gain * left, gain * right
    reason = _not_plain(session, to_bus)
    if reason:
        return BusPaths(None, master_gain, reason)
    return BusPaths({each.name: spread(ahead(each), each.channels) for each in session.strips}, master_gain)


def _not_plain(session, to_bus):
    for owner, label in [*((group, f"group {group.name!r}") for group in session.groups), (session.master, "master")]:
        active = next((insert for insert in owner.inserts if not insert.bypass), None)
        reaches_bus = owner is session.master or any(to_bus[owner.name])
        if active is not None and reaches_bus:
            return f"the {label} has a {active.kind} behind the faders"
    if session.bus == "fixed":
        return "the bus is fixed, so every sum clips at full scale"
    return ""
