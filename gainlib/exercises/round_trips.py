"""Chains of gains, files and mixers that a sound goes through and comes back from: which of them lose quality."""

from functools import lru_cache

import numpy as np

from gainlib.boxes.repeated_gain import programme
from gainlib.exercises.clips import residual_db
from gainlib.exercises.variants import draws, grid, shuffled
from gainlib.levels import db_to_ratio
from gainlib.processors import HardClip, Quantiser

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


class Chains:
    """Eight chains of the fourteen, with their numbers."""

    OWN = draws(up=grid(9, 18), low=grid(42, 60), soft=grid(15, 30), deep=grid(82, 95))

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return what is drawn, None where a rule of thumb would do."""
        given = {**self.OWN(rng), "chains": shuffled(rng, CHAINS)[:SHOWN]}
        return given if self.holds(given) else None

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        chains = set(given["chains"])
        whole = len(chains) == len(given["chains"]) == SHOWN and chains <= set(CHAINS)
        return whole and self.OWN.holds(given) and all(chains & trap for trap in TRAPS)
