"""A session cut down to what goes into one file: a strip up to its trim, or what one strip brings to the bus.

What the strips bring to the bus sums up to the bus, as long as all they share on the way is linear (superposition). A
group that is linear is opened: what each of its strips brings passes it alone. A group that depends on level, one whose
sum may clip, and a return, which takes from many, are not taken apart; they bring their own sum.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from gainlib.audio import AudioFile
from gainlib.mix.strips import level_dependent
from gainlib.session import Session
from gainlib.session.routing import heard
from gainlib.session.strip import BUS

_SHORT = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "ALAC_16", "ALAC_20", "ALAC_24")


@dataclass(frozen=True)
class Part:
    """What goes into one file: a node of a session that was cut down to it.

    Attributes
    ----------
    strip : str
        The strip or group it belongs to.
    session : Session
    node : str
    frames, channels : int
    exact : bool
        Whether it is what a file of 24 bit or less holds, untouched.
    """

    strip: str
    session: Session
    node: str
    frames: int
    channels: int
    exact: bool = False


def to_trim(session: Session, gain_only: bool = False) -> Iterator[Part]:
    """Yield every strip up to its trim, at its own length; `gain_only` leaves its DC block out."""
    for strip in session.strips:
        bare = strip.with_(mute=False, solo=False, inserts=(), sends=(), to=())
        bare = bare.with_(dc_block=False) if gain_only else bare
        plain = bare.polarity == 1 and not bare.dc_block and bare.trim_db == 0.0
        exact = plain and isinstance(strip.audio, AudioFile) and strip.audio.subtype in _SHORT
        yield Part(strip.name, Session((bare,)), f"{strip.name}/trim", strip.audio.frames, strip.channels, exact)


def to_bus(session: Session) -> Iterator[Part]:
    """Yield what each strip, and each group that cannot be taken apart, brings to the bus, at the session's length."""
    opened = _opened(session)
    for channel in (*session.strips, *session.groups):
        ahead = _ahead(session, channel.name, opened)
        if BUS in ahead and channel.name not in opened:
            alone = _alone(session, channel.name, ahead)
            yield Part(channel.name, alone, end_of_way(session), session.frames, 2)


def end_of_way(session: Session) -> str:
    """Return the node where what all bring is summed: the bus, or the sum ahead of a master that depends on level."""
    return f"{BUS}/in" if level_dependent(session.master.inserts) else BUS


def _ahead(session, name, opened) -> frozenset[str]:
    """Return the sums that a signal comes to by way of opened groups alone: these, and the bus if it gets there."""
    _, edges = heard(session)
    found, new = set(), {name}
    while new:
        new = {edge.to for edge in edges if edge.source in new and edge.to in opened | {BUS}} - found
        found |= new
    return frozenset(found)


def _alone(session, name, ahead):
    """Take all ways into what lies ahead from all but one strip or group, so that nothing but its signal gets there.

    What lies ahead keeps no other ways, so that the signal gets there once.
    """

    def cut(channel):
        if channel.name == name:
            return channel
        kept = [to for to in channel.outputs if (to in ahead) == (channel.name in ahead)]
        return channel.with_(
            to=tuple(to for to in channel.to if to in kept),
            sends=tuple(send for send in channel.sends if send.to in kept),
        )

    return session.with_(strips=tuple(map(cut, session.strips)), groups=tuple(map(cut, session.groups)))


def _opened(session) -> frozenset[str]:
    """Return the groups that a sum of strips passes as each of them alone would."""
    if session.bus == "fixed":
        return frozenset()
    taking = {send.to for channel in (*session.strips, *session.groups) for send in channel.sends}
    return frozenset(
        group.name for group in session.groups if group.name not in taking and not level_dependent(group.inserts)
    )
