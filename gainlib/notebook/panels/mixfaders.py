"""The faders of a whole mix, with one memory for them and what stands beside them."""

from gainlib.notebook.fader import Fader, Faders


class MixFaders(Faders):
    """A session's faders, and one memory for them, the master and the bus: undo and back to start take all along.

    Parameters
    ----------
    master : Fader
        The master, which stands apart since the lock does not move it.
    switch : ipywidgets.RadioButtons
        What kind of bus it is.
    session : Session
        Gives names and positions.
    **kwargs
        As for :class:`gainlib.notebook.fader.Faders`.
    """

    def __init__(self, master: Fader, switch, session, **kwargs):
        self._master, self._switch, self._kind = master, switch, session.bus
        names, values = [strip.name for strip in session.strips], [strip.fader_db for strip in session.strips]
        super().__init__(names, values, label="Faders of the strips", **kwargs)
        master.observe(self._let_go, "released")
        switch.observe(self._let_go, "value")

    def _state(self):
        return (*super()._state(), list(self._master.values_db), self._switch.value)

    def _recall(self, state):
        values, mute, solo, master, kind = state if len(state) == 5 else (*state, self._master.start_db, self._kind)
        self._recalling = True
        self._master.values_db, self._switch.value = list(master), kind
        self._recalling = False
        super()._recall((values, mute, solo))

    _recalling = False

    def _let_go(self, change):
        if not self._recalling:
            super()._let_go(change)
