"""Three mixers whose residual after ten rounds foretells what it is after forty: one flat, one coherent, one noisy."""

from functools import lru_cache
from itertools import permutations

import numpy as np

from gainlib.boxes.repeated_gain import programme, residuals_dbfs
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, grid, one_of

SHORT = programme().with_samples(programme().samples[:12_000])
# A gain and its inverse, both rounded to 32 bit, multiply to 1 but for a trifle. Rounding takes that back, round after
# round, at most attenuations; at these it does not, and the trifle adds up.
COHERENT = (
    6.01, 6.02, 6.03, 12.03, 12.04, 15.56, 18.05, 18.06, 18.07, 24.07, 24.08, 24.09, 30.10, 30.11, 33.63, 36.13, 36.14,
    42.13, 42.14, 42.15, 48.16, 54.18, 54.19,
)  # fmt: skip


@lru_cache(maxsize=8192)
def residuals(arithmetic: str, down_db: float) -> np.ndarray:
    """Return what 1, 2, … 40 rounds leave of a short noise, in dB."""
    return residuals_dbfs(SHORT, -down_db, 40, arithmetic, dither=arithmetic != "float32")


def three(given: dict) -> list[tuple[str, str, float]]:
    """Return what A, B and C are: name, arithmetic, attenuation."""
    kinds = {"flat": "float32", "same": "float32", "fresh": "24 bit"}
    return [(name, kinds[kind], given[kind]) for name, kind in zip("ABC", given["order"].split(), strict=True)]


def forty(given: dict, grown_db: float | None = None, right: str = "") -> list:
    """Return the residuals after forty rounds: measured, or those of ten and so many dB more, None for `right`."""
    found = [residuals(arithmetic, down) for _, arithmetic, down in three(given)]
    grown = [float(each[39] if grown_db is None else each[9] + grown_db) for each in found]
    return [None if kind == right else each for kind, each in zip(given["order"].split(), grown, strict=True)]


def _is_flat(given):
    found = residuals("float32", given["flat"])
    return abs(found[39] - found[9]) < 0.2


MIXERS = draws(
    order=one_of(*map(" ".join, permutations(("flat", "same", "fresh")))), flat=grid(8, 54, 0.01),
    same=one_of(*COHERENT), fresh=grid(12, 40, 0.5), where=_is_flat,
)  # fmt: skip
WHY = {
    "flat": "rounding soon meets a value that it leaves alone", "fresh": "fresh noise, 10·log₁₀(4)",
    "same": "the two gains multiply to a little more or less than 1, and that error is the same every round, "
        "20·log₁₀(4)",
}  # fmt: skip


def explained(given: dict) -> str:
    """Return how each of the three grows, and why."""
    said = []
    for kind, (name, arithmetic, down_db) in zip(given["order"].split(), three(given), strict=True):
        ten, last = residuals(arithmetic, down_db)[[9, 39]]
        values = {"name": name, "ten": ten, "grown": last - ten, "forty": last, "why": WHY[kind]}
        text = "**{name}** reads {ten:.2f} dB after ten rounds and grows by {grown:.2f} dB to {forty:.2f} dB: {why}."
        said.append(fill(text, values))
    return " ".join(said)
