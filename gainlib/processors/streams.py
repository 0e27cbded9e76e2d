"""Streams that several processors share: at once, with a latency to cut, and noise that no block size changes."""

from collections.abc import Callable

import numpy as np

from gainlib.audio.types import checked_block

Run = Callable[[np.ndarray], np.ndarray]


class ZeroLatencyStream:
    """A stream that gives each block back at once.

    Parameters
    ----------
    run : callable
        Takes a float64 block of shape (frames, channels) and returns one of the same shape.
    channels : int
        Number of channels.
    """

    def __init__(self, run: Run, channels: int):
        self._run, self._channels = run, channels

    def push(self, block: np.ndarray) -> np.ndarray:
        """Return the block, processed."""
        return self._run(checked_block(block, self._channels))

    def flush(self) -> np.ndarray:
        """Return no frames."""
        return np.zeros((0, self._channels))


class Aligned:
    """A stream that cuts the latency of what runs inside: its first frames are dropped, silence pushes out the last.

    Parameters
    ----------
    run : callable
        Takes a float64 block of shape (frames, channels) and returns one of the same shape, `latency` frames late.
    latency : int
        Frames to cut.
    channels : int
        Number of channels.
    """

    def __init__(self, run: Run, latency: int, channels: int):
        self._run, self._latency, self._channels = run, latency, channels
        self._early = latency

    def push(self, block: np.ndarray) -> np.ndarray:
        """Return what is ready: `latency` frames less than came in so far."""
        out = self._run(checked_block(block, self._channels))
        dropped = min(self._early, len(out))
        self._early -= dropped
        return out[dropped:]

    def flush(self) -> np.ndarray:
        """Return the frames still inside."""
        return self.push(np.zeros((self._latency, self._channels)))


class Noise:
    """Gaussian noise of its own for each channel, drawn on from block to block.

    Parameters
    ----------
    level_dbfs : float
        RMS level, sine-referred: a sine of the same RMS would peak here.
    seed : int
        Draws the noise.
    channels : int
        Number of channels.
    """

    def __init__(self, level_dbfs: float, seed: int, channels: int):
        self._rms = 10.0 ** (level_dbfs / 20.0) / np.sqrt(2.0)
        self._rng = np.random.default_rng(seed)
        self._channels = channels

    def next(self, frames: int) -> np.ndarray:
        """Return the next frames, shape (frames, channels)."""
        return self._rng.standard_normal((frames, self._channels)) * self._rms
