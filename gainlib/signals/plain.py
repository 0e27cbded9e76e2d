"""Silence, a pure offset, a single sample."""

import numpy as np

from gainlib.audio import Audio
from gainlib.errors import GainlibError
from gainlib.levels import db_to_ratio
from gainlib.signals.tones import DEFAULT_RATE_HZ, spread, whole_frames


def silence(duration_s: float, rate_hz: int = DEFAULT_RATE_HZ, *, channels: int = 1, name: str = "silence") -> Audio:
    """Make digital silence.

    Parameters
    ----------
    duration_s : float
        Length.
    rate_hz : int
        Sample rate.
    channels : int
        How many, all alike.
    name : str
        Of the audio.

    Returns
    -------
    Audio
        float64.
    """
    return Audio(np.zeros((whole_frames(duration_s, rate_hz), channels)), rate_hz, name)


def constant(
    value: float, duration_s: float, rate_hz: int = DEFAULT_RATE_HZ, *, channels: int = 1, name: str = "offset"
) -> Audio:
    """Make a pure offset.

    Parameters
    ----------
    value : float
        Of every sample, full scale 1.
    duration_s : float
        Length.
    rate_hz : int
        Sample rate.
    channels : int
        How many, all alike.
    name : str
        Of the audio.

    Returns
    -------
    Audio
        float64.
    """
    return Audio(np.full((whole_frames(duration_s, rate_hz), channels), float(value)), rate_hz, name)


def impulse(
    peak_dbfs: float = 0.0,
    duration_s: float = 1.0,
    rate_hz: int = DEFAULT_RATE_HZ,
    *,
    at_s: float = 0.0,
    channels: int = 1,
    name: str = "impulse",
) -> Audio:
    """Make one positive sample, silence around it.

    Parameters
    ----------
    peak_dbfs : float
        Its level.
    duration_s : float
        Length.
    at_s : float
        Where it stands.
    rate_hz : int
        Sample rate.
    channels : int
        How many, all alike.
    name : str
        Of the audio.

    Returns
    -------
    Audio
        float64.
    """
    line = np.zeros(whole_frames(duration_s, rate_hz))
    at = round(at_s * rate_hz)
    if not 0 <= at < line.size:
        raise GainlibError(f"an impulse at {at_s} s does not lie within {duration_s} s")
    line[at] = db_to_ratio(peak_dbfs)
    return spread(line, channels, rate_hz, name)
