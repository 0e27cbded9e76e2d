"""Linear processors: they scale with their input, so their level does not matter; and the sections they are made of.

Textbook models, not of any particular device. Source: Audio EQ Cookbook, W3C Working Group Note of 8 June 2021 (after
R. Bristow-Johnson). First-order sections are the bilinear transform of their analogue forms with the corner kept.
"""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from gainlib import kernels_meters
from gainlib.audio import GainlibError
from gainlib.audio.types import checked_block
from gainlib.processors.base import Aligned, Processor, choice, flag, number, whole

KINDS = ("highpass", "lowpass", "peaking", "lowshelf", "highshelf")
FRACTION_TAPS = 48
FRACTION_BETA = 9.0
LENGTH_IN_DECAYS = 1.5
PARTITION_FRAMES = 8192


@dataclass(frozen=True)
class Section:
    """A section b0 + b1·z⁻¹ + b2·z⁻² over a0 + a1·z⁻¹ + a2·z⁻²; a0 need not be 1."""

    b: tuple[float, float, float]
    a: tuple[float, float, float]

    def normalised(self) -> np.ndarray:
        """Return b0 b1 b2 a1 a2 for a0 = 1, shape (5,)."""
        return np.array([*self.b, *self.a[1:]]) / self.a[0]


def cookbook(kind: str, frequency_hz: float, q: float, gain_db: float, rate_hz: int) -> Section:
    """Return a filter of the cookbook: its corner, centre, or the middle of its shelf's slope lies at `frequency_hz`.

    The gain is that at the centre or on the shelf; passes have none.
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
    """One or two sections in a row at work, from rest."""

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
    kind: str = choice(KINDS)
    frequency_hz: float = number(80.0, above=0.0)
    q: float = number(0.7071, above=0.0)
    gain_db: float = number(0.0, -60.0, 60.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        check_below_half("Filter", self.frequency_hz, rate_hz)
        section = cookbook(self.kind, self.frequency_hz, self.q, self.gain_db, rate_hz)
        return Aligned(Biquads([section], channels).run, channels)


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
    time_s: float = number(0.0, 0.0, 60.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        whole, part = divmod(self.time_s * rate_hz, 1.0)
        if part < 1e-9 or part > 1.0 - 1e-9:
            return Aligned(_Late(np.ones(1), round(self.time_s * rate_hz), channels).run, channels)
        ahead = FRACTION_TAPS // 2 - 1
        distance = np.arange(FRACTION_TAPS) - ahead - part
        inside = 1.0 - (2.0 * distance / FRACTION_TAPS) ** 2
        taps = np.sinc(distance) * np.i0(FRACTION_BETA * np.sqrt(np.maximum(inside, 0.0)))
        return Aligned(_Late(taps / taps.sum(), int(whole), channels).run, channels, ahead)


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
    rate_hz: float = number(4.0, 0.0)
    depth: float = number(0.5, 0.0, 1.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        return Aligned(_Swing(2.0 * math.pi * self.rate_hz / rate_hz, self.depth).run, channels)


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

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        return Aligned(np.negative, channels)


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
    frequency_hz: float = number(5.0, above=0.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        check_below_half("DCBlock", self.frequency_hz, rate_hz)
        return Aligned(Biquads([dc_block(self.frequency_hz, rate_hz)], channels).run, channels)


@dataclass(frozen=True)
class Reverb(Processor):
    """A room as a statistician sees it: Gaussian noise under exp(−6.91·t / T), T the time in which it falls by 60 dB.

    The response is cut off where it has fallen by 90 dB. A textbook model, not of any particular device nor room.

    Parameters
    ----------
    decay_s : float
        Reverberation time T (RT60).
    wet_db : float
        Energy of the response: white noise comes back at this level.
    dry : bool
        Whether the input is added.
    seed : int
        Draws the noise, one for each channel.
    """

    linear: ClassVar[bool] = True
    decay_s: float = number(1.2, above=0.0, high=30.0)
    wet_db: float = number(-12.0, high=60.0)
    dry: bool = flag(True)
    seed: int = whole(0, 0)

    def response(self, rate_hz: int, channels: int) -> np.ndarray:
        """Return the impulse response without the dry sound, shape (frames, channels)."""
        frames = max(1, math.ceil(LENGTH_IN_DECAYS * self.decay_s * rate_hz))
        noise = np.random.default_rng(self.seed).standard_normal((frames, channels))
        noise *= np.exp(-3.0 * math.log(10.0) / (self.decay_s * rate_hz) * np.arange(frames))[:, np.newaxis]
        return noise * 10.0 ** (self.wet_db / 20.0) / np.sqrt(np.sum(noise**2, axis=0))

    def _start(self, rate_hz: int, channels: int) -> "Convolution":
        response = self.response(rate_hz, channels)
        if self.dry:
            response[0] += 1.0
        return Convolution(response)


class Convolution:
    """Convolution with one response for each channel, in the frequency domain, portion by portion.

    Uniformly partitioned overlap-save: the spectra of the last portions are kept and meet those of the response.
    """

    def __init__(self, response: np.ndarray):
        size, channels = PARTITION_FRAMES, response.shape[1]
        count = -(-len(response) // size)
        parts = np.pad(response, ((0, count * size - len(response)), (0, 0))).reshape(count, size, channels)
        self._parts = np.fft.rfft(parts, 2 * size, axis=1)
        # Each spectrum is written twice, a response apart, so that the last few lie in a row, the newest first.
        self._spectra, self._newest = np.zeros((2 * count, *self._parts.shape[1:]), self._parts.dtype), count
        self._last = np.zeros((size, channels))
        self._held = np.zeros((0, channels))

    def push(self, block: np.ndarray) -> np.ndarray:
        """Take a block and return the portions that are complete."""
        held = np.concatenate([self._held, checked_block(block, self._held.shape[1])])
        whole = len(held) // PARTITION_FRAMES * PARTITION_FRAMES
        self._held = held[whole:]
        done = [self._portion(held[at : at + PARTITION_FRAMES]) for at in range(0, whole, PARTITION_FRAMES)]
        return np.concatenate([*done, held[:0]])

    def flush(self) -> np.ndarray:
        """Return the frames of the unfinished portion; the tail after the last frame is cut off."""
        rest = len(self._held)
        return self.push(np.zeros((PARTITION_FRAMES - rest, self._held.shape[1])))[:rest]

    def _portion(self, block):
        count = len(self._parts)
        self._newest = (self._newest - 1) % count
        newest = np.fft.rfft(np.concatenate([self._last, block]), axis=0)
        self._spectra[self._newest] = self._spectra[self._newest + count] = newest
        self._last = block
        total = np.einsum("pfc,pfc->fc", self._spectra[self._newest : self._newest + count], self._parts)
        return np.fft.irfft(total, axis=0)[PARTITION_FRAMES:]
