"""Static stages: what comes out depends on the sample that goes in, and on nothing before it."""

import math
from dataclasses import dataclass

import numpy as np

from gainlib.audio import GainlibError
from gainlib.processors.base import Processor


@dataclass(frozen=True)
class HardClip(Processor):
    """Cut everything beyond a ceiling: linear up to it, y = max(−c, min(c, x)).

    Parameters
    ----------
    ceiling_dbfs : float
        The ceiling c as a sample level; 0 is full scale.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> HardClip().process(Audio(np.array([0.5, 1.5, -2.0]), 48000)).samples.ravel().tolist()
    [0.5, 1.0, -1.0]
    """

    ceiling_dbfs: float = 0.0

    def __post_init__(self):
        if not math.isfinite(self.ceiling_dbfs):
            raise GainlibError(f"HardClip: ceiling_dbfs is {self.ceiling_dbfs}; give a finite level")

    def stream(self, rate_hz: int, channels: int) -> "_Clipping":
        """Start a run; each block comes back at once."""
        return _Clipping(10.0 ** (self.ceiling_dbfs / 20.0), channels)


class _Clipping:
    def __init__(self, ceiling, channels):
        self._ceiling, self._channels = ceiling, channels

    def push(self, block):
        return np.clip(block, -self._ceiling, self._ceiling)

    def flush(self):
        return np.zeros((0, self._channels))
