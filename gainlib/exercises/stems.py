"""Stems of the demo song as the labs play them: one bar, eight seconds, the whole; and a strip with one insert."""

from functools import cache

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.demo.recordings import recorded
from gainlib.exercises.refrain import refrain, short_name
from gainlib.session import Insert, ReferencedAudio, Session, Strip, register_source

__all__ = ["DRUMS", "STEMS", "bar", "excerpt", "one_strip", "short_name", "whole"]

STEMS = ("01 kick", "02 snare", "05 bass", "06 guitar", "09 lead vocal")
TOMS = "04 toms"
DRUMS = ("01 kick", "02 snare", "03 overheads", TOMS)
BAR_S, EXCERPT_S, _FADE_S = 2.5, 8.0, 0.01


@cache
def bar(stem: str) -> ReferencedAudio:
    """Return the first bar of the refrain of one stem."""
    if stem not in {*STEMS, TOMS}:
        raise GainlibError(f"there is no bar of {stem!r}; there is {', '.join((*STEMS, TOMS))}")
    audio = refrain(stem)
    samples = np.array(audio.samples[: round(BAR_S * audio.rate_hz)])
    samples = samples if stem in STEMS else _mono(audio.with_samples(samples))
    return ReferencedAudio(samples, audio.rate_hz, stem, {"bar": stem})


@cache
def excerpt(*stems: str) -> Audio:
    """Return eight seconds of the refrain of one or several stems, mono, faded at the end."""
    parts = [refrain(stem) for stem in stems]
    rate_hz = parts[0].rate_hz
    samples = sum(_mono(part)[: round(EXCERPT_S * rate_hz)] for part in parts)
    fade = round(_FADE_S * rate_hz)
    samples[-fade:] *= np.linspace(1.0, 0.0, fade)[:, np.newaxis]
    return Audio(samples, rate_hz, stems[0])


@cache
def whole(*stems: str) -> Audio:
    """Return one or several stems from end to end, mono."""
    parts = [recorded(stem) for stem in stems]
    return Audio(sum(_mono(part) for part in parts), parts[0].rate_hz, stems[0])


def _mono(audio):
    return np.asarray(audio.samples, np.float64).mean(axis=1, keepdims=True)


def one_strip(audio: Audio, processor=None, trim_db: float = 0.0) -> Session:
    """Return a session of one strip, "strip", with one insert or none."""
    inserts = () if processor is None else (Insert(processor),)
    return Session((Strip("strip", audio, trim_db=trim_db, inserts=inserts),))


def _resolve(document):
    if set(document) != {"bar"}:
        raise GainlibError(f"audio is {document!r}; a bar of a stem has just its name")
    return bar(document["bar"])


register_source("bar", _resolve)
