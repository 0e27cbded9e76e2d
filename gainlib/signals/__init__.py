"""Test signals: tones, steps, bursts, waveforms, noises and the level ladder, as audio in memory.

Conventions
-----------
- The level of a periodic waveform is its *peak* in dBFS; the level of a noise is its RMS, sine-referred, in dBFS.
- Waveforms are sampled from their formula, not band-limited: a square's sample peak is its level.
- Every noise takes a seed and is the same for the same seed.
- Several channels of a tone are equal and in phase; several channels of a noise are independent.

Contents
--------
- tones: :func:`tone`, :func:`steps`, :func:`burst`, :func:`waveform`, :func:`level_ladder`
- noise: :func:`white_noise`, :func:`pink_noise`
- the rest: :func:`impulse`, :func:`silence`, :func:`constant`
"""

from gainlib.signals.noise import pink_noise, white_noise
from gainlib.signals.plain import constant, impulse, silence
from gainlib.signals.tones import (
    LADDER_DBFS,
    burst,
    level_ladder,
    steps,
    tone,
    waveform,
)

__all__ = [
    "LADDER_DBFS",
    "burst",
    "constant",
    "impulse",
    "level_ladder",
    "pink_noise",
    "silence",
    "steps",
    "tone",
    "waveform",
    "white_noise",
]
