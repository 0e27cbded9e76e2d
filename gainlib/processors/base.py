"""What every processor is: a frozen description with one way to run it in a piece and one in blocks."""

from dataclasses import dataclass
from typing import ClassVar, Protocol

import numpy as np

from gainlib.audio import Audio


class Stream(Protocol):
    """A processor at work, fed block by block; blocks are float arrays of shape (frames, channels)."""

    def push(self, block: np.ndarray) -> np.ndarray:
        """Take a block and return what is ready, possibly fewer or no frames."""

    def flush(self) -> np.ndarray:
        """Return what is still inside; the sum of all frames out equals the sum of all frames in."""


@dataclass(frozen=True)
class Processor:
    """Base of all processors.

    A subclass is a frozen dataclass of plain numbers whose units stand in the field names, and gives ``stream``.
    The latency a model has is cut inside its stream, so that a bypass lines up to the sample.

    Attributes
    ----------
    linear : bool
        Whether the model scales with its input: f(g·x) = g·f(x) and f(x + y) = f(x) + f(y).
    reference_dbfs : float or None
        The average level (active level or needle, sine-referred) this model is built for; None if it does not care.
    """

    linear: ClassVar[bool] = False

    @property
    def reference_dbfs(self) -> float | None:
        """Average input level the model is built for, or None."""
        return None

    def stream(self, rate_hz: int, channels: int) -> Stream:
        """Start a fresh run for audio of this rate and channel count."""
        raise NotImplementedError(f"{type(self).__name__} gives no stream")

    def process(self, audio: Audio) -> Audio:
        """Run the whole of `audio` once, latency cut: same frames, channels, rate and name."""
        run = self.stream(audio.rate_hz, audio.channels)
        out = np.concatenate([run.push(audio.samples), run.flush()])
        return audio.with_samples(out)
