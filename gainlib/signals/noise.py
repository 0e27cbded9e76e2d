"""White and pink noise of an exact level, the same for the same seed."""

import numpy as np

from gainlib.audio import Audio
from gainlib.errors import GainlibError
from gainlib.levels import db_to_ratio
from gainlib.signals.tones import DEFAULT_RATE_HZ, whole_frames


def white_noise(
    rms_dbfs: float = -20.0,
    duration_s: float = 1.0,
    rate_hz: int = DEFAULT_RATE_HZ,
    *,
    seed: int = 0,
    channels: int = 1,
    name: str = "white noise",
) -> Audio:
    """Make Gaussian noise of equal power per hertz.

    Parameters
    ----------
    rms_dbfs : float
        Sine-referred RMS of every channel, exactly.
    duration_s : float
        Length, rounded to whole samples.
    rate_hz : int
        Sample rate.
    seed : int
        Seed; channels are independent.
    channels : int
        Number of channels.
    name : str
        Label of the audio.

    Returns
    -------
    Audio
        float64, mean zero. Peaks lie 12 to 14 dB above plain RMS in a few seconds, so high levels exceed full scale.
    """
    noise = np.random.default_rng(seed).standard_normal((whole_frames(duration_s, rate_hz), channels))
    return Audio(_to_rms(noise, rms_dbfs), rate_hz, name)


def pink_noise(
    rms_dbfs: float = -20.0,
    duration_s: float = 1.0,
    rate_hz: int = DEFAULT_RATE_HZ,
    *,
    lowest_hz: float = 10.0,
    seed: int = 0,
    channels: int = 1,
    name: str = "pink noise",
) -> Audio:
    """Make Gaussian noise of equal power per octave, −3.01 dB an octave from `lowest_hz` up to half the rate.

    Parameters
    ----------
    rms_dbfs : float
        Sine-referred RMS of every channel, exactly.
    duration_s, rate_hz, seed, channels, name
        As for :func:`white_noise`.
    lowest_hz : float
        Nothing lies below it.

    Returns
    -------
    Audio
        float64, mean zero, made in one piece: its end runs into its start without a step.
    """
    frames = whole_frames(duration_s, rate_hz)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal((frames, channels)), axis=0)
    frequency = np.fft.rfftfreq(frames, 1.0 / rate_hz)
    inside = frequency >= lowest_hz
    spectrum[~inside] = 0.0
    spectrum[inside] /= np.sqrt(frequency[inside])[:, np.newaxis]
    return Audio(_to_rms(np.fft.irfft(spectrum, frames, axis=0), rms_dbfs), rate_hz, name)


def _to_rms(noise, rms_dbfs):
    if len(noise) < 2:
        raise GainlibError("a noise of one sample has no RMS; give a longer duration")
    noise = noise - noise.mean(axis=0)
    plain = np.sqrt(np.mean(noise**2, axis=0))
    if not plain.all():
        raise GainlibError("nothing of this noise lies within the band; give a longer duration or a lower lowest_hz")
    return noise * (db_to_ratio(rms_dbfs) / np.sqrt(2.0) / plain)
