"""Audio in memory: checked once, trusted afterwards."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from numbers import Real

import numpy as np

from gainlib.errors import GainlibError

MAX_CHANNELS = 8
BLOCK_FRAMES = 65536


@dataclass(frozen=True, eq=False)
class Audio:
    """Samples with a rate and a name; compared by identity.

    Parameters
    ----------
    samples : array, shape (frames,) or (frames, channels)
        float32 or float64, finite, full scale ±1. One-dimensional input is mono and is stored as (frames, 1).
        The array is kept, not copied, and seen through a read-only view.
    rate_hz : int
        Sample rate.
    name : str
        A label for messages and tables.

    Raises
    ------
    GainlibError
        For integers, NaN or infinity, no frames, more than eight channels, or a transposed array.

    Examples
    --------
    >>> import numpy as np
    >>> tone = Audio(np.sin(np.arange(48) * 0.1), 48000, "tone")
    >>> tone.samples.shape, tone.frames, tone.channels
    ((48, 1), 48, 1)
    """

    samples: np.ndarray
    rate_hz: int
    name: str = ""

    def __post_init__(self):
        object.__setattr__(self, "samples", _checked(self.samples, self.name))
        object.__setattr__(self, "rate_hz", _checked_rate(self.rate_hz, self.name))

    @property
    def frames(self) -> int:
        """Number of sample frames."""
        return self.samples.shape[0]

    @property
    def channels(self) -> int:
        """Number of channels, 1 to 8."""
        return self.samples.shape[1]

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz

    def with_samples(self, samples: np.ndarray, name: str | None = None) -> "Audio":
        """Return new audio of the same rate, and the same name unless one is given."""
        return Audio(samples, self.rate_hz, self.name if name is None else name)

    def blocks(self, frames: int = BLOCK_FRAMES, start: int = 0, stop: int | None = None) -> Iterator[np.ndarray]:
        """Walk through the samples in order, block by block.

        Parameters
        ----------
        frames : int
            Most frames in a block; only the last may be shorter.
        start, stop : int
            First frame, and the frame after the last (None or anything past the end: the end).

        Returns
        -------
        iterator of array, shape (n, channels)
            Views of the samples, of their own type.

        Examples
        --------
        >>> import numpy as np
        >>> [len(block) for block in Audio(np.zeros(10), 48000).blocks(4, start=1)]
        [4, 4, 1]
        """
        start, stop = block_range(frames, start, stop, self.frames)
        return (self.samples[at : min(at + frames, stop)] for at in range(start, stop, frames))


def block_range(frames: int, start: int, stop: int | None, length: int) -> tuple[int, int]:
    """Check what a `blocks` call asks for and return the frames it covers, cut to `length`."""
    if frames < 1:
        raise GainlibError(f"blocks of {frames} frames; at least 1 is needed")
    if start < 0 or (stop is not None and stop < 0):
        raise GainlibError(f"blocks from frame {start} to {stop}; frames count from 0 and cannot be negative")
    return start, length if stop is None else min(stop, length)


def _checked_rate(rate_hz, name):
    real = isinstance(rate_hz, Real) and not isinstance(rate_hz, bool) and isfinite(rate_hz)
    rate = int(rate_hz) if real else 0
    if rate != rate_hz or rate <= 0:
        raise GainlibError(f"{_label(name)}the sample rate is {rate_hz!r}; it must be a positive whole number of Hz")
    return rate


def _checked(samples, name):
    label = _label(name)
    array = np.asarray(samples)
    if array.dtype not in (np.float32, np.float64):
        raise GainlibError(
            f"{label}samples are {array.dtype}; give float32 or float64 with full scale ±1 "
            "(divide 16-bit integers by 32768)"
        )
    if array.ndim == 1:
        array = array[:, np.newaxis]
    if array.ndim != 2:
        raise GainlibError(f"{label}shape {array.shape}; give (frames,) or (frames, channels)")
    frames, channels = array.shape
    if frames == 0:
        raise GainlibError(f"{label}no frames: shape {array.shape}; at least one sample is needed")
    if frames <= MAX_CHANNELS < channels:
        raise GainlibError(f"{label}shape {array.shape} has more channels than frames; did you mean the transpose?")
    if not 1 <= channels <= MAX_CHANNELS:
        raise GainlibError(f"{label}{channels} channels; 1 to {MAX_CHANNELS} are supported")
    finite = np.isfinite(array)
    if not finite.all():
        frame, channel = np.argwhere(~finite)[0]
        raise GainlibError(
            f"{label}{array[frame, channel]} at frame {frame}, channel {channel + 1}; every sample must be finite"
        )
    view = array.view()
    view.flags.writeable = False
    return view


def _label(name):
    return f"{name}: " if name else ""
