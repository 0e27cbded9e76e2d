"""A sound, a drive, a compressor or a gate, and makeup: the experiment of the lab on dynamics.

While the hand moves, an excerpt of eight seconds goes through; when it lets go, the whole does. The bypass is what the
drive has made of the sound: only the box and its makeup are switched.
"""

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.boxes.matching import Match, matched_output
from gainlib.demo.recordings import recorded
from gainlib.exercises.mixing.refrain import refrain
from gainlib.exercises.working_range.bench import EXCERPT_S, FADE_S, energy_dbfs
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.processors import Compressor, Gate

DRUMS = "drums"
DRUM_STEMS = ("01 kick", "02 snare", "03 overheads", "04 toms")
SOUNDS = ("01 kick", "02 snare", "05 bass", "06 guitar", "09 lead vocal", DRUMS)
COMPRESSOR, GATE = "compressor", "gate"
BLOCK_S = 0.02  # the time for which the compressor holds a peak
FLOOR_DB = -96.0
EDGES_DB = tuple(float(step) for step in range(-72, 7, 2))
LEVELS_DBFS = np.arange(-72.0, 6.01, 0.5)


@dataclass(frozen=True)
class Setting:
    """What is played through what.

    Parameters
    ----------
    sound : str
        One of ``SOUNDS``.
    box : {"compressor", "gate"}
        What it goes through.
    matched : bool
        Whether the makeup gives active the energy of the bypass.
    drive_db : float
        Gain ahead of the box, in the bypass as well.
    threshold_dbfs : float
        Threshold of the compressor, opening level of the gate.
    ratio, knee_db : float
        Of the compressor.
    hysteresis_db, hold_ms : float
        Of the gate: it closes so far below the opening level, after so long.
    attack_ms, release_ms : float
        Of either.
    makeup_db : float
        Gain behind, unless it is matched.
    """

    sound: str = DRUMS
    box: str = COMPRESSOR
    matched: bool = True
    drive_db: float = 0.0
    threshold_dbfs: float = -20.0
    ratio: float = 4.0
    knee_db: float = 6.0
    hysteresis_db: float = 4.0
    hold_ms: float = 40.0
    attack_ms: float = 10.0
    release_ms: float = 120.0
    makeup_db: float = 0.0

    @property
    def processor(self) -> Compressor | Gate:
        """The box as it is set, without makeup."""
        attack, release = self.attack_ms / 1000.0, self.release_ms / 1000.0
        if self.box == GATE:
            return Gate(self.threshold_dbfs, self.hysteresis_db, 60.0, attack, self.hold_ms / 1000.0, release)
        return Compressor(self.threshold_dbfs, self.ratio, self.knee_db, attack, release)


@dataclass(frozen=True, eq=False)
class Measurement:
    """What a setting amounts to; what is drawn is in blocks of 20 ms.

    Attributes
    ----------
    setting : Setting
        What was set.
    makeup_db : float
        As set, or as matched.
    difference_db : float
        Active against bypass, by energy.
    most_db, mean_db : float
        Largest reduction, and its mean over the time.
    peak_dbfs : float
        Highest sample behind the makeup.
    percent : array
        Share of the blocks in each bin of ``EDGES_DB``, by their peak going in.
    curve_dbfs : array
        Static curve at ``LEVELS_DBFS``, makeup left out.
    time_s, reduction_db, before_dbfs, after_dbfs : arrays
        Middles of the blocks, largest reduction, peak going in and coming out.
    """

    setting: Setting
    makeup_db: float
    difference_db: float
    most_db: float
    mean_db: float
    peak_dbfs: float
    percent: np.ndarray
    curve_dbfs: np.ndarray
    time_s: np.ndarray
    reduction_db: np.ndarray
    before_dbfs: np.ndarray
    after_dbfs: np.ndarray


def _mono(audio):
    return np.asarray(audio.samples, np.float64).mean(axis=1, keepdims=True)


@cache
def excerpt(sound: str) -> Audio:
    """Return eight seconds of a stem's refrain, or of the drums as a group; mono, faded at the end."""
    if sound not in SOUNDS:
        raise GainlibError(f"there is no sound {sound!r} here; there is {', '.join(SOUNDS)}")
    stems = [refrain(stem) for stem in (DRUM_STEMS if sound == DRUMS else (sound,))]
    rate_hz = stems[0].rate_hz
    samples = sum(_mono(stem)[: round(EXCERPT_S * rate_hz)] for stem in stems)
    fade = round(FADE_S * rate_hz)
    samples[-fade:] *= np.linspace(1.0, 0.0, fade)[:, np.newaxis]
    return Audio(samples, rate_hz, sound)


@cache
def _own(sound):
    audio = excerpt(sound)
    return audio, energy_dbfs(audio.samples), _peaks(audio.samples[:, 0], audio.rate_hz)


def _peaks(line, rate_hz):
    return np.maximum(ratio_to_db(_highest(np.abs(line), rate_hz)), FLOOR_DB)


def _highest(values, rate_hz):
    length = round(BLOCK_S * rate_hz)
    return values[: len(values) // length * length].reshape(-1, length).max(axis=1)


@lru_cache(maxsize=4)
def _through(sound, drive_db, processor):
    audio = _own(sound)[0]
    fed = audio.with_samples(audio.samples * db_to_ratio(drive_db))
    reduction = processor.reduction_db(fed)
    return fed.samples * np.exp(reduction * (-np.log(10.0) / 20.0))[:, np.newaxis], reduction


def see(setting: Setting) -> Measurement:
    """Send the excerpt through the box and read it on both sides.

    Parameters
    ----------
    setting : Setting
        What is set.

    Returns
    -------
    Measurement
    """
    audio, energy, peaks = _own(setting.sound)
    out, reduction = _through(setting.sound, setting.drive_db, setting.processor)
    lost = energy + setting.drive_db - energy_dbfs(out)
    makeup = (lost if np.isfinite(lost) else 0.0) if setting.matched else setting.makeup_db
    behind = _peaks(out[:, 0], audio.rate_hz)
    fed = peaks + setting.drive_db
    return Measurement(
        setting=setting,
        makeup_db=float(makeup),
        difference_db=float(makeup - lost),
        most_db=float(reduction.max()),
        mean_db=float(reduction.mean()),
        peak_dbfs=float(ratio_to_db(np.abs(out).max())) + float(makeup),
        percent=100.0 * np.histogram(fed, EDGES_DB)[0] / fed.size,
        curve_dbfs=setting.processor.static_db(LEVELS_DBFS),
        time_s=(np.arange(fed.size) + 0.5) * BLOCK_S,
        reduction_db=_highest(reduction, audio.rate_hz),
        before_dbfs=fed,
        after_dbfs=behind + makeup,
    )


def heard(setting: Setting) -> tuple[Audio, Audio]:
    """Return bypass and active as they leave the strip, float32."""
    audio, seen = _own(setting.sound)[0], see(setting)
    out = _through(setting.sound, setting.drive_db, setting.processor)[0]
    sounds = audio.samples * db_to_ratio(setting.drive_db), out * db_to_ratio(seen.makeup_db)
    return tuple(Audio(each.astype(np.float32), audio.rate_hz) for each in sounds)


@cache
def whole(sound: str) -> Audio:
    """Return the whole stem, or all drums, mono."""
    stems = [recorded(stem) for stem in (DRUM_STEMS if sound == DRUMS else (sound,))]
    return Audio(sum(_mono(stem) for stem in stems), stems[0].rate_hz, sound)


@lru_cache(maxsize=32)
def match_whole(sound: str, drive_db: float, processor: Compressor | Gate) -> Match:
    """Return the makeup that matches the whole to its bypass, by energy.

    Parameters
    ----------
    sound : str
        One of ``SOUNDS``.
    drive_db : float
        Gain ahead of the box.
    processor : Compressor or Gate
        The box.

    Returns
    -------
    gainlib.boxes.matching.Match
    """
    audio = whole(sound)
    return matched_output(processor, audio.with_samples(audio.samples * db_to_ratio(drive_db)))


def change_behind_db(setting: Setting, by_db: float) -> float:
    """Return by how much the energy behind a box changes when the drive does, makeup left alone.

    Parameters
    ----------
    setting : Setting
        Where it begins.
    by_db : float
        Change of the drive.

    Returns
    -------
    float
    """
    levels = [
        energy_dbfs(_through(setting.sound, drive, setting.processor)[0])
        for drive in (setting.drive_db, setting.drive_db + by_db)
    ]
    return levels[1] - levels[0]
