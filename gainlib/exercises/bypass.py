"""Which of two equal sounds is liked better, and whether a matched stage can be told from its bypass."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from gainlib.audio import Audio
from gainlib.exercises.clips import STEMS, clip, louder, loudness_lufs, residual_db
from gainlib.exercises.listening import Abx, NoListening, least_right
from gainlib.exercises.model import Judgement
from gainlib.exercises.parts import Multi
from gainlib.exercises.variants import BlindOrder, InAnyOrder, draws, grid, one_of, run_number
from gainlib.levels import db_to_ratio
from gainlib.meters.average import averages
from gainlib.processors import Saturation

CLIPS = tuple(STEMS)
PREFERENCES, TRIALS = 8, 16
START_DBFS, LOWEST_DBFS, HIGHEST_DBFS = -12.0, -30.0, 0.0
SHOWN, NOT_SHOWN, PROVED, BETTER = "shown", "not shown", "proved", "better"

# -------------------------------------------------------------------------------------------------- what is to be heard


def pair(given: dict, trial: int) -> tuple[Audio, Audio]:
    """Return A and B of a preference, counted from 0: the same sound, one of the two louder."""
    up = {name: given["louder_db"] / 2 * (1 if given["louder"][trial] == name else -1) for name in "AB"}
    return tuple(louder(clip(given["clip"]), up[name]) for name in "AB")


@dataclass(frozen=True)
class Pass:
    """A clip behind a saturating stage, brought back to its energy; what subtracting it leaves of the bypass."""

    bypass: Audio
    active: Audio
    residual_db: float


@lru_cache(maxsize=16)
def passed(name: str, average_dbfs: float) -> Pass:
    """Return a clip that was fed to a saturating stage at an active level, matched to its bypass."""
    sound = clip(name)
    source = sound.samples.astype(np.float64)
    feed = db_to_ratio(average_dbfs - averages(sound).active_dbfs)
    bent = Saturation().process(sound.with_samples(source * feed)).samples
    matched = bent * np.sqrt(np.mean((source - source.mean()) ** 2) / np.mean((bent - bent.mean()) ** 2))
    active = sound.with_samples(matched.astype(np.float32))
    return Pass(sound, active, residual_db(sound, active))


def loudness_of_pairs(given: dict) -> list[tuple[float, float]]:
    """Return the loudness of A and B in every preference."""
    return [tuple(loudness_lufs(sound) for sound in pair(given, trial)) for trial in range(PREFERENCES)]


def residuals_db(given: dict, average_dbfs: float = START_DBFS) -> list[float]:
    """Return for each blind trial what subtracting X from the bypass leaves; −inf where X is the bypass."""
    left = passed(given["clip"], average_dbfs).residual_db
    return [left if name == "B" else -np.inf for name in given["order"]]


# ----------------------------------------------------------------------------------------------- what is asked and said


@dataclass(frozen=True)
class Preference(Abx):
    """Which of two is liked better, trial by trial; complete is right, and the verdict tells what the level did."""

    must_show: bool = False

    def _judge(self, value, key, given):
        louder_ones = sum(mine == own for mine, own in zip(value, key, strict=True))
        return Judgement(1.0, f"the run is complete; you preferred the louder one in {louder_ones} of {self.trials}")


def trial_options(count: int):
    """Return the options of so many trials."""
    return {str(k): f"trial {k}" for k in range(1, count + 1)}


def trials_in_which(name: str, letter: str):
    """Return the function that lists the trials whose entry in an order is a letter, as keys of options."""
    return lambda given: [str(k) for k, each in enumerate(given[name], start=1) if each == letter]


def blind_run(
    label: str,
    order: str,
    count: int,
    ticks: str = "From the readings: tick the trials in which X is B",
    letter: str = "B",
    kind: type[Abx] = Abx,
    **more,
) -> Abx:
    """Return a run as a part, with its way for those who do not listen: to tick the trials that are of a letter."""
    silent = NoListening(
        Multi(ticks, points=more["points"], options=trial_options(count)), trials_in_which(order, letter)
    )
    return kind(label, trials=count, silent=silent, **more)


MEANINGS = {
    "level": "How far a small difference in level sways me. Nothing about tone: it was one and the same sound.",
    "tone": "Which of the two sounds has the better tone.",
    "ears": "Whether I can hear a difference in level of that size.",
}
VERDICTS = {
    SHOWN: "A difference between stage and bypass is shown. Which of them is better is another question.",
    NOT_SHOWN: "No audible difference is shown. That is no proof that there is none.",
    PROVED: "It is proved that stage and bypass sound the same.",
    BETTER: "The stage sounds better than its bypass.",
}


RUNS = draws(
    clip=one_of(*CLIPS),
    louder_db=grid(0.6, 1.2, 0.1),
    other=grid(8, 15),
    louder=BlindOrder(PREFERENCES, 3),
    order=BlindOrder(TRIALS, 6),
    meanings=InAnyOrder(tuple(MEANINGS)),
    verdicts=InAnyOrder(tuple(VERDICTS)),
)
"""A clip, the orders of both runs, and someone else's count for those who take the readings."""


def options(name: str, texts: dict):
    """Return the function that lists options in the order drawn."""
    return lambda given: {key: texts[key] for key in given[name]}


def conclusion(values: list[Any], given: dict) -> str | None:
    """Return what the data of the blind run allow to say: the learner's own, or the count given with the readings."""
    answer = values[1]
    if isinstance(answer, dict):
        return allowed(given["other"], 1)
    right = sum(mine == own for mine, own in zip(answer, given["order"], strict=True))
    return allowed(right, run_number(given))


def allowed(right: int, runs: int) -> str:
    """Return the verdict on a count of 16, over so many runs.

    Examples
    --------
    >>> allowed(12, 1), allowed(12, 2), allowed(13, 2)
    ('shown', 'not shown', 'shown')
    """
    return SHOWN if right >= least_right(TRIALS, runs) else NOT_SHOWN
