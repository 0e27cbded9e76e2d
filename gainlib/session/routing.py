"""Who feeds whom, with which gain: pan laws, order, loops, mute and solo, node names, the ways from strip to bus.

Everything here is a pure function of a session's data; no audio is touched.

Pan laws
--------
Mono, with p from −1 (left) to +1 (right) and θ = (p + 1)·π/4:

- −3: sine/cosine, L = cos θ, R = sin θ: constant power, −3.01 dB a side in the centre.
- −6: linear, L = (1 − p)/2, R = (1 + p)/2: constant sum, −6.02 dB in the centre.
- −4.5: the geometric mean of these two, L = √(cos θ · (1 − p)/2): −4.52 dB in the centre.
- 0: L = min(1, 1 − p), R = min(1, 1 + p): both full in the centre, the far side attenuated.

Stereo is balanced by the law for 0 whatever the session's law. No standard fixes a pan law; these are common practice.

Mute and solo
-------------
Mute silences both taps. When anything is soloed, an edge from u to v stays open if u is soloed or carries something
soloed, or if v is soloed or leads to something soloed. Groups and returns behind a soloed strip therefore stay open,
and a soloed return is heard with what is sent to it, without the dry ways. Mute wins over solo.

Ways to the bus
---------------
A linear processor may be moved across a gain. So a way is a chain of the sums whose inserts it passes, and one gain for
each side; what a strip sounds like behind a chain does not depend on any fader, and can be worked out once.
"""

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from gainlib.audio import GainlibError
from gainlib.processors.controls import plain_name
from gainlib.session.checks import nearest
from gainlib.session.strip import BUS, Group, Strip, ratio

PAN_LAWS_DB = (-3.0, 0.0, -4.5, -6.0)
Chain = tuple[str, ...]


def pan_pair(pan: float, pan_law_db: float, channels: int) -> tuple[float, float]:
    """Return the gains of the left and the right output channel.

    Parameters
    ----------
    pan : float
        −1 … +1.
    pan_law_db : {−3, 0, −4.5, −6}
        Used for mono only; stereo is balanced.
    channels : {1, 2}
    """
    balance = min(1.0, 1.0 - pan), min(1.0, 1.0 + pan)
    if channels == 2 or pan_law_db == 0.0:
        return balance
    power = math.sin((1.0 - pan) * math.pi / 4), math.sin((1.0 + pan) * math.pi / 4)
    linear = (1.0 - pan) / 2, (1.0 + pan) / 2
    if pan_law_db == -3.0:
        return power
    if pan_law_db == -6.0:
        return linear
    if pan_law_db == -4.5:
        return math.sqrt(power[0] * linear[0]), math.sqrt(power[1] * linear[1])
    raise GainlibError(f"pan law {pan_law_db!r} dB; there is 0, −3, −4.5 and −6")


def spread(pair: tuple[float, float], channels: int) -> np.ndarray:
    """Return a pair of left and right gains as a matrix of shape (2, channels)."""
    return np.array([[pair[0]], [pair[1]]]) if channels == 1 else np.diag(np.array(pair, dtype=float))


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
    odd = at_other_rates(session.strips)
    if odd:
        shown = ", ".join(f"{strip.name!r} is at {strip.audio.rate_hz} Hz" for strip in odd)
        rate_hz = next(strip.audio.rate_hz for strip in session.strips if strip not in odd)
        raise GainlibError(f"{shown}, the other strips at {rate_hz} Hz; convert what differs, or leave it out")
    topological_order(session)


def at_other_rates(strips) -> list[Strip]:
    """Return the strips that are not at the sample rate of most, of two as frequent the higher one."""
    counts = Counter(strip.audio.rate_hz for strip in strips)
    common = max(counts, key=lambda rate_hz: (counts[rate_hz], rate_hz), default=None)
    return [strip for strip in strips if strip.audio.rate_hz != common]


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
class Routes:
    """All ways to the bus.

    Attributes
    ----------
    gains : dict, or None
        Gain to the left and to the right by strip and by the groups (and "bus") whose inserts are passed, in order; of
        :func:`bus_paths` a matrix for each strip. None where what is passed on the way does not allow it.
    reason : str
        Why not, in one sentence; empty otherwise.
    master_gain : float
        Master trim and fader, which are not in the others.
    """

    gains: dict | None
    reason: str = ""
    master_gain: float = 1.0


def bus_routes(session, *, faders=None, pan=None, mute=()) -> Routes:
    """Return the ways of all strips to the bus, with other faders and pans by name, and further names muted.

    Examples
    --------
    >>> from gainlib.audio import Audio
    >>> from gainlib.processors import Delay
    >>> from gainlib.session import Group, Session, Strip
    >>> tone = Audio(np.full(480, 0.1), 48000)
    >>> session = Session([Strip("snare", tone, to=("bus", "room"))], [Group("room", inserts=(Delay(0.01),))])
    >>> sorted(bus_routes(session).gains)
    [('snare', ()), ('snare', ('room',))]
    """
    ways, inserts = _ways(session, faders or {}, pan or {}, mute)
    reason = next((said for insert, said in inserts if not insert.processor.linear), "")
    return Routes(None if reason else ways, reason)


def bus_paths(session, *, faders=None, pan=None, mute=(), master_trim_db: float | None = None) -> Routes:
    """Return the ways of all strips to the bus, where all behind the faders is gain; moves as for `bus_routes`.

    The gains of each strip, shape (2, channels), lead from its signal ahead of mute and fader to "bus/in": main ways
    and sends, groups nested, mute and solo applied (zeros where nothing arrives).
    """
    trim_db = session.master.trim_db if master_trim_db is None else master_trim_db
    ways, inserts = _ways(session, faders or {}, pan or {}, mute)
    reason = next((said for _, said in inserts), "")
    if not reason and session.bus == "fixed":
        reason = "the bus is fixed, so every sum clips at full scale"
    gains = {each.name: spread(ways.get((each.name, ()), (0.0, 0.0)), each.channels) for each in session.strips}
    return Routes(None if reason else gains, reason, ratio(trim_db + session.master.fader_db))


def _ways(session, faders, pan, mute):
    """Return the gains of every way, by strip and chain, and the inserts behind the faders, each with where it sits."""
    known = channels(session)
    for name in (*faders, *pan, *mute):
        if name not in known:
            raise GainlibError(f"no strip or group is named {name!r}; {nearest(name, known)}")
    by_source = {name: [] for name in known}
    for edge in heard(session, mute)[1]:
        by_source[edge.source].append(edge)
    to_bus = {BUS: {(BUS,) if _active(session.master) else (): (1.0, 1.0)}}  # no way ever crosses the sides

    def ahead(channel, passed):
        found = {}
        fader_db, position = faders.get(channel.name, channel.fader_db), pan.get(channel.name, channel.pan)
        for edge in by_source[channel.name]:
            pair = edge_pair(channel, edge, session.pan_law_db, fader_db, position)
            for chain, further in to_bus.get(edge.to, {}).items():
                left, right = found.get(passed + chain, (0.0, 0.0))
                found[passed + chain] = left + pair[0] * further[0], right + pair[1] * further[1]
        return found

    for name in reversed(topological_order(session)):
        group = known[name]
        gain = ratio(group.trim_db + group.post_trim_db)
        onward = ahead(group, (name,) if _active(group) else ())
        to_bus[name] = {chain: (gain * left, gain * right) for chain, (left, right) in onward.items()}
    reaching = [group for group in session.groups if any(any(pair) for pair in to_bus[group.name].values())]
    inserts = [
        (insert, f"the {label} has a {plain_name(insert.kind)} behind the faders")
        for owner, label in (*((group, group.label) for group in reaching), (session.master, "master"))
        for insert in _active(owner)
    ]
    return {(strip.name, chain): pair for strip in session.strips for chain, pair in ahead(strip, ()).items()}, inserts


def _active(owner):
    return [insert for insert in owner.inserts if not insert.bypass]
