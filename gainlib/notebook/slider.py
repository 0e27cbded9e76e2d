"""A slider with a name, a unit and a typed value, for what is no fader: a level to try, hours, a difference in dB.

Arrow keys move one step, page keys a larger one, Home goes to where it started, and the value can be typed. The browser
moves the handle itself; the value travels as one synced number, so that the latest wins and nothing queues.
"""

import anywidget
import traitlets

from gainlib.audio import GainlibError
from gainlib.notebook import assets

_ROUNDING = 1e-9


class Slider(anywidget.AnyWidget):
    """One value under the hand.

    Parameters
    ----------
    label : str
        What it is; also what a screen reader says.
    value : float
        Where it starts; Home comes back to it.
    low, high, step : float
        Range, and the step of an arrow key.
    unit : str
        Behind the value.
    page : float, optional
        The step of a page key; ten steps if left out.
    signed : bool
        Whether a positive value has its plus sign.

    Attributes
    ----------
    value : float
        Always on a step and within the range; observe it for pictures that follow the hand.
    released : int
        Counts finished gestures: a drag let go, keys at rest, a typed value. Observe it for heavy work.
    disabled : bool
        Whether it stands still.

    Raises
    ------
    GainlibError
        For a range that is empty or a start outside of it.

    Examples
    --------
    >>> slider = Slider("Level", 80, 60, 110, 1, "dBA")
    >>> slider.value = 93.4
    >>> slider.value
    93.0
    >>> slider.value = 200
    >>> slider.value
    110.0
    """

    _esm = assets.module("slider")
    _css = assets.style() + assets.style("slider")
    label = traitlets.Unicode("").tag(sync=True)
    unit = traitlets.Unicode("").tag(sync=True)
    low = traitlets.Float(0.0).tag(sync=True)
    high = traitlets.Float(1.0).tag(sync=True)
    step = traitlets.Float(0.1).tag(sync=True)
    page = traitlets.Float(1.0).tag(sync=True)
    home = traitlets.Float(0.0).tag(sync=True)
    digits = traitlets.Int(0).tag(sync=True)
    signed = traitlets.Bool(False).tag(sync=True)
    value = traitlets.Float(0.0).tag(sync=True)
    disabled = traitlets.Bool(False).tag(sync=True)
    released = traitlets.Int(0).tag(sync=True)

    def __init__(self, label, value, low, high, step, unit="", *, page=None, signed=False):
        if not (low < high and step > 0 and low <= value <= high):
            raise GainlibError(f"{label}: {value} on a scale from {low} to {high} in steps of {step} is no slider")
        digits = next(places for places in range(6) if abs(round(step, places) - step) < _ROUNDING)
        super().__init__(
            label=label,
            unit=unit,
            low=float(low),
            high=float(high),
            step=float(step),
            page=float(page or 10 * step),
            home=float(value),
            digits=digits,
            signed=signed,
        )
        self.value = float(value)

    @traitlets.validate("value")
    def _on_a_step(self, proposal):
        inside = min(max(proposal["value"], self.low), self.high)
        steps = round((inside - self.low) / self.step)
        return round(self.low + steps * self.step, self.digits) + 0.0

    def restart(self, value: float | None = None) -> None:
        """Go back to the start, or to a new one."""
        if value is not None:
            self.home = float(value)
        self.value = self.home
