"""Blocks on their way into something that runs: their shape and type, and what a run is started with.

Whole signals are checked when an :class:`~gainlib.audio.Audio` is made. Blocks come from anywhere, and the compiled
loops take their shape on trust, so meters and streams look at each of them here first.
"""

from math import isfinite
from numbers import Integral, Real

import numpy as np

from gainlib.audio.types import MAX_CHANNELS
from gainlib.errors import GainlibError


def as_block(block) -> np.ndarray:
    """Return samples as the loops take them: float64, contiguous, shape (frames, channels); no copy if they are so.

    Parameters
    ----------
    block : array, shape (frames,) or (frames, channels)
        Floating-point samples; one-dimensional ones are mono.

    Returns
    -------
    array, float64, shape (frames, channels)

    Raises
    ------
    GainlibError
        For anything but floating-point numbers, or another shape.

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

    Parameters
    ----------
    block : array, shape (frames,) or (frames, channels)
        Floating-point samples; one-dimensional ones are mono.
    channels : int
        Number of channels the run was started with.

    Returns
    -------
    array, float64, shape (frames, channels)

    Raises
    ------
    GainlibError
        As in :func:`as_block`, and for another number of channels.

    Examples
    --------
    >>> checked_block([0.5, -0.5], 1).shape
    (2, 1)
    """
    samples = as_block(block)
    if samples.shape[1] != channels:
        mono = " or (frames,)" if channels == 1 else ""
        raise GainlibError(
            f"a block of shape {np.shape(block)}, but the run was started with {_counted(channels)}; "
            f"give (frames, {channels}){mono}"
        )
    return samples


def checked_run(rate_hz, channels) -> tuple[int, int]:
    """Return the sample rate and the number of channels a run is started with, as whole numbers.

    Parameters
    ----------
    rate_hz : int
        Sample rate, above 0.
    channels : int
        Number of channels, 1 to 8.

    Returns
    -------
    rate_hz, channels : int

    Raises
    ------
    GainlibError
        For anything else.

    Examples
    --------
    >>> checked_run(48000.0, 2)
    (48000, 2)
    """
    real = isinstance(rate_hz, Real) and not isinstance(rate_hz, bool) and isfinite(rate_hz)
    if not (real and rate_hz > 0 and rate_hz == int(rate_hz)):
        raise GainlibError(f"a run at a sample rate of {rate_hz!r}; it must be a positive whole number of Hz")
    whole = isinstance(channels, Integral) and not isinstance(channels, bool)
    if not (whole and 1 <= channels <= MAX_CHANNELS):
        raise GainlibError(f"a run of {channels!r} channels; give a whole number from 1 to {MAX_CHANNELS}")
    return int(rate_hz), int(channels)


def _counted(channels):
    return f"{channels} channel" + ("" if channels == 1 else "s")
