"""Static stages and tape: curves that bend what they are fed loud.

Textbook models, not of any particular device. All run at eight to 64 times the sample rate, the steeper the faster. The
input itself passes as a wire, delayed to match, and only what the curve adds to it makes the trip up and down: so a
straight stretch of a curve changes no bit, a bypass lines up to the sample, and harmonics above half the sample rate do
not fold back. From 44.1 kHz up, the images under 10 kHz stay 60 dB under a 15 kHz sine of −3 dBFS up to a drive of 100,
for tape up to 40; the steepest curves, with a drive of 1000, leave them under −40 dB.

Half-band filters double the rate three times, up to six times for curves that are bent hard: flat to 0.4 of the sample
rate, their own images 110 dB down. They are sincs under a Kaiser window.

Sources: power series and Fourier series of tanh and of a clipped sine (any handbook of mathematical functions);
antiderivative anti-aliasing (Parker, Zavalishin, Le Bivic, "Reducing the aliasing of nonlinear waveshaping using
continuous-time convolution", DAFx-16); play operators (Visintin, Differential Models of Hysteresis); Kaiser's design
formulas as in Oppenheim and Schafer, Discrete-Time Signal Processing, section 7.6; the last three from memory.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np

from gainlib import kernels_saturation
from gainlib.processors.base import Aligned, Noise, Processor, number, whole
from gainlib.processors.linear import Biquads, Section, dc_block, first_order_shelf

TAPS = (24, 9, 6, 5, 5, 4)
WINDOW_BETA = 11.0
TANH, BEND, CUT, HYSTERESIS = range(4)
NOMINAL_DBFS = -18.0
PLAY_WIDTHS = (0.004, 0.01, 0.025, 0.06, 0.15)
PLAY_WEIGHT = 0.02
STRAIGHT_WEIGHT = 0.90
EMPHASIS_HZ = 3000.0
EMPHASIS_DB = 6.0
STEEP_DRIVES = (5.0, 15.0, 40.0)  # beyond each of them the rate is doubled once more


@lru_cache(maxsize=4)
def half_bands(doublings: int) -> np.ndarray:
    """Return one side of the half-band filters, each summing to 1/2; shape (doublings, 24), zeros behind, read-only."""
    bands = np.zeros((doublings, TAPS[0]))
    for band, count in zip(bands, TAPS, strict=False):
        distance = np.arange(count) + 0.5
        taps = np.sinc(distance) * np.i0(WINDOW_BETA * np.sqrt(1.0 - (distance / count) ** 2))
        band[:count] = taps * (0.5 / taps.sum())
    bands.flags.writeable = False
    return bands


@lru_cache(maxsize=4)
def lost_top(doublings: int) -> np.ndarray:
    """Return what a trip up and down takes away, as a filter on the samples: middle and one side, read-only."""
    wave = np.ones(1)
    for band, count in zip(half_bands(doublings), TAPS, strict=False):
        whole = np.zeros(4 * count - 1)
        whole[::2] = np.concatenate([band[:count][::-1], band[:count]])
        whole[2 * count - 1] = 1.0
        stretched = np.zeros(2 * len(wave) - 1)
        stretched[::2] = wave
        wave = np.convolve(stretched, whole)
    factor = 2**doublings
    lost = -np.convolve(wave, wave)[len(wave) - 1 :: factor] / factor
    lost[0] += 1.0
    lost.flags.writeable = False
    return lost


class Oversampled:
    """A static stage at work, its latency still in; see :func:`gainlib.kernels_saturation.static_stage`.

    The kind is ``TANH``, ``BEND``, ``CUT`` or ``HYSTERESIS``, the shape holds the numbers of the curve, whose highest
    magnitude is `end`. Band-limited, it may be passed by a few decibels, but never by more than 6 dB. The rate is
    doubled 3 to 6 times.
    """

    def __init__(self, kind: int, shape, end: float, channels: int, doublings: int = 3):
        # One sample more on the way up: a hard clip looks at the points around those it works on.
        span = sum(1 + (count - 1 >> level) for level, count in enumerate(TAPS[:doublings]))
        self.latency = 2 * span + 1
        self._kind, self._limit, self._shape = kind, 2.0 * end, np.zeros(13)
        self._shape[: len(shape)] = shape
        self._filters = half_bands(doublings), np.array(TAPS[:doublings]), lost_top(doublings)
        self._history = np.zeros((channels, 2 * self.latency))
        self._added = np.zeros((channels, 2**doublings + 2, 2 * span))
        self._memory = np.zeros((channels, 5))

    def run(self, block: np.ndarray) -> np.ndarray:
        """Return as many frames as come in."""
        out = np.empty(block.shape)
        state = self._history, self._added, self._memory
        kernels_saturation.static_stage(block, self._kind, self._shape, self._limit, *self._filters, *state, out)
        return out


def _doublings(drive):
    return 3 + sum(drive > most for most in STEEP_DRIVES)


@dataclass(frozen=True)
class Saturation(Processor):
    """Bend both sides alike: y = tanh(d·x) / d, straight when soft; odd harmonics only.

    A textbook model, not of any particular device.

    Parameters
    ----------
    drive : float
        d; the curve levels off at 1/d. 2.79 gives 1 % distortion at −18 dBFS, 1.5 gives 0.3 %.

    Examples
    --------
    >>> from gainlib.meters import rms_dbfs
    >>> from gainlib.signals import tone
    >>> [round(rms_dbfs(Saturation().process(tone(100, level))) - level, 2) for level in (-60.0, -18.0, 0.0)]
    [-0.0, -0.26, -7.12]
    """

    reference_dbfs: ClassVar[float] = NOMINAL_DBFS
    drive: float = number(2.79, above=0.0, high=1000.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        stage = Oversampled(
            TANH, (self.drive, 0.0, 1.0 / self.drive, 0.0), 1.0 / self.drive, channels, _doublings(self.drive)
        )
        return Aligned(stage.run, channels, stage.latency)


@dataclass(frozen=True)
class AsymmetricSaturation(Processor):
    """Bend one side sooner than the other: y = (tanh(d·x + b) − tanh b) / (d·(1 − tanh² b)), then a DC block.

    Straight when soft; even harmonics as well as odd ones. A textbook model, not of any particular device.

    Parameters
    ----------
    drive : float
        d.
    offset : float
        b, the point of the curve that the signal rests at; 0 is symmetrical.
    """

    reference_dbfs: ClassVar[float] = NOMINAL_DBFS
    drive: float = number(2.0, above=0.0, high=1000.0)
    offset: float = number(0.2, -3.0, 3.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        rest = math.tanh(self.offset)
        scale = 1.0 / (self.drive * (1.0 - rest * rest))
        shape = (self.drive, self.offset, scale, rest * scale)
        stage = Oversampled(TANH, shape, (1.0 + abs(rest)) * scale, channels, _doublings(self.drive))
        block = Biquads([dc_block(5.0, rate_hz)], channels)
        # The two terms of the curve cancel at rest but for their rounding, which would stay where silence belongs.
        rounding = 4.0 * np.finfo(np.float64).eps * abs(rest) * scale

        def run(samples):
            out = block.run(stage.run(samples))
            out[np.abs(out) < rounding] = 0.0
            return out

        return Aligned(run, channels, stage.latency)


@dataclass(frozen=True)
class HardClip(Processor):
    """Cut everything beyond a ceiling: linear up to it, y = max(−c, min(c, x)).

    Tops of seven samples and more are cut on the samples and stand exactly at the ceiling. Shorter ones are cut between
    samples, and what that adds is band-limited, so that samples may pass the ceiling: those of a steady sine by up to
    2.2 dB, when little but the fundamental of a square wave is left of it (4/π, 2.1 dB); those of white noise by 2.6 dB
    where the ceiling is twice its RMS, by more where it is lower; and the first and last of a signal that begins or
    ends over the ceiling. None passes it by more than 6.02 dB.
    Cut off on the samples as well, a 15 kHz sine would leave images 20 to 35 dB down, where now they are 60 and more.
    Tops of five and six samples lie in between. A textbook model, not of any particular device.

    Parameters
    ----------
    ceiling_dbfs : float
        The ceiling c as a sample level; 0 is full scale.

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> clip = HardClip(-6)
    >>> soft, loud = tone(100, -6.1), tone(100, 0.0)
    >>> bool((clip.process(soft).samples == soft.samples).all())
    True
    >>> float(clip.process(loud).samples[1560, 0].round(4))  # the crest
    0.5012
    """

    ceiling_dbfs: float = number(0.0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        ceiling = 10.0 ** (self.ceiling_dbfs / 20.0)
        stage = Oversampled(CUT, (ceiling,), ceiling, channels)
        return Aligned(stage.run, channels, stage.latency)


@dataclass(frozen=True)
class Tape(Processor):
    """Tape-like: treble up, hysteresis, saturation, treble down, and hiss if wanted.

    u = 0.90·x + 0.02·Σ play_r(x) with r = 0.004, 0.01, 0.025, 0.06, 0.15, where a play operator follows its input only
    when that leaves a band of ±r around it (a loose coupling); then tanh(d·u) / d. The treble shelf ahead, +6 dB from
    about 4 kHz, is undone behind. Very soft signals pass with 0.90 (−0.92 dB), louder ones with up to 1 until the tanh
    bends: nonlinear at both ends, but at no level does it matter how fast a signal passes through the hysteresis. A
    textbook model, not of any particular device.

    Parameters
    ----------
    drive : float
        d of the tanh.
    hiss_dbfs : float or None
        RMS level of white noise added at the end, sine-referred; None for none.
    seed : int
        Draws the hiss.
    """

    reference_dbfs: ClassVar[float] = NOMINAL_DBFS
    drive: float = number(2.0, above=0.0, high=1000.0)
    hiss_dbfs: float | None = number(None, high=0.0)
    seed: int = whole(0, 0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        weights = (STRAIGHT_WEIGHT, *[PLAY_WEIGHT] * len(PLAY_WIDTHS))
        shape = (self.drive, STRAIGHT_WEIGHT, *PLAY_WIDTHS, *weights)
        # The shelf drives high tones twice as hard.
        stage = Oversampled(HYSTERESIS, shape, 1.0 / self.drive, channels, _doublings(2.0 * self.drive))
        shelf = first_order_shelf(EMPHASIS_HZ, EMPHASIS_DB, rate_hz)
        before, after = Biquads([shelf], channels), Biquads([Section(shelf.a, shelf.b)], channels)
        hiss = None if self.hiss_dbfs is None else Noise(self.hiss_dbfs, self.seed, channels)

        def run(block):
            out = after.run(stage.run(before.run(block)))
            return out if hiss is None else out + hiss.next(len(block))

        return Aligned(run, channels, stage.latency)
