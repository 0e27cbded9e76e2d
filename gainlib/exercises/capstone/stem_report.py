"""Stems as they arrive, in figures and without a verdict: what a fault report is made from."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from gainlib.exercises.capstone import assignment
from gainlib.meters import Reading
from gainlib.mix import checkup
from gainlib.mix.relations import REACH_S, Snapshots, main_correlation

OVERHEADS = "03 overheads"
_OPEN = 2


@dataclass(frozen=True)
class Arrived:
    """A stem as it arrives.

    Attributes
    ----------
    name : str
    channels : int
    reading : Reading
    floor_dbfs : float or None
        A steady floor in its pauses; None where there is none to be measured.
    correlation : float or None
        Between left and right.
    side_db : float or None
        Left minus right against the whole.
    lag_ms, against_overheads : float or None
        Where the main correlation with the overheads lies within 10 ms, and its value.
    """

    name: str
    channels: int
    reading: Reading
    floor_dbfs: float | None
    correlation: float | None
    side_db: float | None
    lag_ms: float | None
    against_overheads: float | None


_HELD: dict = {}


def arrived(seed: int, told: Callable[[float], None] | None = None) -> tuple[Arrived, ...]:
    """Return the stems of a session in figures; some seconds of work the first time.

    Parameters
    ----------
    seed : int
        Number of the session.
    told : callable, optional
        ``told(done)`` is called with the share that is done.

    Returns
    -------
    tuple of Arrived
    """
    if seed not in _HELD:
        while len(_HELD) >= _OPEN:
            _HELD.pop(next(iter(_HELD)))
        _HELD[seed] = tuple(_looked_at(seed, told or (lambda done: None)))
    return _HELD[seed]


def _looked_at(seed, told):
    strips = assignment.session_of(seed).strips
    spectra = {}
    for k, strip in enumerate(strips):
        told(k / (2 * len(strips)))
        spectra[strip.name] = _spectra(strip.audio)
    checked = checkup(strips, lambda label, done, count: told((1 + done / count) / 2))
    for stem, strip in zip(checked, strips, strict=True):
        lag, value = None, None
        if strip.name not in (OVERHEADS, assignment.SILENT):
            reach = round(REACH_S * strip.audio.rate_hz)
            frames, value = main_correlation(spectra[strip.name], spectra[OVERHEADS], reach)
            lag = 1000.0 * frames / strip.audio.rate_hz
        figures = (stem.noise_dbfs, stem.correlation, stem.side_db)
        yield Arrived(stem.name, stem.channels, stem.reading, *figures, lag, value)


def _spectra(audio) -> np.ndarray:
    snapshots = Snapshots(audio.rate_hz, audio.frames / audio.rate_hz)
    for block in audio.blocks():
        snapshots.push(block)
    return snapshots.result()
