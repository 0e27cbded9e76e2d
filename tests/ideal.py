"""What ideal meters read of simple signals, worked out on the levels or in closed form instead of on samples.

Sources: ITU-R BS.1770-4 Annex 1, EBU Tech 3341 and 3342; a second-order movement as IEC 60268-17 describes; charging
branches fitted to the burst table of IEC 60268-10, run sample by sample on a grid of their own.
"""

import math
from functools import lru_cache

import numpy as np
from scipy import signal

SHELF = ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585))
HIGH_PASS = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))


def k_gain_db(frequency_hz):
    """Return the K curve at a frequency, straight from the 48 kHz tables of BS.1770."""
    response = [signal.freqz(b, a, worN=[frequency_hz], fs=48000)[1][0] for b, a in (SHELF, HIGH_PASS)]
    return 20 * math.log10(abs(response[0] * response[1]))


def ideal_windows(parts, window_s, hop_s, frequency_hz=1000.0):
    """Return window ends and loudness of a stepping stereo sine, worked out on the levels."""
    powers = [0.0 if level is None else 10 ** ((level - 0.691 + k_gain_db(frequency_hz)) / 10) for level, _ in parts]
    times = np.concatenate([[0.0], np.cumsum([duration for _, duration in parts])])
    energy = np.concatenate([[0.0], np.cumsum(np.array(powers) * np.diff(times))])
    ends = window_s + hop_s * np.arange(int((times[-1] - window_s) / hop_s + 1e-6) + 1)
    power = (np.interp(ends, times, energy) - np.interp(ends - window_s, times, energy)) / window_s
    return ends, 10 * np.log10(np.maximum(power, 1e-30))


def ideal_integrated(parts):
    """Return gated loudness worked out on the levels: BS.1770-4 Annex 1 (3) to (7)."""
    block = ideal_windows(parts, 0.4, 0.1)[1]
    power = 10 ** (block / 10)
    gate = 10 * math.log10(power[block > -70].mean()) - 10
    return 10 * math.log10(power[(block > -70) & (block > gate)].mean())


def ideal_range(parts):
    """Return the loudness range worked out on the levels: Tech 3342."""
    short = ideal_windows(parts, 3.0, 0.1)[1]
    audible = short[short >= -70]
    kept = np.sort(audible[audible >= 10 * math.log10(np.mean(10 ** (audible / 10))) - 20])
    low, high = (kept[round((kept.size - 1) * share)] for share in (0.10, 0.95))
    return high - low


def movement_step(time_s, damping=0.8127, frequency_rad_s=13.512):
    """Return the closed-form step response of a second-order movement."""
    turn = frequency_rad_s * math.sqrt(1 - damping**2)
    decay = np.exp(-damping * frequency_rad_s * time_s)
    return 1 - decay * (np.cos(turn * time_s) + damping * frequency_rad_s / turn * np.sin(turn * time_s))


@lru_cache(maxsize=32)
def charged(burst_ms, charge_s, fall_db_per_s, rate_hz=192000):
    """Return what a burst of 5 kHz charges the branches to, sample by sample, on a grid of its own."""
    wave = np.abs(np.sin(2 * np.pi * 5000 * np.arange(round(burst_ms * 1e-3 * rate_hz) + 1) / rate_hz)).tolist()
    fall = 10 ** (-fall_db_per_s / 20 / rate_hz)
    shares = [1 - math.exp(-1 / (t * rate_hz)) for t in charge_s]
    held, highest = [0.0] * len(shares), 0.0
    for value in wave:
        held = [h + s * (value - h) if value > h else h * fall for h, s in zip(held, shares, strict=True)]
        highest = max(highest, sum(held) / len(held))
    return highest
