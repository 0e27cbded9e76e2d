"""Reverb: noise that dies away exponentially, convolved with what comes in."""

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from gainlib.audio.types import checked_block
from gainlib.processors.base import Processor

LENGTH_IN_DECAYS = 1.5
PARTITION_FRAMES = 8192


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
    decay_s: float = 1.2
    wet_db: float = -12.0
    dry: bool = True
    seed: int = 0

    def __post_init__(self):
        self._number("decay_s", above=0.0, high=30.0)
        self._number("wet_db", high=60.0)
        self._flag("dry")
        self._whole("seed", 0)

    def response(self, rate_hz: int, channels: int) -> np.ndarray:
        """Return the impulse response without the dry sound, shape (frames, channels)."""
        frames = max(1, math.ceil(LENGTH_IN_DECAYS * self.decay_s * rate_hz))
        noise = np.random.default_rng(self.seed).standard_normal((frames, channels))
        noise *= np.exp(-3.0 * math.log(10.0) / (self.decay_s * rate_hz) * np.arange(frames))[:, np.newaxis]
        return noise * 10.0 ** (self.wet_db / 20.0) / np.sqrt(np.sum(noise**2, axis=0))

    def _start(self, rate_hz: int, channels: int) -> "Convolution":
        """Start a run; frames come back in portions of 8192."""
        response = self.response(rate_hz, channels)
        if self.dry:
            response[0] += 1.0
        return Convolution(response)


class Convolution:
    """Convolution with one response for each channel, in the frequency domain, portion by portion.

    Uniformly partitioned overlap-save: the spectra of the last portions are kept and meet those of the response.

    Parameters
    ----------
    response : array, shape (frames, channels)
        Impulse responses.
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
