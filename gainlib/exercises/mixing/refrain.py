"""The refrain of the demo song as a mix to be worked on, and what the exercises measure on it.

The refrain is where everything plays. Its ten seconds are cut once a process and referred to as
``{"refrain": "01 kick"}``, so that a mix of them is saved, compared and cached without its samples.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from gainlib.audio import GainlibError
from gainlib.demo import demo_session
from gainlib.demo.recordings import BARS, BEAT_S, RECORDINGS
from gainlib.levels import ratio_to_db
from gainlib.meters import rms_dbfs, true_peak_dbtp
from gainlib.session import ReferencedAudio, Session, Strip, register_source

SILENT = "11 shaker"
STEMS = tuple(stem for stem in RECORDINGS if stem != SILENT)
REFRAIN_BARS = 4
_AHEAD_S = 0.010
_FADE_S = 0.005
_RENDERED = 24


@dataclass(frozen=True)
class MixReading:
    """What is measured on a rendered mix.

    Attributes
    ----------
    true_peak_dbtp, sample_peak_dbfs : float
        Of the bus, behind the master fader.
    cut_samples : int
        Samples that the sum holds at full scale or beyond, both channels counted, ahead of the master.
    levels_dbfs : dict of str to float
        RMS of every strip as added to the sum, sine-referred.
    """

    true_peak_dbtp: float
    sample_peak_dbfs: float
    cut_samples: int
    levels_dbfs: dict[str, float]


@cache
def refrain(stem: str) -> ReferencedAudio:
    """Return the refrain of one clean stem, from just ahead of its first beat to the end of the song."""
    if stem not in STEMS:
        raise GainlibError(f"the refrain has no stem {stem!r}; there is {', '.join(STEMS)}")
    audio = _song().strip(stem).audio
    start = round(((BARS - REFRAIN_BARS) * 4 * BEAT_S - _AHEAD_S) * audio.rate_hz)
    samples = np.array(audio.samples[start:])
    fade = round(_FADE_S * audio.rate_hz)
    samples[:fade] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)[:, np.newaxis].astype(samples.dtype)
    return ReferencedAudio(samples, audio.rate_hz, stem, {"refrain": stem})


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
    """Return the refrain as a session.

    Parameters
    ----------
    faders_db : sequence of float
        In the order of `STEMS`.
    trims_db : sequence of float, or one for all
        Input trims.
    bus : {"float", "fixed"}
        Arithmetic of the sum.
    name : str
        Of the session.
    """
    trims = [trims_db] * len(STEMS) if isinstance(trims_db, (int, float)) else trims_db
    strips = [
        Strip(stem, refrain(stem), trim_db=float(trim), fader_db=float(fader))
        for stem, trim, fader in zip(STEMS, trims, faders_db, strict=True)
    ]
    return Session(tuple(strips), bus=bus, name=name)


@lru_cache(maxsize=_RENDERED)
def read_mix(session: Session) -> MixReading:
    """Render a mix and measure it; the last few are kept, since several checks look at one answer."""
    outs = {strip.name: f"{strip.name}/out" for strip in session.strips}
    audios = session.render().audios(["bus/in", "bus", *outs.values()])
    total, bus = audios["bus/in"].samples, audios["bus"]
    return MixReading(
        true_peak_dbtp(bus),
        float(ratio_to_db(np.abs(bus.samples).max())),
        int(np.count_nonzero(np.abs(total) >= 1.0)),
        {name: rms_dbfs(audios[node]) for name, node in outs.items()},
    )


def widest_move(before: MixReading, after: MixReading) -> tuple[float, str, str]:
    """Return how far the level between two tracks has moved at most, in dB, and which two.

    Returns
    -------
    moved_db : float
        0 where the balance is what it was.
    louder, softer : str
        The track that came up against the other.
    """
    moves = {name: after.levels_dbfs[name] - level for name, level in before.levels_dbfs.items()}
    louder, softer = max(moves, key=moves.get), min(moves, key=moves.get)
    return moves[louder] - moves[softer], louder, softer


def _resolve(reference):
    if set(reference) != {"refrain"}:
        raise GainlibError(f"audio is {reference!r}; a stem of the refrain has just its name")
    return refrain(reference["refrain"])


register_source("refrain", _resolve)
