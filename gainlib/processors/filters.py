"""Second-order sections: their coefficients, and how they are run.

Source: Audio EQ Cookbook, W3C Working Group Note of 8 June 2021 (after R. Bristow-Johnson). First-order sections are
the bilinear transform of their analogue forms with the corner kept.
"""

import math
from dataclasses import dataclass

import numpy as np

from gainlib import kernels_meters
from gainlib.audio import GainlibError

KINDS = ("highpass", "lowpass", "peaking", "lowshelf", "highshelf")


@dataclass(frozen=True)
class Section:
    """A section b0 + b1·z⁻¹ + b2·z⁻² over a0 + a1·z⁻¹ + a2·z⁻².

    Parameters
    ----------
    b, a : tuple of three float
        Numerator and denominator; a0 need not be 1.
    """

    b: tuple[float, float, float]
    a: tuple[float, float, float]

    def inverse(self) -> "Section":
        """Return the section that undoes this one."""
        return Section(self.a, self.b)

    def normalised(self) -> np.ndarray:
        """Return b0 b1 b2 a1 a2 for a0 = 1, shape (5,)."""
        return np.array([*self.b, *self.a[1:]]) / self.a[0]


def cookbook(kind: str, frequency_hz: float, q: float, gain_db: float, rate_hz: int) -> Section:
    """Return a filter of the cookbook.

    Parameters
    ----------
    kind : {"highpass", "lowpass", "peaking", "lowshelf", "highshelf"}
        Which one.
    frequency_hz : float
        Corner, centre, or middle of the shelf's slope.
    q : float
        The cookbook's Q.
    gain_db : float
        Gain at the centre or on the shelf; passes have none.
    rate_hz : int
        Sample rate.

    Returns
    -------
    Section
    """
    w = 2.0 * math.pi * frequency_hz / rate_hz
    cosine, alpha = math.cos(w), math.sin(w) / (2.0 * q)
    gain = 10.0 ** (gain_db / 40.0)
    if kind == "lowpass":
        half = (1.0 - cosine) / 2.0
        return Section((half, 2.0 * half, half), (1.0 + alpha, -2.0 * cosine, 1.0 - alpha))
    if kind == "highpass":
        half = (1.0 + cosine) / 2.0
        return Section((half, -2.0 * half, half), (1.0 + alpha, -2.0 * cosine, 1.0 - alpha))
    if kind == "peaking":
        up, down = alpha * gain, alpha / gain
        return Section((1.0 + up, -2.0 * cosine, 1.0 - up), (1.0 + down, -2.0 * cosine, 1.0 - down))
    # A high shelf is the low shelf mirrored about a quarter of the sample rate: cosine, b1 and a1 change sign.
    side = 1.0 if kind == "lowshelf" else -1.0
    more, less, slope = gain + 1.0, (gain - 1.0) * cosine * side, 2.0 * math.sqrt(gain) * alpha
    turn, tilt = (gain - 1.0) * side, more * cosine
    return Section(
        (gain * (more - less + slope), 2.0 * gain * (turn - tilt), gain * (more - less - slope)),
        (more + less + slope, -2.0 * (turn + tilt), more + less - slope),
    )


def dc_block(frequency_hz: float, rate_hz: int) -> Section:
    """Return a first-order high-pass, −3.01 dB at `frequency_hz`."""
    k = math.tan(math.pi * frequency_hz / rate_hz)
    return Section((1.0, -1.0, 0.0), (1.0 + k, k - 1.0, 0.0))


def first_order_shelf(frequency_hz: float, gain_db: float, rate_hz: int) -> Section:
    """Return a first-order high shelf that starts to rise at `frequency_hz`: (1 + s/w) / (1 + s/(g·w)) with gain g."""
    gain = 10.0 ** (gain_db / 20.0)
    k = math.tan(math.pi * min(frequency_hz / rate_hz, 0.2))
    low, high = 1.0 / k, 1.0 / (k * gain)
    return Section((1.0 + low, 1.0 - low, 0.0), (1.0 + high, 1.0 - high, 0.0))


def damped(frequency_hz: float, rate_hz: int) -> Section:
    """Return a first-order low-pass whose corner may lie above half the sample rate.

    Its gain is the analogue one at 0, at 1/4 and at 5/12 of the sample rate, and within 0.1 dB of it in between: with
    φ = sin²(w/2) the power of a first-order section is (1 + b·φ) / (1 + a·φ), and two gains give a and b.
    """
    shares = np.array([1.0 / 4.0, 5.0 / 12.0])
    power, turn = 1.0 / (1.0 + (shares * rate_hz / frequency_hz) ** 2), np.sin(math.pi * shares) ** 2
    b, a = np.linalg.solve(np.column_stack([turn, -power * turn]), power - 1.0)
    pole, zero = ((math.sqrt(1.0 + c) - 1.0) / (math.sqrt(1.0 + c) + 1.0) for c in (a, b))
    scale = (1.0 - pole) / (1.0 - zero)
    return Section((scale, -scale * zero, 0.0), (1.0, -pole, 0.0))


def check_below_half(owner: str, frequency_hz: float, rate_hz: int) -> None:
    """Refuse a frequency that a sample rate cannot hold."""
    if frequency_hz >= rate_hz / 2:
        raise GainlibError(f"{owner}: {frequency_hz:g} Hz is not below half the sample rate of {rate_hz} Hz")


class Biquads:
    """One or two sections in a row at work, from rest.

    Parameters
    ----------
    sections : list of Section
        One or two.
    channels : int
        Number of channels.
    """

    def __init__(self, sections: list[Section], channels: int):
        wire = Section((1.0, 0.0, 0.0), (1.0, 0.0, 0.0))
        first, second = [*sections, wire][:2]
        self._coefficients = np.concatenate([first.normalised(), second.normalised()])
        self._state = np.zeros((channels, 4))

    def run(self, block: np.ndarray) -> np.ndarray:
        """Return a block of float64 samples, filtered."""
        out = np.empty(block.shape)
        kernels_meters.two_biquads(block, self._coefficients, self._state, out)
        return out
