"""The gates of the loudness meter laid open: which blocks count, and what the reading would be without a gate.

Source: ITU-R BS.1770-4 Annex 1, equations (3) to (7).
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
from gainlib.meters.series import feed

GATES = ("none", "absolute", "both")


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

    Returns
    -------
    Gating

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

    Returns
    -------
    Gating
    """
    if gates not in GATES:
        raise GainlibError(f"gates {gates!r} are unknown; there is {', '.join(GATES)}")
    powers = meter.window_powers(MOMENTARY_HOPS, BLOCK_STEP_HOPS)[1]
    audible = powers > power_of_loudness(ABSOLUTE_GATE_LUFS)
    gate = powers[audible].mean() * 10.0 ** (RELATIVE_GATE_LU / 10.0) if audible.any() else 0.0
    kept = {"none": np.ones_like(audible), "absolute": audible, "both": audible & (powers > gate)}[gates]
    loudness = (loudness_of_power(powers[kept].mean()) if kept.any() else -math.inf) if powers.size else None
    return Gating(loudness_of_power(powers), kept, gates, loudness_of_power(gate), loudness)
