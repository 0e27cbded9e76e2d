"""Mixes and masters between two limits: gain alone, and what a player that normalises does."""

from itertools import permutations

from gainlib.exercises.masters import LOUD_MIXES, MIXES, figures, played_db, plr_db
from gainlib.exercises.variants import draws, grid, one_of


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
