"""What a session is made of: strips, inserts, sends, groups, the master. Frozen data, every control in dB.

A strip's order is fixed::

    source → polarity → DC block → trim → insert 1 … n → output trim
           → [pre-fader tap] → fader → [post-fader tap] → pan → groups or bus

A group has the same order from its trim on, its source being the sum of what is sent there; it serves as group and
as return. Sends leave before the pan: a mono tap enters the two channels of its destination at the centre of the
session's pan law, a stereo tap as it is.

Positive dB is louder for every control; −∞ dB is legal and silent.
"""

from dataclasses import dataclass, fields
from dataclasses import replace as _replace
from typing import Protocol

from gainlib.audio import Audio, GainlibError
from gainlib.processors.base import Processor
from gainlib.session.checks import check_name, decibels, flag, nearest, parts, position

BUS = "bus"
MAX_STRIP_CHANNELS = 2


class Source(Protocol):
    """What a strip plays: an :class:`~gainlib.audio.Audio`, or an ``AudioFile`` that is read when it is rendered."""

    rate_hz: int
    channels: int
    frames: int
    name: str

    def blocks(self, frames: int = 65536, start: int = 0, stop: int | None = None):
        """Iterate over float arrays of shape (n, channels)."""


def ratio(level_db: float) -> float:
    """Return the amplitude ratio of one level: 10^(dB/20), 0 for −∞ (the scalar case of ``levels.db_to_ratio``)."""
    return 10.0 ** (level_db / 20.0)


@dataclass(frozen=True)
class Send:
    """A branch to a group, beside the main way.

    Parameters
    ----------
    to : str
        Name of the group that takes it.
    level_db : float
        Gain of the branch.
    tap : {"post", "pre"}
        Behind the fader, or ahead of it. Both lie behind the output trim and ahead of the pan, and both fall silent
        when the strip is muted.
    """

    to: str
    level_db: float = 0.0
    tap: str = "post"

    def __post_init__(self):
        if not isinstance(self.to, str):
            raise GainlibError(f"send to {self.to!r}; give the name of a group")
        _set(self, "level_db", decibels(self.level_db, f"send to {self.to!r}: level_db"))
        if self.tap not in ("pre", "post"):
            raise GainlibError(f"send to {self.to!r}: tap is {self.tap!r}; it is 'pre' or 'post' (the fader)")


@dataclass(frozen=True)
class Insert:
    """A processor in a strip, a group or the master, with a gain on either side.

    Parameters
    ----------
    processor : Processor
    in_db, out_db : float
        Gain ahead of the processor (its drive) and behind it.
    bypass : bool
        True makes it a wire: the processor and both gains are skipped.
    """

    processor: Processor
    in_db: float = 0.0
    out_db: float = 0.0
    bypass: bool = False

    def __post_init__(self):
        if not isinstance(self.processor, Processor):
            raise GainlibError(f"insert holds {self.processor!r}; give a processor such as HardClip()")
        _set(self, "in_db", decibels(self.in_db, f"insert {self.kind}: in_db"))
        _set(self, "out_db", decibels(self.out_db, f"insert {self.kind}: out_db"))
        flag(self.bypass, f"insert {self.kind}: bypass")

    @property
    def kind(self) -> str:
        """Class name of the processor."""
        return type(self.processor).__name__


class Changeable:
    """Gives frozen parts of a session ``with_(field=value)``."""

    def with_(self, **changes):
        """Return a copy with some fields changed; an unknown field is refused with the nearest one's name."""
        known = [field.name for field in fields(self)]
        for field in changes:
            if field not in known:
                raise GainlibError(f"{type(self).__name__} has no {field!r}; {nearest(field, known)}")
        return _replace(self, **changes)


class _Channel(Changeable):
    """What strips and groups share: the checks of their common fields."""

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of everything this feeds: main destinations, then sends."""
        return (*self.to, *(send.to for send in self.sends))

    @property
    def label(self) -> str:
        """What it is called in errors: "strip 'kick'"."""
        return f"{type(self).__name__.lower()} {self.name!r}"

    def _check(self):
        check_name(self.name)
        where = self.label
        for field in ("trim_db", "post_trim_db", "fader_db"):
            _set(self, field, decibels(getattr(self, field), f"{where}: {field}"))
        _set(self, "pan", position(self.pan, f"{where}: pan"))
        flag(self.mute, f"{where}: mute")
        flag(self.solo, f"{where}: solo")
        _set(self, "inserts", _inserts(self.inserts, where))
        _set(self, "sends", parts(self.sends, Send, f"{where}: sends"))
        _set(self, "to", parts(self.to, str, f"{where}: to"))
        _check_outputs(self, where)


@dataclass(frozen=True)
class Strip(_Channel):
    """One source and everything between it and the sums it feeds.

    Parameters
    ----------
    name : str
        Unique in the session; no "/", not "bus".
    audio : Audio or AudioFile
        One or two channels; a file is opened when it is rendered.
    polarity : {1, −1}
    dc_block : bool
        A first-order 5 Hz high-pass ahead of the trim.
    trim_db : float
        Gain ahead of the first insert (input trim).
    inserts : tuple of Insert
    post_trim_db : float
        Gain behind the last insert and ahead of both taps.
    fader_db : float
    pan : float
        −1 left … +1 right. Mono follows the session's pan law; stereo is balanced: the far side is attenuated.
    mute, solo : bool
    sends : tuple of Send
    to : tuple of str
        Where the main way goes: "bus", groups, several, or nothing at all.

    Examples
    --------
    >>> import numpy as np
    >>> kick = Strip("kick", Audio(np.zeros(48), 48000), fader_db=-6, to="drums")
    >>> kick.to, kick.with_(fader_db=0).fader_db
    (('drums',), 0.0)
    """

    name: str
    audio: Source
    polarity: int = 1
    dc_block: bool = False
    trim_db: float = 0.0
    inserts: tuple[Insert, ...] = ()
    post_trim_db: float = 0.0
    fader_db: float = 0.0
    pan: float = 0.0
    mute: bool = False
    solo: bool = False
    sends: tuple[Send, ...] = ()
    to: tuple[str, ...] = (BUS,)

    def __post_init__(self):
        self._check()
        where = f"strip {self.name!r}"
        if not (isinstance(self.audio, Audio) or hasattr(type(self.audio), "blocks")):
            raise GainlibError(f"{where}: audio is a {type(self.audio).__name__}; give an Audio or an AudioFile")
        if self.audio.channels > MAX_STRIP_CHANNELS:
            raise GainlibError(f"{where}: {self.audio.channels} channels; a strip takes mono or stereo")
        if isinstance(self.polarity, bool) or self.polarity not in (1, -1):
            raise GainlibError(f"{where}: polarity is {self.polarity!r}; it is 1, or −1 for inverted")
        _set(self, "polarity", int(self.polarity))
        flag(self.dc_block, f"{where}: dc_block")

    @property
    def channels(self) -> int:
        """Channels of the source: 1 or 2."""
        return self.audio.channels


@dataclass(frozen=True)
class Group(_Channel):
    """A stereo sum with a channel of its own: a group of strips, or the return of sends.

    Parameters
    ----------
    name, trim_db, inserts, post_trim_db, fader_db, pan, mute, solo, sends, to
        As in :class:`Strip`; the source is the sum of all that is sent here. ``to=()`` keeps it off the bus (a cue).
    """

    name: str
    trim_db: float = 0.0
    inserts: tuple[Insert, ...] = ()
    post_trim_db: float = 0.0
    fader_db: float = 0.0
    pan: float = 0.0
    mute: bool = False
    solo: bool = False
    sends: tuple[Send, ...] = ()
    to: tuple[str, ...] = (BUS,)

    def __post_init__(self):
        self._check()

    @property
    def channels(self) -> int:
        """A group is stereo."""
        return 2


@dataclass(frozen=True)
class Master(Changeable):
    """What the bus sum passes: trim, inserts, fader.

    Parameters
    ----------
    trim_db : float
    inserts : tuple of Insert
    fader_db : float
    """

    trim_db: float = 0.0
    inserts: tuple[Insert, ...] = ()
    fader_db: float = 0.0

    def __post_init__(self):
        for field in ("trim_db", "fader_db"):
            _set(self, field, decibels(getattr(self, field), f"master: {field}"))
        _set(self, "inserts", _inserts(self.inserts, "master"))


def _set(owner, field, value):
    object.__setattr__(owner, field, value)


def _inserts(value, where):
    if isinstance(value, Processor):
        value = (value,)
    if isinstance(value, tuple | list):
        value = tuple(Insert(part) if isinstance(part, Processor) else part for part in value)
    return parts(value, Insert, f"{where}: inserts")


def _check_outputs(channel, where):
    for kind, names in (("to", channel.to), ("sends", [send.to for send in channel.sends])):
        twice = next((name for name in names if list(names).count(name) > 1), None)
        if twice is not None:
            raise GainlibError(f"{where}: {kind} names {twice!r} twice; one way to each destination is enough")
