"""Whether twenty rounds of gain can be told from the original: two blind runs, and what they allow to say."""

from functools import lru_cache
from itertools import islice
from typing import ClassVar

import numpy as np

from gainlib.audio import Audio
from gainlib.boxes.repeated_gain import each_round
from gainlib.exercises.bypass import trial_options, trials_in_which
from gainlib.exercises.choosing import Multi
from gainlib.exercises.clips import STEMS, clip, residual_db
from gainlib.exercises.listening import Abx, NoListening, least_right
from gainlib.exercises.variants import draws, grid, one_of, pick, run_number, shuffled

COMPLETE, TRIALS = 8, 12
FLOAT_RUN, WORD_RUN = "Run 1: 20 rounds of 40 dB in 32-bit float", "Run 2: the same in 16 bit, with dither"
SENTENCES = {
    "neither": "Neither run shows a difference. That is no proof that there is none.",
    "first": "Run 1 shows a difference; run 2 shows none, which is no proof that there is none.",
    "second": "Run 2 shows a difference; run 1 shows none, which is no proof that there is none.",
    "both": "Both runs show a difference.",
    "proved": "Run 1 proves that floating point sounds the same, and run 2 shows that 16 bit does not.",
}
BLIND = draws(clip=one_of(*STEMS), other_1=grid(2, 8), other_2=grid(6, 12))


class Runs:
    """The draw of a clip, the orders of both runs, and somebody else's counts for those who take the readings."""

    LENGTHS: ClassVar = {"order_1": COMPLETE, "order_2": TRIALS}

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return what is drawn, None where an order is nearly all the same."""
        orders = {name: "".join(pick(rng, "AB") for _ in range(n)) for name, n in self.LENGTHS.items()}
        given = {**BLIND(rng), **orders, "sentences": shuffled(rng, SENTENCES)}
        return given if self.holds(given) else None

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        mixed = all(set(given[k]) <= {"A", "B"} and len(given[k]) == n and min(map(given[k].count, "AB")) >= n // 4
                    for k, n in self.LENGTHS.items())  # fmt: skip
        return mixed and BLIND.holds(given) and sorted(given["sentences"]) == sorted(SENTENCES)


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


def blind_run(label: str, order: str, count: int, **more) -> Abx:
    """Return a run as a part, with its way for those who do not listen."""
    ticks = Multi("From the readings: tick the trials in which X is B", points=more["points"],
                  options=trial_options(count))  # fmt: skip
    return Abx(label, trials=count, silent=NoListening(ticks, trials_in_which(order, "B")), **more)
