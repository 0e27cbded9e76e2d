"""Loops over samples of the static stages, compiled by numba; conventions as in :mod:`gainlib.kernels_meters`.

A signal at eight (or 16) times the rate lies in eight rows, one for each eighth of a sample, so that all loops run over
neighbours in memory.
"""

import numpy as np

from gainlib.compiled import loop

_IN1 = "Array(float64, 1, 'C', readonly=True)"
_IN2 = "Array(float64, 2, 'C', readonly=True)"
_OUT1 = "float64[::1]"
_OUT2 = "float64[:, ::1]"
_OUT3 = "float64[:, :, ::1]"


@loop(f"void({_OUT2}, {_IN1}, int64, int64, int64)", fastmath={"contract"})
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


@loop(f"void({_OUT2}, {_IN1}, int64, int64, int64)", fastmath={"contract"})
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


@loop("float64(float64)", inline="always")
def _tanh(u):
    """Hyperbolic tangent to a few units in the last place, without a branch: five doublings of a rational form."""
    v = min(max(u, -19.0), 19.0) * (1.0 / 32.0)
    s = v * v
    p = v * (1.0 + s * (17325.0 + s * (378.0 + s)) * (1.0 / 135135.0))
    q = 1.0 + s * (62370.0 + s * (3150.0 + s * 28.0)) * (1.0 / 135135.0)
    for _ in range(5):
        p, q = 2.0 * p * q, p * p + q * q
    return p / q


@loop(f"void({_IN1}, int64, {_IN1}, {_OUT1})", fastmath={"contract"})
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


@loop(f"void({_IN2}, int64, {_IN2}, {_OUT2})", fastmath={"contract"})
def _less_steep(rows, first, added, less):
    """Write how much steepness is lost between neighbouring points, summed over each half sample."""
    factor = rows.shape[0]
    for q in range(factor - 1):
        u, v, f, g = rows[q, first:], rows[q + 1, first:], added[q], added[q + 1]
        half = less[2 * q // factor]
        for j in range(half.size):
            step = v[j] - u[j]
            half[j] += (g[j] - f[j]) / step if abs(step) > 1e-6 else 0.0


@loop("float64(float64, float64, float64)", inline="always")
def _mean_excess(u, v, ceiling):
    """Return the mean of what lies beyond ±ceiling on the straight line from u to v."""
    over_u, over_v, middle = max(abs(u) - ceiling, 0.0), max(abs(v) - ceiling, 0.0), 0.5 * (u + v)
    crossing = 0.5 * (over_v * over_v - over_u * over_u) / (v - u)
    inside = 0.0 if max(over_u, over_v) == 0.0 else crossing
    above = middle - ceiling if min(u, v) > ceiling else inside
    return middle + ceiling if max(u, v) < -ceiling else above


@loop(f"void({_IN2}, float64, int64, {_OUT2}, {_OUT2}, {_OUT2})", fastmath={"contract"})
def _cut(rows, ceiling, first, means, out, less):
    """Write what a hard clip adds, by its first antiderivative, and where it is flat."""
    factor, size = out.shape
    for q in range(factor):
        u, v, mean = rows[q, first - 1 :], rows[(q + 1) % factor, first - 1 + (q + 1) // factor :], means[q]
        for j in range(size + 1 + (q < 2)):
            mean[j] = _mean_excess(u[j], v[j], ceiling)
    for q in range(factor):
        # Means stand half-way between points; six taps bring them back and level what taking means has taken.
        m3 = means[(q - 3) % factor, 1 + (q - 3) // factor :]
        m2 = means[(q - 2) % factor, 1 + (q - 2) // factor :]
        m1 = means[(q - 1) % factor, 1 + (q - 1) // factor :]
        p0 = means[q, 1:]
        p1 = means[(q + 1) % factor, 1 + (q + 1) // factor :]
        p2 = means[(q + 2) % factor, 1 + (q + 2) // factor :]
        u, v, half = rows[q, first:], rows[(q + 1) % factor, first + (q + 1) // factor :], less[2 * q // factor]
        for j in range(size):
            inner, middle, outer = m1[j] + p0[j], m2[j] + p1[j], m3[j] + p2[j]
            out[q, j] = 0.22517 * middle - 0.69174 * inner - 0.03343 * outer
            step = v[j] - u[j]
            kept = min(max(v[j], -ceiling), ceiling) - min(max(u[j], -ceiling), ceiling)
            half[j] += kept / step - 1.0 if step != 0.0 else 0.0


@loop(f"void({_IN1}, float64, {_OUT1})")
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


@loop(f"void({_IN2}, {_IN1}, {_IN1}, {_OUT1}, int64, {_OUT2})", fastmath={"contract"})
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


@loop(
    f"void({_IN2}, int64, {_IN1}, int64, {_OUT1}, {_OUT2}, {_OUT2}, {_OUT2})",
    fastmath={"contract"},
)
def _added(rows, kind, shape, first, memory, means, out, less):
    """Write what a static stage adds to its straight part, and how much less steep it is in each half sample."""
    factor, size = out.shape
    less[:] = 0.0
    if kind == 2:
        _cut(rows, shape[0], first, means, out, less)
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


@loop(f"void({_IN1}, {_IN1}, int64, {_OUT1})", fastmath={"contract"})
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


@loop(
    f"void({_IN2}, int64, {_IN1}, float64, {_IN2}, int64[::1], {_IN1}, {_OUT2}, {_OUT3}, {_OUT2}, {_OUT2})",
    fastmath={"contract"},
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
    means, top, flat = np.empty((factor, chunk + 2)), np.empty(chunk), np.empty(chunk + 34)
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
            _added(rows, kind, shape, first, memory[channel], means, fresh, less)
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
