"""The way into a recording: microphone, pad and preamplifier, the converter behind them; and where levels end.

Where levels end: a noisy stage with a ceiling and a band, and word length, with or without dither.

Full scale stands for another level on either side of each. At a preamplifier's input ±1 is the peak of a sine of
94 dB SPL where there is a microphone, else of 0 dBu; at its output, and at a converter's input, of 0 dBu; behind the
converter it is full scale. So a level in dBFS, sine-referred, reads as dBu all the way from preamplifier to converter,
and what lies beyond ±1 there is no overload.

All noise is white over the whole band of the audio. Its levels are what data sheets give for 20 kHz, unweighted; only
self-noise is A-weighted there, which reads white noise lower (IEC 61672-1, curve A, over 20 Hz to 20 kHz).
"""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from gainlib.audio import GainlibError
from gainlib.levels import microphone_dbu, sum_levels_db
from gainlib.processors.base import Aligned, Noise, Processor, choice, number, whole
from gainlib.processors.linear import Biquads, damped, dc_block
from gainlib.processors.saturation import BEND, NOMINAL_DBFS, Oversampled

KNEE_DB = 3.0
LOW_HZ, HIGH_HZ = 20.0, 40000.0
LOW_RAIL_DBFS = -20.0
DITHERS = ("none", "tpdf")

ROUND_DB = 1.0
WHITE_UNDER_A_DB = 2.05
PASCAL_SPL = 94.0
PREAMP, CONVERTER = 1, 2  # drawn with the seed, so that a converter's noise is never that of the preamplifier before it


@dataclass(frozen=True)
class AnalogueStage(Processor):
    """Add noise, bend towards a rail, limit the band to 20 Hz … 40 kHz (one pole each).

    Straight up to k, 3 dB under the rail (so linear but for its noise), from there k + w·tanh((x − k)/w), which ends
    at the rail. From 44.1 kHz up and down to a rail of −40 dBFS, images under 10 kHz stay 60 dB under a 15 kHz sine of
    −3 dBFS. A textbook model, not of any particular device.

    Parameters
    ----------
    noise_dbfs : float
        RMS level of the white noise at its input, sine-referred.
    rail_dbfs : float
        Sample level that the output cannot pass.
    seed : int
        Draws the noise.
    """

    reference_dbfs: ClassVar[float] = NOMINAL_DBFS
    noise_dbfs: float = number(-80.0, high=0.0)
    rail_dbfs: float = number(4.0)
    seed: int = whole(0, 0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        end, straight = (10.0 ** (level / 20.0) for level in (self.rail_dbfs, self.rail_dbfs - KNEE_DB))
        width = end - straight
        doublings = 3 if self.rail_dbfs >= 0.0 else 4 if self.rail_dbfs >= LOW_RAIL_DBFS else 6
        stage = Oversampled(BEND, (straight, width), straight + width, channels, doublings)
        band = Biquads([dc_block(LOW_HZ, rate_hz), damped(HIGH_HZ, rate_hz)], channels)
        noise = Noise(self.noise_dbfs, self.seed, channels)
        return Aligned(lambda block: band.run(stage.run(block + noise.next(len(block)))), channels, stage.latency)


@dataclass(frozen=True)
class Quantiser(Processor):
    """Round to whole steps of q = 2^(1 − bits): y = q·round(x / q). It does not clip.

    With triangular dither (two uniform draws of ±q/2, added ahead) the error is a steady noise of q²/4 that does not
    depend on the signal; without, it follows the signal (Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A
    Theoretical Survey", JAES 40(5), 1992). A textbook model, not of any particular device.

    Parameters
    ----------
    bits : int
        Word length.
    dither : {"none", "tpdf"}
        What is added ahead of the rounding.
    seed : int
        Draws the dither.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> Quantiser(3).process(Audio(np.array([0.1, 0.2, -0.9]), 48000)).samples.ravel().tolist()
    [0.0, 0.25, -1.0]
    """

    bits: int = whole(16, 2, 32)
    dither: str = choice(DITHERS)
    seed: int = whole(0, 0)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        rng = np.random.default_rng(self.seed) if self.dither == "tpdf" else None
        step = 2.0 ** (1 - self.bits)

        def run(block):
            steps = block / step
            if rng is not None:
                steps += rng.random((*block.shape, 2)) @ np.array([1.0, -1.0])
            return np.rint(steps) * step + 0.0  # adding 0 makes −0 a plain 0

        return Aligned(run, channels)


@dataclass(frozen=True)
class Preamp(Processor):
    """Take a microphone or a line up: pad, noise, gain, and tops rounded at the ceiling.

    Straight up to 1 dB under the ceiling, from there k + w·tanh((x − k)/w), which ends at the ceiling; band-limited.
    The input stage has a ceiling of its own, which no gain control moves; whichever is met first rounds the tops.
    A textbook model, not of any particular device.

    Parameters
    ----------
    gain_db : float
        From behind the pad to the output.
    pad_db : float
        Attenuation ahead of everything, as a positive number. Noise of the microphone goes down with it, that of the
        preamplifier does not.
    ein_dbu : float
        Equivalent input noise, unweighted, behind the pad; the resistance of the source is in it.
    ceiling_dbu : float
        Level of a sine whose peak the output cannot pass.
    input_ceiling_dbu : float
        The same at the input, behind the pad.
    sensitivity_mv : float or None
        Of the microphone, millivolts per pascal; None is a line in dBu.
    self_noise_dba : float or None
        Of the microphone, dB SPL A-weighted as on its data sheet; None has none.
    seed : int
        Draws the noise.

    Examples
    --------
    >>> from gainlib.meters import rms_dbfs
    >>> from gainlib.signals import tone
    >>> vocal = Preamp(30.0, sensitivity_mv=20.0)
    >>> round(vocal.output_dbu(74.0), 2), round(rms_dbfs(vocal.process(tone(997, -20.0, 1.0))), 2)
    (-21.76, -21.76)
    >>> vocal.noise_dbu
    -98.0
    """

    gain_db: float = number(40.0, -60.0, 100.0)
    pad_db: float = number(0.0, 0.0, 60.0)
    ein_dbu: float = number(-128.0, high=0.0)
    ceiling_dbu: float = number(22.0, -60.0, 60.0)
    input_ceiling_dbu: float = number(0.0, -60.0, 60.0)
    sensitivity_mv: float | None = number(None, above=0.0)
    self_noise_dba: float | None = number(None, -40.0, 100.0)
    seed: int = whole(0, 0)

    def __post_init__(self):
        super().__post_init__()
        if self.self_noise_dba is not None and self.sensitivity_mv is None:
            raise GainlibError(
                f"Preamp: self_noise_dba is {self.self_noise_dba:g} without a microphone; "
                "give its sensitivity_mv as well, or leave self_noise_dba out"
            )

    @property
    def total_gain_db(self) -> float:
        """By how much a level in dBFS at the input is less than that at the output: microphone, pad and gain."""
        microphone = 0.0 if self.sensitivity_mv is None else microphone_dbu(PASCAL_SPL, self.sensitivity_mv / 1000)
        return microphone - self.pad_db + self.gain_db

    def output_dbu(self, level: float) -> float:
        """Return the output level for dB SPL at the microphone, or for dBu on a line, ceilings left aside."""
        return level + self.total_gain_db - (0.0 if self.sensitivity_mv is None else PASCAL_SPL)

    @property
    def limit_dbu(self) -> float:
        """Output level at which the tops are cut: that of the stage met first."""
        return min(self.ceiling_dbu, self.input_ceiling_dbu + self.gain_db)

    @property
    def source_noise_dbu(self) -> float:
        """Unweighted noise of the microphone at the output; −inf without one."""
        if self.self_noise_dba is None:
            return -math.inf
        return self.output_dbu(self.self_noise_dba + WHITE_UNDER_A_DB)

    @property
    def noise_dbu(self) -> float:
        """Unweighted noise at the output."""
        return sum_levels_db([self.source_noise_dbu, self.ein_dbu + self.gain_db])

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        straight, limit = 10.0 ** (-ROUND_DB / 20.0), 10.0 ** (self.limit_dbu / 20.0)
        stage = Oversampled(BEND, (straight, 1.0 - straight), 1.0, channels)
        noise = Noise(self.noise_dbu - self.limit_dbu, (self.seed, PREAMP), channels)
        gain = 10.0 ** (self.total_gain_db / 20.0) / limit
        return Aligned(lambda block: limit * stage.run(gain * block + noise.next(len(block))), channels, stage.latency)


@dataclass(frozen=True)
class Converter(Processor):
    """Turn dBu into dBFS: noise, whole steps of q = 2^(1 − bits), and tops cut off flat at full scale.

    The noise is its dither: from half a step RMS on, the rounding adds q²/12 whatever the signal. A textbook model, not
    of any particular device.

    Parameters
    ----------
    full_scale_dbu : float
        Level of a full-scale sine.
    noise_dbfs : float
        Noise of its own, unweighted, sine-referred.
    bits : int
        Word length.
    seed : int
        Draws the noise.

    Examples
    --------
    >>> from gainlib.meters import sample_peak_dbfs
    >>> from gainlib.signals import tone
    >>> [round(sample_peak_dbfs(Converter(18.0).process(tone(997, dbu, 0.1))), 2) for dbu in (4.0, 17.0)]
    [-14.0, -1.0]
    """

    full_scale_dbu: float = number(18.0, -60.0, 60.0)
    noise_dbfs: float = number(-110.0, high=0.0)
    bits: int = whole(24, 2, 32)
    seed: int = whole(0, 0)

    @property
    def floor_dbfs(self) -> float:
        """Its noise with that of the rounding, unweighted, sine-referred."""
        return sum_levels_db([self.noise_dbfs, 10.0 * math.log10(2.0 * self._step**2 / 12.0)])

    @property
    def _step(self):
        return 2.0 ** (1 - self.bits)

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        noise = Noise(self.noise_dbfs, (self.seed, CONVERTER), channels)
        scale, step = 10.0 ** (-self.full_scale_dbu / 20.0), self._step

        def run(block):
            levels = np.clip(block * scale + noise.next(len(block)), -1.0, 1.0 - step)
            return np.rint(levels / step) * step + 0.0  # adding 0 makes −0 a plain 0

        return Aligned(run, channels)
