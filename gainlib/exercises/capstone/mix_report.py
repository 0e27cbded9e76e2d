"""What the whole mix reads against what was found, line by line, and what is heard of it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio
from gainlib.demo.chains import CUED, DRUMS, WET
from gainlib.demo.recordings import BARS, BEAT_S
from gainlib.exercises.capstone import assignment, balanced
from gainlib.exercises.capstone.measurements import Figures, figures_of
from gainlib.session import Session

REFRAIN_S = (BARS - 4) * 4 * BEAT_S
HEARD_S = 10.0


@dataclass(frozen=True)
class MixRead:
    """The mix as it stands.

    Attributes
    ----------
    figures : Figures
        Of all nodes.
    common_db : float
        By how much the mix as a whole has moved.
    against_db : dict of str to float
        By how much each strip, and the drum group, has moved against the others it is summed with.
    wet_db, cue_db : dict of str to float
        Effect against dry, and cue, by strip: what has moved.
    reduction_db, reduction_found_db : float
        Gain reduction of the drum group, now and as it was found.
    """

    figures: Figures
    common_db: float
    against_db: dict[str, float]
    wet_db: dict[str, float]
    cue_db: dict[str, float]
    reduction_db: float
    reduction_found_db: float


def read(answer: dict | None, given: dict, told: Callable[[float], None] | None = None) -> MixRead:
    """Render the session with an answer's controls, and hold it against the session as it was found.

    Parameters
    ----------
    answer : dict or None
        Controls; None for the session as it is found.
    given : dict
        The variant.
    told : callable, optional
        ``told(done)`` is called with the share that is done.

    Returns
    -------
    MixRead
    """
    told = told or (lambda done: None)
    before = figures_of(None, given, lambda done: told(done / 2))
    now = figures_of(answer, given, lambda done: told((1 + done) / 2))
    common = balanced.common_move(before, now)
    drums = float(np.median([balanced.moved(before, now, f"{name}/out") for name in DRUMS]))
    against = {
        name: balanced.moved(before, now, f"{name}/out") - (drums if name in DRUMS else common)
        for name in (*assignment.SOUNDING, "drums")
    }
    return MixRead(
        figures=now,
        common_db=common,
        against_db=against,
        wet_db={name: balanced.wet_change_db(before, now, name) for name in WET},
        cue_db={name: balanced.moved(before, now, f"{name}/send cue") for name in CUED},
        reduction_db=balanced.reduction_db(now),
        reduction_found_db=balanced.reduction_db(before),
    )


def bus_heard(answer: dict | None, given: dict) -> Audio:
    """Return the refrain of the mix as it stands, float32."""
    session = assignment.session(given) if answer is None else assignment.staged(answer, given)
    return _refrain(session.render().bus, "mix")


def strip_heard(answer: dict, given: dict, name: str) -> tuple[Audio, Audio]:
    """Return the refrain of a stem as it came, and of its strip ahead of the fader, float32."""
    strip = assignment.staged(answer, given).strip(name).with_(sends=(), to=())
    post = Session((strip,)).render().audio(f"{name}/post")
    return _refrain(strip.audio, "stem"), _refrain(post, "strip")


def _refrain(audio, name):
    start = round(REFRAIN_S * audio.rate_hz)
    cut = audio.samples[start : start + round(HEARD_S * audio.rate_hz)].astype(np.float32)
    return Audio(cut, audio.rate_hz, name)
