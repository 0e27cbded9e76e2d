"""What a processor is and how it runs: the base class, the fields it is made of, and streams in blocks."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, Protocol

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.audio.types import checked_block, checked_run

Run = Callable[[np.ndarray], np.ndarray]


class Stream(Protocol):
    """A processor at work, fed block by block; blocks are float arrays of shape (frames, channels)."""

    def push(self, block: np.ndarray) -> np.ndarray:
        """Take a block and return what is ready, possibly fewer or no frames."""

    def flush(self) -> np.ndarray:
        """Return what is still inside; the sum of all frames out equals the sum of all frames in."""


@dataclass(frozen=True)
class Processor:
    """Base of all processors.

    A subclass is a frozen dataclass of plain numbers whose units stand in the field names, and gives ``_start``. What
    a field may hold stands beside it: ``number``, ``whole``, ``flag``, ``choice``.
    The latency a model has is cut inside its stream, so that a bypass lines up to the sample.

    Attributes
    ----------
    linear : bool
        Whether the model scales with its input: f(g·x) = g·f(x) and f(x + y) = f(x) + f(y).
    reference_dbfs : float or None
        The average level (active level or needle, sine-referred) this model is built for; None if it does not care.
    """

    linear: ClassVar[bool] = False
    reference_dbfs: ClassVar[float | None] = None

    def __post_init__(self):
        for each in fields(self):
            value = getattr(self, each.name)
            wrong = each.metadata["wrong"](value) if "wrong" in each.metadata else None
            if wrong:
                raise GainlibError(f"{type(self).__name__}: {each.name} is {wrong}")

    def stream(self, rate_hz: int, channels: int) -> Stream:
        """Start a fresh run for audio of this rate and channel count.

        Parameters
        ----------
        rate_hz : int
            Sample rate.
        channels : int
            Number of channels, 1 to 8.

        Returns
        -------
        Stream
            Takes blocks of shape (frames, channels); mono ones also of shape (frames,).

        Raises
        ------
        GainlibError
            For another rate or count; so do the stream's ``push`` for blocks of another shape or type.
        """
        return self._start(*checked_run(rate_hz, channels))

    def process(self, audio: Audio) -> Audio:
        """Run the whole of `audio` once, latency cut: same frames, channels, rate and name."""
        run = self.stream(audio.rate_hz, audio.channels)
        out = np.concatenate([run.push(audio.samples), run.flush()])
        return audio.with_samples(out)

    def _start(self, rate_hz: int, channels: int) -> Stream:
        """Start a fresh run; rate and count are checked."""
        raise NotImplementedError(f"{type(self).__name__} gives no stream")


# ---- fields, and what each of them takes -----------------------------------------------------------------------------


def number(
    default: float | None,
    low: float = -math.inf,
    high: float = math.inf,
    *,
    above: float = -math.inf,
    none: bool = False,
) -> Any:
    """Make a field for a finite number from `low` to `high`, above `above`; or for None, if that is its default."""

    def wrong(value):
        if value is None and (none or default is None):
            return None
        if isinstance(value, bool) or not hasattr(type(value), "__float__"):
            return f"{value!r}; give a number"
        if above > -math.inf and not above < value <= high:
            upper = f" up to {high:g}" if high < math.inf else ""
            return f"{value}; give a finite number above {above:g}{upper}"
        return None if low <= value <= high and math.isfinite(value) else f"{value}; give {_range(low, high)}"

    return field(default=default, metadata={"wrong": wrong})


def whole(default: int, low: int, high: float = math.inf) -> Any:
    """Make a field for a whole number from `low` to `high`."""

    def wrong(value):
        if isinstance(value, bool) or not isinstance(value, int | np.integer):
            return f"{value!r}; give a whole number"
        upper = f"to {high}" if high < math.inf else "up"
        return None if low <= value <= high else f"{value}; give a whole number from {low} {upper}"

    return field(default=default, metadata={"wrong": wrong})


def flag(default: bool) -> Any:
    """Make a field for True or False."""
    return field(
        default=default,
        metadata={"wrong": lambda value: None if isinstance(value, bool) else f"{value!r}; it is True or False"},
    )


def choice(known: tuple[str, ...]) -> Any:
    """Make a field for one of some words, the first unless told."""

    def wrong(value):
        return None if value in known else f"{value!r}; there is {', '.join(known)}"

    return field(default=known[0], metadata={"wrong": wrong, "choices": known})


def _range(low, high):
    if low == -math.inf and high == math.inf:
        return "a finite number"
    if high == math.inf:
        return f"a finite number from {low:g} up"
    return f"a number from {low:g} to {high:g}" if low > -math.inf else f"a finite number up to {high:g}"


# ---- streams ---------------------------------------------------------------------------------------------------------


class Aligned:
    """A stream that cuts the latency of what runs inside: its first frames are dropped, silence pushes out the last.

    `run` takes a float64 block of shape (frames, channels) and returns one of the same shape, `latency` frames late;
    without latency each block comes back at once.
    """

    def __init__(self, run: Run, channels: int, latency: int = 0):
        self._run, self._channels, self._latency, self._early = run, channels, latency, latency

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

    Its level is the RMS, sine-referred: a sine of the same RMS would peak there.
    """

    def __init__(self, level_dbfs: float, seed: int | tuple[int, ...], channels: int):
        self._rms = 10.0 ** (level_dbfs / 20.0) / np.sqrt(2.0)
        self._rng = np.random.default_rng(seed)
        self._channels = channels

    def next(self, frames: int) -> np.ndarray:
        """Return the next frames, shape (frames, channels)."""
        return self._rng.standard_normal((frames, self._channels)) * self._rms
