"""Linear processors: they scale with their input, so their level does not matter."""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from gainlib.audio import GainlibError
from gainlib.processors.base import Processor


@dataclass(frozen=True)
class DCBlock(Processor):
    """Take a constant offset out: a first-order high-pass, from rest.

    The analogue pole-zero pair s/(s + 2πf) by the bilinear transform with its corner kept: −3.01 dB at `frequency_hz`,
    nothing at 0 Hz. An offset that is there from the first sample dies away with a time constant of 1/(2πf), 32 ms
    for 5 Hz.

    Parameters
    ----------
    frequency_hz : float
        The corner.
    """

    linear: ClassVar[bool] = True
    frequency_hz: float = 5.0

    def __post_init__(self):
        if not 0 < self.frequency_hz < math.inf:
            raise GainlibError(f"DCBlock: frequency_hz is {self.frequency_hz}; give a frequency above 0")

    def stream(self, rate_hz: int, channels: int) -> "_FirstOrder":
        """Start a run from rest; each block comes back at once."""
        if self.frequency_hz >= rate_hz / 2:
            raise GainlibError(f"DCBlock: {self.frequency_hz:g} Hz is not below half the sample rate of {rate_hz} Hz")
        k = math.tan(math.pi * self.frequency_hz / rate_hz)
        return _FirstOrder([1 / (1 + k), -1 / (1 + k)], [1.0, (k - 1) / (k + 1)], channels)


class _FirstOrder:
    def __init__(self, b, a, channels):
        self._b, self._a, self._state = b, a, np.zeros((1, channels))

    def push(self, block):
        from scipy.signal import lfilter

        out, self._state = lfilter(self._b, self._a, block, axis=0, zi=self._state)
        return out

    def flush(self):
        return np.zeros((0, self._state.shape[1]))
