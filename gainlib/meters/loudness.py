"""Loudness: momentary, short-term and integrated loudness, loudness range.

Sources: ITU-R BS.1770-4/-5 Annex 1 (the sum and its gates), EBU R 128 and Tech 3341 (time scales),
EBU Tech 3342 (loudness range).
"""

import math

import numpy as np

from gainlib import kernels_meters
from gainlib.audio import Audio
from gainlib.audio.types import checked_run
from gainlib.meters.series import Series, feed, hop_ends, power_db
from gainlib.meters.weighting import KFilter, channel_weights

OFFSET_LU = -0.691
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0

HOPS_PER_SECOND = 100
MOMENTARY_HOPS = 40
SHORT_TERM_HOPS = 300
BLOCK_STEP_HOPS = 10


def loudness_of_power(power):
    """Return −0.691 + 10·log10(power) in LUFS, for a channel-weighted K power or an array of them."""
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
        self._rate_hz, channels = checked_run(rate_hz, channels)
        self._weights = channel_weights(channels)
        self._filter = KFilter(self._rate_hz, channels)
        self._no_pivot = np.zeros(channels)
        self._carry = np.tile([0.0, 0.0, np.inf, -np.inf], (channels, 1))
        self._frames = 0
        self._hops = []

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        weighted = self._filter(block)
        room = np.empty((len(weighted) * HOPS_PER_SECOND // self._rate_hz + 2, weighted.shape[1], 4))
        count = kernels_meters.hop_statistics(
            weighted, self._no_pivot, self._frames, self._rate_hz, HOPS_PER_SECOND, self._carry, room
        )
        self._frames += len(weighted)
        self._hops.append(room[:count, :, 1] @ self._weights)

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
