"""A printed mix that came back from the mixer, against what was planned.

A print of the bus is measured, and subtracted from the planned bus once time, speed, level and polarity are taken out
(:mod:`gainlib.boxes.null`). With linear chains the two cancel; where boxes depend on level they need not, and the
difference of level is what is left to compare. The limits are common practice, no source.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from gainlib.audio import Audio, GainlibError
from gainlib.boxes.null import DEEP_DB, NullReport, null_test
from gainlib.levels.printing import number, quantity
from gainlib.meters import Reading, measure
from gainlib.mix.strips import level_dependent
from gainlib.session import Session

PEAK_LIMIT_DB = 0.3

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class PrintReport:
    """A printed mix against the plan.

    Attributes
    ----------
    planned, printed : Reading
        The bus as planned, and as it came back.
    null : NullReport or None
        None where the two have nothing in common.
    linear : bool
        Whether everything on the way to the bus is linear, so that the two ought to cancel.
    sentences : tuple of str
        What it amounts to, the verdict first.
    """

    planned: Reading
    printed: Reading
    null: NullReport | None
    linear: bool
    sentences: tuple[str, ...]

    @property
    def peak_off_db(self) -> float:
        """True peak of the print less the planned one."""
        return self.printed.true_peak_dbtp - self.planned.true_peak_dbtp

    @property
    def passed(self) -> bool:
        """Whether the print peaks where the plan said."""
        return abs(self.peak_off_db) <= PEAK_LIMIT_DB


def compare_print(planned: Session, printed: Audio, progress: Progress | None = None) -> PrintReport:
    """Compare a printed mix with the bus of a planned session.

    Parameters
    ----------
    planned : Session
        With every move made.
    printed : Audio
        What came back from the mixer, two channels.
    progress : callable, optional
        Called with a label, the steps done and the steps in all.

    Raises
    ------
    GainlibError
        For another rate or number of channels, and for silence.
    """
    told = progress or (lambda *_: None)
    if printed.channels == 1:
        raise GainlibError(f"{printed.name or 'the print'} is mono; print the bus in stereo")
    if printed.rate_hz != planned.rate_hz:
        raise GainlibError(
            f"{printed.name or 'the print'} runs at {printed.rate_hz} Hz and the song at {planned.rate_hz} Hz; "
            "print it at the rate of the song"
        )
    told("print", 0, 4)
    bus = planned.render().bus
    told("print", 1, 4)
    readings = measure(bus), measure(printed)
    if not all(math.isfinite(reading.true_peak_dbtp) for reading in readings):
        raise GainlibError("the plan or the print is silent; there is nothing to compare")
    told("print", 2, 4)
    try:
        null = null_test(Audio(bus.samples, bus.rate_hz, "the plan"), printed)
    except GainlibError:
        null = None
    told("print", 4, 4)
    linear = not any(level_dependent(owner.inserts) for owner in (*planned.strips, *planned.groups, planned.master))
    return PrintReport(*readings, null, linear, tuple(_sentences(*readings, null, linear)))


def _sentences(planned, printed, null, linear):
    off = printed.true_peak_dbtp - planned.true_peak_dbtp
    near = f"{'within' if abs(off) <= PEAK_LIMIT_DB else 'NOT within'} {number(PEAK_LIMIT_DB)} dB"
    peaks = (quantity(reading.true_peak_dbtp, "dBTP", 2) for reading in (printed, planned))
    yield f"True peak {', planned '.join(peaks)}: {quantity(off, 'dB', 2, signed=True)}, {near}."
    if null is None or not null.alike:
        yield "The print has nothing in common with the planned bus; is it a print of this song, from the same start?"
        return
    level = f"The print is at {quantity(null.gain_db, 'dB', 2, signed=True)} against the plan"
    turned = ", inverted" if null.polarity < 0 else ""
    start = f", and starts {number(1000 * null.offset_s, 2, signed=True)} ms later" if null.offset_s else ""
    yield f"{level}{turned}{start}."
    depth = quantity(null.depth_db, "dB", 1)
    if not null.whole:
        plan_s, print_s = (quantity(seconds, "s", 1) for seconds in null.left_out_s)
        yield (
            f"The comparison covers {quantity(null.compared_s, 's', 1)}; it leaves out {plan_s} of the plan and "
            f"{print_s} of the print that have sound. Print the whole song, from the same start."
        )
    if null.depth_db <= DEEP_DB:
        yield f"After subtraction, {depth} remain: it is the planned mix{'' if null.whole else ', as far as it goes'}."
    elif linear:
        yield (
            f"After subtraction, {depth} remain, but {quantity(DEEP_DB, 'dB')} is possible, because nothing here "
            f"depends on level: a control is off, or something on the mixer is not in the chains."
        )
    else:
        yield (
            f"After subtraction, {depth} remain. Boxes on the way depend on level, and the real ones are not these "
            f"models, so that proves nothing; go by the levels."
        )
