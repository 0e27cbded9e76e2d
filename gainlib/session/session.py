"""The session itself: strips, groups and a master, frozen, checked when it is made."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.session import files, routing
from gainlib.session.checks import flag, nearest, number, parts
from gainlib.session.render import BLOCK_FRAMES
from gainlib.session.strip import BUS, Changeable, Group, Master, Strip
from gainlib.session.trace import Trace


@dataclass(frozen=True)
class Session(Changeable):
    """A whole mix as plain data.

    Parameters
    ----------
    strips : tuple of Strip
    groups : tuple of Group
        Groups and returns; they may feed each other, but not in a loop.
    master : Master
    pan_law_db : {−3, 0, −4.5, −6}
        Level of a mono strip on either side when panned to the centre.
    bus : {"float", "fixed"}
        "fixed" clips every group and bus sum to ±1 ahead of its trim.
    name : str
    finished : bool
        Whether the drive into level-dependent processors is meant to stay.

    Raises
    ------
    GainlibError
        For doubled names, unknown destinations, loops and unequal sample rates, all named.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> session = Session([Strip("kick", Audio(np.full(48, 0.5), 48000))], master=Master(fader_db=-6))
    >>> session.with_("kick", fader_db=-3).strip("kick").fader_db
    -3.0
    """

    strips: tuple[Strip, ...]
    groups: tuple[Group, ...] = ()
    master: Master = field(default_factory=Master)
    pan_law_db: float = -3.0
    bus: str = "float"
    name: str = ""
    finished: bool = False

    def __post_init__(self):
        put = object.__setattr__
        put(self, "strips", parts(self.strips, Strip, "session: strips"))
        put(self, "groups", parts(self.groups, Group, "session: groups"))
        put(self, "pan_law_db", number(self.pan_law_db, "session: pan_law_db"))
        if not isinstance(self.master, Master):
            raise GainlibError(f"session: master is {self.master!r}; give a Master")
        if self.pan_law_db not in routing.PAN_LAWS_DB:
            raise GainlibError(f"session: pan_law_db is {self.pan_law_db:g}; there is 0, −3, −4.5 and −6")
        if self.bus not in ("float", "fixed"):
            raise GainlibError(f"session: bus is {self.bus!r}; it is 'float' or 'fixed'")
        if not isinstance(self.name, str):
            raise GainlibError(f"session: name is {self.name!r}; give text")
        flag(self.finished, "session: finished")
        routing.check(self)

    # ----------------------------------------------------------------------------------------------------- look-ups

    def strip(self, name: str) -> Strip:
        """Return a strip by name; an unknown name is refused with the nearest one."""
        return _named(self.strips, name, "strip")

    def group(self, name: str) -> Group:
        """Return a group by name; an unknown name is refused with the nearest one."""
        return _named(self.groups, name, "group")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all strips, then of all groups."""
        return tuple(each.name for each in (*self.strips, *self.groups))

    @property
    def rate_hz(self) -> int:
        """Sample rate of all strips."""
        return self._sounding[0].audio.rate_hz

    @property
    def frames(self) -> int:
        """Length of the longest strip; the others are padded with silence."""
        return max(strip.audio.frames for strip in self._sounding)

    @property
    def _sounding(self):
        if not self.strips:
            raise GainlibError("the session holds no strips; add at least one")
        return self.strips

    # ------------------------------------------------------------------------------------------------------ changes

    def with_(self, target: str | None = None, /, **changes) -> "Session":
        """Return a copy with fields of one strip or group, of the master ("bus"), or of the session changed.

        Parameters
        ----------
        target : str, optional
            Name of a strip or group, or "bus" for the master. Without it the session's own fields change.
        **changes
            New values by field.
        """
        if target is None:
            return super().with_(**changes)
        if target == BUS:
            return replace(self, master=self.master.with_(**changes))
        if target not in self.names:
            raise GainlibError(f"no strip or group is named {target!r}; {nearest(target, (*self.names, BUS))}")
        return self.each(lambda channel: channel.with_(**changes) if channel.name == target else channel)

    def each(self, change: Callable[[Strip | Group], Strip | Group]) -> "Session":
        """Return a copy in which every strip and group is what `change` makes of it."""
        return replace(self, strips=tuple(map(change, self.strips)), groups=tuple(map(change, self.groups)))

    def with_strip(self, strip: Strip) -> "Session":
        """Return a copy in which `strip` takes the place of its namesake, or comes last."""
        return replace(self, strips=_placed(self.strips, strip))

    def with_group(self, group: Group) -> "Session":
        """Return a copy in which `group` takes the place of its namesake, or comes last."""
        return replace(self, groups=_placed(self.groups, group))

    def with_faders(self, faders_db: Mapping[str, float]) -> "Session":
        """Return a copy with several faders moved, by name of strip or group, "bus" for the master's.

        Examples
        --------
        >>> import numpy as np
        >>> from gainlib.audio import Audio
        >>> session = Session([Strip(name, Audio(np.zeros(48), 48000)) for name in ("kick", "bass")])
        >>> [strip.fader_db for strip in session.with_faders({"bass": -4}).strips]
        [0.0, -4.0]
        """
        for name in faders_db:
            if name not in (*self.names, BUS):
                raise GainlibError(f"no strip or group is named {name!r}; {nearest(name, (*self.names, BUS))}")
        moved = self.each(lambda each: each.with_(fader_db=faders_db.get(each.name, each.fader_db)))
        return moved.with_(BUS, fader_db=faders_db.get(BUS, self.master.fader_db))

    # --------------------------------------------------------------------------------------------- render and files

    def render(self, block_frames: int | None = None) -> Trace:
        """Return the :class:`~gainlib.session.trace.Trace` of this session: the level at every node.

        Parameters
        ----------
        block_frames : int, optional
            Frames in flight at a time; changes speed and memory, not the result.
        """
        return Trace(self, BLOCK_FRAMES if block_frames is None else block_frames)

    def to_json(self, folder=None) -> str:
        """Return the session as JSON text; see :func:`gainlib.session.files.to_json`."""
        return files.to_json(self, folder)

    @classmethod
    def from_json(cls, text: str | bytes, folder=None) -> "Session":
        """Return the session a JSON text describes; see :func:`from_json`."""
        return files.session_of(cls, text, folder)


def from_json(text: str | bytes, folder=None) -> Session:
    """Return the session a JSON text describes.

    Parameters
    ----------
    text : str or bytes
    folder : path, optional
        Where its files lie; the working folder otherwise. A file is looked for under its stored name in there,
        then under its last part, then at the stored path itself, and its checksum is compared.

    Returns
    -------
    Session
        Its files are opened when they are rendered.

    Raises
    ------
    GainlibError
        For anything but a session: broken JSON, wrong types (with their place), unknown names (with the nearest
        one), files that are missing or have changed.
    """
    return Session.from_json(text, folder)


def open_folder(path) -> Session:
    """Return a session with a strip for every audio file of a folder, all controls at their defaults.

    Parameters
    ----------
    path : path
        Every file in it with an audio suffix counts, but not hidden ones nor those in subfolders.

    Returns
    -------
    session : Session
        Strips sorted by file name without regard to case and named by it without the suffix (with it where two
        would share a name, or none is left); nothing is read yet but headers.

    Raises
    ------
    GainlibError
        When the folder is missing or holds no audio.
    """
    return Session(files.strips_of_folder(path), name=Path(path).resolve().name)


def _named(channels, name, kind):
    for channel in channels:
        if channel.name == name:
            return channel
    raise GainlibError(f"no {kind} is named {name!r}; {nearest(name, [channel.name for channel in channels])}")


def _placed(channels, new):
    if any(each.name == new.name for each in channels):
        return tuple(new if each.name == new.name else each for each in channels)
    return (*channels, new)
