"""Audio in memory: checked once, trusted afterwards; sources whose blocks are made on the way; and blocks that arrive.

Whole signals are checked when an :class:`Audio` is made. Blocks come from anywhere, and the compiled loops take their
shape on trust, so meters and streams look at each of them here first.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import isfinite
from numbers import Integral, Real

import numpy as np

from gainlib.errors import GainlibError
from gainlib.words import count

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
        object.__setattr__(self, "rate_hz", _whole_rate(self.rate_hz, f"{_label(self.name)}the sample rate is "))

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

    def load(self) -> "Audio":
        """Return it as it is, for whoever takes a file as well."""
        return self

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


@dataclass(frozen=True, eq=False)
class Blocks:
    """A source whose blocks are made while it is read; compared by identity.

    Attributes
    ----------
    made : callable
        Takes what `blocks` takes and returns an iterator of blocks.
    rate_hz, channels, frames, name
        As in :class:`Audio`.
    """

    made: Callable[[int, int, int | None], Iterator[np.ndarray]]
    rate_hz: int
    channels: int
    frames: int
    name: str = ""

    @classmethod
    def like(cls, source, made, **other) -> "Blocks":
        """Return what is made of a source, and like it but for some fields."""
        return cls(
            made, **{field: getattr(source, field) for field in ("rate_hz", "channels", "frames", "name")} | other
        )

    def blocks(self, frames: int = BLOCK_FRAMES, start: int = 0, stop: int | None = None) -> Iterator[np.ndarray]:
        """Make the blocks, one after the other."""
        return self.made(frames, start, stop)


def watched(source, *looking: Callable[[np.ndarray], None]) -> Blocks:
    """Return a source of which every block is shown to others before it is handed on.

    Examples
    --------
    >>> seen = []
    >>> [len(block) for block in watched(Audio(np.zeros(10), 48000), seen.append).blocks(6)], len(seen)
    ([6, 4], 2)
    """

    def made(*asked):
        for block in source.blocks(*asked):
            for look in looking:
                look(block)
            yield block

    return Blocks.like(source, made)


def stretch_of(source, start: int, stop: int) -> Blocks:
    """Return frames `start` to `stop` of a source as a source of its own, with silence beyond its ends.

    Examples
    --------
    >>> [block[:, 0].tolist() for block in stretch_of(Audio(np.ones(3), 48000), -1, 4).blocks(4)]
    [[0.0], [1.0, 1.0, 1.0], [0.0]]
    """

    def silence(frames, count):
        return (np.zeros((min(frames, count - at), source.channels)) for at in range(0, count, frames))

    def made(frames, first, last):
        first, last = start + first, stop if last is None else min(start + last, stop)
        yield from silence(frames, min(last, 0) - first)
        inside = max(first, 0), min(last, source.frames)
        if inside[0] < inside[1]:
            yield from source.blocks(frames, *inside)
        yield from silence(frames, last - max(first, source.frames))

    return Blocks.like(source, made, frames=stop - start)


def block_range(frames: int, start: int, stop: int | None, length: int) -> tuple[int, int]:
    """Check what a `blocks` call asks for and return the frames it covers, cut to `length`."""
    if frames < 1:
        raise GainlibError(f"blocks of {frames} frames; at least 1 is needed")
    if start < 0 or (stop is not None and stop < 0):
        raise GainlibError(f"blocks from frame {start} to {stop}; frames count from 0 and cannot be negative")
    return start, length if stop is None else min(stop, length)


def _whole_rate(rate_hz, said):
    real = isinstance(rate_hz, Real) and not isinstance(rate_hz, bool) and isfinite(rate_hz)
    if not (real and rate_hz > 0 and rate_hz == int(rate_hz)):
        raise GainlibError(f"{said}{rate_hz!r}; it must be a positive whole number of Hz")
    return int(rate_hz)


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


def as_block(block) -> np.ndarray:
    """Return samples as the loops take them: float64, contiguous, shape (frames, channels); no copy if they are so.

    Examples
    --------
    >>> as_block([0.5, -0.5]).shape
    (2, 1)
    """
    array = np.asarray(block)
    if array.dtype.kind != "f":
        raise GainlibError(f"the block's samples are {array.dtype}; give float32 or float64 with full scale ±1")
    if array.ndim not in (1, 2):
        raise GainlibError(f"a block of shape {array.shape}; give (frames,) or (frames, channels)")
    column = array[:, np.newaxis] if array.ndim == 1 else array
    return np.ascontiguousarray(column, dtype=np.float64)


def checked_block(block, channels: int) -> np.ndarray:
    """Return a block as :func:`as_block` does, and refuse one that has not as many channels as the run it comes to.

    Examples
    --------
    >>> checked_block([0.5, -0.5], 1).shape
    (2, 1)
    """
    samples = as_block(block)
    if samples.shape[1] != channels:
        mono = " or (frames,)" if channels == 1 else ""
        raise GainlibError(
            f"a block of shape {np.shape(block)}, but the run was started with {count(channels, 'channel')}; "
            f"give (frames, {channels}){mono}"
        )
    return samples


def checked_run(rate_hz, channels) -> tuple[int, int]:
    """Return the sample rate and the number of channels a run is started with, as whole numbers.

    Examples
    --------
    >>> checked_run(48000.0, 2)
    (48000, 2)
    """
    rate_hz = _whole_rate(rate_hz, "a run at a sample rate of ")
    whole = isinstance(channels, Integral) and not isinstance(channels, bool)
    if not (whole and 1 <= channels <= MAX_CHANNELS):
        raise GainlibError(f"a run of {channels!r} channels; give a whole number from 1 to {MAX_CHANNELS}")
    return rate_hz, int(channels)
