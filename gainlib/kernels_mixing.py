"""Loops that bound the peaks of a weighted sum, compiled by numba; conventions as in :mod:`gainlib.kernels_meters`."""

import numpy as np

from gainlib.compiled import loop

_IN2 = "Array(float64, 2, 'C', readonly=True)"
_IN2I = "Array(int16, 2, 'C', readonly=True)"


@loop(
    f"void({_IN2}, {_IN2}, {_IN2}, int64, float32[:, ::1], float32[:, ::1])",
    fastmath={"contract"},
)
def interpolated_envelope(padded, even, odd, block_frames, low, high):
    """Find the lowest and the highest value on and between the samples, for each channel and block of frames.

    Parameters
    ----------
    padded, even, odd, block_frames
        As in :func:`gainlib.kernels_meters.interpolated_peaks`.
    low, high : array, shape (channels, blocks)
        The result, rounded outwards to float32.
    """
    total, channels = padded.shape
    pairs, half = even.shape
    taps = 2 * half
    frames = total - taps + 1
    blocks = low.shape[1]
    signal = np.empty(total)
    evens = np.empty(block_frames)
    odds = np.empty(block_frames)
    for channel in range(channels):
        for n in range(total):
            signal[n] = padded[n, channel]
        for block in range(blocks):
            start = block * block_frames
            count = min(block_frames, frames - start)
            lowest, highest = np.inf, -np.inf
            for j in range(start + half - 1, start + half - 1 + count):
                lowest = min(lowest, signal[j])
                highest = max(highest, signal[j])
            for p in range(pairs):
                evens[:count] = 0.0
                odds[:count] = 0.0
                for i in range(half):
                    e = even[p, i]
                    o = odd[p, i]
                    left = start + i
                    right = start + taps - 1 - i
                    for j in range(count):
                        evens[j] += e * (signal[left + j] + signal[right + j])
                        odds[j] += o * (signal[left + j] - signal[right + j])
                for j in range(count):
                    reach = abs(odds[j])
                    lowest = min(lowest, evens[j] - reach)
                    highest = max(highest, evens[j] + reach)
            low[channel, block] = lowest - abs(lowest) * 2e-7
            high[channel, block] = highest + abs(highest) * 2e-7


@loop(
    f"int64({_IN2I}, {_IN2I}, int64[::1], float64[::1], int64[::1], int64, float32[::1])",
    fastmath={"contract"},
)
def sum_bounds(low, high, used, gains, parents, children, out):
    """Bound the magnitude of a weighted sum, block by block, from the extremes of its parts.

    Parameters
    ----------
    low, high : int16 array, shape (lanes, blocks)
        Lowest and highest value of each part in each block, in steps.
    used : array of int
        The lanes that take part.
    gains : array, shape (lanes,)
        Weight of each part, times its step.
    parents : array of int
        Runs of blocks to look into: run p covers ``p · children … (p + 1) · children − 1``.
    children : int
        Blocks in a run; the last run may be shorter.
    out : array, shape (len(parents) · children,)
        Room for the bounds, rounded up: no value of the sum is larger in magnitude.

    Returns
    -------
    int
        How many bounds there are.
    """
    blocks = low.shape[1]
    upper = np.empty(children, np.float32)
    lower = np.empty(children, np.float32)
    filled = 0
    for k in range(parents.size):
        start = parents[k] * children
        count = min(children, blocks - start)
        upper[:count] = 0.0
        lower[:count] = 0.0
        for lane in used:
            g = np.float32(gains[lane])
            if g > 0.0:
                for j in range(count):
                    upper[j] += g * high[lane, start + j]
                    lower[j] += g * low[lane, start + j]
            else:
                for j in range(count):
                    upper[j] += g * low[lane, start + j]
                    lower[j] += g * high[lane, start + j]
        for j in range(count):
            out[filled + j] = max(upper[j], -lower[j]) * np.float32(1.00001) + np.float32(1e-12)
        filled += count
    return filled
