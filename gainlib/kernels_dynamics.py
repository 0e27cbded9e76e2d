"""Loops of compressor, gate and limiter, compiled by numba; conventions as in :mod:`gainlib.kernels_meters`."""

import numpy as np

from gainlib.compiled import loop

_IN1 = "Array(float64, 1, 'C', readonly=True)"
_IN2 = "Array(float64, 2, 'C', readonly=True)"
_OUT1 = "float64[::1]"


@loop(f"float64(float64, int64, int64, {_OUT1}, int64[::1], int64[::1])")
def _highest_of_last(value, position, length, values, places, ends):
    """Take one more value and return the highest of the last `length`; a queue of falling values is kept in a ring.

    `ends` holds where in the ring the queue begins, and how long it is.
    """
    size = values.size
    first, count = ends[0], ends[1]
    spot = first + count - (size if first + count >= size else 0)
    while count > 0:
        before = spot - 1 if spot > 0 else size - 1
        if values[before] > value:
            break
        spot = before
        count -= 1
    values[spot], places[spot] = value, position
    count += 1
    while places[first] <= position - length:
        first = first + 1 if first + 1 < size else 0
        count -= 1
    ends[0], ends[1] = first, count
    return values[first]


@loop(f"void({_IN1}, {_IN1}, int64, int64, {_OUT1}, int64[::1], int64[::1], {_OUT1}, {_OUT1})")
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


@loop(f"void({_IN2}, {_IN1}, int64, {_OUT1}, int64[::1], {_OUT1})")
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


@loop(f"void({_IN2}, {_IN2}, {_IN2}, {_OUT1})", fastmath={"contract"})
def interpolated_maxima(padded, even, odd, out):
    """Find the highest magnitude on each sample and between it and the next, over all channels.

    Parameters
    ----------
    padded, even, odd
        As in :func:`gainlib.kernels_meters.interpolated_peaks`.
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
                evens[:] = 0.0
                odds[:] = 0.0
                for i in range(half):
                    e, o = even[p, i], odd[p, i]
                    left = signal[start + i : start + i + count]
                    right = signal[start + 2 * half - 1 - i : start + 2 * half - 1 - i + count]
                    for j in range(count):
                        evens[j] += e * (left[j] + right[j])
                        odds[j] += o * (left[j] - right[j])
                for j in range(count):
                    highest[j] = max(highest[j], abs(evens[j]) + abs(odds[j]))


@loop(f"void({_IN1}, float64, float64, int64, {_OUT1}, int64[::1], int64[::1], {_OUT1}, {_OUT1}, {_OUT1})")
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
