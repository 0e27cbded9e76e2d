"""A signal and its meters laid open for a picture: outline, counts of levels, the highest crest, the gates of loudness.

Sources: ITU-R BS.1770-4 Annex 2 (the crest is looked for on the signal as :mod:`gainlib.meters.peak` interpolates it,
here four times finer), Annex 1, equations (3) to (7) (the gates).
"""

import math
from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio
from gainlib.errors import GainlibError
from gainlib.meters.loudness import (
    ABSOLUTE_GATE_LUFS,
    BLOCK_STEP_HOPS,
    MOMENTARY_HOPS,
    RELATIVE_GATE_LU,
    LoudnessMeter,
    loudness_of_power,
    power_of_loudness,
)
from gainlib.meters.peak import TAPS, WINDOW_BETA, interpolator, windowed_sinc
from gainlib.meters.series import feed

FINER = 4
_BLOCK = 256
_SAME = 1e-4  # 0.001 dB
GATES = ("none", "absolute", "both")


def envelope_of(samples, columns: int = 1200) -> tuple[np.ndarray, np.ndarray]:
    """Return the lowest and the highest sample of each column of a waveform picture.

    Parameters
    ----------
    samples : array, shape (frames, channels)
        Signal.
    columns : int
        Wanted number of columns; fewer come back when there are fewer frames.

    Returns
    -------
    low, high : arrays, shape (columns,)
        Over all channels.

    Examples
    --------
    >>> low, high = envelope_of(np.array([[0.1], [-0.5], [0.9], [0.2]]), columns=2)
    >>> low.tolist(), high.tolist()
    ([-0.5, 0.2], [0.1, 0.9])
    """
    samples = np.asarray(samples)
    columns = min(columns, len(samples))
    starts = np.arange(columns) * len(samples) // columns
    return np.minimum.reduceat(samples, starts).min(axis=1), np.maximum.reduceat(samples, starts).max(axis=1)


def level_counts(samples, edges_db) -> np.ndarray:
    """Return the share of samples, in percent, whose level lies in each bin.

    Parameters
    ----------
    samples : array
        Any shape.
    edges_db : sequence of float
        Rising bin edges in dBFS; what lies beyond the ends counts to the end bins, digital silence to the first.

    Returns
    -------
    array
        One share a bin.

    Examples
    --------
    >>> level_counts(np.array([0.0, 0.4, 0.6, 2.0]), [-60, -6, 0, 6]).tolist()
    [50.0, 25.0, 25.0]
    """
    edges = 10 ** (np.asarray(edges_db, float) / 20)
    place = np.searchsorted(edges[1:-1], np.abs(np.asarray(samples)).ravel(), side="right")
    return 100 * np.bincount(place, minlength=len(edges) - 1) / place.size


@dataclass(frozen=True, eq=False)
class Crest:
    """The samples around the highest crest, and the curve through them.

    Parameters
    ----------
    time_s : array, shape (2 · reach + 1,)
        When the samples are, from the start of the signal.
    samples : array, same shape
        Their values, full scale 1.
    curve_time_s, curve : array, shape (points,)
        The curve from the first to the last of these samples; it passes through all of them.
    peak_time_s, peak : float
        Where the crest is on the grid of the true-peak meter, and its value with its sign.
    channel : int
        Which channel, counted from 0.
    """

    time_s: np.ndarray
    samples: np.ndarray
    curve_time_s: np.ndarray
    curve: np.ndarray
    peak_time_s: float
    peak: float
    channel: int


def highest_crest(audio: Audio, reach: int = 12) -> Crest:
    """Return the surroundings of a signal's true peak.

    Parameters
    ----------
    audio : Audio
        What is looked at; of several crests within 0.001 dB of the highest the first is taken.
    reach : int
        Samples to either side of the crest; beyond the ends of the signal stands silence.

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> crest = highest_crest(tone(12000, 0.0, 0.01, phase_deg=45))
    >>> round(float(abs(crest.samples).max()), 3), round(abs(crest.peak), 1)
    (0.707, 1.0)
    """
    if reach < 1:
        raise GainlibError(f"a reach of {reach} samples shows no crest; give 1 or more")
    meter = interpolator(audio.rate_hz)
    padded = meter.pad(audio.samples)
    heights = meter.block_peaks(padded, _BLOCK)
    block, channel = np.argwhere(heights >= heights.max() * (1.0 - _SAME))[0]
    start = int(block) * _BLOCK
    points = meter.between(padded[start : start + _BLOCK + TAPS - 1, channel : channel + 1])[:, 0]
    magnitudes = np.abs(points)
    place = int(np.argmax(magnitudes >= magnitudes.max() * (1.0 - _SAME)))
    at = start + place / meter.factor
    centre = round(at)
    wide = np.pad(audio.samples[:, channel].astype(np.float64), reach + TAPS)[centre : centre + 2 * (reach + TAPS) + 1]
    fine = FINER * meter.factor
    rows = windowed_sinc(fine, TAPS, WINDOW_BETA)
    windows = np.lib.stride_tricks.sliding_window_view(wide, TAPS)
    first = TAPS - meter.before  # the window whose eighth tap is the first sample shown
    curve = (windows[first : first + 2 * reach + 1] @ rows.T).ravel()[: 2 * reach * fine + 1]
    frames = centre + np.arange(-reach, reach + 1)
    return Crest(
        time_s=frames / audio.rate_hz,
        samples=wide[TAPS : TAPS + 2 * reach + 1].copy(),
        curve_time_s=(frames[0] + np.arange(len(curve)) / fine) / audio.rate_hz,
        curve=curve,
        peak_time_s=at / audio.rate_hz,
        peak=float(points[place]),
        channel=int(channel),
    )


@dataclass(frozen=True, eq=False)
class Gating:
    """Loudness block by block, and what the gates make of it.

    Parameters
    ----------
    blocks_lufs : array, shape (blocks,)
        Loudness of each block of 400 ms, every 100 ms; −inf for silence.
    kept : bool array, shape (blocks,)
        Which of them count.
    gates : {"none", "absolute", "both"}
        Which gates were at work; the standard has both.
    relative_gate_lufs : float
        10 LU under the mean of the blocks above the absolute gate, whether it was at work or not; −inf where there is
        none.
    loudness_lufs : float or None
        Mean of the blocks that count; −inf if none does, None where no block is full.
    """

    blocks_lufs: np.ndarray
    kept: np.ndarray
    gates: str
    relative_gate_lufs: float
    loudness_lufs: float | None


def gating(audio: Audio, gates: str = "both") -> Gating:
    """Return the blocks of the loudness meter and what its gates make of them.

    Parameters
    ----------
    audio : Audio
        What is measured.
    gates : {"none", "absolute", "both"}
        None; the one at −70 LUFS; that and the one 10 LU under the mean of what it leaves, as the standard has it.

    Raises
    ------
    GainlibError
        For other gates.

    Examples
    --------
    >>> from gainlib.signals import steps
    >>> half = steps([(-20.0, 30.0), (None, 30.0)])
    >>> [round(gating(half, gates).loudness_lufs, 1) for gates in ("none", "both")]
    [-26.0, -23.0]
    """
    return gating_of(feed(LoudnessMeter(audio.rate_hz, audio.channels), audio), gates)


def gating_of(meter: LoudnessMeter, gates: str = "both") -> Gating:
    """Return the same as :func:`gating` for a meter that has been fed.

    Parameters
    ----------
    meter : LoudnessMeter
        With all of the signal in it.
    gates : {"none", "absolute", "both"}
        As for :func:`gating`.
    """
    if gates not in GATES:
        raise GainlibError(f"gates {gates!r} are unknown; there is {', '.join(GATES)}")
    powers = meter.window_powers(MOMENTARY_HOPS, BLOCK_STEP_HOPS)[1]
    audible = powers > power_of_loudness(ABSOLUTE_GATE_LUFS)
    gate = powers[audible].mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0) if audible.any() else 0.0
    kept = {"none": np.ones_like(audible), "absolute": audible, "both": audible & (powers > gate)}[gates]
    loudness = (loudness_of_power(powers[kept].mean()) if kept.any() else -math.inf) if powers.size else None
    return Gating(loudness_of_power(powers), kept, gates, loudness_of_power(gate), loudness)
