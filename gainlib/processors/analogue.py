"""A noisy analogue stage: what it adds at the bottom, where it ends at the top, and what lies outside its band."""

from dataclasses import dataclass

import numpy as np

from gainlib.processors.base import Processor
from gainlib.processors.filters import Biquads, damped, dc_block
from gainlib.processors.oversampling import BEND, Oversampled
from gainlib.processors.saturation import NOMINAL_DBFS
from gainlib.processors.streams import Aligned, Noise

KNEE_DB = 3.0
LOW_HZ, HIGH_HZ = 20.0, 40000.0
LOW_RAIL_DBFS = -20.0


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
