"""Loops over samples, compiled by numba: the only code here that is written for speed.

Conventions
-----------
- Every loop has an explicit signature and ``cache=True``: nothing is compiled at the first call, only at the first
  import on a machine. All of them live in this one file, so that one file's date decides whether the cache is sound.
- Samples are C-contiguous float64, shape ``(frames, channels)``; inputs may be read-only.
- A loop that has a memory takes it as an array and leaves it as the next block needs it. Cutting a signal into blocks
  at other places therefore changes nothing.
- Every loop releases the interpreter lock.
"""

import numpy as np
from numba import njit

_OPTIONS = {"cache": True, "nogil": True, "error_model": "numpy"}
_IN1 = "Array(float64, 1, 'C', readonly=True)"
_IN2 = "Array(float64, 2, 'C', readonly=True)"
_TINY = 1e-60  # filter memories below this are cleared: denormal numbers would slow silence down a hundredfold


@njit(f"void({_IN2}, {_IN1}, float64[:, ::1], float64[:, ::1])", **_OPTIONS)
def two_biquads(block, coefficients, state, out):
    """Filter each channel through two second-order sections in a row.

    Parameters
    ----------
    block : array, shape (frames, channels)
        Samples in.
    coefficients : array, shape (10,)
        ``b0 b1 b2 a1 a2`` of the first section, then of the second, each with a0 = 1.
    state : array, shape (channels, 4)
        Memory (transposed direct form II), zeros before the first block; changed in place.
    out : array, shape (frames, channels)
        Samples out.
    """
    b0, b1, b2, a1, a2 = coefficients[0], coefficients[1], coefficients[2], coefficients[3], coefficients[4]
    d0, d1, d2, c1, c2 = coefficients[5], coefficients[6], coefficients[7], coefficients[8], coefficients[9]
    frames, channels = block.shape
    for channel in range(channels):
        s1, s2, t1, t2 = state[channel, 0], state[channel, 1], state[channel, 2], state[channel, 3]
        for n in range(frames):
            x = block[n, channel]
            y = b0 * x + s1
            s1 = b1 * x - a1 * y + s2
            s2 = b2 * x - a2 * y
            z = d0 * y + t1
            t1 = d1 * y - c1 * z + t2
            t2 = d2 * y - c2 * z
            out[n, channel] = z
            if x == 0.0 and abs(z) < _TINY:
                s1 = s2 = t1 = t2 = 0.0
        state[channel, 0], state[channel, 1], state[channel, 2], state[channel, 3] = s1, s2, t1, t2


@njit(f"int64({_IN2}, {_IN1}, int64, int64, int64, float64[:, ::1], float64[:, :, ::1])", **_OPTIONS)
def hop_statistics(block, pivot, position, rate, per_second, carry, out):
    """Collect sum, sum of squares, lowest and highest sample of each channel over hops of a fixed time.

    Hop k ends before frame ``round(k · rate / per_second)``, so a hop may differ by one frame from the next when the
    rate is not a multiple; over any whole second they add up.

    Parameters
    ----------
    block : array, shape (frames, channels)
        Samples in.
    pivot : array, shape (channels,)
        Taken off each sample before it is summed, so that the variance of a signal with an offset stays exact.
    position : int
        Number of frames seen before this block.
    rate, per_second : int
        Sample rate, and number of hops a second.
    carry : array, shape (channels, 4)
        The unfinished hop; ``0, 0, inf, -inf`` before the first block; changed in place.
    out : array, shape (hops, channels, 4)
        Room for the hops that end in this block.

    Returns
    -------
    int
        Number of hops finished.
    """
    frames, channels = block.shape
    hop = (2 * position * per_second + per_second) // (2 * rate)
    while (2 * (hop + 1) * rate + per_second) // (2 * per_second) <= position:
        hop += 1
    while hop > 0 and (2 * hop * rate + per_second) // (2 * per_second) > position:
        hop -= 1
    count = 0
    start = 0
    while start < frames:
        end = (2 * (hop + 1) * rate + per_second) // (2 * per_second) - position
        stop = min(end, frames)
        for channel in range(channels):
            p = pivot[channel]
            total, squares = carry[channel, 0], carry[channel, 1]
            low, high = carry[channel, 2], carry[channel, 3]
            for n in range(start, stop):
                x = block[n, channel]
                d = x - p
                total += d
                squares += d * d
                low = min(low, x)
                high = max(high, x)
            if stop == end:
                out[count, channel, 0], out[count, channel, 1] = total, squares
                out[count, channel, 2], out[count, channel, 3] = low, high
                total, squares, low, high = 0.0, 0.0, np.inf, -np.inf
            carry[channel, 0], carry[channel, 1] = total, squares
            carry[channel, 2], carry[channel, 3] = low, high
        if stop == end:
            count += 1
            hop += 1
        start = stop
    return count


@njit(
    f"void({_IN2}, {_IN2}, {_IN2}, boolean, int64, float64, float64, float64[:, ::1])",
    fastmath={"contract"},
    **_OPTIONS,
)
def interpolated_peaks(padded, even, odd, has_middle, block_frames, gain, floor, out):
    """Find the highest magnitude between and on the samples, for each channel and block of frames.

    The phases k and factor − k of a symmetric interpolator are mirror images. Both together are one even and one odd
    half filter, and the larger of the two magnitudes is ``|even| + |odd|``.

    Parameters
    ----------
    padded : array, shape (frames + taps - 1, channels)
        Samples with taps / 2 − 1 frames before the first and taps / 2 after the last.
    even, odd : array, shape (pairs, taps / 2)
        Half filters of each pair of phases, outermost tap first; taps / 2 a multiple of four.
    has_middle : bool
        Whether the last pair is the single phase half-way, which has no odd part.
    block_frames : int
        Frames in a block.
    gain : float
        The most any phase can amplify: its largest sum of absolute taps.
    floor : float
        Stretches that cannot exceed it are passed over, and it rises with what is found; then only the overall
        maximum means anything. Negative: nothing is passed over, and every block's and channel's peak is right.
    out : array, shape (blocks, channels)
        The result; what stands in it is kept where it is larger.
    """
    total, channels = padded.shape
    pairs, half = even.shape
    taps = 2 * half
    frames = total - taps + 1
    flat = padded.reshape(total * channels)
    stretch = max(64 // channels, 1)
    width = stretch * channels
    sums = np.empty((half, width))
    differences = np.empty((half, width))
    evens = np.empty(width)
    odds = np.empty(width)
    highest = np.empty(width)
    centre = (half - 1) * channels
    prune = floor >= 0.0
    n = 0
    while n < frames:
        block = n // block_frames
        count = min(stretch, frames - n, (block + 1) * block_frames - n) * channels
        base = n * channels
        if prune:
            bound = 0.0
            for j in range(base, base + count + (taps - 1) * channels):
                bound = max(bound, abs(flat[j]))
            if bound * gain <= floor:
                n += count // channels
                continue
        for j in range(count):
            highest[j] = abs(flat[base + centre + j])
        for i in range(half):
            left = base + i * channels
            right = base + (taps - 1 - i) * channels
            for j in range(count):
                sums[i, j] = flat[left + j] + flat[right + j]
                differences[i, j] = flat[left + j] - flat[right + j]
        for p in range(pairs):
            for j in range(count):
                evens[j] = 0.0
                odds[j] = 0.0
            for i in range(0, half, 4):
                e0, e1, e2, e3 = even[p, i], even[p, i + 1], even[p, i + 2], even[p, i + 3]
                for j in range(count):
                    evens[j] += e0 * sums[i, j] + e1 * sums[i + 1, j] + e2 * sums[i + 2, j] + e3 * sums[i + 3, j]
            if not (has_middle and p == pairs - 1):
                for i in range(0, half, 4):
                    o0, o1, o2, o3 = odd[p, i], odd[p, i + 1], odd[p, i + 2], odd[p, i + 3]
                    for j in range(count):
                        odds[j] += (
                            o0 * differences[i, j]
                            + o1 * differences[i + 1, j]
                            + o2 * differences[i + 2, j]
                            + o3 * differences[i + 3, j]
                        )
            for j in range(count):
                value = abs(evens[j]) + abs(odds[j])
                highest[j] = value if value > highest[j] else highest[j]
        for j in range(0, count, channels):
            for channel in range(channels):
                value = highest[j + channel]
                if value > out[block, channel]:
                    out[block, channel] = value
                if prune and value > floor:
                    floor = value
        n += count // channels
