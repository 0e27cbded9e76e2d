"""Loops over samples of the meters, compiled by numba: hops, filters, needles, points between samples, flat tops.

Conventions, here and in ``kernels_saturation``, ``kernels_dynamics`` and ``kernels_mixing``
---------------------------------------------------------------------------------------------
- Every loop has an explicit signature (:func:`gainlib.compiled.loop`): nothing is compiled at the first call, only at
  the first import on a machine. No loop calls one of another file, so that a file's own content decides whether what
  was kept of it is sound.
- Samples are C-contiguous float64, shape ``(frames, channels)``; inputs may be read-only.
- A loop that has a memory takes it as an array and leaves it as the next block needs it. Cutting a signal into blocks
  at other places therefore changes nothing.
- Every loop releases the interpreter lock.
"""

import numpy as np

from gainlib.compiled import loop

_IN1 = "Array(float64, 1, 'C', readonly=True)"
_IN2 = "Array(float64, 2, 'C', readonly=True)"
_OUT1 = "float64[::1]"
_OUT2 = "float64[:, ::1]"
_TINY = 1e-60  # filter memories below this are cleared: denormal numbers would slow silence down a hundredfold


@loop(f"void({_IN2}, {_IN1}, float64[:, ::1], float64[:, ::1])")
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


@loop("int64(int64, int64, int64)")
def _hop_end(hop, rate, per_second):
    """Return the frame before which the first `hop` hops end: hop · rate / per_second, rounded."""
    return (2 * hop * rate + per_second) // (2 * per_second)


@loop("int64(int64, int64, int64)")
def _open_hop(position, rate, per_second):
    """Return the number of hops that have ended at or before frame `position`."""
    hop = position * per_second // rate
    while _hop_end(hop + 1, rate, per_second) <= position:
        hop += 1
    while hop > 0 and _hop_end(hop, rate, per_second) > position:
        hop -= 1
    return hop


@loop(f"int64({_IN2}, {_IN1}, int64, int64, int64, float64[:, ::1], float64[:, :, ::1])")
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


@loop(f"void({_IN1}, {_IN2}, int64, {_OUT1})", fastmath={"contract"})
def _weigh(taps, rows, count, out):
    """Set the first `count` of `out` to the sum of `rows` weighted by `taps`, four rows at a time."""
    out[:count] = 0.0
    for i in range(0, taps.size, 4):
        h0, h1, h2, h3 = taps[i], taps[i + 1], taps[i + 2], taps[i + 3]
        for j in range(count):
            out[j] += h0 * rows[i, j] + h1 * rows[i + 1, j] + h2 * rows[i + 2, j] + h3 * rows[i + 3, j]


@loop(
    f"void({_IN2}, {_IN2}, {_IN2}, boolean, int64, float64, float64, float64[:, ::1])",
    fastmath={"contract"},
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


@loop(f"void({_IN2}, {_IN1}, {_OUT2}, {_OUT2})")
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


@loop(f"void({_IN2}, {_IN2}, {_OUT1})", fastmath={"contract"})
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


@loop(f"int64({_IN1}, {_IN1}, int64, int64, {_OUT1}, {_OUT1})")
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


@loop(f"int64({_IN2}, {_IN1}, float64, int64, int64, {_OUT2}, {_OUT1}, {_OUT1})")
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


@loop(f"Tuple((int64, float64, float64))({_IN1}, int64, int64, float64)")
def _still_above(line, end, length, threshold):
    """Return how many of the `length` samples before `end` still stand, their lowest, and the best three in a row."""
    kept, lowest, three = 0, np.inf, 0.0
    while kept < length and kept < end and line[end - 1 - kept] >= threshold:
        lowest = min(lowest, line[end - 1 - kept])
        kept += 1
        if kept >= 3:
            three = max(three, min(line[end - kept], line[end - kept + 1], line[end - kept + 2]))
    return kept, lowest, three


@loop(
    f"int64({_IN1}, int64, int64, float64, float64, float64[::1], float64[::1])",
    fastmath={"nnan", "nsz"},
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
