"""Draws and readings of the exercises on black boxes: six to sort, a residual, a limit, a noise, orders of a trim."""

import math

import numpy as np

from gainlib import processors as p
from gainlib.exercises.linearity import boxes
from gainlib.exercises.linearity.readings import Readings
from gainlib.exercises.variants import draws, grid, one_of, pick, shuffled
from gainlib.levels import db_to_ratio
from gainlib.processors.base import Noise

COUNT = 6
LIMIT_DB = -60.0
MOVES = {  # may a trim cross it?
    "equaliser": True,
    "delay": True,
    "tremolo": True,
    "pan": True,
    "reverberation": True,
    "polarity": True,
    "saturator": False,
    "compressor": False,
    "gate": False,
    "converter": False,
}
READ_RESIDUAL = ("soft_undone", "difference_undone", "difference_as_is", "difference_again")
READ_NOISE = ("offset", "all")


class SixBoxes:
    """The draw of six different boxes, one at least of each of the five kinds."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return ``boxes``, six names in any order."""
        by_class = {key: [kind for kind, (cls, _) in boxes.CATALOGUE.items() if cls == key] for key in boxes.KINDS}
        chosen = [pick(rng, kinds) for kinds in by_class.values()]
        chosen.append(pick(rng, [kind for kind in boxes.CATALOGUE if kind not in chosen]))
        return {"boxes": [f"{kind} {pick(rng, (1, 2, 3))}" for kind in shuffled(rng, chosen)]}

    def holds(self, given: dict) -> bool:
        """Whether six boxes could be drawn."""
        drawn = given["boxes"]
        return (
            len(drawn) == COUNT
            and all(name in boxes.names() for name in drawn)
            and len({boxes.kind_of(name) for name in drawn}) == COUNT
            and {boxes.class_of(name) for name in drawn} == set(boxes.KINDS)
        )


def lettered(names) -> dict[str, str]:
    """Return the boxes under the letters a learner sees."""
    return dict(zip(boxes.LETTERS, names, strict=False))


def sorted_out(given: dict, wrongly: str = "") -> dict:
    """Return the kind of every box; those of the kind `wrongly` are taken for nonlinear."""
    found = {letter: boxes.class_of(name) for letter, name in lettered(given["boxes"]).items()}
    return {letter: "nonlinear" if kind == wrongly else kind for letter, kind in found.items()}


def _fed_at(given, level_dbfs):
    box = boxes.box(given["box"])
    return boxes.fed(box, boxes.two_tones(level_dbfs))[boxes.FRAMES :]


def residual_readings(given: dict) -> dict[str, float]:
    """Return RMS values in thousandths of full scale: the soft output and three differences of the loud from it."""
    a, b = db_to_ratio(given["a"]), db_to_ratio(given["b"])
    soft, loud = _fed_at(given, given["a"]), _fed_at(given, given["b"])
    made = (soft / a, loud / b - soft / a, loud - soft, loud * b - soft * a)
    return {name: round(1000 * boxes.rms(each), 3) for name, each in zip(READ_RESIDUAL, made, strict=True)}


def residual_db(given: dict, difference: str = "difference_undone", factor: float = 20.0) -> float:
    """Return the homogeneity residual from the readings, or what a wrong method makes of them."""
    return factor * math.log10(given[difference] / given["soft_undone"])


RESIDUALS = Readings(
    draws(
        box=one_of(*(f"{kind} {k}" for kind in ("saturator", "uneven saturator", "compressor") for k in (1, 2, 3))),
        a=grid(-40, -20),
        b=grid(-12, 0),
    ),
    residual_readings,
    lambda given: min(given[name] for name in READ_RESIDUAL) > 1.0,
)

LIMITED = draws(device=one_of("compressor", "clipper"), limit=grid(-29.5, -1.5, 1), where=lambda g: _plausible(g))


def _plausible(given):
    low, high = (-29.5, -10.5) if given["device"] == "compressor" else (-11.5, -1.5)
    return low <= given["limit"] <= high


RATIO = 4.0


def limited_box(given: dict):
    """Return the box of the exercise on a limit."""
    if given["device"] == "compressor":
        return p.Compressor(given["limit"], RATIO, 0.0)
    return p.HardClip(given["limit"])


def limit_dbfs(given: dict) -> float:
    """Return the sine peak level at which the residual passes −60 dB, from the static curve of the box.

    A settled sine through a compressor is the sine again, softer by (L − T)(1 − 1/R): the residual is that gain less 1.
    Of a clipped sine the tops are missing, and their RMS against that of the whole is found by bisection.
    """
    share = db_to_ratio(LIMIT_DB)
    if given["device"] == "compressor":
        return given["limit"] + 20 * math.log10(1 + share) / (1 - 1 / RATIO)
    turn = np.sin(2 * np.pi * (np.arange(100_000) + 0.5) / 100_000)
    low, high = 0.0, 1.0
    for _ in range(40):
        over = (low + high) / 2
        wave = db_to_ratio(over) * turn
        missing = wave - np.clip(wave, -1.0, 1.0)
        low, high = (low, over) if boxes.rms(missing) > share * boxes.rms(wave - missing) else (over, high)
    return given["limit"] + low


def noise_readings(given: dict) -> dict[str, float]:
    """Return what a box gives for silence, in millionths of full scale: mean, and RMS with the mean in it."""
    hiss = Noise(given["hiss"], given["seed"], 1).next(boxes.RATE_HZ)[:, 0]
    out = hiss + given["share"] * boxes.rms(hiss)
    return {"offset": round(1e6 * float(out.mean()), 3), "all": round(1e6 * boxes.rms(out), 3)}


def noise_dbfs(given: dict, offset: float = 1.0, power: float = 2.0) -> float:
    """Return the noise without the offset, sine-referred; `offset` 0 leaves it in, `power` 1 is plain RMS."""
    square = given["all"] ** 2 - offset * given["offset"] ** 2
    return 10 * math.log10(power * square * 1e-12)


NOISES = Readings(
    draws(hiss=grid(-95, -55, 0.5), share=grid(0.8, 2.5, 0.1), seed=grid(1, 9)),
    noise_readings,
)


class Orders:
    """The draw of six processors that a trim may or may not cross, two at least of each sort."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return ``across``, six names, and ``trim`` in dB."""
        may = [name for name, moves in MOVES.items() if moves]
        may_not = [name for name in MOVES if name not in may]
        count = pick(rng, (2, 3, 4))
        chosen = [*shuffled(rng, may, count), *shuffled(rng, may_not, COUNT - count)]
        return {"across": shuffled(rng, chosen), "trim": pick(rng, (-10, -8, -6, 6, 8, 10))}

    def holds(self, given: dict) -> bool:
        """Whether it could be drawn."""
        drawn = given["across"]
        known = len(drawn) == COUNT and len(set(drawn)) == COUNT and all(name in MOVES for name in drawn)
        return known and 2 <= sum(MOVES[name] for name in drawn) <= 4 and given["trim"] in (-10, -8, -6, 6, 8, 10)


def crossed(given: dict, also=(), without=()) -> list[str]:
    """Return what a trim may cross, with some added or left out among those asked for."""
    return [name for name in given["across"] if (MOVES[name] or name in also) and name not in without]
