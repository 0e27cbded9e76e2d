"""A session as it is mixed where it is heard: what has to be rendered, and the gains, sums and responses behind it.

Behind the last box of a strip that depends on level there are only gains, so a browser can follow the hand by itself
from there on; what comes before is rendered. A linear box of a strip may be moved across a gain and is rendered at
0 dB. A group or the master with linear boxes is an impulse response; where one depends on level or time, all that leads
there is rendered. Only a stretch is rendered, with what lies some seconds ahead of it, since compressors and rooms have
to come in; how many are enough is a choice of our own.

A stretch of a session's bus for the ear is rendered the same way.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.audio.types import stretch_of
from gainlib.processors import Polarity, Tremolo
from gainlib.session import Group, Session, Strip, routing
from gainlib.session.strip import BUS

LOOP_AHEAD_S = 3.0
PARTS_KEPT = 64
LONGEST_RESPONSE_S = 8.0
LEAST_RESPONSE = 1e-6  # −120 dB: what comes later in a response is left out
AHEAD_S = 10.0


def _stretched(session, start, stop):
    return session.with_(strips=tuple(each.with_(audio=stretch_of(each.audio, start, stop)) for each in session.strips))


def bus_excerpt(
    session: Session,
    start_s: float,
    length_s: float,
    progress: Callable[[str, int, int], None] | None = None,
) -> Audio:
    """Return a stretch of a session's bus, rendered with what lies some seconds ahead; it ends with the song.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> song = Session([Strip("ramp", Audio(np.arange(480) / 480, 48))])
    >>> excerpt = bus_excerpt(song, 5.0, 2.0)
    >>> excerpt.frames, round(float(excerpt.samples[0, 0]), 4)
    (96, 0.3536)
    """
    rate, whole = session.rate_hz, session.frames
    checked_start(session, start_s)
    if not 0.0 < length_s < math.inf:
        raise GainlibError(f"a stretch of {length_s:g} s; give a length above 0 s")
    start = round(start_s * rate)
    first = max(start - round(AHEAD_S * rate), 0)
    stop = min(start + max(round(length_s * rate), 1), whole)
    cut = _stretched(session, first, stop)
    told, done, kept = progress or (lambda *_: None), 0, []
    for block in cut.render().blocks(BUS):
        kept.append(block)
        done += len(block)
        told("excerpt", done // rate, math.ceil((stop - first) / rate))
    return Audio(np.concatenate(kept)[start - first :], rate, session.name)


def checked_start(session: Session, start_s: float) -> float:
    """Return a second of a session's song, or refuse one that it has not got."""
    length_s = session.frames / session.rate_hz
    if not 0.0 <= start_s < length_s:
        raise GainlibError(f"the song is {length_s:.1f} s long and has no second {start_s:g}; start before its end")
    return start_s


# ---- a mix taken apart -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Tap:
    """Something to be rendered: a node of a session that holds nothing but what leads there. Equal taps sound the same.

    Attributes
    ----------
    session : Session
    node : str
    boxes : bool
        Whether anything but gain lies on the way, so that what came before a stretch matters.
    """

    session: Session
    node: str
    boxes: bool = False

    @property
    def channels(self) -> int:
        """Mono or stereo, as its strip; a group is stereo."""
        owner = self.node.partition("/")[0]
        return next((strip.channels for strip in self.session.strips if strip.name == owner), 2)

    def audio(self, start: int, stop: int) -> Audio:
        """Render frames `start` to `stop`, float32; silent where the session has ended."""
        rate = self.session.rate_hz
        first = max(start - round(LOOP_AHEAD_S * rate), 0) if self.boxes else start
        cut = _stretched(self.session, first, stop)
        samples = np.concatenate(list(cut.render().blocks(self.node)))[start - first :]
        return Audio(samples.astype(np.float32), rate, self.node)


@dataclass(frozen=True)
class LiveMix:
    """A session taken apart for the ear.

    Attributes
    ----------
    channels : tuple of dict
        Strips, groups in the order of their signal, and the bus: name, width, ``to`` and ``sends`` as [name, tap].
    taps : dict of str to Tap
        What is rendered, by strip, and by group (or "bus") where that stands in for all that leads there.
    responses : dict of str to tuple of Processor
        The linear boxes of groups and of the bus, where there are any.
    live : dict of str to list of str
        The gains between what is rendered and the pre-fader tap, by strip, group or bus, as names of controls.
    values : dict of str to dict
        Where every control stands, by owner and name, as in a session's controls as an answer.
    fixed : bool
        Whether every sum is cut off at full scale.
    """

    channels: tuple
    taps: dict
    responses: dict
    live: dict
    values: dict
    fixed: bool


def live_mix(session: Session) -> LiveMix:
    """Take a session apart.

    Examples
    --------
    >>> from gainlib.processors import Saturation
    >>> tone = Audio(np.full(480, 0.1), 48000)
    >>> parts = live_mix(Session([Strip("kick", tone), Strip("bass", tone, inserts=Saturation())]))
    >>> parts.live["kick"], parts.live["bass"]
    (['polarity', 'trim_db', 'post_trim_db'], ['insert 1 out_db', 'post_trim_db'])
    """
    groups = [session.group(name) for name in routing.topological_order(session)]
    owners = [*session.strips, *groups, session.master]
    names = [*(each.name for each in owners[:-1]), BUS]
    taps, responses, live, values = {}, {}, {}, {}
    for name, owner in zip(names, owners, strict=True):
        last = _last_box(owner)
        live[name], values[name] = _live(owner, last), _values(owner)
        if isinstance(owner, Strip):
            taps[name] = _strip_tap(owner, last)
        elif last is not None:
            taps[name] = _group_tap(session, name, owner, last)
        elif boxes := _response(owner):
            responses[name] = boxes
    channels = tuple(_wires(name, owner) for name, owner in zip(names, owners, strict=True))
    return LiveMix(channels, taps, responses, live, values, session.bus == "fixed")


def _wires(name, owner):
    width = owner.channels if isinstance(owner, Strip) else 2
    sends = [[send.to, send.tap] for send in getattr(owner, "sends", ())]
    return {"name": name, "width": width, "to": list(getattr(owner, "to", ())), "sends": sends}


def _last_box(owner):
    """Return the place of the last box that no gain may be moved across, None where there is none."""
    bars = [k for k, each in enumerate(owner.inserts) if not each.bypass and not _passes(owner, each.processor)]
    return bars[-1] if bars else None


def _passes(owner, processor):
    """Whether a box is left to the browser, or may be moved across a gain: on a strip every linear one may."""
    return processor.linear and (isinstance(owner, Strip) or not isinstance(processor, Tremolo))


def _live(owner, last):
    names = [] if last is not None else ["polarity", "trim_db"]
    for k, each in enumerate(owner.inserts):
        if not each.bypass and (last is None or k >= last):
            names += [f"insert {k + 1} in_db"] * (k != last) + [f"insert {k + 1} out_db"]
    return names if not hasattr(owner, "post_trim_db") else [*names, "post_trim_db"]


def _values(owner):
    found = {"polarity": getattr(owner, "polarity", 1)}
    if isinstance(owner, Group):  # a box that turns a group over is a sign, and no reason to convolve
        found["polarity"] = (-1) ** sum(isinstance(each.processor, Polarity) for each in _active(owner))
    fields = ("trim_db", "post_trim_db", "fader_db", "pan", "mute", "solo")
    found |= {field: getattr(owner, field) for field in fields if hasattr(owner, field)}
    for k, each in enumerate(owner.inserts, 1):
        found |= {f"insert {k} in_db": each.in_db, f"insert {k} out_db": each.out_db}
    return found | {f"send {send.to} level_db": send.level_db for send in getattr(owner, "sends", ())}


def _active(owner):
    return [each for each in owner.inserts if not each.bypass]


def _boxes(owner, last):
    """Return the boxes as they are rendered: all up to `last` as they stand, those behind it at 0 dB."""
    kept = []
    for k, each in enumerate(owner.inserts):
        if each.bypass:
            continue
        if last is None or k > last:
            each = replace(each, in_db=0.0, out_db=0.0)
        kept.append(replace(each, out_db=0.0) if k == last else each)
    return tuple(kept)


_ALONE = {"post_trim_db": 0.0, "fader_db": 0.0, "pan": 0.0, "mute": False, "solo": False, "sends": (), "to": ()}


def _strip_tap(strip, last):
    bare = {} if last is not None else {"polarity": 1, "trim_db": 0.0}
    alone = strip.with_(inserts=_boxes(strip, last), **bare, **_ALONE)
    return Tap(Session((alone,)), f"{strip.name}/post", bool(alone.inserts) or strip.dc_block)


def _group_tap(session, name, owner, last):
    """Return all that leads to a group or the bus, up to its last box that depends on level or time."""
    ahead, edges = routing.upstream(session, {name}), routing.heard(session)[1]

    def cut(each):
        ways = [edge for edge in edges if edge.source == each.name and edge.to in ahead]
        to = tuple(edge.to for edge in ways if edge.kind == "out")
        sends = tuple(send for send in each.sends if any(w.kind == send.tap and w.to == send.to for w in ways))
        return each.with_(to=to, sends=sends, mute=False, solo=False)

    strips = [cut(each) for each in session.strips if each.name in ahead]
    strips = strips or [session.strips[0].with_(to=(), sends=(), mute=False, solo=False)]  # silent, but as long
    groups = [cut(each) for each in session.groups if each.name in ahead and each.name != name]
    boxes, master = _boxes(owner, last), replace(session.master, trim_db=0.0, inserts=(), fader_db=0.0)
    if name == BUS:
        master, node = replace(owner, inserts=boxes, fader_db=0.0), BUS
    else:
        groups, node = [*groups, owner.with_(inserts=boxes, **_ALONE)], f"{name}/post"
    left = {"strips": tuple(strips), "groups": tuple(groups), "master": master, "name": "", "finished": False}
    return Tap(session.with_(**left), node, True)


def _response(owner):
    return tuple(each.processor for each in _active(owner) if not isinstance(each.processor, Polarity))


@lru_cache(maxsize=16)
def response(boxes: tuple, rate_hz: int) -> Audio:
    """Return what linear boxes make of an impulse, stereo, cut where it has fallen by 120 dB."""
    impulse = np.zeros((round(LONGEST_RESPONSE_S * rate_hz), 2))
    impulse[0] = 1.0
    audio = Audio(impulse, rate_hz)
    for box in boxes:
        audio = box.process(audio)
    size = np.abs(audio.samples).max(axis=1)
    heard = np.flatnonzero(size > LEAST_RESPONSE * size.max(initial=0.0))
    return audio.with_samples(audio.samples[: heard[-1] + 1 if heard.size else 1].astype(np.float32))


class Part:
    """A part of a song, rendered tap by tap; whatever leads to a group is made of the strips that are there already."""

    def __init__(self, start: int, stop: int, rate_hz: int):
        self.start, self.stop = start, stop
        self._first, self._kept = max(start - round(LOOP_AHEAD_S * rate_hz), 0), {}

    def audio(self, tap: Tap) -> Audio:
        """Return the part of what a tap gives."""
        long = self._long(tap)
        return long.with_samples(long.samples[self.start - self._first :])

    def bus(self, session: Session) -> Audio:
        """Return the part of a session's bus."""
        return self.audio(Tap(session, BUS, True))

    def _long(self, tap):
        if tap not in self._kept:
            owner = tap.node.partition("/")[0]
            alone = any(strip.name == owner for strip in tap.session.strips)
            found = tap.audio(self._first, self.stop) if alone else self._summed(tap)
            if tap.node == BUS:
                return found  # heard of every session once
            self._kept[tap] = found
            for old in list(self._kept)[:-PARTS_KEPT]:
                self._kept.pop(old, None)
        return self._kept[tap]

    def _summed(self, tap):
        session, parts = tap.session, live_mix(tap.session)
        strips = []
        for strip in session.strips:
            found, live = parts.values[strip.name], parts.live[strip.name]
            gain = sum(found[field] for field in live if field != "polarity")
            sign = strip.polarity if "polarity" in live else 1
            bare = {"dc_block": False, "trim_db": 0.0, "inserts": (), "post_trim_db": gain, "polarity": sign}
            strips.append(strip.with_(audio=self._long(parts.taps[strip.name]), **bare))
        samples = np.concatenate(list(session.with_(strips=tuple(strips)).render().blocks(tap.node)))
        return Audio(samples.astype(np.float32), session.rate_hz, tap.node)
