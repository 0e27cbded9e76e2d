"""Loudness: K-weighting, momentary, short-term and integrated loudness, loudness range.

Sources: ITU-R BS.1770-4/-5 Annex 1 (the filters, the sum and its gates), BS.1770-5 Annex 3 (rear channels), EBU R 128
and Tech 3341 (time scales), EBU Tech 3342 (loudness range).

The two filters are tabulated for 48 kHz only; at other rates the response must match. Each is taken back to the
continuous prototype the table stands for. From 44.1 kHz up it comes to the new rate by the bilinear transform with its
corner frequency held and the numerator scaled along, within 0.01 dB of the table. Below 44.1 kHz that transform bends
the shelf by up to 0.3 dB; there the poles are carried over as they are and the numerator is fitted to the tabulated
magnitude, within 0.03 dB at 8 kHz and 0.01 dB from 11 kHz up.
"""

import math
from functools import lru_cache

import numpy as np

from gainlib import kernels_meters
from gainlib.audio import Audio
from gainlib.audio.types import checked_block, checked_run
from gainlib.errors import GainlibError
from gainlib.meters.series import Series, feed, hop_ends, power_db

TABLE_RATE_HZ = 48000
SHELF_48K = (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585)
HIGH_PASS_48K = (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)
LOWEST_BILINEAR_HZ = 44100
SURROUND_WEIGHT = 1.41

# L R C LFE and surrounds in the order of the WAVE channel mask; at the rear (135 degrees and beyond) the weight is 1.
_WEIGHTS = {
    1: (1.0,),
    2: (1.0, 1.0),
    3: (1.0, 1.0, 1.0),
    4: (1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    5: (1.0, 1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    6: (1.0, 1.0, 1.0, 0.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    7: (1.0, 1.0, 1.0, 0.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    8: (1.0, 1.0, 1.0, 0.0, 1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
}
OFFSET_LU = -0.691
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
HOPS_PER_SECOND = 100
MOMENTARY_HOPS = 40
SHORT_TERM_HOPS = 300
BLOCK_STEP_HOPS = 10


def channel_weights(channels: int) -> np.ndarray:
    """Return the weight of each channel's power in the loudness sum.

    Parameters
    ----------
    channels : int
        1 to 8: mono; L R; L R C; L R Ls Rs; L R C Ls Rs; L R C LFE Ls Rs; L R C LFE, rear, Ls Rs; L R C LFE, two
        rears, Ls Rs.

    Returns
    -------
    array, shape (channels,)
        1.0 in front, 1.41 at the sides, 0.0 for LFE, 1.0 at the rear (BS.1770-5 Annex 1 Table 3 and Annex 3).

    Examples
    --------
    >>> channel_weights(6)
    array([1.  , 1.  , 1.  , 0.  , 1.41, 1.41])
    """
    if channels not in _WEIGHTS:
        raise GainlibError(f"{channels} channels; 1 to 8 have weights")
    return np.array(_WEIGHTS[channels])


@lru_cache(maxsize=32)
def k_coefficients(rate_hz: int) -> np.ndarray:
    """Return ``b0 b1 b2 a1 a2`` of both K-weighting filters at a sample rate, shape (10,), read-only."""
    if rate_hz == TABLE_RATE_HZ:
        shelf, high_pass = SHELF_48K, HIGH_PASS_48K
    else:
        shelf = (_bilinear if rate_hz >= LOWEST_BILINEAR_HZ else _fitted)(SHELF_48K, rate_hz)
        high_pass = _bilinear(HIGH_PASS_48K, rate_hz)
    both = np.array([*shelf, *high_pass])
    both.flags.writeable = False
    return both


def _prototype(section):
    """Return numerator and denominator of a 48 kHz section in powers of s / corner, and the corner in rad/s."""
    b0, b1, b2, a1, a2 = section
    # z⁻¹ = (1 − u) / (1 + u) with u = tan(ω/2); at the corner the denominator's outer terms are equal.
    numerator = np.array([b0 + b1 + b2, 2 * (b0 - b2), b0 - b1 + b2])
    denominator = np.array([1 + a1 + a2, 2 * (1 - a2), 1 - a1 + a2])
    corner = math.sqrt(denominator[0] / denominator[2])
    powers = corner ** np.arange(3)
    return numerator * powers, denominator * powers, 2.0 * TABLE_RATE_HZ * math.atan(corner)


def _bilinear(section, rate_hz):
    numerator, denominator, corner = _prototype(section)
    powers = math.tan(corner / (2.0 * rate_hz)) ** -np.arange(3.0)
    b, a = numerator * powers, denominator * powers
    b, a = ([c[0] + c[1] + c[2], 2 * (c[0] - c[2]), c[0] - c[1] + c[2]] for c in (b, a))
    return *(np.array(b) / a[0]), a[1] / a[0], a[2] / a[0]


def _fitted(section, rate_hz):
    _, denominator, corner = _prototype(section)
    poles = np.exp(np.roots(denominator[::-1] / denominator[2]) * corner / rate_hz)
    a = np.real(np.poly(poles))
    angle = np.linspace(0.0, np.pi, 200)
    wanted = _squared(section[:3], angle * rate_hz / TABLE_RATE_HZ) * _squared(a, angle)
    wanted /= _squared((1.0, *section[3:]), angle * rate_hz / TABLE_RATE_HZ)
    # |B|² is a sum of cosines: least squares of the relative error, then the half of its zeros inside the circle.
    cosines = np.stack([np.ones_like(angle), 2 * np.cos(angle), 2 * np.cos(2 * angle)], axis=1)
    r0, r1, r2 = np.linalg.lstsq(cosines / wanted[:, np.newaxis], np.ones_like(angle), rcond=None)[0]
    zeros = sorted(np.roots([r2, r1, r0, r1, r2]), key=abs)[:2]
    b = np.real(np.poly(zeros))
    return *(b * math.sqrt(r0 / (b @ b))), a[1], a[2]


def _squared(polynomial, angle):
    """Return the squared magnitude of a polynomial in z⁻¹ on the unit circle."""
    return np.abs(np.polyval(polynomial[::-1], np.exp(-1j * angle))) ** 2


class KFilter:
    """K-weighting at work: call it with block after block; the filters' memory is carried on.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels.
    """

    def __init__(self, rate_hz: int, channels: int):
        rate_hz, self._channels = checked_run(rate_hz, channels)
        self._coefficients = k_coefficients(rate_hz)
        self._state = np.zeros((channels, 4))

    def __call__(self, block: np.ndarray) -> np.ndarray:
        """Return the weighted block, float64, shape (frames, channels)."""
        block = checked_block(block, self._channels)
        out = np.empty(block.shape)
        kernels_meters.two_biquads(block, self._coefficients, self._state, out)
        return out


def k_weighted(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Weight samples by the K curve of BS.1770-4 Annex 1, the filters starting at rest.

    Parameters
    ----------
    samples : array, shape (frames,) or (frames, channels)
        Samples in.
    rate_hz : int
        Sample rate.

    Returns
    -------
    array, float64, same shape
        Weighted samples; linear in the input. No channel weight is applied.
    """
    weighted = KFilter(rate_hz, 1 if np.ndim(samples) == 1 else samples.shape[1])(samples)
    return weighted[:, 0] if np.ndim(samples) == 1 else weighted


def loudness_of_power(power):
    """Return −0.691 + 10·log₁₀(power) in LUFS, for a channel-weighted K power or an array of them."""
    return OFFSET_LU + power_db(power)


def power_of_loudness(lufs: float) -> float:
    """Return the channel-weighted K power that reads `lufs`."""
    return 10.0 ** ((lufs - OFFSET_LU) / 10.0)


def gated_loudness(block_powers: np.ndarray) -> float:
    """Return the integrated loudness of a row of blocks: both gates of BS.1770-4 Annex 1, equations (3) to (7).

    Parameters
    ----------
    block_powers : array, shape (blocks,)
        Channel-weighted mean square of the K-weighted samples in 400 ms blocks that start every 100 ms.

    Returns
    -------
    float
        Loudness in LUFS; −inf if no block is louder than −70 LUFS.

    Examples
    --------
    >>> loud, soft = power_of_loudness(-20.0), power_of_loudness(-40.0)
    >>> round(gated_loudness(np.array([loud] * 10 + [soft] * 10)), 6)
    -20.0
    """
    powers = np.asarray(block_powers, dtype=np.float64)
    audible = powers[powers > power_of_loudness(ABSOLUTE_GATE_LUFS)]
    if audible.size == 0:
        return -math.inf
    gate = audible.mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0)
    return loudness_of_power(audible[audible > gate].mean())


def range_of(short_term_lufs: np.ndarray) -> float | None:
    """Return the loudness range of short-term values: gates at −70 LUFS and −20 LU, 10th to 95th percentile.

    Parameters
    ----------
    short_term_lufs : array, shape (n,)
        Ungated short-term loudness, ten or more values a second (Tech 3342).

    Returns
    -------
    float or None
        Range in LU, by nearest rank; None if no value reaches −70 LUFS.
    """
    audible = short_term_lufs[short_term_lufs >= ABSOLUTE_GATE_LUFS]
    if audible.size == 0:
        return None
    gate = power_db(np.mean(10.0 ** (audible / 10.0))) + RANGE_GATE_LU
    kept = np.sort(audible[audible >= gate])
    low, high = (kept[int((kept.size - 1) * share + 0.5)] for share in (0.10, 0.95))
    return float(high - low)


class LoudnessMeter:
    """All loudness readings of a signal pushed through in blocks.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels, in the order of :func:`channel_weights`.
    """

    def __init__(self, rate_hz: int, channels: int):
        self._rate_hz, self._channels = checked_run(rate_hz, channels)
        self._coefficients, self._weights = k_coefficients(self._rate_hz), channel_weights(channels)
        self._state, self._carry = np.zeros((channels, 4)), np.zeros(channels)
        self._frames = 0
        self._hops = []

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        block = checked_block(block, self._channels)
        room = np.zeros(len(block) * HOPS_PER_SECOND // self._rate_hz + 2)
        count = kernels_meters.weighted_energies(
            block, self._coefficients, self._weights, self._frames, self._rate_hz, HOPS_PER_SECOND, self._state,
            self._carry, room
        )  # fmt: skip
        self._frames += len(block)
        self._hops.append(room[:count])

    def window_powers(self, hops: int, step: int = 1) -> tuple[np.ndarray, np.ndarray]:
        """Return end times in seconds and channel-weighted K powers of all full windows of `hops` × 10 ms."""
        energies = np.concatenate([*self._hops, np.zeros(0)])
        ends = np.arange(hops, energies.size + 1, step)
        if ends.size == 0:
            return np.zeros(0), np.zeros(0)
        edges = hop_ends(energies.size, self._rate_hz, HOPS_PER_SECOND)
        windows = np.lib.stride_tricks.sliding_window_view(energies, hops)[::step]
        return ends / HOPS_PER_SECOND, windows.sum(axis=1) / (edges[ends] - edges[ends - hops])

    def momentary(self) -> Series:
        """Return loudness over 400 ms, every 10 ms."""
        time_s, powers = self.window_powers(MOMENTARY_HOPS)
        return Series(time_s, loudness_of_power(powers), "LUFS")

    def short_term(self) -> Series:
        """Return loudness over 3 s, every 10 ms."""
        time_s, powers = self.window_powers(SHORT_TERM_HOPS)
        return Series(time_s, loudness_of_power(powers), "LUFS")

    def integrated_lufs(self) -> float | None:
        """Return gated loudness of all so far, None before the first 400 ms are full."""
        powers = self.window_powers(MOMENTARY_HOPS, BLOCK_STEP_HOPS)[1]
        return gated_loudness(powers) if powers.size else None

    def range_lu(self) -> float | None:
        """Return the loudness range, None under 3 s or where nothing reaches −70 LUFS."""
        return range_of(self.short_term().value)


def _metered(audio) -> LoudnessMeter:
    return feed(LoudnessMeter(audio.rate_hz, audio.channels), audio)


def momentary(audio: Audio) -> Series:
    """Return momentary loudness in LUFS: full windows of 400 ms, ungated, every 10 ms (Tech 3341)."""
    return _metered(audio).momentary()


def short_term(audio: Audio) -> Series:
    """Return short-term loudness in LUFS: full windows of 3 s, ungated, every 10 ms (Tech 3341)."""
    return _metered(audio).short_term()


def integrated_lufs(audio: Audio) -> float | None:
    """Return gated programme loudness in LUFS; −inf for silence, None under 0.4 s (BS.1770-4 Annex 1)."""
    return _metered(audio).integrated_lufs()


def loudness_range_lu(audio: Audio) -> float | None:
    """Return the loudness range in LU; None under 3 s and for silence (Tech 3342)."""
    return _metered(audio).range_lu()
