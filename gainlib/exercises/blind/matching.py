"""Five pairs of one sound at two levels: draw them, play them, read them."""

from dataclasses import dataclass

from gainlib.audio import Audio
from gainlib.exercises.blind.clips import CLIPS, clip, louder, loudness_lufs
from gainlib.exercises.variants import pick, shuffled
from gainlib.meters import sample_peak_dbfs

LEAST_DB, MOST_DB, STEP_DB = 1.5, 6.0, 0.25
OFFSETS_DB = tuple(
    sign * step * STEP_DB for sign in (-1, 1) for step in range(round(LEAST_DB / STEP_DB), round(MOST_DB / STEP_DB) + 1)
)
TRIALS = len(CLIPS)


@dataclass(frozen=True)
class Draw:
    """The given values: the order of the clips, and by how many dB the second of each pair is louder."""

    def __call__(self, rng) -> dict:
        """Draw every clip once, and differences of both signs."""
        offsets = [pick(rng, OFFSETS_DB) for _ in CLIPS]
        if len({offset > 0 for offset in offsets}) < 2:
            return None
        return {"clips": shuffled(rng, CLIPS), "offsets_db": offsets}

    def holds(self, given: dict) -> bool:
        """Whether these could have been drawn."""
        return sorted(given["clips"]) == sorted(CLIPS) and all(each in OFFSETS_DB for each in given["offsets_db"])


@dataclass(frozen=True)
class PairReading:
    """What meters read on one pair.

    Attributes
    ----------
    clip : str
        What plays.
    a_lufs, b_lufs, a_peak_dbfs, b_peak_dbfs : float
        Loudness from two loudspeakers, and sample peak, as B is found.
    """

    clip: str
    a_lufs: float
    b_lufs: float
    a_peak_dbfs: float
    b_peak_dbfs: float


def settings_db(given: dict) -> list[float]:
    """Return by how much each B has to be turned, up is positive."""
    return [-offset + 0.0 for offset in given["offsets_db"]]


def sounds(given: dict) -> list[tuple[Audio, Audio]]:
    """Return the pairs A, B as they are found; the louder of the two always has the same loudness."""
    made = []
    for name, offset in zip(given["clips"], given["offsets_db"], strict=True):
        top = -max(offset, 0.0)
        made.append((louder(clip(name), top), louder(clip(name), top + offset)))
    return made


def readings(given: dict) -> list[PairReading]:
    """Measure the pairs."""
    measured = []
    for name, (a, b) in zip(given["clips"], sounds(given), strict=True):
        measured.append(PairReading(name, loudness_lufs(a), loudness_lufs(b), sample_peak_dbfs(a), sample_peak_dbfs(b)))
    return measured


def turned_the_wrong_way(answer, given: dict) -> bool:
    """Whether the settings have the right sizes and the wrong signs."""
    entries = answer["silent"] if isinstance(answer, dict) else answer
    off = [abs(mine + right) for mine, right in zip(entries, settings_db(given), strict=True)]
    return sum(off) / len(off) <= 1.0


def left_alone(answer, given: dict) -> bool:
    """Whether no B was turned at all."""
    entries = answer["silent"] if isinstance(answer, dict) else answer
    return all(entry == 0 for entry in entries)
