"""Five short sounds to listen to, each of another kind, all at one loudness."""

from functools import cache

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.demo.recordings import BEAT_S, recorded
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import integrated_lufs
from gainlib.signals import pink_noise

NOISE = "pink noise"
STEMS = {"bass": "05 bass", "e-piano": "07 e-piano", "lead vocal": "09 lead vocal", "snare": "02 snare"}
CLIPS = (NOISE, *STEMS)
LOUDNESS_LUFS = -26.0
START_BEAT, BEATS = 48, 8  # two bars where everything plays
FADE_S = 0.010


@cache
def clip(name: str) -> Audio:
    """Return a clip: mono, five seconds, −26 LUFS from two loudspeakers, faded at its ends so that it loops quietly."""
    if name not in CLIPS:
        raise GainlibError(f"there is no clip {name!r}; there is {', '.join(CLIPS)}")
    samples, rate_hz = _noise() if name == NOISE else _excerpt(STEMS[name])
    fade = round(FADE_S * rate_hz)
    ramp = (0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade))[:, np.newaxis]
    samples[:fade] *= ramp
    samples[-fade:] *= ramp[::-1]
    gain = db_to_ratio(LOUDNESS_LUFS - loudness_lufs(Audio(samples, rate_hz)))
    return Audio((samples * gain).astype(np.float32), rate_hz, name)


def _noise():
    noise = pink_noise(-20.0, BEATS * BEAT_S, seed=7)
    return np.array(noise.samples), noise.rate_hz


def _excerpt(stem):
    audio = recorded(stem)
    start, stop = (round(beat * BEAT_S * audio.rate_hz) for beat in (START_BEAT, START_BEAT + BEATS))
    return audio.samples[start:stop].mean(axis=1, keepdims=True, dtype=np.float64), audio.rate_hz


def loudness_lufs(audio: Audio) -> float:
    """Return the loudness of a mono sound as it comes from two loudspeakers, both channels measured together."""
    return integrated_lufs(audio.with_samples(np.repeat(audio.samples, 2, axis=1), audio.name))


def louder(audio: Audio, by_db: float) -> Audio:
    """Return a sound at another level, always as samples of its own: a player cannot tell it from a new one."""
    return audio.with_samples((audio.samples * db_to_ratio(by_db)).astype(np.float32), audio.name)


def residual_db(reference: Audio, other: Audio) -> float:
    """Return what subtracting one sound from another leaves, RMS in dB against the first; −inf for nothing.

    Examples
    --------
    >>> sound = clip("pink noise")
    >>> residual_db(sound, sound), round(residual_db(sound, louder(sound, -6.0206)), 2)
    (-inf, -6.02)
    """
    first, second = (np.asarray(audio.samples, float) for audio in (reference, other))
    return float(ratio_to_db(np.linalg.norm(first - second) / np.linalg.norm(first)))
