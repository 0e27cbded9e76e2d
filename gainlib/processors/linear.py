"""Linear processors: they scale with their input, so their level does not matter.

Textbook models, not of any particular device.
"""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from gainlib.processors.base import Processor
from gainlib.processors.filters import KINDS, Biquads, check_below_half, cookbook, dc_block
from gainlib.processors.streams import Aligned, ZeroLatencyStream

FRACTION_TAPS = 48
FRACTION_BETA = 9.0


@dataclass(frozen=True)
class Filter(Processor):
    """A second-order filter, bilinear, from rest.

    A textbook model, not of any particular device. Source: Audio EQ Cookbook, W3C Working Group Note of 8 June 2021.

    Parameters
    ----------
    kind : {"highpass", "lowpass", "peaking", "lowshelf", "highshelf"}
        Which one.
    frequency_hz : float
        Corner (−3 dB at Q 0.7071), centre, or middle of a shelf's slope.
    q : float
        The cookbook's Q.
    gain_db : float
        Gain of a peak or a shelf; high-pass and low-pass take no notice of it.

    Examples
    --------
    >>> from gainlib.meters import rms_dbfs
    >>> from gainlib.signals import tone
    >>> round(rms_dbfs(Filter("peaking", 997, 1.0, 6.0).process(tone(997, -20.0, 2.0))), 2)
    -14.0
    """

    linear: ClassVar[bool] = True
    kind: str = "highpass"
    frequency_hz: float = 80.0
    q: float = 0.7071
    gain_db: float = 0.0

    def __post_init__(self):
        self._choice("kind", KINDS)
        self._number("frequency_hz", above=0.0)
        self._number("q", above=0.0)
        self._number("gain_db", -60.0, 60.0)

    def _start(self, rate_hz: int, channels: int) -> ZeroLatencyStream:
        """Start a run from rest; each block comes back at once."""
        check_below_half("Filter", self.frequency_hz, rate_hz)
        section = cookbook(self.kind, self.frequency_hz, self.q, self.gain_db, rate_hz)
        return ZeroLatencyStream(Biquads([section], channels).run, channels)


@dataclass(frozen=True)
class Delay(Processor):
    """Let everything come later, by parts of a sample too; what would come after the end is cut off.

    Whole samples are moved as they are. The rest is a sinc under a Kaiser window, 48 samples long: flat within 0.001 dB
    to 0.4 of the sample rate. A textbook model, not of any particular device.

    Parameters
    ----------
    time_s : float
        Delay.
    """

    linear: ClassVar[bool] = True
    time_s: float = 0.0

    def __post_init__(self):
        self._number("time_s", 0.0, 60.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        """Start a run; a delay with a part of a sample gives its last frames at the flush."""
        whole, part = divmod(self.time_s * rate_hz, 1.0)
        if part < 1e-9 or part > 1.0 - 1e-9:
            return Aligned(_Late(np.ones(1), round(self.time_s * rate_hz), channels).run, 0, channels)
        ahead = FRACTION_TAPS // 2 - 1
        distance = np.arange(FRACTION_TAPS) - ahead - part
        inside = 1.0 - (2.0 * distance / FRACTION_TAPS) ** 2
        taps = np.sinc(distance) * np.i0(FRACTION_BETA * np.sqrt(np.maximum(inside, 0.0)))
        return Aligned(_Late(taps / taps.sum(), int(whole), channels).run, ahead, channels)


class _Late:
    def __init__(self, taps, frames, channels):
        self._taps, self._tail = taps, np.zeros((frames + len(taps) - 1, channels))

    def run(self, block):
        buffer = np.concatenate([self._tail, block])
        self._tail = buffer[len(block) :].copy()
        newest = len(self._taps) - 1
        return sum(tap * buffer[newest - k : newest - k + len(block)] for k, tap in enumerate(self._taps))


@dataclass(frozen=True)
class Tremolo(Processor):
    """Turn the gain up and down: 1 at the start, down to 1 − depth half a period later. Linear, but time-varying.

    A textbook model, not of any particular device.

    Parameters
    ----------
    rate_hz : float
        Periods a second.
    depth : float
        0 does nothing, 1 goes down to silence.
    """

    linear: ClassVar[bool] = True
    rate_hz: float = 4.0
    depth: float = 0.5

    def __post_init__(self):
        self._number("rate_hz", 0.0)
        self._number("depth", 0.0, 1.0)

    def _start(self, rate_hz: int, channels: int) -> ZeroLatencyStream:
        """Start a run at full gain; each block comes back at once."""
        return ZeroLatencyStream(_Swing(2.0 * math.pi * self.rate_hz / rate_hz, self.depth).run, channels)


class _Swing:
    def __init__(self, step, depth):
        self._step, self._depth, self._frame = step, depth, 0

    def run(self, block):
        turn = self._step * np.arange(self._frame, self._frame + len(block))
        self._frame += len(block)
        return block * (1.0 - 0.5 * self._depth * (1.0 - np.cos(turn)))[:, np.newaxis]


@dataclass(frozen=True)
class Polarity(Processor):
    """Turn the signal over: y = −x. A textbook model, not of any particular device.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> Polarity().process(Audio(np.array([0.5, -1.0]), 48000)).samples.ravel().tolist()
    [-0.5, 1.0]
    """

    linear: ClassVar[bool] = True

    def _start(self, rate_hz: int, channels: int) -> ZeroLatencyStream:
        """Start a run; each block comes back at once."""
        return ZeroLatencyStream(np.negative, channels)


@dataclass(frozen=True)
class DCBlock(Processor):
    """Take a constant offset out: a first-order high-pass, from rest.

    The analogue pole-zero pair s/(s + 2πf) by the bilinear transform with its corner kept: −3.01 dB at `frequency_hz`,
    nothing at 0 Hz. An offset that is there from the first sample dies away with a time constant of 1/(2πf), 32 ms
    for 5 Hz. A textbook model, not of any particular device.

    Parameters
    ----------
    frequency_hz : float
        The corner.
    """

    linear: ClassVar[bool] = True
    frequency_hz: float = 5.0

    def __post_init__(self):
        self._number("frequency_hz", above=0.0)

    def _start(self, rate_hz: int, channels: int) -> ZeroLatencyStream:
        """Start a run from rest; each block comes back at once."""
        check_below_half("DCBlock", self.frequency_hz, rate_hz)
        return ZeroLatencyStream(Biquads([dc_block(self.frequency_hz, rate_hz)], channels).run, channels)
