"""Black boxes, and the tests a learner makes with them: halve what goes in, send it twice, send silence, two tones.

A box is named by its kind and one of three settings, as in "saturator 2"; the learner sees a letter.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib import processors as p
from gainlib.audio import Audio
from gainlib.exercises.variants import pick, shuffled
from gainlib.levels import db_to_ratio, ratio_to_db

RATE_HZ = 48000
HALF_DB = float(ratio_to_db(0.5))
SINE_HZ, TONES_HZ = 1000.0, (800.0, 1100.0)
FRAMES = RATE_HZ // 5
GAP_FRAMES = RATE_HZ // 2
LOWEST_DB = -200.0

KINDS = {
    "linear": "linear",
    "drift": "linear, but drifting in time",
    "noisy": "linear, plus noise or offset",
    "upto": "linear up to a level",
    "nonlinear": "nonlinear",
}
SETTINGS = 3
LETTERS = "ABCDEFGH"
EIGHT = (
    *("equaliser", "delay", "reverberation", "tremolo"),
    *("hissing stage", "compressor", "clipper", "saturator"),
)
SOFT_DBFS = -40.0
STEM, SECONDS = "10 backing", 4.0


@dataclass(frozen=True)
class Offset:
    """Add a constant to every sample: linear but for that."""

    offset: float = 0.01

    def process(self, audio: Audio) -> Audio:
        """Return the audio with the offset added."""
        return audio.with_samples(audio.samples + self.offset)


CATALOGUE = {
    "equaliser": ("linear", [p.Filter("peaking", hz, 1.0, 6.0) for hz in (700.0, 1000.0, 2000.0)]),
    "delay": ("linear", [p.Delay(s) for s in (0.003, 0.007, 0.012)]),
    "reverberation": ("linear", [p.Reverb(s, -6.0) for s in (0.15, 0.2, 0.25)]),
    "tremolo": ("drift", [p.Tremolo(hz, 0.5) for hz in (2.3, 3.7, 5.3)]),
    "hissing stage": ("noisy", [p.AnalogueStage(db, 24.0) for db in (-62.0, -68.0, -74.0)]),
    "offset stage": ("noisy", [Offset(x) for x in (0.004, 0.01, 0.02)]),
    "compressor": ("upto", [p.Compressor(db, 4.0, 0.0) for db in (-26.5, -20.5, -14.5)]),
    "clipper": ("upto", [p.HardClip(db) for db in (-11.5, -7.5, -3.5)]),
    "limiter": ("upto", [p.Limiter(db) for db in (-9.5, -6.5, -2.5)]),
    "saturator": ("nonlinear", [p.Saturation(d) for d in (1.5, 2.5, 3.5)]),
    "uneven saturator": ("nonlinear", [p.AsymmetricSaturation(d) for d in (1.5, 2.0, 3.0)]),
    "coarse converter": ("nonlinear", [p.Quantiser(bits, "none") for bits in (7, 8, 9)]),
}


def names() -> tuple[str, ...]:
    """Return the names of all boxes in all settings."""
    return tuple(f"{kind} {k}" for kind in CATALOGUE for k in range(1, SETTINGS + 1))


def kind_of(name: str) -> str:
    """Return what a box is called without its setting, "saturator" for "saturator 2"."""
    return name.rpartition(" ")[0]


def class_of(name: str) -> str:
    """Return the key in `KINDS` of a box."""
    return CATALOGUE[kind_of(name)][0]


def box(name: str):
    """Return the processor behind a name."""
    kind, _, setting = name.rpartition(" ")
    return CATALOGUE[kind][1][int(setting) - 1]


def experiment(rng: np.random.Generator) -> dict:
    """Return the eight boxes of the experiment under their letters, in a drawn order and drawn settings."""
    kinds = shuffled(rng, EIGHT)
    return {letter: box(f"{kind} {pick(rng, (1, 2, 3))}") for letter, kind in zip(LETTERS, kinds, strict=True)}


def fed(processor, samples: np.ndarray) -> np.ndarray:
    """Return what a box makes of mono samples, started from rest; shape (frames,)."""
    return np.asarray(processor.process(Audio(samples, RATE_HZ)).samples)[:, 0]


def sine(level_dbfs: float, frames: int = 2 * FRAMES) -> np.ndarray:
    """Return a 1 kHz sine of that peak level, shape (frames,)."""
    return db_to_ratio(level_dbfs) * np.sin(2 * np.pi * SINE_HZ * np.arange(frames) / RATE_HZ)


def two_tones(level_dbfs: float, frames: int = 2 * FRAMES) -> np.ndarray:
    """Return two equal sines whose sum has that RMS, sine-referred; shape (frames,)."""
    turn = 2 * np.pi * np.arange(frames) / RATE_HZ
    return db_to_ratio(level_dbfs) * sum(np.sin(turn * hz) for hz in TONES_HZ) / np.sqrt(2.0)


def rms(samples: np.ndarray) -> float:
    """Return the plain RMS."""
    return float(np.sqrt(np.mean(np.square(samples))))


def relative_db(error: np.ndarray, whole: np.ndarray) -> float:
    """Return the level of an error against the whole in dB, `LOWEST_DB` at least."""
    whole_rms = rms(whole)
    if whole_rms == 0.0:
        return LOWEST_DB if rms(error) == 0.0 else 0.0
    return max(LOWEST_DB, float(ratio_to_db(max(rms(error) / whole_rms, 1e-12))))


@lru_cache(maxsize=4096)
def halved_db(processor, level_dbfs: float) -> float:
    """Return what is left when twice the output for half the input is taken from the output, in dB against it.

    The sine has settled: its first half is left out.
    """
    whole, half = (fed(processor, sine(level))[FRAMES:] for level in (level_dbfs, level_dbfs + HALF_DB))
    return relative_db(whole - 2.0 * half, whole)


@lru_cache(maxsize=4096)
def level_out_dbfs(processor, level_dbfs: float) -> float:
    """Return the RMS level of the output for a sine, sine-referred."""
    out = fed(processor, sine(level_dbfs))[FRAMES:]
    return max(LOWEST_DB, float(ratio_to_db(max(rms(out) * np.sqrt(2.0), 1e-12))))


@lru_cache(maxsize=4096)
def repeated_db(processor, level_dbfs: float) -> float:
    """Return by how much a box differs when it gets the same sine again after a pause, in dB against the first."""
    once = sine(level_dbfs)
    out = fed(processor, np.concatenate([once, np.zeros(GAP_FRAMES), once]))
    first, second = out[FRAMES : 2 * FRAMES], out[-FRAMES:]
    return relative_db(first - second, first)


@lru_cache(maxsize=1024)
def silent_dbfs(processor) -> float:
    """Return the RMS level of the output with silence in, offset included, sine-referred."""
    return max(LOWEST_DB, float(ratio_to_db(max(rms(fed(processor, np.zeros(FRAMES))) * np.sqrt(2.0), 1e-12))))


@lru_cache(maxsize=256)
def two_tone_spectrum(processor, level_dbfs: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return frequencies in Hz, and the levels in dBFS of two tones there and of what a box makes of them."""
    window = np.hanning(FRAMES)
    scale = 2.0 / window.sum()
    sent = two_tones(level_dbfs)
    seen = [np.abs(np.fft.rfft(part[FRAMES:] * window)) * scale for part in (sent, fed(processor, sent))]
    hz = np.fft.rfftfreq(FRAMES, 1.0 / RATE_HZ)
    shown = (hz >= 20) & (hz <= 20000)
    return hz[shown], *(20.0 * np.log10(np.maximum(each[shown], 1e-10)) for each in seen)


@lru_cache(maxsize=1)
def music() -> Audio:
    """Return some seconds of a stem, mono, its highest sample at full scale."""
    from gainlib.exercises.mixing.refrain import refrain

    whole = refrain(STEM)
    samples = np.asarray(whole.samples, np.float64)[: round(SECONDS * whole.rate_hz)].mean(axis=1)
    return Audio(samples / np.abs(samples).max(), whole.rate_hz, "stem")


def heard(processor, level_dbfs: float) -> Audio:
    """Return what a box makes of the music at that peak level, the gain undone and an offset taken off."""
    sound, gain = music(), db_to_ratio(level_dbfs)
    out = processor.process(sound.with_samples(sound.samples * gain)).samples / gain
    return sound.with_samples(out - out.mean(axis=0))
