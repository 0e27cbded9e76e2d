"""A bar of a stem through a compressor, and what is read on both sides of it."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib.audio import Audio
from gainlib.exercises.variants import draws, grid, one_of
from gainlib.exercises.working_range.stages import STEMS, bar
from gainlib.levels import ratio_to_db
from gainlib.meters.average import ACTIVE_RANGE_DB, averages
from gainlib.processors import Compressor

ROUNDING_DB = 0.011
LEAST_DB, MOST_DB = 6.0, 15.0
BLOCK_S = 0.1
RECIPES = draws(
    stem=one_of(*STEMS),
    threshold=grid(-44, -12),
    ratio=one_of(2, 3, 4, 6, 8),
    attack_ms=one_of(1, 5, 10, 20),
    release_ms=one_of(60, 120, 250),
)
READ = ("energy_in", "energy_out", "active_in", "active_out", "most", "mean")


@dataclass(frozen=True, eq=False)
class Squeezed:
    """A sound through a compressor without makeup.

    Attributes
    ----------
    before, after : Audio
        What goes in, and what comes out.
    reduction_db : array, shape (frames,)
        Not negative.
    """

    before: Audio
    after: Audio
    reduction_db: np.ndarray


def squeezed(audio: Audio, compressor: Compressor) -> Squeezed:
    """Return a sound before and after a compressor, with the reduction of every frame."""
    reduction = compressor.reduction_db(audio)
    gain = 10.0 ** ((compressor.makeup_db - reduction) / 20.0)
    return Squeezed(audio, audio.with_samples(audio.samples * gain[:, np.newaxis]), reduction)


def active_reduction_db(sound: Squeezed) -> float:
    """Return the mean reduction where something plays: blocks of 0.1 s within 25 dB of the loudest block going in."""
    length = round(BLOCK_S * sound.before.rate_hz)
    count = max(1, len(sound.reduction_db) // length)
    power = np.mean(np.asarray(sound.before.samples, float)[: count * length] ** 2, axis=1)
    blocks = power.reshape(count, -1).mean(axis=1)
    playing = blocks >= blocks.max() * 10.0 ** (-ACTIVE_RANGE_DB / 10.0)
    return float(sound.reduction_db[: count * length].reshape(count, -1)[playing].mean())


class SqueezedStems:
    """The draw of a stem and a compressor, and of what is read on both sides.

    How it is made: ``stem``, ``threshold``, ``ratio``, ``attack_ms``, ``release_ms``. What is read: energy and active
    level in and out in dBFS, the ``most`` and the ``mean`` reduction in dB.
    """

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return a compressor that takes 6 to 15 dB at most, with its readings."""
        made = RECIPES(rng)
        read = readings(made)
        return {**made, **read} if LEAST_DB <= read["most"] <= MOST_DB else None

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn and reads as given; the last digit may differ on another machine."""
        own = readings(given) if RECIPES.holds(given) else {}
        return bool(own) and all(abs(given[name] - value) <= 2 * ROUNDING_DB for name, value in own.items())


def readings(given: dict) -> dict[str, float]:
    """Return what is shown of a stem on both sides of its compressor, rounded as it is shown."""
    recipe = tuple(given[name] for name in ("stem", "threshold", "ratio", "attack_ms", "release_ms"))
    return dict(zip(READ, _readings(*recipe), strict=True))


@lru_cache(maxsize=256)
def _readings(stem, threshold, ratio, attack_ms, release_ms):
    sound = _through(stem, threshold, ratio, attack_ms, release_ms)
    ahead, behind = averages(sound.before), averages(sound.after)
    levels = (ahead.rms_dbfs, behind.rms_dbfs, ahead.active_dbfs, behind.active_dbfs)
    return tuple(round(float(value), 2) for value in (*levels, sound.reduction_db.max(), sound.reduction_db.mean()))


@lru_cache(maxsize=8)
def _through(stem, threshold, ratio, attack_ms, release_ms):
    compressor = Compressor(threshold, ratio, attack_s=attack_ms / 1000, release_s=release_ms / 1000)
    return squeezed(bar(stem), compressor)


def through(given: dict) -> Squeezed:
    """Return the bar before and after the compressor of a variant."""
    return _through(*(given[name] for name in ("stem", "threshold", "ratio", "attack_ms", "release_ms")))


def makeup_db(given: dict) -> float:
    """Return the makeup that brings the energy back to what it was."""
    return round(given["energy_in"] - given["energy_out"], 2)


def peak_dbfs(samples: np.ndarray) -> float:
    """Return the level of the highest sample."""
    return float(ratio_to_db(np.abs(samples).max()))
