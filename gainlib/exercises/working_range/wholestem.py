"""A whole stem through a box, once the hand rests: what the meters read ahead of it, and the match behind it."""

from functools import lru_cache

import numpy as np

from gainlib.audio import Audio
from gainlib.boxes.matching import Match, matched_output
from gainlib.demo.recordings import recorded
from gainlib.exercises.working_range.bench import box_called
from gainlib.levels import db_to_ratio
from gainlib.meters import NodeReading, levels_of


def whole(stem: str) -> Audio:
    """Return the whole stem, mono."""
    audio = recorded(stem)
    return audio.with_samples(audio.samples.mean(axis=1, keepdims=True, dtype=np.float64))


@lru_cache(maxsize=32)
def match_whole(stem: str, box: str, trim_db: float) -> tuple[NodeReading, Match]:
    """Return levels at the box's input, and the match, over the whole stem.

    Parameters
    ----------
    stem, box : str
        Names.
    trim_db : float
        Gain ahead of the box.

    Returns
    -------
    fed : NodeReading
        With the needle.
    match : gainlib.boxes.matching.Match
        By energy.
    """
    audio = whole(stem)
    fed = audio.with_samples(audio.samples * db_to_ratio(trim_db))
    return levels_of(fed, ("sample_peak", "rms", "active", "needle")), matched_output(box_called(box), fed)
