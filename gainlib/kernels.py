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
_OUT1 = "float64[::1]"
_OUT2 = "float64[:, ::1]"
_OUT3 = "float64[:, :, ::1]"
_IN2I = "Array(int16, 2, 'C', readonly=True)"
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


@njit("int64(int64, int64, int64)", **_OPTIONS)
def _hop_end(hop, rate, per_second):
    """Return the frame before which the first `hop` hops end: hop · rate / per_second, rounded."""
    return (2 * hop * rate + per_second) // (2 * per_second)


@njit("int64(int64, int64, int64)", **_OPTIONS)
def _open_hop(position, rate, per_second):
    """Return the number of hops that have ended at or before frame `position`."""
    hop = position * per_second // rate
    while _hop_end(hop + 1, rate, per_second) <= position:
        hop += 1
    while hop > 0 and _hop_end(hop, rate, per_second) > position:
        hop -= 1
    return hop


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
    hop = _open_hop(position, rate, per_second)
    count = 0
    start = 0
    while start < frames:
        end = _hop_end(hop + 1, rate, per_second) - position
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


@njit(f"void({_IN1}, {_IN2}, int64, {_OUT1})", fastmath={"contract"}, **_OPTIONS)
def _weigh(taps, rows, count, out):
    """Set the first `count` of `out` to the sum of `rows` weighted by `taps`, four rows at a time."""
    out[:count] = 0.0
    for i in range(0, taps.size, 4):
        h0, h1, h2, h3 = taps[i], taps[i + 1], taps[i + 2], taps[i + 3]
        for j in range(count):
            out[j] += h0 * rows[i, j] + h1 * rows[i + 1, j] + h2 * rows[i + 2, j] + h3 * rows[i + 3, j]


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
            _weigh(even[p], sums, count, evens)
            if has_middle and p == pairs - 1:
                odds[:count] = 0.0
            else:
                _weigh(odd[p], differences, count, odds)
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


@njit(
    f"void({_IN2}, {_IN2}, {_IN2}, boolean, int64, float32[:, ::1], float32[:, ::1])",
    fastmath={"contract"},
    **_OPTIONS,
)
def interpolated_envelope(padded, even, odd, has_middle, block_frames, low, high):
    """Find the lowest and the highest value on and between the samples, for each channel and block of frames.

    Parameters
    ----------
    padded, even, odd, has_middle, block_frames
        As in :func:`interpolated_peaks`.
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
                middle = has_middle and p == pairs - 1
                evens[:count] = 0.0
                odds[:count] = 0.0
                for i in range(half):
                    e = even[p, i]
                    o = 0.0 if middle else odd[p, i]
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


@njit(
    f"int64({_IN2I}, {_IN2I}, int64[::1], float64[::1], int64[::1], int64, float32[::1])",
    fastmath={"contract"},
    **_OPTIONS,
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


@njit(f"void({_IN2}, {_IN1}, {_OUT2}, {_OUT2})", **_OPTIONS)
def high_pass(block, coefficients, state, out):
    """Filter each channel through a first-order high-pass.

    Parameters
    ----------
    block : array, shape (frames, channels)
        Samples in.
    coefficients : array, shape (2,)
        Gain of the differences, and pole.
    state : array, shape (channels, 2)
        Last sample in and out; zeros before the first block; changed in place.
    out : array, shape (frames, channels)
        Samples out.
    """
    frames, channels = block.shape
    gain, pole = coefficients[0], coefficients[1]
    for n in range(frames):
        for channel in range(channels):
            x = block[n, channel]
            y = gain * (x - state[channel, 0]) + pole * state[channel, 1]
            state[channel, 0] = x
            state[channel, 1] = y if abs(y) > _TINY else 0.0
            out[n, channel] = y


@njit(f"void({_IN2}, {_IN2}, {_OUT1})", fastmath={"contract"}, **_OPTIONS)
def rectified_mean(padded, between, out):
    """Average the magnitudes of the channels at each sample and at points between it and the next.

    At a low sample rate the points matter: the samples of a tone of 1/8 of the rate average up to 0.5 dB low.

    Parameters
    ----------
    padded : array, shape (frames + taps - 1, channels)
        Samples with taps / 2 − 1 frames before the first and taps / 2 after the last.
    between : array, shape (points, taps)
        Interpolating taps of each point; there may be none.
    out : array, shape (frames,)
        The averages.
    """
    total, channels = padded.shape
    points, taps = between.shape
    flat = padded.reshape(total * channels)
    centre = (taps // 2 - 1) * channels
    size = out.size * channels
    sums = np.empty(size)
    value = np.empty(size if points > 0 else 0)
    for j in range(size):
        sums[j] = abs(flat[centre + j])
    for p in range(points):
        value[:] = 0.0
        for i in range(taps):
            h, shift = between[p, i], i * channels
            for j in range(size):
                value[j] += h * flat[shift + j]
        for j in range(size):
            sums[j] += abs(value[j])
    share = 1.0 / (channels * (1 + points))
    for n in range(out.size):
        mean = 0.0
        for channel in range(channels):
            mean += sums[n * channels + channel]
        out[n] = mean * share


@njit(f"int64({_IN1}, {_IN1}, int64, int64, {_OUT1}, {_OUT1})", **_OPTIONS)
def needle(drive, movement, position, rate, state, out):
    """Move a needle and note where it stands every millisecond.

    Parameters
    ----------
    drive : array, shape (frames,)
        Rectified samples in.
    movement : array, shape (6,)
        Second-order movement over one sample: ``p' = m0 p + m1 v + m2 u``, ``v' = m3 p + m4 v + m5 u`` for position p,
        speed v and drive u.
    position, rate : int
        Number of frames seen before this block; sample rate.
    state : array, shape (2,)
        Position and speed; zeros before the first block; changed in place.
    out : array, shape (milliseconds,)
        Room for the positions at the ends of the milliseconds that end in this block.

    Returns
    -------
    int
        Number of milliseconds finished.
    """
    m0, m1, m2, m3, m4, m5 = movement[0], movement[1], movement[2], movement[3], movement[4], movement[5]
    place, speed = state[0], state[1]
    tick = _open_hop(position, rate, 1000)
    due = _hop_end(tick + 1, rate, 1000) - position
    count = 0
    for n in range(drive.size):
        u = drive[n]
        place, speed = m0 * place + m1 * speed + m2 * u, m3 * place + m4 * speed + m5 * u
        if n + 1 == due:
            if abs(place) < _TINY and abs(speed) < _TINY:
                place = speed = 0.0
            out[count] = place
            count += 1
            tick += 1
            due = _hop_end(tick + 1, rate, 1000) - position
    state[0], state[1] = place, speed
    return count


@njit(f"int64({_IN2}, {_IN1}, float64, int64, int64, {_OUT2}, {_OUT1}, {_OUT1})", **_OPTIONS)
def quasi_peak(points, charge, fall, position, rate, branches, highest, out):
    """Charge peak holders fast, let them fall slowly, and note the highest mean of the branches every millisecond.

    Parameters
    ----------
    points : array, shape (points, channels)
        Interpolated samples in.
    charge : array, shape (branches,)
        Share of the distance to a higher input that each branch covers in one point.
    fall : float
        Factor by which a branch falls in one point.
    position, rate : int
        Number of points seen before, and points a second.
    branches : array, shape (channels, branches)
        Charge of each branch; zeros before the first block; changed in place.
    highest : array, shape (1,)
        Highest reading of the unfinished millisecond, worst channel; zero before the first block; changed in place.
    out : array, shape (milliseconds,)
        Room for the readings of the milliseconds that end in this block.

    Returns
    -------
    int
        Number of milliseconds finished.
    """
    count_points, channels = points.shape
    number = charge.size
    tick = _open_hop(position, rate, 1000)
    due = _hop_end(tick + 1, rate, 1000) - position
    count = 0
    top = highest[0]
    for n in range(count_points):
        for channel in range(channels):
            drive = abs(points[n, channel])
            reading = 0.0
            for b in range(number):
                held = branches[channel, b]
                held = held + charge[b] * (drive - held) if drive > held else held * fall
                held = held if held > _TINY else 0.0
                branches[channel, b] = held
                reading += held
            top = max(top, reading / number)
        if n + 1 == due:
            out[count] = top
            count += 1
            top = 0.0
            tick += 1
            due = _hop_end(tick + 1, rate, 1000) - position
    highest[0] = top
    return count


@njit(f"Tuple((int64, float64, float64))({_IN1}, int64, int64, float64)", **_OPTIONS)
def _still_above(line, end, length, threshold):
    """Return how many of the `length` samples before `end` still stand, their lowest, and the best three in a row."""
    kept, lowest, three = 0, np.inf, 0.0
    while kept < length and kept < end and line[end - 1 - kept] >= threshold:
        lowest = min(lowest, line[end - 1 - kept])
        kept += 1
        if kept >= 3:
            three = max(three, min(line[end - kept], line[end - kept + 1], line[end - kept + 2]))
    return kept, lowest, three


@njit(
    f"int64({_IN1}, int64, int64, float64, float64, float64[::1], float64[::1])",
    fastmath={"nnan", "nsz"},
    **_OPTIONS,
)
def flat_runs(line, first, reach, near, edge, state, out):
    """Find runs of three or more samples near the highest so far that stand clear of what is around them.

    A run of r samples counts if the sample r before its first and the sample r after its last lie at or below `edge`
    times the maximum. A run longer than `reach` is tested at that distance.

    Parameters
    ----------
    line : array, shape (n,)
        One channel (negate it for the negative side). Runs that end from `first` to n − `reach` are judged; at least
        2 × `reach` samples stand before `first`.
    first : int
        Index at which the search goes on.
    reach : int
        Longest distance of the edge test in samples.
    near, edge : float
        Shares of the maximum: of samples that belong to a run, and of samples that are clear of it.
    state : array, shape (5,)
        Maximum so far, length of the open run, lowest sample in it, highest level at which three in a row stand, and
        whether its far edge was clear; zeros before the first block; changed in place.
    out : array
        Room for one value a run found: the highest level at which three of its samples in a row stand.

    Returns
    -------
    int
        Number of runs found.
    """
    top, length, lowest, three, far_clear = state[0], int(state[1]), state[2], state[3], state[4] > 0.0
    threshold = near * top
    count = 0
    n = first
    stop = line.size - reach
    while n < stop:
        if length == 0 and n + 64 <= stop:
            highest = line[n]
            for j in range(n + 1, n + 64):
                highest = max(highest, line[j])
            if highest < threshold or highest <= 0.0:
                n += 64
                continue
        end = min(n + 64, stop)
        while n < end:
            x = line[n]
            if x > top:
                top = x
                threshold = near * top
                if length > 0 and lowest < threshold:
                    # The bar has risen inside the run: only its last samples still belong to it.
                    length, lowest, three = _still_above(line, n, length, threshold)
                    far_clear = False
            if x >= threshold and x > 0.0:
                lowest = x if length == 0 else min(lowest, x)
                length += 1
                if length == 1:
                    three = 0.0
                if length >= 3:
                    three = max(three, min(x, line[n - 1], line[n - 2]))
                if length == reach:
                    far_clear = line[n + 1 - 2 * reach] <= edge * top
            elif length > 0:
                if length >= 3:
                    distance = min(length, reach)
                    clear = line[n - 2 * length] <= edge * top if length <= reach else far_clear
                    if clear and line[n - 1 + distance] <= edge * top:
                        out[count] = three
                        count += 1
                length = 0
            n += 1
    state[0], state[1], state[2], state[3], state[4] = top, length, lowest, three, far_clear
    return count


# ---- static stages at a multiple of the rate -------------------------------------------------------------------------
# A signal at eight (or 16) times the rate lies in eight rows, one for each eighth of a sample, so that all loops run
# over neighbours in memory.


@njit(f"void({_OUT2}, {_IN1}, int64, int64, int64)", fastmath={"contract"}, **_OPTIONS)
def _fill_between(rows, taps, step, first, last):
    """Fill the rows half-way between rows 0, step, 2·step … by a half-band filter, columns `first` to `last` − 1."""
    count = rows.shape[0] // step
    for q in range(count):
        target = rows[q * step + step // 2, first:last]
        target[:] = 0.0
        for i in range(taps.size):
            low, high = q - i, q + 1 + i
            left = rows[low % count * step, first + low // count : last + low // count]
            right = rows[high % count * step, first + high // count : last + high // count]
            weight = taps[i]
            for j in range(target.size):
                target[j] += weight * (left[j] + right[j])


@njit(f"void({_OUT2}, {_IN1}, int64, int64, int64)", fastmath={"contract"}, **_OPTIONS)
def _fold_between(rows, taps, step, first, last):
    """Halve the rate: filter rows 0, step / 2, step … into rows 0, step, 2·step …, columns `first` to `last` − 1."""
    count = rows.shape[0] // step
    for q in range(count):
        target = rows[q * step, first:last]
        for j in range(target.size):
            target[j] *= 0.5
        for i in range(taps.size):
            low, high = 2 * q - 1 - 2 * i, 2 * q + 1 + 2 * i
            row_low, row_high = low % (2 * count) * (step // 2), high % (2 * count) * (step // 2)
            left = rows[row_low, first + low // (2 * count) : last + low // (2 * count)]
            right = rows[row_high, first + high // (2 * count) : last + high // (2 * count)]
            weight = 0.5 * taps[i]
            for j in range(target.size):
                target[j] += weight * (left[j] + right[j])


@njit("float64(float64)", inline="always", **_OPTIONS)
def _tanh(u):
    """Hyperbolic tangent to a few units in the last place, without a branch: five doublings of a rational form."""
    v = min(max(u, -19.0), 19.0) * (1.0 / 32.0)
    s = v * v
    p = v * (1.0 + s * (17325.0 + s * (378.0 + s)) * (1.0 / 135135.0))
    q = 1.0 + s * (62370.0 + s * (3150.0 + s * 28.0)) * (1.0 / 135135.0)
    for _ in range(5):
        p, q = 2.0 * p * q, p * p + q * q
    return p / q


@njit(f"void({_IN1}, int64, {_IN1}, {_OUT1})", fastmath={"contract"}, **_OPTIONS)
def _bend(row, kind, shape, out):
    """Write what a smooth curve adds to its input."""
    a, b, c, d = shape[0], shape[1], shape[2], shape[3]
    if kind == 0:  # tanh(a·u + b)·c − d
        for j in range(out.size):
            out[j] = _tanh(a * row[j] + b) * c - d - row[j]
    else:  # straight to a, then a bend of width b towards a + b
        for j in range(out.size):
            over = max(abs(row[j]) - a, 0.0)
            bent = b * _tanh(over / b) - over
            out[j] = bent if row[j] > 0.0 else -bent


@njit(f"void({_IN2}, int64, {_IN2}, {_OUT2})", fastmath={"contract"}, **_OPTIONS)
def _less_steep(rows, first, added, less):
    """Write how much steepness is lost between neighbouring points, summed over each half sample."""
    factor = rows.shape[0]
    for q in range(factor - 1):
        u, v, f, g = rows[q, first:], rows[q + 1, first:], added[q], added[q + 1]
        half = less[2 * q // factor]
        for j in range(half.size):
            step = v[j] - u[j]
            half[j] += (g[j] - f[j]) / step if abs(step) > 1e-6 else 0.0


@njit("float64(float64, float64, float64)", inline="always", **_OPTIONS)
def _mean_excess(u, v, ceiling):
    """Return the mean of what lies beyond ±ceiling on the straight line from u to v."""
    if u > ceiling and v > ceiling:
        return 0.5 * (u + v) - ceiling
    if u < -ceiling and v < -ceiling:
        return 0.5 * (u + v) + ceiling
    over_u, over_v = max(abs(u) - ceiling, 0.0), max(abs(v) - ceiling, 0.0)
    if over_u == 0.0 and over_v == 0.0:
        return 0.0
    return 0.5 * (over_v * over_v - over_u * over_u) / (v - u)


@njit(f"void({_IN2}, float64, int64, {_OUT1}, {_OUT1}, {_OUT2}, {_OUT2})", fastmath={"contract"}, **_OPTIONS)
def _cut(rows, ceiling, first, line, means, out, less):
    """Write what a hard clip adds, by its first antiderivative, and where it is flat."""
    factor, size = out.shape
    for j in range(size + 2):
        for q in range(factor):
            line[factor * j + q] = rows[q, first - 1 + j]
    for k in range(factor - 3, factor * (size + 1) + 2):
        means[k] = _mean_excess(line[k], line[k + 1], ceiling)
    for j in range(size):
        for q in range(factor):
            # Means stand half-way between points; six taps bring them back and level what taking means has taken.
            k = factor * (j + 1) + q
            inner, middle, outer = means[k - 1] + means[k], means[k - 2] + means[k + 1], means[k - 3] + means[k + 2]
            out[q, j] = 0.22517 * middle - 0.69174 * inner - 0.03343 * outer
            step = line[k + 1] - line[k]
            kept = min(max(line[k + 1], -ceiling), ceiling) - min(max(line[k], -ceiling), ceiling)
            less[2 * q // factor, j] += kept / step - 1.0 if step != 0.0 else 0.0


@njit(f"void({_IN1}, float64, {_OUT1})", **_OPTIONS)
def _flat_tops(line, ceiling, out):
    """Write 1 on and around runs of seven and more samples beyond ±ceiling, less for shorter ones, 0 up to four."""
    out[:] = 0.0
    n = 0
    while n < line.size:
        if abs(line[n]) <= ceiling:
            n += 1
            continue
        start = n
        while n < line.size and abs(line[n]) > ceiling and (line[n] > 0.0) == (line[start] > 0.0):
            n += 1
        weight = min((n - start - 4) / 3.0, 1.0)
        if weight > 0.0:
            for j in range(max(start - 9, 0), min(n + 9, line.size)):
                distance = max(start - j, j - n + 1, 3) - 3
                out[j] = max(out[j], weight * 0.5 * (1.0 + np.cos(np.pi / 7.0 * distance)))


@njit(f"void({_IN2}, {_IN1}, {_IN1}, {_OUT1}, int64, {_OUT2})", fastmath={"contract"}, **_OPTIONS)
def _play(rows, widths, weights, memory, first, out):
    """Pass the points in order of time through play operators: out = w0·x + Σ w_i·play_i(x)."""
    r0, r1, r2, r3, r4 = widths[0], widths[1], widths[2], widths[3], widths[4]
    p0, p1, p2, p3, p4 = memory[0], memory[1], memory[2], memory[3], memory[4]
    w, w0, w1, w2, w3, w4 = weights[0], weights[1], weights[2], weights[3], weights[4], weights[5]
    for j in range(out.shape[1]):
        for q in range(out.shape[0]):
            x = rows[q, first + j]
            p0 = max(x - r0, min(x + r0, p0))
            p1 = max(x - r1, min(x + r1, p1))
            p2 = max(x - r2, min(x + r2, p2))
            p3 = max(x - r3, min(x + r3, p3))
            p4 = max(x - r4, min(x + r4, p4))
            out[q, j] = w * x + (w0 * p0 + w1 * p1 + w2 * p2 + w3 * p3 + w4 * p4)
    memory[0], memory[1], memory[2], memory[3], memory[4] = p0, p1, p2, p3, p4


@njit(
    f"void({_IN2}, int64, {_IN1}, int64, {_OUT1}, {_OUT1}, {_OUT1}, {_OUT2}, {_OUT2})",
    fastmath={"contract"},
    **_OPTIONS,
)
def _added(rows, kind, shape, first, memory, line, means, out, less):
    """Write what a static stage adds to its straight part, and how much less steep it is in each half sample."""
    factor, size = out.shape
    less[:] = 0.0
    if kind == 2:
        _cut(rows, shape[0], first, line, means, out, less)
    elif kind == 3:
        _play(rows, shape[2:7], shape[7:13], memory, first, out)
        drive, straight = shape[0], shape[1]
        for q in range(factor):
            given, result = rows[q, first : first + size], out[q]
            for j in range(size):
                result[j] = _tanh(drive * result[j]) / drive - straight * given[j]
    else:
        for q in range(factor):
            _bend(rows[q, first : first + size], kind, shape, out[q])
    if kind != 2:
        _less_steep(rows, first, out, less)


@njit(f"void({_IN1}, {_IN1}, int64, {_OUT1})", fastmath={"contract"}, **_OPTIONS)
def _top_of_band(line, high, middle, out):
    """Write the top of the band, which no trip up and down keeps; out[0] belongs to line[middle]."""
    for j in range(out.size):
        out[j] = high[0] * line[middle + j]
    for k in range(1, high.size):
        left = line[middle - k : middle - k + out.size]
        right = line[middle + k : middle + k + out.size]
        weight = high[k]
        for j in range(out.size):
            out[j] += weight * (left[j] + right[j])


@njit(
    f"void({_IN2}, int64, {_IN1}, float64, {_IN2}, int64[::1], {_IN1}, {_OUT2}, {_OUT3}, {_OUT2}, {_OUT2})",
    fastmath={"contract"},
    **_OPTIONS,
)
def static_stage(block, kind, shape, limit, bands, sizes, high, history, added, memory, out):
    """Send each channel through a curve at a multiple of the rate; only what the curve *adds* makes the trip.

    What stays is the input itself, `latency` frames late, so that a straight stretch of the curve is a wire. The trip
    up and down loses the top of the band; that part is turned down by as much as the curve is less steep. A clip's
    flat tops of some samples' length stand exactly at its ceiling.

    Parameters
    ----------
    block : array, shape (frames, channels)
        Samples in.
    kind : int
        0: tanh(a·u + b)·c − d. 1: straight up to a, then towards a + b. 2: clip at a. 3: play operators, then
        tanh(a·u)/a, whose straight part is b.
    shape : array
        The letters above; for kind 3 also five widths, the weight of the input and five weights.
    limit : float
        Magnitude that no output passes, for signals so far over the curve that rounding errors count.
    bands, sizes : array
        Half-band filters, one row for each doubling of the rate, one side of each; how long each is.
    high : array
        What a trip up and down loses: middle and one side of a filter on the samples, at most `latency` long.
    history : array, shape (channels, 2·latency)
        Last samples in; zeros before the first block; changed in place.
    added : array, shape (channels, factor + 2, 2·fold)
        Last points of what was added; zeros before the first block; changed in place.
    memory : array, shape (channels, 5)
        Play operators; zeros before the first block; changed in place.
    out : array, shape (frames, channels)
        Samples out.
    """
    frames, channels = block.shape
    past, fold, factor = history.shape[1], added.shape[2] // 2, added.shape[1] - 2
    latency = past // 2
    reach = latency - fold
    gain, wire = 1.0, 1.0 if kind < 3 else shape[1]
    weight = 1.0 / factor if kind == 2 else 1.0 / (factor - 1)
    for level in range(sizes.size):
        gain *= 2.0 * np.abs(bands[level]).sum()
    chunk = 512
    rows, points = np.zeros((factor, past + chunk)), np.empty((factor + 2, 2 * fold + chunk))
    line, means, top, flat = (
        np.empty(factor * (chunk + 2)),
        np.empty(factor * (chunk + 2)),
        np.empty(chunk),
        np.empty(chunk + 34),
    )
    for channel in range(channels):
        quiet = not np.any(added[channel])
        for start in range(0, frames, chunk):
            size = min(chunk, frames - start)
            width, count, first, now = past + size, 2 * fold + size, past - reach, past - latency
            rows[0, :past] = history[channel]
            for j in range(size):
                rows[0, past + j] = block[start + j, channel]
            history[channel] = rows[0, size:width]
            for j in range(size):
                out[start + j, channel] = wire * rows[0, now + j]
            if quiet and (kind == 1 or kind == 2) and gain * np.abs(rows[0, :width]).max() <= shape[0]:
                continue
            margin = reach
            for level in range(sizes.size):
                margin -= 1 + (sizes[level] - 1 >> level)
                _fill_between(
                    rows, bands[level, : sizes[level]], factor >> level, first - margin, first + size + margin
                )
            fresh, less = np.empty((factor, size)), np.empty((2, size))
            _added(rows, kind, shape, first, memory[channel], line, means, fresh, less)
            if quiet and not np.any(fresh):
                continue
            points[:, : 2 * fold] = added[channel]
            points[:factor, 2 * fold : count] = fresh
            points[factor:, 2 * fold : count] = less
            added[channel] = points[:, size:count]
            quiet = not np.any(added[channel])
            margin = 0
            for level in range(sizes.size - 1, -1, -1):
                margin += 1 + (sizes[level] - 1 >> level)
                _fold_between(points[:factor], bands[level, : sizes[level]], factor >> level, margin, count - margin)
            _top_of_band(rows[0], high, now, top[:size])
            for j in range(size):
                less_steep = (points[factor + 1, fold + j - 1] + points[factor, fold + j]) * weight
                bent = out[start + j, channel] + (points[0, fold + j] + less_steep * top[j])
                out[start + j, channel] = min(max(bent, -limit), limit)
            if kind == 2:
                _flat_tops(rows[0, now - 17 : now + size + 17], shape[0], flat[: size + 34])
                for j in range(size):
                    cut = min(max(rows[0, now + j], -shape[0]), shape[0])
                    out[start + j, channel] += flat[17 + j] * (cut - out[start + j, channel])


# ---- dynamics --------------------------------------------------------------------------------------------------------


@njit(f"float64(float64, int64, int64, {_OUT1}, int64[::1], int64[::1])", **_OPTIONS)
def _highest_of_last(value, position, length, values, places, ends):
    """Take one more value and return the highest of the last `length`; a queue of falling values is kept in a ring."""
    size = values.size
    first, last = ends[0], ends[1]
    while last > first and values[(last - 1) % size] <= value:
        last -= 1
    values[last % size] = value
    places[last % size] = position
    last += 1
    while places[first % size] <= position - length:
        first += 1
    ends[0], ends[1] = first, last
    return values[first % size]


@njit(f"void({_IN1}, {_IN1}, int64, int64, {_OUT1}, int64[::1], int64[::1], {_OUT1}, {_OUT1})", **_OPTIONS)
def compressor_reduction(peaks, settings, hold, position, values, places, ends, state, out):
    """Follow the peak level and find the gain reduction.

    Parameters
    ----------
    peaks : array, shape (frames,)
        Highest magnitude on and behind each sample.
    settings : array, shape (5,)
        Threshold (dBFS), slope 1 − 1/ratio, knee (dB), attack and release coefficients.
    hold, position : int
        Frames a peak is held; number of frames before this block.
    values, places, ends : array, shape (hold + 1,), (hold + 1,) and (2,)
        Queue of held peaks; zeros before the first block; changed in place.
    state : array, shape (1,)
        Gain reduction in dB; zero before the first block; changed in place.
    out : array, shape (frames,)
        Gain reduction in dB, not negative.
    """
    threshold, slope, knee, attack, release = settings[0], settings[1], settings[2], settings[3], settings[4]
    bottom = 10.0 ** ((threshold - knee / 2.0) / 20.0)
    reduction, last, wanted = state[0], -1.0, 0.0
    for n in range(peaks.size):
        held = _highest_of_last(peaks[n], position + n, hold, values, places, ends)
        if held != last:
            last, wanted = held, 0.0
            if held > bottom:
                over = 20.0 * np.log10(held) - threshold
                wanted = slope * (over + knee / 2.0) ** 2 / (2.0 * knee) if 2.0 * over < knee else slope * over
        pole = attack if wanted > reduction else release
        reduction = pole * reduction + (1.0 - pole) * wanted
        if reduction < 1e-12:
            reduction = 0.0
        out[n] = reduction
    state[0] = reduction


@njit(f"void({_IN2}, {_IN1}, int64, {_OUT1}, int64[::1], {_OUT1})", **_OPTIONS)
def gate_gain(block, settings, hold, state, waiting, out):
    """Open at one level, close below another, the loudest channel deciding, and move the gain.

    Parameters
    ----------
    block : array, shape (frames, channels)
        Samples in.
    settings : array, shape (5,)
        Opening and closing magnitudes, gain when closed, opening and closing coefficients.
    hold : int
        Frames that it stays open after the last sample at the closing level or above.
    state : array, shape (1,)
        Gain, the closed one before the first block; changed in place.
    waiting : array, shape (1,)
        Frames left before it closes; zero before the first block; changed in place.
    out : array, shape (frames,)
        Gain.
    """
    opening, closing, closed, rise, fall = settings[0], settings[1], settings[2], settings[3], settings[4]
    gain, left = state[0], waiting[0]
    for n in range(block.shape[0]):
        peak = 0.0
        for channel in range(block.shape[1]):
            peak = max(peak, abs(block[n, channel]))
        if peak >= opening or (left > 0 and peak >= closing):
            left = hold + 1
        if left > 0:
            left -= 1
            gain = 1.0 - rise * (1.0 - gain)
        else:
            gain = closed + fall * (gain - closed)
        out[n] = gain
    state[0], waiting[0] = gain, left


@njit(f"void({_IN2}, {_IN2}, {_IN2}, boolean, {_OUT1})", fastmath={"contract"}, **_OPTIONS)
def interpolated_maxima(padded, even, odd, has_middle, out):
    """Find the highest magnitude on each sample and between it and the next, over all channels.

    Parameters
    ----------
    padded, even, odd, has_middle
        As in :func:`interpolated_peaks`.
    out : array, shape (frames,)
        The magnitudes.
    """
    total, channels = padded.shape
    pairs, half = even.shape
    signal = np.empty(total)
    evens, odds = np.empty(256), np.empty(256)
    out[:] = 0.0
    for channel in range(channels):
        for n in range(total):
            signal[n] = padded[n, channel]
        for start in range(0, out.size, 256):
            count = min(256, out.size - start)
            highest = out[start : start + count]
            centre = signal[start + half - 1 : start + half - 1 + count]
            for j in range(count):
                highest[j] = max(highest[j], abs(centre[j]))
            for p in range(pairs):
                middle = has_middle and p == pairs - 1
                evens[:] = 0.0
                odds[:] = 0.0
                for i in range(half):
                    e, o = even[p, i], 0.0 if middle else odd[p, i]
                    left = signal[start + i : start + i + count]
                    right = signal[start + 2 * half - 1 - i : start + 2 * half - 1 - i + count]
                    for j in range(count):
                        evens[j] += e * (left[j] + right[j])
                        odds[j] += o * (left[j] - right[j])
                for j in range(count):
                    highest[j] = max(highest[j], abs(evens[j]) + abs(odds[j]))


@njit(f"void({_IN1}, float64, float64, int64, {_OUT1}, int64[::1], int64[::1], {_OUT1}, {_OUT1}, {_OUT1})", **_OPTIONS)
def limiter_gain(peaks, ceiling, release, position, values, places, ends, ring, state, out):
    """Turn peaks into a gain that has come down, on a straight ramp, by the time they arrive.

    Parameters
    ----------
    peaks : array, shape (frames,)
        Highest magnitude on and behind each sample.
    ceiling, release : float
        Magnitude to keep under; release coefficient.
    position : int
        Number of frames before this block.
    values, places, ends : array, shape (length + 1,), (length + 1,) and (2,)
        Queue of peaks; zeros before the first block; changed in place.
    ring : array, shape (length,)
        Last reductions; zeros before the first block; changed in place. Its length is the look-ahead plus one.
    state : array, shape (2,)
        Reduction 1 − gain after release, last peak; zeros before the first block; changed in place.
    out : array, shape (frames,)
        Gain for the sample `length` − 1 before each.
    """
    length = ring.size
    reduction, before = state[0], state[1]
    total = ring.sum()
    for n in range(peaks.size):
        # What lies between two samples hangs on both.
        peak, before = max(peaks[n], before), peaks[n]
        held = _highest_of_last(peak, position + n, length, values, places, ends)
        wanted = max(0.0, 1.0 - ceiling / held) if held > 0.0 else 0.0
        reduction = max(wanted, wanted + release * (reduction - wanted))
        if reduction < 1e-15:
            reduction = 0.0
        spot = (position + n) % length
        total += reduction - ring[spot]
        ring[spot] = reduction
        out[n] = 1.0 - max(total, 0.0) / length
    state[0], state[1] = reduction, before
