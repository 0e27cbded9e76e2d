"""A mix in which one source alone makes the bus clip: how it is drawn, who it is, how far it has to come down."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from math import ceil

import numpy as np
from scipy.optimize import brentq

from gainlib.exercises.mixing.refrain import STEMS, mix, rough_faders_db, short_name
from gainlib.exercises.variants import grid, pick
from gainlib.levels import ratio_to_db
from gainlib.session import Session

CEILING_DBFS = -1.0
SUSPECTS = ("01 kick", "05 bass", "06 guitar", "09 lead vocal", "10 backing")
"""Sources that can be it. Toms and pad cannot: alone at their peaks, they would be cured by the excess of the bus."""

_KEPT = 24


@dataclass(frozen=True)
class Leaving:
    """A mix seen one track at a time.

    Attributes
    ----------
    bus_dbfs : float
        Sample peak of the bus.
    without_dbfs : dict of str to float
        Sample peak of the bus with one track muted.
    own_dbfs : dict of str to float
        Sample peak of each track as it reaches the bus.
    """

    bus_dbfs: float
    without_dbfs: dict[str, float]
    own_dbfs: dict[str, float]


@cache
def at_unity() -> np.ndarray:
    """Return every stem as it reaches the bus with all controls at 0, shape (stems, samples of both channels)."""
    nodes = [f"{stem}/out" for stem in STEMS]
    audios = mix([0.0] * len(STEMS)).render().audios(nodes)
    return np.stack([audios[node].samples.ravel() for node in nodes]).astype(np.float32)


def parts_at(gains_db: Sequence[float]) -> np.ndarray:
    """Return the stems at these gains, shape (stems, samples of both channels)."""
    ratios = 10.0 ** (np.asarray(gains_db, dtype=np.float64) / 20.0)
    return at_unity() * ratios[:, np.newaxis].astype(np.float32)


@lru_cache(maxsize=_KEPT)
def leave_one_out(gains_db: tuple[float, ...]) -> Leaving:
    """Return the bus with all tracks, and without each, for tracks at these gains."""
    parts = parts_at(gains_db)
    total = parts.sum(axis=0)
    return Leaving(
        peak_dbfs(total),
        {stem: peak_dbfs(total - part) for stem, part in zip(STEMS, parts, strict=True)},
        {stem: peak_dbfs(part) for stem, part in zip(STEMS, parts, strict=True)},
    )


def peak_dbfs(samples: np.ndarray) -> float:
    """Return the sample peak of an array."""
    return float(ratio_to_db(max(float(samples.max()), -float(samples.min()))))


@lru_cache(maxsize=_KEPT)
def least_attenuation_db(gains_db: tuple[float, ...], stem: str, ceiling_dbfs: float) -> float | None:
    """Return how far one track has to come down for the bus to peak at a ceiling; None if that is not enough.

    Between silence and where the track is, every sample of the bus moves in a straight line, so only the samples that
    are over with the track as it is count, and the tightest of them decides.
    """
    parts = parts_at(gains_db).astype(np.float64)
    own = parts[STEMS.index(stem)]
    total = parts.sum(axis=0)
    limit = 10.0 ** (ceiling_dbfs / 20.0)
    over = np.abs(total) > limit
    if not over.any():
        return 0.0
    rest, own = total[over] - own[over], own[over]
    if not own.all():
        return None
    allowed = (np.copysign(limit, rest + own) - rest) / own
    return float(-ratio_to_db(allowed.min())) if allowed.min() > 0 else None


def with_one_raised(gains_db: Sequence[float], index: int, rest_dbfs: float, bus_dbfs: float) -> list[float]:
    """Return gains at which the other tracks alone peak at one level and, with one track raised, the bus at another.

    Parameters
    ----------
    gains_db : sequence of float
        The balance of the others.
    index : int
        Which track is raised.
    rest_dbfs, bus_dbfs : float
        Sample peaks of the bus without and with it.
    """
    parts = parts_at(gains_db)
    own = parts[index]
    rest = parts.sum(axis=0) - own
    shift = rest_dbfs - peak_dbfs(rest)
    rest = rest * np.float32(10.0 ** (shift / 20.0))

    def miss(raise_db):
        return peak_dbfs(rest + own * np.float32(10.0 ** (raise_db / 20.0))) - bus_dbfs

    raised = brentq(miss, -20.0, 40.0, xtol=0.01)
    return [gain + (raised if place == index else shift) for place, gain in enumerate(gains_db)]


def draw(rng: np.random.Generator, suspect: str) -> dict | None:
    """Draw a mix that is tame but for one source, raised until it alone makes the bus clip; None where it does not."""
    gains = [rough + pick(rng, grid(-2, 2, 0.5).values) for rough in rough_faders_db()]
    rest_dbfs, bus_dbfs = pick(rng, grid(-6.5, -4.5, 0.1).values), pick(rng, grid(1.5, 5.5, 0.1).values)
    gains = [round(gain, 1) for gain in with_one_raised(gains, STEMS.index(suspect), rest_dbfs, bus_dbfs)]
    return {"gains_db": gains} if _is_plain(tuple(gains), suspect) else None


def _is_plain(gains, culprit):
    """Whether it is this source and no other: the rest is quiet, and without any other the bus stays well over."""
    seen = leave_one_out(gains)
    others = min(peak for stem, peak in seen.without_dbfs.items() if stem != culprit)
    tame = 1 <= seen.bus_dbfs <= 6 and seen.without_dbfs[culprit] <= -4 and others > CEILING_DBFS + 0.5
    least = least_attenuation_db(gains, culprit, CEILING_DBFS)
    return tame and least is not None and least >= 1


def loud_mix(given: dict) -> Session:
    """Return the session that is handed out: all faders at 0, the levels on the input trims."""
    return mix([0.0] * len(STEMS), given["gains_db"], name="One loud source")


def seen(given: dict) -> Leaving:
    """Return the mix one track at a time."""
    return leave_one_out(tuple(given["gains_db"]))


def culprit(given: dict) -> str:
    """Return the track without which the bus is lowest."""
    without = seen(given).without_dbfs
    return min(without, key=without.get)


def cure_db(given: dict) -> float:
    """Return the least attenuation of the culprit, rounded up to 0.1 dB."""
    least = least_attenuation_db(tuple(given["gains_db"]), culprit(given), CEILING_DBFS)
    return ceil(10 * least - 1e-6) / 10


def loudest_other(given: dict) -> str:
    """Return the track that peaks highest by itself, the culprit apart."""
    own = {stem: peak for stem, peak in seen(given).own_dbfs.items() if stem != culprit(given)}
    return max(own, key=own.get)


def own_excess_db(given: dict) -> float:
    """Return by how much the culprit alone exceeds the ceiling."""
    return seen(given).own_dbfs[culprit(given)] - CEILING_DBFS


def bus_excess_db(given: dict) -> float:
    """Return by how much the bus exceeds the ceiling."""
    return seen(given).bus_dbfs - CEILING_DBFS


def figures(given: dict) -> dict:
    """Return what the derivation prints."""
    name = culprit(given)
    return {
        "name": short_name(name),
        "bus": seen(given).bus_dbfs,
        "rest": seen(given).without_dbfs[name],
        "others": min(peak for stem, peak in seen(given).without_dbfs.items() if stem != name),
        "own": seen(given).own_dbfs[name],
        "least": cure_db(given),
    }
