"""Files handed to somebody who masters them, and masters in a player that normalises: what is wrong, what is done."""

from functools import lru_cache
from itertools import permutations

import numpy as np

from gainlib.audio import Audio
from gainlib.exercises.masters import LOUD_MIXES, MIXES, clipped, figures, handed_in, moved, played_db, plr_db
from gainlib.exercises.variants import draws, grid, one_of, pick, shuffled
from gainlib.meters import sample_peak_dbfs
from gainlib.processors import Quantiser

OVER_DB = {"song": 8.0, "ballad": 6.0}  # by how much each is driven over full scale where it is clipped
KINDS = {
    "fine": "master it as it is", "over": "turn it down: nothing is lost",
    "clipped": "ask for another print, with the peaks whole", "low": "ask for another print, in a longer word",
}  # fmt: skip
PRINTS = {
    "fine": grid(-6, -2, 0.5), "over": grid(1, 5, 0.5), "clipped": grid(-7, -1, 0.5), "low": grid(-52, -44, 1),
}  # fmt: skip


@lru_cache(maxsize=16)
def printed(name: str, kind: str, peak_dbfs: float, bits: int) -> Audio:
    """Return a hand-off file of that kind and peak."""
    mixed, top = handed_in(name), sample_peak_dbfs(handed_in(name))
    if kind == "clipped":
        mixed, top = clipped(moved(mixed, OVER_DB[name] - top)), 0.0
    set_so = moved(mixed, peak_dbfs - top)
    return set_so if bits == 32 else Quantiser(bits, "tpdf" if kind == "fine" else "none").process(set_so)


def word_in_use(audio: Audio) -> str:
    """Return the word that a file's samples need: the shortest on whose steps all of them lie."""
    for bits in (16, 24):
        codes = audio.samples[:4800] * 2.0 ** (bits - 1)
        if np.abs(codes - np.rint(codes)).max() < 1e-6:
            return f"{bits} bit"
    return "32-bit float"


class Prints:
    """Five hand-off files: one over full scale, one clipped, one short word that is fine, and two of any kind."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return what is drawn."""
        kinds = shuffled(rng, ["over", "clipped", "fine", pick(rng, list(KINDS)), pick(rng, list(KINDS))])
        return {"kinds": kinds, "mixes": [pick(rng, list(OVER_DB)) for _ in kinds],
                "peaks": [PRINTS[kind].draw(rng) for kind in kinds],
                "words": [self._word(rng, kinds, k) for k in range(len(kinds))]}  # fmt: skip

    @staticmethod
    def _word(rng, kinds, k):
        first = kinds.index(kinds[k]) == k
        choices = {"over": [32], "low": [16], "fine": [16] if first else [16, 24, 32], "clipped": [24, 32]}
        return pick(rng, choices[kinds[k]])

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        kinds = given["kinds"]
        return len(kinds) == 5 and {"over", "clipped", "fine"} <= set(kinds) <= set(KINDS) and all(
            PRINTS[kind].holds(peak) for kind, peak in zip(kinds, given["peaks"], strict=True)
        ) and set(given["mixes"]) <= set(OVER_DB) and set(given["words"]) <= {16, 24, 32}  # fmt: skip


def files_of(given: dict) -> dict[str, Audio]:
    """Return the files of a draw, A to E."""
    columns = (given["mixes"], given["kinds"], given["peaks"], given["words"])
    return dict(zip("ABCDE", (printed(*each) for each in zip(*columns, strict=True)), strict=True))


# ---------------------------------------------------------------------------------------------- the order of the steps

STEPS = {
    "eq": "equalise", "gain": "set the gain", "rate": "convert the sample rate", "limit": "limit the true peak",
    "check": "measure the true peak", "dither": "add dither", "word": "shorten the word",
}  # fmt: skip


def in_order(order: list[str]) -> bool:
    """Whether an order of steps is right: what moves peaks before the limiter, dither once, just before the word."""
    at = {step: k for k, step in enumerate(order)}
    return (
        all(at[each] < at["limit"] for each in ("eq", "gain", "rate") if each in at)
        and at["limit"] < at["check"] and at["limit"] < at["dither"] and at["word"] == at["dither"] + 1
    )  # fmt: skip


def orders_of(given: dict) -> list[list[str]]:
    """Return all orders of the steps drawn that are right."""
    return [list(each) for each in permutations(given["steps"]) if in_order(each)]


class Steps:
    """The draw of six steps, shuffled, out of order."""

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return the steps as they are shown, None where they already are in order."""
        left_out = pick(rng, ("eq", "gain", "rate"))
        steps = shuffled(rng, [each for each in STEPS if each != left_out])
        given = {"steps": steps, "bits": pick(rng, (16, 24))}
        return given if self.holds(given) else None

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        steps = given["steps"]
        whole = len(steps) == 6 == len(set(steps)) and set(STEPS) - set(steps) <= {"eq", "gain", "rate"}
        return whole and not in_order(steps) and given["bits"] in (16, 24)


def wrong_order(given: dict, *moves: tuple[str, int]) -> list[str]:
    """Return the right order with some steps taken to another place."""
    order = next(iter(orders_of(given)))
    for step, place in moves:
        order.remove(step)
        order.insert(place, step)
    return order


# ---------------------------------------------------------------------------------------------------------- in a player


def both(given: dict) -> list[tuple[float, float]]:
    """Return loudness and true peak of two mixes as they come."""
    found = (given[f"lufs_{which}"] for which in "ab")
    return [(level, level + plr_db(given[f"mix_{which}"])) for level, which in zip(found, "ab", strict=True)]


def _split(given):
    """Whether loudness binds one of the two mixes and true peak the other, by enough."""
    over = [peak - level - (given["p"] - given["t"]) for level, peak in both(given)]
    return over[0] * over[1] < 0 and min(map(abs, over)) > 0.7


TWO_MIXES = draws(
    mix_a=one_of(*MIXES), mix_b=one_of(*MIXES), lufs_a=grid(-26, -18, 0.5), lufs_b=grid(-26, -18, 0.5),
    t=one_of(-18, -17, -16, -15, -14), p=one_of(-1, -2), where=_split,
)  # fmt: skip


def three(given: dict) -> dict[str, tuple[float, float]]:
    """Return loudness and true peak of A, B and C: one loud, one with no room above it, one soft with room."""
    loud = figures(given["mix_loud"], float(given["gain_loud"]))
    tight, free = given["peak_tight"], given["t"] - given["up"]
    found = {
        "loud": (loud.loudness, loud.true_peak),
        "tight": (tight - plr_db(given["mix_tight"]), tight),
        "free": (free, free + plr_db(given["mix_free"])),
    }
    return {kind: tuple(round(each, 2) for each in found[kind]) for kind in given["order"].split()}


def moves(given: dict, **only) -> list:
    """Return the player's gains; with `only` those a wrong rule gives for some kinds, None elsewhere."""
    found = []
    for kind, (level, peak) in three(given).items():
        right = played_db(level, peak, given["t"])
        found.append(right if not only else only[kind](level, peak) if kind in only else None)
    return found


def _fair(given):
    found = three(given)
    want, room = given["t"] - found["tight"][0], -1 - found["tight"][1]
    tight = want - max(0.0, room) > 1 and abs(want - room - 1) > 0.6
    return found["loud"][0] - given["t"] > 1 and tight and found["free"][1] + given["up"] < -1.3


THREE = draws(
    order=one_of(*map(" ".join, permutations(("loud", "tight", "free")))), t=one_of(-18, -16, -14),
    mix_loud=one_of(*LOUD_MIXES), gain_loud=grid(8, 18), mix_tight=one_of(*LOUD_MIXES), peak_tight=grid(-4, -0.2, 0.2),
    mix_free=one_of("song", "ballad"), up=grid(2, 7, 0.5), where=_fair,
)  # fmt: skip
