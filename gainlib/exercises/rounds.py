"""Rounds of gain there and back: what they leave of a sound, who hears it, and which chains lose quality."""

from functools import lru_cache
from itertools import islice, permutations

import numpy as np

from gainlib.audio import Audio
from gainlib.boxes.repeated_gain import each_round, programme, residuals_dbfs
from gainlib.exercises.clips import STEMS, clip, residual_db
from gainlib.exercises.listening import least_right
from gainlib.exercises.text import fill
from gainlib.exercises.variants import BlindOrder, InAnyOrder, Recipe, draws, grid, one_of, run_number, shuffled
from gainlib.levels import db_to_ratio
from gainlib.processors import HardClip, Quantiser

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


# ----------------------------------------------------------------------------------------------------------- blind runs


COMPLETE, TRIALS = 8, 12
FLOAT_RUN, WORD_RUN = "Run 1: 20 rounds of 40 dB in 32-bit float", "Run 2: the same in 16 bit, with dither"
SENTENCES = {
    "neither": "Neither run shows a difference. That is no proof that there is none.",
    "first": "Run 1 shows a difference; run 2 shows none, which is no proof that there is none.",
    "second": "Run 2 shows a difference; run 1 shows none, which is no proof that there is none.",
    "both": "Both runs show a difference.",
    "proved": "Run 1 proves that floating point sounds the same, and run 2 shows that 16 bit does not.",
}
RUNS = draws(
    order_1=BlindOrder(COMPLETE, COMPLETE // 4),
    order_2=BlindOrder(TRIALS, TRIALS // 4),
    clip=one_of(*STEMS),
    other_1=grid(2, 8),
    other_2=grid(6, 12),
    sentences=InAnyOrder(tuple(SENTENCES)),
)
"""A clip, the orders of both runs, and someone else's counts for those who take the readings."""


@lru_cache(maxsize=16)
def rounds_heard(name: str, arithmetic: str) -> Audio:
    """Return a clip after twenty rounds of 40 dB."""
    made = each_round(clip(name), -40.0, arithmetic, dither=arithmetic != "float32")
    return clip(name).with_samples(next(islice(made, 20, None)).astype(np.float32))


def left_of_trials(given: dict, order: str, arithmetic: str) -> list[float]:
    """Return for every trial what subtracting X from A leaves, against A."""
    left = residual_db(clip(given["clip"]), rounds_heard(given["clip"], arithmetic))
    return [left if each == "B" else -np.inf for each in given[order]]


def allowed(values: list, given: dict) -> str:
    """Return the sentence that both counts allow: the learner's own, or those given with the readings."""
    shown = []
    for value, order, other in zip(values, ("order_1", "order_2"), ("other_1", "other_2"), strict=False):
        silent = isinstance(value, dict)
        right = given[other] if silent else sum(a == b for a, b in zip(value, given[order], strict=True))
        shown.append(right >= least_right(len(given[order]), 1 if silent else run_number(given)))
    return {(False, False): "neither", (True, False): "first", (False, True): "second"}.get(tuple(shown), "both")


# ------------------------------------------------------------------------------------------------ chains that come back


UP, DOWN, CLIP = "up", "down", "clip"
CHAINS = {  # what is read, the number in it, and the steps: that gain, a clip at full scale, a dithered word
    "over": ("a float mixer, {up} dB up over full scale, then {up} dB down", "up", (UP, DOWN)),
    "float file": ("a float mixer, {up} dB up, saved as a **float** file, then {up} dB down", "up", (UP, DOWN)),
    "low float": ("a float mixer, {low} dB down, then {low} dB up", "low", (DOWN, UP)),
    "many": ("a float mixer, {low} dB down and up, 30 times", "low", (DOWN, UP) * 30),
    "24 file": ("a 24-bit file with dither, as it is", "up", (24,)),
    "24 soft": ("{soft} dB down, a 24-bit file with dither, then {soft} dB up", "soft", (DOWN, 24, UP)),
    "16 file": ("a 16-bit file with dither, as it is", "up", (16,)),
    "16 low": ("{low} dB down, a 16-bit file with dither, then {low} dB up", "low", (DOWN, 16, UP)),
    "24 low": ("{deep} dB down, a 24-bit file with dither, then {deep} dB up", "deep", (DOWN, 24, UP)),
    "12 file": ("a 12-bit file with dither, as it is", "up", (12,)),
    "16 many": ("a 16-bit mixer with dither, {soft} dB down and up, 30 times", "soft", (DOWN, 16, UP, 16) * 30),
    "integer file": ("a float mixer, {up} dB up, saved in **24 bit**, then {up} dB down", "up", (UP, CLIP, 24, DOWN)),
    "fixed bus": ("a bus in whole numbers, {up} dB over, with its master fader {up} dB down", "up", (UP, CLIP, DOWN)),
    "converter": ("a float mixer, {up} dB up, into a converter, the monitors {up} dB down", "up", (UP, CLIP, DOWN)),
}  # fmt: skip
TRAPS = (
    {"over", "float file"}, {"24 file", "24 soft", "16 file"}, {"integer file", "fixed bus", "converter"},
    {"16 low", "24 low"}, {"low float", "many"},
)  # fmt: skip
"""Chains that one rule of thumb or another judges wrongly: of each kind one is among those that are drawn."""

HARMED_DB, PEAK_DBFS, FRAMES, SHOWN = -80.0, -6.0, 5_000, 8


@lru_cache(maxsize=1024)
def _harm_db(key, by_db):
    """Return what a chain leaves of the difference, against the signal: rendered."""
    samples = programme().samples[:FRAMES].astype(np.float64)
    audio = start = programme().with_samples(samples * db_to_ratio(PEAK_DBFS) / np.abs(samples).max())
    for k, step in enumerate(CHAINS[key][2]):
        if step in (UP, DOWN):
            audio = audio.with_samples(audio.samples * db_to_ratio(by_db if step == UP else -by_db))
        else:
            audio = (HardClip() if step == CLIP else Quantiser(step, "tpdf", seed=k)).process(audio)
    return residual_db(start, audio)


def harms(given: dict) -> dict[str, float]:
    """Return the residual of every chain of a draw, in dB against the signal."""
    return {key: _harm_db(key, given[CHAINS[key][1]]) for key in given["chains"]}


NUMBERS = {"up": grid(9, 18), "low": grid(42, 60), "soft": grid(15, 30), "deep": grid(82, 95)}


def _draw_chains(rng):
    """Draw eight chains of the fourteen with their numbers, None where a rule of thumb would do."""
    given = draws(**NUMBERS)(rng) | {"chains": shuffled(rng, CHAINS)[:SHOWN]}
    return given if all(trap & set(given["chains"]) for trap in TRAPS) else None


EIGHT_CHAINS = Recipe(_draw_chains, NUMBERS)
