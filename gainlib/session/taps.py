"""The levels along each strip after a move of output trims, faders and sends, without rendering again.

Behind the last insert a strip is gain and nothing else, so what is measured there once is only shifted by what is set.
Not a second truth: the same levels as :class:`~gainlib.session.trace.Trace` measures at the same nodes.
"""

from dataclasses import replace

from gainlib.audio import GainlibError


class TapLevels:
    """RMS levels at the nodes of a session's strips, for other output trims, faders and send levels.

    Parameters
    ----------
    session : Session
        Rendered once when this is made; only its strips are.

    Attributes
    ----------
    nodes : tuple of str
        The strips' nodes, named as in :class:`~gainlib.session.trace.Trace`.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Group, Send, Session, Strip
    >>> tone = Audio(np.sin(np.arange(48000) * 0.13), 48000)
    >>> strip = Strip("tone", tone, fader_db=-20, sends=(Send("cue", -6, "pre"),))
    >>> session = Session([strip], [Group("cue", to=())])
    >>> taps = TapLevels(session)
    >>> handed_over = session.with_("tone", fader_db=0, post_trim_db=-20)
    >>> [round(taps.read(each)["tone/send cue"], 1) for each in (session, handed_over)]
    [-9.0, -29.0]
    """

    def __init__(self, session):
        self._flat = _flat(session)
        owners = {strip.name for strip in session.strips}
        trace = self._flat.render()
        self.nodes = tuple(node for node in trace.nodes if node.partition("/")[0] in owners and "/" in node)
        self._level = {node: level.rms_dbfs for node, level in trace.levels(self.nodes, ("rms",)).items()}

    def read(self, session) -> dict[str, float]:
        """Return the level at every node of the strips, in dBFS RMS; a full-scale sine reads 0.

        Parameters
        ----------
        session : Session
            The same session with other output trims, faders or send levels on its strips.

        Raises
        ------
        GainlibError
            When anything else was changed: then it has to be rendered.
        """
        if _flat(session) != self._flat:
            raise GainlibError("more than output trims, faders and sends was changed; render the session instead")
        shifts = {node: db for strip in session.strips for node, db in _shifts(strip).items()}
        return {node: level + shifts.get(node, 0.0) for node, level in self._level.items()}


def _flat(session):
    """Return the session with all output trims, faders and sends of its strips at 0 dB."""
    strips = tuple(
        strip.with_(post_trim_db=0.0, fader_db=0.0, sends=tuple(replace(send, level_db=0.0) for send in strip.sends))
        for strip in session.strips
    )
    return session.with_(strips=strips)


def _shifts(strip):
    """Return what each node behind the inserts is shifted by, in dB."""
    tap = strip.post_trim_db
    sends = {
        f"{strip.name}/send {send.to}": tap + send.level_db + (strip.fader_db if send.tap == "post" else 0.0)
        for send in strip.sends
    }
    return {f"{strip.name}/post": tap, f"{strip.name}/out": tap + strip.fader_db, **sends}
