"""The refrain of the demo song as a mix to be worked on.

The refrain is where everything plays. Its ten seconds are cut once a process and referred to as
``{"refrain": "01 kick"}``, so that a mix of them is saved, compared and cached without its samples.
"""

from collections.abc import Sequence
from functools import cache

import numpy as np

from gainlib.audio import GainlibError, prepared
from gainlib.demo import demo_session
from gainlib.demo.recordings import BARS, BEAT_S, RATE_HZ, RECORDINGS
from gainlib.session import ReferencedAudio, Session, Strip, register_source

SILENT = "11 shaker"
STEMS = tuple(stem for stem in RECORDINGS if stem != SILENT)
REFRAIN_BARS = 4
REFRAIN_S = (BARS - REFRAIN_BARS) * 4 * BEAT_S, REFRAIN_BARS * 4 * BEAT_S  # where it begins in the song, and its length
_AHEAD_S = 0.010
_FADE_S = 0.005


@cache
def refrain(stem: str) -> ReferencedAudio:
    """Return the refrain of one clean stem, from just ahead of its first beat to the end of the song."""
    if stem not in STEMS:
        raise GainlibError(f"the refrain has no stem {stem!r}; there is {', '.join(STEMS)}")
    samples = prepared.array(f"refrain {stem}", lambda: _cut(stem))
    return ReferencedAudio(samples, RATE_HZ, stem, {"refrain": stem})


def _cut(stem):
    start = round(((BARS - REFRAIN_BARS) * 4 * BEAT_S - _AHEAD_S) * RATE_HZ)
    samples = np.array(_song().strip(stem).audio.samples[start:])
    fade = round(_FADE_S * RATE_HZ)
    samples[:fade] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)[:, np.newaxis].astype(samples.dtype)
    return samples


@cache
def _song():
    return demo_session(faults=False, balance="rough")


def short_name(stem: str) -> str:
    """Return a stem's name without its track number.

    Examples
    --------
    >>> short_name("09 lead vocal")
    'lead vocal'
    """
    return stem.partition(" ")[2]


def rough_faders_db() -> tuple[float, ...]:
    """Return the faders of the song's rough balance, in the order of `STEMS`."""
    return tuple(_song().strip(stem).fader_db + _song().strip(stem).trim_db for stem in STEMS)


def mix(
    faders_db: Sequence[float], trims_db: Sequence[float] | float = 0.0, bus: str = "float", name: str = ""
) -> Session:
    """Return the refrain as a session."""
    trims = [trims_db] * len(STEMS) if isinstance(trims_db, (int, float)) else trims_db
    strips = [
        Strip(stem, refrain(stem), trim_db=float(trim), fader_db=float(fader))
        for stem, trim, fader in zip(STEMS, trims, faders_db, strict=True)
    ]
    return Session(tuple(strips), bus=bus, name=name)


def _resolve(reference):
    if set(reference) != {"refrain"}:
        raise GainlibError(f"audio is {reference!r}; a stem of the refrain has just its name")
    return refrain(reference["refrain"])


register_source("refrain", _resolve)
