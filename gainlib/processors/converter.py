"""Word length: rounding to steps, with or without dither."""

from dataclasses import dataclass

import numpy as np

from gainlib.processors.base import Processor
from gainlib.processors.streams import ZeroLatencyStream

DITHERS = ("none", "tpdf")


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
