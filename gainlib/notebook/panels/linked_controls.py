"""Controls that share one memory: undo and back to start take all of them along."""

from collections.abc import Iterable

from gainlib.notebook import assets
from gainlib.notebook.fader import EvenTravel, Faders
from gainlib.notebook.slider import Slider


class Trims(Faders):
    """Gains in dB with an even travel that has two ends and no silence: post trims, send levels.

    Parameters
    ----------
    names : sequence of str
        One row each.
    values_db : sequence of float
        Where they start.
    low_db, high_db : float
        Range.
    label : str
        What the group is called by a screen reader.

    Examples
    --------
    >>> trims = Trims(("kick", "bass"), (0.0, -3.0))
    >>> trims.values_db = [2.0, -24.5]
    Traceback (most recent call last):
    gainlib.audio.GainlibError: bass: -24.5 dB; a trim goes from -24 up to 24.000 dB
    """

    _css = assets.style() + assets.style("strips")

    def __init__(self, names, values_db=None, *, low_db: float = -24.0, high_db: float = 24.0, label: str = "Trims"):
        super().__init__(names, values_db, law=EvenTravel(low_db, high_db), options=(), label=label)
        self.low_db, self.high_db = low_db, high_db
        self.add_class("gl-together")


class Together(Faders):
    """Faders whose memory holds other controls beside them.

    Parameters
    ----------
    names, values_db
        As for :class:`gainlib.notebook.fader.Faders`.
    others : iterable of Faders or Slider
        Their values are remembered, taken back and reset along with these.
    **kwargs
        As for :class:`gainlib.notebook.fader.Faders`.

    Attributes
    ----------
    recalling : bool
        Whether all are being put back at this moment, so that nothing should answer to their changes.

    Examples
    --------
    >>> trim = Trims(("trim",))
    >>> fader = Together(("fader",), (-20.0,), others=[trim])
    >>> trim.set_values([-20.0])
    >>> fader.set_values([0.0])
    >>> fader.undo()
    >>> fader.values_db, trim.values_db
    ([-20.0], [-20.0])
    >>> fader.reset()
    >>> trim.values_db
    [0.0]
    """

    _css = assets.style() + assets.style("strips")
    recalling = False

    def __init__(self, names, values_db=None, *, others: Iterable[Faders | Slider] = (), **kwargs):
        self._others = tuple(others)
        self._theirs = [_value(other) for other in self._others]
        super().__init__(names, values_db, **kwargs)
        for other in self._others:
            other.observe(self._let_go, "released")

    def _state(self):
        return (*super()._state(), [_value(other) for other in self._others])

    def _recall(self, state):
        values, mute, solo, rest = state if len(state) == 4 else (*state, self._theirs)
        self.recalling = True
        for other, theirs in zip(self._others, rest, strict=True):
            _take(other, theirs)
        super()._recall((values, mute, solo))
        self.recalling = False

    def _let_go(self, change):
        if not self.recalling:
            super()._let_go(change)


def _value(control):
    return list(control.values_db) if isinstance(control, Faders) else control.value


def _take(control, value):
    if isinstance(control, Faders):
        control.values_db = list(value)
    else:
        control.value = value
