"""Averages: RMS, active level and crest, all without the offset, which has a reading of its own.

Sources: AES17 (dB FS of an average is sine-referred: a full-scale sine reads 0). Active level is a definition of this
project: blocks of 100 ms every 25 ms, those within 25 dB of the loudest kept, their powers averaged.
"""

import math
from typing import NamedTuple

import numpy as np

from gainlib import kernels_meters
from gainlib.audio import Audio
from gainlib.audio.types import checked_block, checked_run
from gainlib.levels import ratio_to_db
from gainlib.meters.series import feed, hop_ends, power_db

HOPS_PER_SECOND = 40
BLOCK_HOPS = 4
ACTIVE_RANGE_DB = 25.0
SHORTEST_ACTIVE_S = 0.1
SHORTEST_PART_S = 0.05
SILENT_DBFS = -90.0
SINE_CREST_DB = 10.0 * math.log10(2.0)


class Averages(NamedTuple):
    """What :class:`AverageMeter` read; its fields are those of :class:`~gainlib.meters.reading.NodeReading`."""

    sample_peak_dbfs: float
    clear_peak_dbfs: float
    rms_dbfs: float
    active_dbfs: float
    activity: float
    crest_db: float | None
    active_crest_db: float | None
    dc_offset: float

    @property
    def silent(self) -> bool:
        """Whether nothing but an offset exceeds −90 dBFS."""
        return self.clear_peak_dbfs < SILENT_DBFS


def sine_referred(power: float) -> float:
    """Return the level of a mean square in dBFS, on the scale where a full-scale sine reads 0 (AES17)."""
    return power_db(2.0 * power)


class AverageMeter:
    """Sample peak, offset, RMS and active level of a signal pushed through in blocks.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels.
    """

    def __init__(self, rate_hz: int, channels: int):
        self._rate_hz, self._channels = checked_run(rate_hz, channels)
        self._pivot = None
        self._carry = np.tile([0.0, 0.0, np.inf, -np.inf], (channels, 1))
        self._frames = 0
        self._hops = []

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        block = checked_block(block, self._channels)
        if len(block) == 0:
            return
        if self._pivot is None:
            self._pivot = block[0].copy()
        room = np.empty((len(block) * HOPS_PER_SECOND // self._rate_hz + 2, *self._carry.shape))
        count = kernels_meters.hop_statistics(
            block, self._pivot, self._frames, self._rate_hz, HOPS_PER_SECOND, self._carry, room
        )
        self._frames += len(block)
        self._hops.append(room[:count].copy())

    def result(self) -> Averages:
        """Return the readings of all so far; at least one frame must have been pushed."""
        hops = np.concatenate([*self._hops, self._carry[np.newaxis]])
        low, high = hops[..., 2].min(axis=0), hops[..., 3].max(axis=0)
        shift = hops[..., 0].sum(axis=0) / self._frames
        mean = self._pivot + shift
        ends = hop_ends(len(hops) - 1, self._rate_hz, HOPS_PER_SECOND)
        frames = np.diff([*ends, self._frames])
        # The mean is known only now: take it off the sums.
        squares = hops[..., 1] - 2 * shift * hops[..., 0] + shift**2 * frames[:, np.newaxis]
        energies = np.maximum(squares.mean(axis=1), 0.0)
        clear_peak = float(np.maximum(high - mean, mean - low).max())
        power = float(energies.sum()) / self._frames if clear_peak > 0.0 else 0.0
        active_power, activity = self._active(energies, frames, power)
        if clear_peak < 10.0 ** (SILENT_DBFS / 20.0):
            active_power, activity = 0.0, 0.0
        clear_peak_db = ratio_to_db(clear_peak)
        return Averages(
            sample_peak_dbfs=ratio_to_db(float(np.maximum(high, -low).max())),
            clear_peak_dbfs=clear_peak_db,
            rms_dbfs=sine_referred(power),
            active_dbfs=sine_referred(active_power),
            activity=activity,
            crest_db=clear_peak_db - power_db(power) if power > 0.0 else None,
            active_crest_db=clear_peak_db - power_db(active_power) if active_power > 0.0 else None,
            dc_offset=float(mean[np.abs(mean).argmax()]),
        )

    def _active(self, energies, frames, power):
        """Return mean power and share of the active blocks, from the energy and the frames of each hop."""
        if self._frames < SHORTEST_ACTIVE_S * self._rate_hz:
            return power, 1.0
        part = np.zeros(BLOCK_HOPS - 1)
        block_frames = np.lib.stride_tricks.sliding_window_view(np.append(frames, part), BLOCK_HOPS).sum(axis=1)
        block_energies = np.lib.stride_tricks.sliding_window_view(np.append(energies, part), BLOCK_HOPS).sum(axis=1)
        counted = block_frames >= SHORTEST_PART_S * self._rate_hz
        powers = block_energies[counted] / block_frames[counted]
        kept = powers >= powers.max() * 10.0 ** (-ACTIVE_RANGE_DB / 10.0)
        return float(powers[kept].mean()), float(kept.mean())


def averages(audio: Audio) -> Averages:
    """Return sample peak, offset, RMS and active level of `audio` in one go."""
    return feed(AverageMeter(audio.rate_hz, audio.channels), audio).result()


def sample_peak_dbfs(audio: Audio) -> float:
    """Return the highest sample magnitude of the worst channel in dBFS, offset included; −inf for silence (AES17)."""
    return averages(audio).sample_peak_dbfs


def rms_dbfs(audio: Audio) -> float:
    """Return sine-referred RMS in dBFS, offset taken off, mean of the channels' powers; −inf for silence (AES17).

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> round(rms_dbfs(tone(997, -20.0, 1.0)), 3)
    -20.0
    """
    return averages(audio).rms_dbfs


def active_level(audio: Audio) -> tuple[float, float]:
    """Return active level in dBFS, sine-referred, and activity from 0 to 1.

    Blocks of 100 ms start every 25 ms; those within 25 dB of the loudest are kept and their powers averaged. A part
    block at the end counts from 50 ms. Under 0.1 s it is the RMS and activity 1; a peak under −90 dBFS is silence: −inf
    and 0.

    Examples
    --------
    >>> from gainlib.signals import steps
    >>> half = steps([(-20.0, 1.0), (None, 1.0)])
    >>> level, activity = active_level(half)
    >>> abs(level + 20.0) < 0.3, abs(activity - 0.5) < 0.05
    (True, True)
    """
    read = averages(audio)
    return read.active_dbfs, read.activity
