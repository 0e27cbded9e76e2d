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
_STRETCH = 64  # frames that are interpolated or passed over together


@loop("UniTuple(float64, 5)(float64, float64, float64, float64, float64, UniTuple(float64, 10))")
def _weighted(x, s1, s2, t1, t2, c):
    """Return a sample that went through two second-order sections, and their memories."""
    b0, b1, b2, a1, a2, d0, d1, d2, c1, c2 = c
    y = b0 * x + s1
    z = d0 * y + t1
    if x == 0.0 and abs(z) < _TINY:
        return z, 0.0, 0.0, 0.0, 0.0
    return z, b1 * x - a1 * y + s2, b2 * x - a2 * y, d1 * y - c1 * z + t2, d2 * y - c2 * z


@loop(f"UniTuple(float64, 10)({_IN1})")
def _ten(c):
    return c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], c[8], c[9]


@loop(f"void({_IN2}, {_IN1}, {_OUT2}, {_OUT2})")
def two_biquads(block, coefficients, state, out):
    """Filter each channel through two second-order sections in a row.

    A sample waits for the one before it, so two channels side by side take hardly longer than one. The last of an odd
    number goes through twice.

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
    frames, channels = block.shape
    c = _ten(coefficients)
    for i in range(0, channels, 2):
        j = min(i + 1, channels - 1)
        s1, s2, t1, t2 = state[i, 0], state[i, 1], state[i, 2], state[i, 3]
        u1, u2, v1, v2 = state[j, 0], state[j, 1], state[j, 2], state[j, 3]
        for n in range(frames):
            left, s1, s2, t1, t2 = _weighted(block[n, i], s1, s2, t1, t2, c)
            right, u1, u2, v1, v2 = _weighted(block[n, j], u1, u2, v1, v2, c)
            out[n, i], out[n, j] = left, right
        state[i, 0], state[i, 1], state[i, 2], state[i, 3] = s1, s2, t1, t2
        state[j, 0], state[j, 1], state[j, 2], state[j, 3] = u1, u2, v1, v2


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


@loop(f"int64({_IN2}, {_IN1}, {_IN1}, int64, int64, int64, {_OUT2}, {_OUT1}, {_OUT1})")
def weighted_energies(block, coefficients, weights, position, rate, per_second, state, carry, out):
    """Filter as :func:`two_biquads` does and sum the squares over hops as :func:`hop_statistics` does.

    Parameters
    ----------
    block, coefficients, state
        As in :func:`two_biquads`.
    weights : array, shape (channels,)
        What each channel's sum counts.
    position, rate, per_second
        As in :func:`hop_statistics`.
    carry : array, shape (channels,)
        Sums of the unfinished hop, zeros before the first block; changed in place.
    out : array, shape (hops,)
        Zeros, for the weighted sums of the hops that end in this block.

    Returns
    -------
    int
        Number of hops finished.
    """
    frames, channels = block.shape
    c = _ten(coefficients)
    hop = _open_hop(position, rate, per_second)
    count = 0
    start = 0
    while start < frames:
        end = _hop_end(hop + 1, rate, per_second) - position
        stop = min(end, frames)
        for i in range(0, channels, 2):
            j = min(i + 1, channels - 1)
            s1, s2, t1, t2 = state[i, 0], state[i, 1], state[i, 2], state[i, 3]
            u1, u2, v1, v2 = state[j, 0], state[j, 1], state[j, 2], state[j, 3]
            first, second = carry[i], carry[j]
            for n in range(start, stop):
                left, s1, s2, t1, t2 = _weighted(block[n, i], s1, s2, t1, t2, c)
                right, u1, u2, v1, v2 = _weighted(block[n, j], u1, u2, v1, v2, c)
                first += left * left
                second += right * right
            state[i, 0], state[i, 1], state[i, 2], state[i, 3] = s1, s2, t1, t2
            state[j, 0], state[j, 1], state[j, 2], state[j, 3] = u1, u2, v1, v2
            carry[i], carry[j] = first, second
        if stop == end:
            for channel in range(channels):
                out[count] += carry[channel] * weights[channel]
                carry[channel] = 0.0
            count += 1
            hop += 1
        start = stop
    return count


@loop(f"float64({_IN1}, int64, int64)", fastmath={"nnan", "nsz"})
def _highest(line, start, stop):
    """Return the highest magnitude of a stretch."""
    top = 0.0
    for n in range(start, stop):
        top = max(top, abs(line[n]))
    return top


@loop(
    f"void({_IN2}, {_IN2}, {_IN2}, int64, float64, float64, {_OUT2})",
    fastmath={"contract"},
)
def interpolated_peaks(padded, even, odd, block_frames, gain, floor, out):
    """Find the highest magnitude between and on the samples, for each channel and block of frames.

    The phases k and factor − k of a symmetric interpolator are mirror images. Both together are one even and one odd
    half filter, and the larger of the two magnitudes is ``|even| + |odd|``. The phase half-way is a pair of its own,
    whose odd half is zero.

    Parameters
    ----------
    padded : array, shape (frames + 15, channels)
        Samples with 7 frames before the first and 8 after the last.
    even, odd : array, shape (pairs, 8)
        Half filters of each pair of phases, outermost tap first.
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
    pairs, frames = even.shape[0], total - 15
    flat = padded.reshape(total * channels)
    line = np.empty(_STRETCH + 15)
    highest = np.empty(_STRETCH)
    prune = floor >= 0.0
    n = 0
    while n < frames:
        block = n // block_frames
        count = min(_STRETCH, frames - n, (block + 1) * block_frames - n)
        first = n
        n += count
        if prune and _highest(flat, first * channels, (first + count + 15) * channels) * gain <= floor:
            continue
        for channel in range(channels):
            for j in range(count + 15):
                line[j] = padded[first + j, channel]
            line[count + 15 :] = 0.0
            # Always the whole stretch: what is left over from the vector loop would be rounded otherwise.
            for j in range(_STRETCH):
                highest[j] = abs(line[7 + j])
            for p in range(pairs):
                e0, e1, e2, e3 = even[p, 0], even[p, 1], even[p, 2], even[p, 3]
                e4, e5, e6, e7 = even[p, 4], even[p, 5], even[p, 6], even[p, 7]
                o0, o1, o2, o3 = odd[p, 0], odd[p, 1], odd[p, 2], odd[p, 3]
                o4, o5, o6, o7 = odd[p, 4], odd[p, 5], odd[p, 6], odd[p, 7]
                for j in range(_STRETCH):
                    l0, l1, l2, l3 = line[j], line[j + 1], line[j + 2], line[j + 3]
                    l4, l5, l6, l7 = line[j + 4], line[j + 5], line[j + 6], line[j + 7]
                    r0, r1, r2, r3 = line[j + 15], line[j + 14], line[j + 13], line[j + 12]
                    r4, r5, r6, r7 = line[j + 11], line[j + 10], line[j + 9], line[j + 8]
                    low = e0 * (l0 + r0) + e1 * (l1 + r1) + e2 * (l2 + r2) + e3 * (l3 + r3)
                    high = e4 * (l4 + r4) + e5 * (l5 + r5) + e6 * (l6 + r6) + e7 * (l7 + r7)
                    skew = o0 * (l0 - r0) + o1 * (l1 - r1) + o2 * (l2 - r2) + o3 * (l3 - r3)
                    lean = o4 * (l4 - r4) + o5 * (l5 - r5) + o6 * (l6 - r6) + o7 * (l7 - r7)
                    value = abs(low + high) + abs(skew + lean)
                    highest[j] = value if value > highest[j] else highest[j]
            for j in range(count):
                value = highest[j]
                if value > out[block, channel]:
                    out[block, channel] = value
                    floor = value if prune and value > floor else floor


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
    for i in range(0, channels, 2):
        j = min(i + 1, channels - 1)
        x0, y0, x1, y1 = state[i, 0], state[i, 1], state[j, 0], state[j, 1]
        for n in range(frames):
            x, z = block[n, i], block[n, j]
            y0 = gain * (x - x0) + pole * y0
            y1 = gain * (z - x1) + pole * y1
            out[n, i], out[n, j] = y0, y1
            x0, x1 = x, z
            y0 = y0 if abs(y0) > _TINY else 0.0
            y1 = y1 if abs(y1) > _TINY else 0.0
        state[i, 0], state[i, 1], state[j, 0], state[j, 1] = x0, y0, x1, y1


@loop(f"void({_IN2}, {_IN1}, {_OUT2}, {_OUT1})")
def rectified(block, coefficients, state, out):
    """Filter as :func:`high_pass` does and average the magnitudes of the channels at each sample.

    Parameters
    ----------
    block, coefficients, state
        As in :func:`high_pass`.
    out : array, shape (frames,)
        The averages.
    """
    frames, channels = block.shape
    gain, pole, share = coefficients[0], coefficients[1], 1.0 / channels
    out[:] = 0.0
    for i in range(0, channels, 2):
        j = min(i + 1, channels - 1)
        x0, y0, x1, y1 = state[i, 0], state[i, 1], state[j, 0], state[j, 1]
        for n in range(frames):
            x, z = block[n, i], block[n, j]
            y0 = gain * (x - x0) + pole * y0
            y1 = gain * (z - x1) + pole * y1
            out[n] += abs(y0)
            if i != j:
                out[n] += abs(y1)
            x0, x1 = x, z
            y0 = y0 if abs(y0) > _TINY else 0.0
            y1 = y1 if abs(y1) > _TINY else 0.0
        state[i, 0], state[i, 1], state[j, 0], state[j, 1] = x0, y0, x1, y1
    for n in range(frames):
        out[n] *= share


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
    value = np.empty(size)
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


@loop(f"Tuple((int64, float64, float64))({_IN2}, int64, float64, int64, int64, float64)")
def _still_above(lines, channel, sign, end, length, threshold):
    """Return how many of the `length` samples before `end` still stand, their lowest, and the best three in a row."""
    kept, lowest, three, one, two = 0, np.inf, 0.0, 0.0, 0.0
    while kept < length and kept < end and sign * lines[end - 1 - kept, channel] >= threshold:
        x = sign * lines[end - 1 - kept, channel]
        lowest = min(lowest, x)
        kept += 1
        if kept >= 3:
            three = max(three, min(x, one, two))
        one, two = x, one
    return kept, lowest, three


@loop(
    f"int64({_IN2}, int64, float64, int64, int64, int64, float64, float64, {_OUT1}, {_OUT1}, int64)",
    fastmath={"nnan", "nsz"},
)
def _flat_runs_of(lines, channel, sign, start, stop, reach, near, edge, state, out, count):
    """Search one side of one channel from `start` to `stop` and return how many runs stand in `out` now."""
    top, length, lowest, three, far_clear = state[0], int(state[1]), state[2], state[3], state[4] > 0.0
    threshold = near * top
    for n in range(start, stop):
        x = sign * lines[n, channel]
        if x > top:
            top = x
            threshold = near * top
            if length > 0 and lowest < threshold:
                # The bar has risen inside the run: only its last samples still belong to it.
                length, lowest, three = _still_above(lines, channel, sign, n, length, threshold)
                far_clear = False
        if x >= threshold and x > 0.0:
            lowest = x if length == 0 else min(lowest, x)
            length += 1
            if length == 1:
                three = 0.0
            if length >= 3:
                three = max(three, min(x, sign * lines[n - 1, channel], sign * lines[n - 2, channel]))
            if length == reach:
                far_clear = sign * lines[n + 1 - 2 * reach, channel] <= edge * top
        elif length > 0:
            if length >= 3:
                distance = min(length, reach)
                clear = far_clear if length > reach else sign * lines[n - 2 * length, channel] <= edge * top
                if clear and sign * lines[n - 1 + distance, channel] <= edge * top:
                    out[count] = three
                    count += 1
            length = 0
    state[0], state[1], state[2], state[3], state[4] = top, length, lowest, three, far_clear
    return count


@loop(f"void({_IN2}, int64, int64, float64, float64, {_OUT2}, {_OUT2}, int64[::1])")
def flat_runs(lines, first, reach, near, edge, states, out, counts):
    """Find runs of three or more samples near the highest so far that stand clear of what is around them.

    A run of r samples counts if the sample r before its first and the sample r after its last lie at or below `edge`
    times the maximum. A run longer than `reach` is tested at that distance.

    Parameters
    ----------
    lines : array, shape (n, channels)
        Samples. Runs that end from `first` to n − `reach` are judged; at least 2 × `reach` samples stand before
        `first`.
    first : int
        Index at which the search goes on.
    reach : int
        Longest distance of the edge test in samples.
    near, edge : float
        Shares of the maximum: of samples that belong to a run, and of samples that are clear of it.
    states : array, shape (2 × channels, 5)
        Of the positive and the negative side of each channel: maximum so far, length of the open run, lowest sample in
        it, highest level at which three in a row stand, and whether its far edge was clear; zeros before the first
        block; changed in place.
    out : array, shape (2 × channels, runs)
        Room for one value a run found: the highest level at which three of its samples in a row stand.
    counts : array, shape (2 × channels,)
        Zeros, for the number of runs found.
    """
    total, channels = lines.shape
    flat = lines.reshape(total * channels)
    stop = total - reach
    for start in range(first, stop, 64):
        end = min(start + 64, stop)
        highest = _highest(flat, start * channels, end * channels)
        for side in range(2 * channels):
            if states[side, 1] > 0.0 or (highest >= near * states[side, 0] and highest > 0.0):
                counts[side] = _flat_runs_of(
                    lines, side // 2, 1.0 - 2.0 * (side % 2), start, end, reach, near, edge, states[side], out[side],
                    counts[side]
                )  # fmt: skip
