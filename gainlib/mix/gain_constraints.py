"""Which sums move together, and what each way into them has to move: relations kept by construction.

Give every sum a shift: how far all that enters it moves against the user's state. A way from u into v then has to move
by the shift of v, whatever became of u; a relation between two ways into one sum cannot change. The bus has the shift
that brings it to its target. A strip that goes to two sums with its main way forces these to share one shift, since
the main way has no gain of its own. A group whose sum is shifted undoes it at its trim, so that what sits in it is
driven as before, and makes its output move as the sums it feeds.
"""

from gainlib.session import Group, Session, Strip
from gainlib.session.routing import topological_order
from gainlib.session.strip import BUS


def shared_sums(session: Session) -> dict[str, str]:
    """Return for every sum the name that stands for all sums it must move with.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> tone = Audio(np.full(480, 0.1), 48000)
    >>> both = Session([Strip("snare", tone, to=("bus", "crush"))], [Group("crush"), Group("echo")])
    >>> shared_sums(both)
    {'crush': 'bus', 'echo': 'echo', 'bus': 'bus'}
    """
    leader = {name: name for name in (*topological_order(session), BUS)}

    def find(name):
        while leader[name] != name:
            name = leader[name]
        return name

    for channel in (*session.strips, *session.groups):
        for other in channel.to[1:]:
            first, second = sorted((find(channel.to[0]), find(other)), key=lambda name: name != BUS)
            leader[second] = first
    return {name: find(name) for name in leader}


def output_shift(channel: Strip | Group, shifts: dict[str, float]) -> float:
    """Return how far the main output of a strip or group must move: the shift of what it feeds, 0 if nothing."""
    return shifts[channel.to[0]] if channel.to else 0.0


def send_changes(channel: Strip | Group, tap_db: float, fader_db: float, shifts: dict[str, float]) -> dict[str, float]:
    """Return how far each send's level must move.

    Parameters
    ----------
    channel : Strip or Group
    tap_db : float
        How far the signal ahead of the fader has moved.
    fader_db : float
        How far the fader has moved.
    shifts : dict of str to float
        Shift of every sum.

    Returns
    -------
    changes : dict of str to float
        By destination.
    """
    return {send.to: shifts[send.to] - tap_db - (fader_db if send.tap == "post" else 0.0) for send in channel.sends}
