"""Which of two is X, trial by trial: draw the order, make the sounds, and read what tells them apart."""

from dataclasses import dataclass

from gainlib.audio import Audio
from gainlib.exercises.blind.clips import CLIPS, clip, louder, residual_db
from gainlib.exercises.model import Option
from gainlib.exercises.variants import pick, shuffled

TRIALS = 10
APART_DB = 3.0
LEAST_OF_EACH = 3
RUNS = ("real", "sham")


@dataclass(frozen=True)
class Draw:
    """The given values: the clip, which of A and B is the louder, and the order of X in both runs."""

    def __call__(self, rng) -> dict | None:
        """Draw; an order in which nearly every X is the same is drawn again, since one pick throughout would pass."""
        orders = {name: "".join(pick(rng, "AB") for _ in range(TRIALS)) for name in RUNS}
        if not all(_mixed(order) for order in orders.values()):
            return None
        return {"clip": pick(rng, CLIPS), "louder": pick(rng, "AB"), **orders, "meanings": shuffled(rng, MEANINGS)}

    def holds(self, given: dict) -> bool:
        """Whether these could have been drawn."""
        return (
            given["clip"] in CLIPS
            and given["louder"] in ("A", "B")
            and all(_mixed(given[name]) for name in RUNS)
            and sorted(given["meanings"]) == sorted(MEANINGS)
        )


def _mixed(order):
    counts = [order.count(each) for each in "AB"]
    return sum(counts) == len(order) == TRIALS and min(counts) >= LEAST_OF_EACH


def sounds(given: dict, run: str = "real") -> tuple[Audio, Audio]:
    """Return A and B of a run, as samples of their own: 3 dB apart in the real run, the same in the sham run."""
    down = {name: 0.0 if run == "sham" or given["louder"] == name else -APART_DB for name in "AB"}
    return tuple(louder(clip(given["clip"]), down[name]) for name in "AB")


def residuals_db(given: dict, run: str = "real") -> list[float]:
    """Return for each trial what subtracting X from A leaves, in dB below A; −inf where X is A."""
    pair = dict(zip("AB", sounds(given, run), strict=True))
    left = {name: residual_db(pair["A"], sound) for name, sound in pair.items()}
    return [left[name] for name in given[run]]


def trials_with_b(given: dict) -> list[str]:
    """Return the numbers of the trials of the real run in which X is B, as keys of options."""
    return [str(k) for k, name in enumerate(given["real"], start=1) if name == "B"]


def trial_options(given: dict) -> tuple[Option, ...]:
    """Return one option a trial."""
    return tuple(Option(str(k), f"trial {k}") for k in range(1, TRIALS + 1))


MEANINGS = {
    "luck": "Nothing but luck: A and B were the same sound, so every count there came from guessing.",
    "hearing": "If it is high, I hear differences that no meter shows.",
    "deaf": "If it is low, I cannot hear 3 dB either.",
}

LEFT_OVER = {
    "nothing": "Nothing: the two are the same sample by sample, so there is no difference to hear.",
    "small": "A difference too small for the meter, which trained ears may still hear.",
    "level": "A difference in level of 3 dB, since a null only shows differences in tone.",
}


def meaning_options(given: dict) -> tuple[Option, ...]:
    """Return the meanings in the order drawn."""
    return tuple(Option(key, MEANINGS[key]) for key in given["meanings"])
