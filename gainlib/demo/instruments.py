"""The song's instruments: each function plays one note or hit and returns it as a mono array.

Conventions
-----------
- Everything is synthesised at 48 kHz in float64; levels are arbitrary here and set by the song.
- Every sound starts and ends at zero, so that notes can be placed anywhere without a click.
- What an instrument leaves to chance comes from the generator it is given.

Sources
-------
- Plucked string: K. Karplus and A. Strong, "Digital synthesis of plucked-string and drum timbres", 1983.
- Frequency modulation: J. Chowning, "The synthesis of complex audio spectra by means of frequency modulation", 1973.
- Saw without aliases (two-sample polynomial step): V. Välimäki and A. Huovilainen, 2007.
- Voice: the polynomial pulse of A. Rosenberg, 1971, through formant resonators (G. Fant, 1960). Formant
  frequencies are round numbers near common tables, from memory.
"""

import numpy as np
from scipy import signal

from gainlib.demo.recordings import RATE_HZ
from gainlib.demo.rng import noise, uniform

FORMANTS_HZ = {
    "a": (800, 1150, 2900),
    "e": (400, 1900, 2600),
    "i": (330, 2200, 3000),
    "o": (450, 800, 2830),
    "u": (325, 700, 2530),
}
_FORMANT_GAINS = (1.0, 0.55, 0.3)
_FORMANT_WIDTHS_HZ = (80, 100, 130)


def frequency_hz(note: float) -> float:
    """Return the frequency of a note number in equal temperament, 69 = 440 Hz."""
    return 440 * 2 ** ((note - 69) / 12)


def filtered(samples: np.ndarray, kind: str, edge_hz, order: int = 2) -> np.ndarray:
    """Pass samples through a Butterworth filter, "lowpass", "highpass" or "bandpass", along the first axis."""
    return signal.sosfilt(signal.butter(order, edge_hz, kind, fs=RATE_HZ, output="sos"), samples, axis=0)


def _clock(length_s):
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


def _decay(t, time_s):
    return np.exp(-t / time_s)


def _shaped(samples, rise_s, fall_s):
    """Start from zero over `rise_s` and reach zero at the last sample after `fall_s`, along half cosines."""
    rise, fall = (max(2, round(length * RATE_HZ)) for length in (rise_s, fall_s))
    out = samples.copy()
    out[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    out[-fall:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, fall + 1) / fall)
    return out


def kick_hit(source: np.random.PCG64) -> np.ndarray:
    """Play a bass drum: a sine falling from 145 to 50 Hz with a 6 ms click of the beater."""
    t = _clock(0.6)
    sweep = np.sin(2 * np.pi * np.cumsum(50 + 95 * _decay(t, 0.022)) / RATE_HZ) * _decay(t, 0.14)
    click = filtered(noise(source, t.size), "bandpass", [1500, 5000]) * _decay(t, 0.006)
    return _shaped(sweep + 0.35 * click, 0.0005, 0.2)


def snare_hit(source: np.random.PCG64) -> np.ndarray:
    """Play a snare drum: two modes of the head, 188 and 331 Hz, and the rattle of the wires."""
    t = _clock(0.55)
    head = 0.7 * np.sin(2 * np.pi * 188 * t) * _decay(t, 0.07) + 0.4 * np.sin(2 * np.pi * 331 * t) * _decay(t, 0.045)
    wires = filtered(noise(source, t.size), "bandpass", [900, 9000]) * _decay(t, 0.09)
    return _shaped(head + 0.8 * wires, 0.0004, 0.2)


def hat_hit(source: np.random.PCG64, decay_s: float) -> np.ndarray:
    """Play a hi-hat, closed (35 ms) or half open (140 ms): noise above 6.5 kHz."""
    t = _clock(8 * decay_s)
    return _shaped(filtered(noise(source, t.size), "highpass", 6500, 4) * _decay(t, decay_s), 0.0004, 2 * decay_s)


def crash_hit(source: np.random.PCG64) -> np.ndarray:
    """Play a crash cymbal: noise above 3 kHz that rings for seconds."""
    t = _clock(4.5)
    fall = _decay(t, 0.7) + 0.25 * _decay(t, 0.025)
    return _shaped(filtered(noise(source, t.size), "highpass", 3000) * fall, 0.001, 1.5)


def tom_hit(source: np.random.PCG64, tuned_hz: float) -> np.ndarray:
    """Play a tom: a sine that falls by a third to its pitch, and the stick."""
    t = _clock(1.1)
    tone = np.sin(2 * np.pi * np.cumsum(tuned_hz * (1 + 0.35 * _decay(t, 0.03))) / RATE_HZ) * _decay(t, 0.2)
    stick = filtered(noise(source, t.size), "bandpass", [800, 4000]) * _decay(t, 0.01)
    return _shaped(tone + 0.2 * stick, 0.0005, 0.4)


def bass_note(note: float, length_s: float) -> np.ndarray:
    """Play an electric bass: 13 harmonics at 1/n^1.3, the higher ones dying sooner."""
    t = _clock(length_s)
    tone = np.zeros(t.size)
    for harmonic in range(1, 14):
        partial = np.sin(2 * np.pi * frequency_hz(note) * harmonic * t + 0.3 * harmonic)
        tone += partial / harmonic**1.3 * np.exp(-0.9 * harmonic * t)
    return _shaped(tone * (1 - _decay(t, 0.010)), 0.004, 0.03)


def plucked_string(source: np.random.PCG64, note: float, length_s: float) -> np.ndarray:
    """Play a plucked string: a burst of noise going round a delay line of one period that averages neighbours."""
    frames = round(length_s * RATE_HZ)
    delay = RATE_HZ / frequency_hz(note) - 1
    whole = int(delay)
    average = np.convolve([0.25, 0.5, 0.25], [1 - delay + whole, delay - whole])
    pluck = noise(source, whole)
    line = np.zeros(frames + 2 * whole + 4)
    line[4 : 4 + whole] = pluck - pluck.mean()
    for start in range(4 + whole, frames + whole, whole):
        past = line[start - whole - 3 : start]
        line[start : start + whole] = 0.996 * np.convolve(past, average, "valid")[:whole]
    return _shaped(line[4 : 4 + frames], 0.0005, 0.12)


def electric_piano_note(note: float, length_s: float) -> np.ndarray:
    """Play an electric piano: one sine modulating another at the same frequency, and a tine 14 times as high."""
    t = _clock(length_s)
    turn = 2 * np.pi * frequency_hz(note) * t
    tone = np.sin(turn + 1.4 * _decay(t, 0.35) * np.sin(turn) + 0.5 * _decay(t, 0.05) * np.sin(14 * turn))
    return _shaped(tone * _decay(t, 0.9) * (1 - _decay(t, 0.002)), 0.001, 0.2)


def saw(pitch_hz: float, phase: float, frames: int) -> np.ndarray:
    """Return a saw wave of amplitude 1 whose steps are rounded over two samples so that it hardly aliases."""
    step = pitch_hz / RATE_HZ
    turn = (phase + step * np.arange(frames)) % 1
    out = 2 * turn - 1
    after, before = turn < step, turn > 1 - step
    out[after] += (1 - turn[after] / step) ** 2
    out[before] -= (1 - (1 - turn[before]) / step) ** 2
    return out


def pad_note(source: np.random.PCG64, note: float, length_s: float) -> np.ndarray:
    """Hold a note of the pad: four saws a few cents apart, with a slow start and end."""
    frames = round(length_s * RATE_HZ)
    tone = np.zeros(frames)
    for cents in (-9, -3, 4, 10):
        phase = uniform(source)
        tone += saw(frequency_hz(note + cents / 100), phase, frames)
    return _shaped(tone, 0.4, 0.6)


def sung_note(source: np.random.PCG64, note: float, length_s: float, vowel: str, *, size: float = 1.0) -> np.ndarray:
    """Sing a note, voice-like: pulses of the vocal folds and some breath through three resonances of the throat.

    The voice glides up to the note and, if held, begins to sway at 5.4 Hz. A size above 1 is a smaller throat.
    """
    t = _clock(length_s)
    sway = 0.25 * np.clip((t - 0.25) / 0.3, 0, 1) * np.sin(2 * np.pi * (5.4 * t + uniform(source)))
    glide = -0.8 * _decay(t, 0.04)
    drift = 1 + 0.002 * np.cumsum(noise(source, t.size)) / np.sqrt(t.size)
    turn = np.cumsum(frequency_hz(note + sway + glide) * drift) / RATE_HZ % 1
    opened = turn < 0.6
    pulse = np.where(opened, turn**2 * (0.6 - turn) * 12, 0)
    folds = 12 * np.diff(pulse, prepend=0) + 0.03 * noise(source, t.size) * (0.3 + 0.7 * opened)
    tone = np.zeros(t.size)
    for formant_hz, gain, width_hz in zip(FORMANTS_HZ[vowel], _FORMANT_GAINS, _FORMANT_WIDTHS_HZ, strict=True):
        tone += gain * _resonance(folds, formant_hz * size, width_hz)
    arch = 0.8 + 0.2 * np.sin(np.pi * t / length_s)
    return _shaped(tone * arch, 0.035, 0.09)


def _resonance(samples, centre_hz, width_hz):
    radius = np.exp(-np.pi * width_hz / RATE_HZ)
    turn = 2 * np.pi * centre_hz / RATE_HZ
    return signal.lfilter([6 * (1 - radius)], [1, -2 * radius * np.cos(turn), radius**2], samples)


def consonant(source: np.random.PCG64) -> np.ndarray:
    """Hiss a short consonant, 60 ms."""
    frames = round(0.06 * RATE_HZ)
    return filtered(noise(source, frames), "highpass", 4500) * np.hanning(frames)
