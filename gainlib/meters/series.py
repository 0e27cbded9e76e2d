"""What all meters share: a value over time, decibels of powers, and feeding a meter from a source."""

import os
from dataclasses import dataclass

import numpy as np

BLOCK_FRAMES = 32768


def cores() -> int:
    """Return how many threads this process can run at the same time."""
    allowed = getattr(os, "sched_getaffinity", None)
    return len(allowed(0)) if allowed else os.cpu_count() or 1


@dataclass(frozen=True, eq=False)
class Series:
    """A meter's value over time; compared by identity.

    Parameters
    ----------
    time_s : array, shape (n,)
        End of the stretch each value stands for, in seconds from the first sample.
    value : array, shape (n,)
        Readings; −inf for silence.
    unit : str
        Unit of `value`, such as "LUFS", "VU" or "dBFS".
    """

    time_s: np.ndarray
    value: np.ndarray
    unit: str

    @property
    def highest(self) -> float | None:
        """Highest reading, or None if there is none."""
        return float(self.value.max()) if self.value.size else None


def power_db(power):
    """Return 10·log₁₀ of a power or an array of them; zero gives −inf."""
    with np.errstate(divide="ignore"):
        decibels = 10.0 * np.log10(np.maximum(power, 0.0))
    return float(decibels) if np.ndim(decibels) == 0 else decibels


def hop_ends(count: int, rate_hz: int, per_second: int) -> np.ndarray:
    """Return the frames before which 0, 1, … `count` hops end, as the loops count them, shape (count + 1,)."""
    return (2 * np.arange(count + 1) * rate_hz + per_second) // (2 * per_second)


class Joined:
    """A block behind the frames that came before it, in an array that is used again for the next block.

    Parameters
    ----------
    keep : int
        Frames that stand before a block.
    channels : int
        Number of channels.
    lead : int, optional
        Frames of silence before the first block; default `keep`.
    """

    def __init__(self, keep: int, channels: int, lead: int | None = None):
        self._keep, self._array = keep, np.zeros((keep if lead is None else lead, channels))

    @property
    def tail(self) -> np.ndarray:
        """The last frames so far, a view."""
        return self._array[max(len(self._array) - self._keep, 0) :]

    def __call__(self, block: np.ndarray) -> np.ndarray:
        """Return the frames before a block and the block, to be read until the next call."""
        tail = self.tail
        if len(self._array) != len(tail) + len(block):
            self._array = np.empty((len(tail) + len(block), block.shape[1]))
        self._array[: len(tail)] = tail
        self._array[len(tail) :] = block
        return self._array


def feed(meter, source):
    """Push all of `source` (an ``Audio`` or an ``AudioFile``) through `meter` block by block and return the meter."""
    for block in source.blocks(BLOCK_FRAMES):
        meter.push(block)
    return meter
