"""Test signals: tones, steps, bursts, waveforms, noises and the level ladder, as audio in memory.

Conventions
-----------
- The level of a periodic waveform is its *peak* in dBFS; the level of a noise is its RMS, sine-referred, in dBFS.
- Waveforms are sampled from their formula, not band-limited: a square's sample peak is its level.
- Every noise takes a seed and is the same for the same seed.
- Several channels of a tone are equal and in phase; several channels of a noise are independent.

Sources: EBU Tech 3341 section 2.9 and Table 1 (steps of one unbroken sine), AES17 (997 Hz).
"""

from collections.abc import Sequence

import numpy as np

from gainlib.audio import Audio
from gainlib.errors import GainlibError
from gainlib.levels import db_to_ratio

REFERENCE_HZ = 997.0
DEFAULT_RATE_HZ = 48000
LADDER_DBFS = tuple(float(level) for level in range(-60, -5, 3))


def _whole_frames(duration_s: float, rate_hz: int) -> int:
    """Return a duration in frames, at least one."""
    frames = round(duration_s * rate_hz)
    if frames < 1:
        raise GainlibError(f"{duration_s} s at {rate_hz} Hz is less than one sample; give a longer duration")
    return frames


def _spread(line: np.ndarray, channels: int, rate_hz: int, name: str) -> Audio:
    """Return one line as `channels` equal channels."""
    return Audio(np.repeat(line[:, np.newaxis], channels, axis=1), rate_hz, name)


def _turns(frequency_hz, phase_deg, frames, rate_hz):
    """Return the phase in whole turns, 0 up to 1; of whole numbers of Hz it does not drift in hours."""
    return np.mod(np.mod(frequency_hz * np.arange(frames), rate_hz) / rate_hz + phase_deg / 360.0, 1.0)


def tone(
    frequency_hz: float = REFERENCE_HZ,
    peak_dbfs: float = -18.0,
    duration_s: float = 1.0,
    rate_hz: int = DEFAULT_RATE_HZ,
    *,
    phase_deg: float = 0.0,
    channels: int = 1,
    name: str = "tone",
) -> Audio:
    """Make a sine.

    Parameters
    ----------
    frequency_hz : float
        Frequency.
    peak_dbfs : float
        Peak level; also its sine-referred RMS. −inf is silence.
    duration_s : float
        Length, rounded to whole samples.
    rate_hz : int
        Sample rate.
    phase_deg : float
        Phase of the first sample; 0 rises through zero.
    channels : int
        Number of equal channels.
    name : str
        Label of the audio.

    Returns
    -------
    Audio
        float64.

    Examples
    --------
    >>> tone(1000, 0.0, 0.001).samples[:, 0].round(3)[:13:6]
    array([0.   , 0.707, 1.   ])
    """
    turns = _turns(frequency_hz, phase_deg, _whole_frames(duration_s, rate_hz), rate_hz)
    return _spread(db_to_ratio(peak_dbfs) * np.sin(2.0 * np.pi * turns), channels, rate_hz, name)


def steps(
    parts: Sequence[tuple[float | None, float]],
    frequency_hz: float = 1000.0,
    rate_hz: int = DEFAULT_RATE_HZ,
    *,
    channels: int = 1,
    name: str = "steps",
) -> Audio:
    """Make one unbroken sine whose level steps.

    Parameters
    ----------
    parts : sequence of (peak_dbfs or None, duration_s)
        Levels in turn; None or −inf is silence. The sine runs on through it.
    frequency_hz, rate_hz, channels, name
        As for :func:`tone`.

    Returns
    -------
    Audio
        float64.

    Examples
    --------
    >>> steps([(-20.0, 0.5), (None, 0.25)]).duration_s
    0.75
    """
    ends = np.cumsum([duration_s for _, duration_s in parts])
    edges = [0, *(round(end * rate_hz) for end in ends)]
    _whole_frames(ends[-1] if len(parts) else 0.0, rate_hz)
    gain = np.concatenate(
        [
            np.full(after - before, 0.0 if level is None else db_to_ratio(level))
            for (level, _), before, after in zip(parts, edges[:-1], edges[1:], strict=True)
        ]
    )
    line = gain * np.sin(2.0 * np.pi * _turns(frequency_hz, 0.0, edges[-1], rate_hz))
    return _spread(line, channels, rate_hz, name)


def burst(
    frequency_hz: float = 5000.0,
    peak_dbfs: float = -18.0,
    burst_s: float = 0.01,
    *,
    before_s: float = 0.1,
    after_s: float = 1.0,
    rate_hz: int = DEFAULT_RATE_HZ,
    channels: int = 1,
    name: str = "burst",
) -> Audio:
    """Make one burst of a sine that starts at a rising zero crossing, silence around it.

    Parameters
    ----------
    frequency_hz, peak_dbfs, rate_hz, channels, name
        As for :func:`tone`.
    burst_s, before_s, after_s : float
        Length of the burst and of the silences before and after it.

    Returns
    -------
    Audio
        float64.

    Examples
    --------
    >>> burst(burst_s=0.01, before_s=0.1, after_s=0.2).frames
    14880
    """
    sine = tone(frequency_hz, peak_dbfs, burst_s, rate_hz).samples[:, 0]
    line = np.pad(sine, (round(before_s * rate_hz), round(after_s * rate_hz)))
    return _spread(line, channels, rate_hz, name)


def waveform(
    shape: str,
    frequency_hz: float,
    peak_dbfs: float = -18.0,
    duration_s: float = 1.0,
    rate_hz: int = DEFAULT_RATE_HZ,
    *,
    phase_deg: float = 0.0,
    channels: int = 1,
    name: str = "",
) -> Audio:
    """Make a sine, square, triangle or sawtooth.

    Parameters
    ----------
    shape : {"sine", "square", "triangle", "sawtooth"}
        Their crest factors are 3.01, 0, 4.77 and 4.77 dB.
    frequency_hz, peak_dbfs, duration_s, rate_hz, phase_deg, channels
        As for :func:`tone`.
    name : str
        Label of the audio; the shape if empty.

    Returns
    -------
    Audio
        float64, not band-limited.

    Raises
    ------
    GainlibError
        For another shape.

    Examples
    --------
    >>> waveform("square", 12000, 0.0, 8 / 48000).samples[:, 0]
    array([ 1.,  1., -1., -1.,  1.,  1., -1., -1.])
    """
    shapes = {
        "sine": lambda turns: np.sin(2.0 * np.pi * turns),
        "square": lambda turns: np.where(turns < 0.5, 1.0, -1.0),
        "triangle": lambda turns: 1.0 - 4.0 * np.abs(np.mod(turns + 0.25, 1.0) - 0.5),
        "sawtooth": lambda turns: 2.0 * np.mod(turns + 0.5, 1.0) - 1.0,
    }
    if shape not in shapes:
        raise GainlibError(f"shape {shape!r} is unknown; the shapes are {', '.join(shapes)}")
    turns = _turns(frequency_hz, phase_deg, _whole_frames(duration_s, rate_hz), rate_hz)
    return _spread(db_to_ratio(peak_dbfs) * shapes[shape](turns), channels, rate_hz, name or shape)


def level_ladder(
    levels_dbfs: Sequence[float] = LADDER_DBFS,
    step_s: float = 0.5,
    frequency_hz: float = REFERENCE_HZ,
    rate_hz: int = DEFAULT_RATE_HZ,
    *,
    channels: int = 1,
    name: str = "level ladder",
) -> Audio:
    """Make a sine that climbs from step to step, to see from which level on a device changes it.

    Parameters
    ----------
    levels_dbfs : sequence of float
        Peak level of each step; by default −60 to −6 dBFS in steps of 3 dB.
    step_s : float
        Length of a step.
    frequency_hz, rate_hz, channels, name
        As for :func:`tone`.

    Returns
    -------
    Audio
        float64; the sine is unbroken from step to step.

    Examples
    --------
    >>> level_ladder().duration_s
    9.5
    """
    return steps([(level, step_s) for level in levels_dbfs], frequency_hz, rate_hz, channels=channels, name=name)


# ---- noise -----------------------------------------------------------------------------------------------------------


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
    noise = np.random.default_rng(seed).standard_normal((_whole_frames(duration_s, rate_hz), channels))
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
    frames = _whole_frames(duration_s, rate_hz)
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


# ---- silence, an offset, a single sample -----------------------------------------------------------------------------


def silence(duration_s: float, rate_hz: int = DEFAULT_RATE_HZ, *, channels: int = 1, name: str = "silence") -> Audio:
    """Make digital silence, all channels alike."""
    return Audio(np.zeros((_whole_frames(duration_s, rate_hz), channels)), rate_hz, name)


def constant(
    value: float, duration_s: float, rate_hz: int = DEFAULT_RATE_HZ, *, channels: int = 1, name: str = "offset"
) -> Audio:
    """Make a pure offset: every sample has the value, full scale 1."""
    return Audio(np.full((_whole_frames(duration_s, rate_hz), channels), float(value)), rate_hz, name)


def impulse(
    peak_dbfs: float = 0.0,
    duration_s: float = 1.0,
    rate_hz: int = DEFAULT_RATE_HZ,
    *,
    at_s: float = 0.0,
    channels: int = 1,
    name: str = "impulse",
) -> Audio:
    """Make one positive sample of a level at a time, silence around it; all channels alike."""
    line = np.zeros(_whole_frames(duration_s, rate_hz))
    at = round(at_s * rate_hz)
    if not 0 <= at < line.size:
        raise GainlibError(f"an impulse at {at_s} s does not lie within {duration_s} s")
    line[at] = db_to_ratio(peak_dbfs)
    return _spread(line, channels, rate_hz, name)
