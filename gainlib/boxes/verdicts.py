"""Verdicts on boxes: the kinds there are, what a verdict rests on, and how it is said."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from gainlib.boxes.probing import Residual, level
from gainlib.levels.printing import number, quantity

SILENT_DBFS = -200.0

LINEAR = "linear"
TIME_VARYING = "linear, time-varying"
NOISY = "linear plus noise or offset"
UP_TO = "linear up to a level"
NONLINEAR = "nonlinear"
KINDS = (LINEAR, TIME_VARYING, NOISY, UP_TO, NONLINEAR)
AS_SHOWN, ROUNDED = "linear as far as the recording shows", "linear but for rounding"
LEVEL_DEPENDENT, CANNOT_TELL = "level-dependent", "cannot tell"
"""The last four are verdicts on recordings alone."""


class Row(NamedTuple):
    """How one stimulus came through at one level.

    Attributes
    ----------
    stimulus : str
        "noise", "sine" or "two tones".
    level_dbfs : float
        Its peak level.
    gain_db : float
        Level out over level in; −inf for silence.
    residual_db : float
        Homogeneity: what is left when the output at the reference level, scaled, is taken off; relative to it.
    floor_db : float
        Up to here a residual is rounding, or the box's own noise.
    """

    stimulus: str
    level_dbfs: float
    gain_db: float
    residual_db: float
    floor_db: float

    @property
    def passed(self) -> bool:
        """Whether nothing but rounding or noise is left."""
        return self.residual_db <= self.floor_db


class LinearityLimit(NamedTuple):
    """The end of a linear stretch.

    Attributes
    ----------
    level_dbfs : float
        Highest peak level that still passes.
    sharp : bool
        Whether it ends at a corner: within a decibel what is left is plain to see, and its height grows in step with
        the excess, as behind a clip, a limiter or a compressor without a knee. In a knee or a bend it grows with the
        square of the excess, or faster.
    held_back : bool
        Whether the gain falls above it, rather than rise as that of a gate.
    """

    level_dbfs: float
    sharp: bool
    held_back: bool

    @property
    def ceiling(self) -> bool:
        """Whether the box is a wire up to here and holds back what exceeds it."""
        return self.sharp and self.held_back


@dataclass(frozen=True)
class Evidence:
    """What a verdict rests on.

    Attributes
    ----------
    rows : tuple of Row
        Homogeneity, stimulus by stimulus, from soft to loud.
    reference_dbfs : float
        Level that the others are compared with: the one whose neighbours agree best.
    repeatability_db : float
        Difference of two equal runs, relative; −inf if equal to the last bit.
    offset : float
        Mean of what comes out for silence, full scale 1.
    noise_dbfs : float
        Sine-referred RMS of what comes out for silence, offset taken off; −inf for none.
    superposition_db : float
        What a sum of noise and two tones makes beyond its parts, relative.
    parts_dbfs : float
        Peak level of each part in that test.
    shift_db : float or None
        What differs when the same comes later, relative; None where it was not asked or noise hides it.
    latency_s : float
        Delay of the output by cross-correlation.
    sentence : str
        The verdict in plain words.
    """

    rows: tuple[Row, ...]
    reference_dbfs: float
    repeatability_db: float
    offset: float
    noise_dbfs: float
    superposition_db: float
    parts_dbfs: float
    shift_db: float | None
    latency_s: float
    sentence: str

    def of(self, stimulus: str) -> tuple[Row, ...]:
        """Return the rows of one stimulus, from soft to loud."""
        return tuple(row for row in self.rows if row.stimulus == stimulus)


@dataclass(frozen=True)
class Linearity:
    """Whether a box cares about level.

    Attributes
    ----------
    kind : str
        "linear", "linear, time-varying", "linear plus noise or offset", "linear up to a level" or "nonlinear".
    linear_up_to_dbfs : float or None
        For "linear up to a level" the peak level of a sine where that ends, else None.
    evidence : Evidence
        What was measured.
    """

    kind: str
    linear_up_to_dbfs: float | None
    evidence: Evidence

    @property
    def linear(self) -> bool:
        """Whether its input level is free at all levels tested: the first three kinds."""
        return self.kind in (LINEAR, TIME_VARYING, NOISY)

    def __str__(self):
        return f"{self.kind}: {self.evidence.sentence}"


def sentence(
    kind: str, rows: tuple[Row, ...], edge: LinearityLimit | None, superposition: Residual, own: np.ndarray
) -> str:
    """Return a verdict in plain words.

    Parameters
    ----------
    kind : str
    rows : tuple of Row
        Homogeneity.
    edge : LinearityLimit or None
        Where a linear stretch ends, if there is one.
    superposition : Residual
    own : array, shape (frames,)
        What comes out for silence.
    """
    low, high = number(min(row.level_dbfs for row in rows)), quantity(max(row.level_dbfs for row in rows), "dBFS")
    alike = f"Fed at any level from {low} to {high}, it does the same"
    if kind == LINEAR:
        return f"{alike}; its input level is free."
    if kind == TIME_VARYING:
        return f"{alike} at the same time, though not at all times; its input level is free."
    if kind == NOISY:
        return f"{alike} and adds {_own(own)} of its own; its level only sets how far the sound is above that."
    if kind == UP_TO:
        return (
            f"Up to a sine of {quantity(edge.level_dbfs, 'dBFS', 1)} it works the same at any level; anything louder "
            f"is held back."
        )
    worst = max(rows, key=lambda row: row.residual_db - row.floor_db)
    if worst.passed:
        return (
            f"Its output for a sum differs by {quantity(superposition.residual_db, 'dB', 0)} from the sum of its "
            f"outputs for the parts, so it matters what plays together."
        )
    return _of_nonlinear(worst, edge)


def _of_nonlinear(worst, edge):
    heard = "the outputs have nothing in common"
    if worst.residual_db < np.inf:
        heard = f"the difference is {quantity(worst.residual_db, 'dB', 0)}"
    told = (
        f"Fed louder or softer, it works differently: with {worst.stimulus} at {quantity(worst.level_dbfs, 'dBFS')} "
        f"{heard}; its input level matters."
    )
    if edge is None:
        return told
    at = quantity(edge.level_dbfs, "dBFS", 1)
    return f"{told} {f'It sets in gradually, from {at} on' if edge.held_back else f'Its gain rises above {at}'}."


def _own(own):
    offset = float(own.mean())
    hiss, shift = level(own - offset), level(np.array([offset]))
    told = [f"noise at {quantity(hiss, 'dBFS', 1)}"] if hiss > SILENT_DBFS else []
    if shift > max(SILENT_DBFS, hiss):
        told.append(f"an offset of {number(offset)}")
    return " and ".join(told)
