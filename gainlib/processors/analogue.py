"""Where levels end: a noisy stage with a ceiling and a band, and word length, with or without dither."""

from dataclasses import dataclass

import numpy as np

from gainlib.processors.base import Aligned, Noise, Processor, ZeroLatencyStream
from gainlib.processors.linear import Biquads, damped, dc_block
from gainlib.processors.saturation import BEND, NOMINAL_DBFS, Oversampled

KNEE_DB = 3.0
LOW_HZ, HIGH_HZ = 20.0, 40000.0
LOW_RAIL_DBFS = -20.0
DITHERS = ("none", "tpdf")


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

    noise_dbfs: float = -80.0
    rail_dbfs: float = 4.0
    seed: int = 0

    def __post_init__(self):
        self._number("noise_dbfs", high=0.0)
        self._number("rail_dbfs")
        self._whole("seed", 0)

    def transfer(self, samples) -> np.ndarray:
        """Return the curve itself, value by value, without noise and band limits."""
        straight, width = self._bend()
        over = np.maximum(np.abs(samples) - straight, 0.0)
        return np.sign(samples) * (np.minimum(np.abs(samples), straight) + width * np.tanh(over / width))

    @property
    def reference_dbfs(self) -> float:
        """Average level the stage is built for: −18 dBFS."""
        return NOMINAL_DBFS

    def _start(self, rate_hz: int, channels: int) -> Aligned:
        """Start a run from rest; the last frames come at the flush."""
        straight, width = self._bend()
        stage = Oversampled(BEND, (straight, width), straight + width, channels, self._doublings())
        band = Biquads([dc_block(LOW_HZ, rate_hz), damped(HIGH_HZ, rate_hz)], channels)
        noise = Noise(self.noise_dbfs, self.seed, channels)
        return Aligned(lambda block: band.run(stage.run(block + noise.next(len(block)))), stage.latency, channels)

    def _doublings(self):
        return 3 if self.rail_dbfs >= 0.0 else 4 if self.rail_dbfs >= LOW_RAIL_DBFS else 6

    def _bend(self):
        """Return where the bend starts, and how wide it is."""
        rail, straight = (10.0 ** (level / 20.0) for level in (self.rail_dbfs, self.rail_dbfs - KNEE_DB))
        return straight, rail - straight


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

    bits: int = 16
    dither: str = "none"
    seed: int = 0

    def __post_init__(self):
        self._whole("bits", 2, 32)
        self._choice("dither", DITHERS)
        self._whole("seed", 0)

    def _start(self, rate_hz: int, channels: int) -> ZeroLatencyStream:
        """Start a run; each block comes back at once."""
        rng = np.random.default_rng(self.seed) if self.dither == "tpdf" else None
        return ZeroLatencyStream(_Rounding(2.0 ** (1 - self.bits), rng).run, channels)


class _Rounding:
    def __init__(self, step, rng):
        self._step, self._rng = step, rng

    def run(self, block):
        steps = block / self._step
        if self._rng is not None:
            steps += self._rng.random((*block.shape, 2)) @ np.array([1.0, -1.0])
        # Adding 0 makes −0 a plain 0.
        return np.rint(steps) * self._step + 0.0
