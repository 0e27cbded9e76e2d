"""How loud a box likes to be fed: its working range, found by measurement.

Four kinds of boxes have one, and each shows by what it does to a steady sine:

- a gate lets through more of what is louder: the range in which its opening level stands between the noise in the
  pauses and the quietest wanted note of some material;
- dynamics turn down and stay clean: the range in which they take 2 to 6 dB off on average while the material sounds
  (common practice, no source);
- a noisy stage that bends further up: the range in which noise and distortion together stay within 3 dB of their
  lowest share;
- a stage that bends: the range in which distortion lies between 0.3 and 3 % (common practice, no source).

All else has no preference. Levels are averages at the input, sine-referred: the active level of material.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from gainlib.audio import Audio, AudioFile
from gainlib.boxes.drive import RATE_HZ, Material, Tone, excerpt, noise_and_notes
from gainlib.boxes.probing import DeviceUnderTest
from gainlib.levels import db_to_ratio
from gainlib.processors import Processor
from gainlib.words import number, quantity

TOP_DBFS, STEP_DB = 6.0, 2.0
LEVELS_DBFS = tuple(float(step) for step in np.arange(-60.0, TOP_DBFS + 0.1, STEP_DB))
SOFTEST_DBFS, LOUDEST_DBFS = -40.0, 0.0
THD_PERCENT, GOOD_THD_PERCENT = (0.3, 3.0), 1.0
REDUCTION_DB, GOOD_REDUCTION_DB = (2.0, 6.0), 4.0
CLEAN_PERCENT = 1.0
NOISE_MARGIN = 10.0 ** (3.0 / 20.0)
HISS = 1e-9
OPENS_DB, NEARLY_OPEN_DB = 3.0, 1.0
OVER_NOISE_DB, UNDER_NOTE_DB = 6.0, 3.0
NARROW_DB = 3.0
SEARCH_DB = 0.02


class WorkingRange(NamedTuple):
    """Average levels at the input of a box between which it works as it is meant to.

    Attributes
    ----------
    low_dbfs, best_dbfs, high_dbfs : float
        Edges, and a good level between them.
    reason : str
        Why, in plain words.
    """

    low_dbfs: float
    best_dbfs: float
    high_dbfs: float
    reason: str


def working_range(
    processor: Processor | Callable[[np.ndarray, int], np.ndarray], audio: Audio | AudioFile | None = None
) -> WorkingRange | None:
    """Find the average levels at which a box works as it is meant to.

    Parameters
    ----------
    processor : Processor or callable
        A processor, or a function of samples and sample rate. A level it says it is built for is taken as the best one
        if it lies within what is measured.
    audio : Audio or AudioFile, optional
        The material it is to work on. Dynamics and noisy stages are measured on its loudest 30 s; without it on a
        steady sine. A gate has no range without it.

    Returns
    -------
    WorkingRange or None
        None where nothing between −40 and 0 dBFS speaks for one level or another, and for a gate where the material has
        no pauses to tell its noise from, or no room between noise and notes.

    Examples
    --------
    >>> from gainlib.processors import Filter, Saturation
    >>> found = working_range(Saturation())
    >>> [round(level, 1) for level in found[:3]]
    [-23.3, -18.0, -12.9]
    >>> working_range(Filter()) is None
    True
    """
    box = DeviceUnderTest(processor)
    return range_of(box, Tone(box, rate_hz=RATE_HZ if audio is None else audio.rate_hz), audio)


def range_of(box: DeviceUnderTest, tone: Tone, audio: Audio | AudioFile | None = None) -> WorkingRange | None:
    """Find the working range of a box that is fed a steady sine, or of which it is known what it makes of one."""
    read = np.array([tone.read(level) for level in LEVELS_DBFS])
    gain, thd, thdn = read[:, 0], np.nan_to_num(read[:, 1], nan=100.0), np.nan_to_num(read[:, 2], nan=100.0)
    if not np.isfinite(gain).any():
        return None
    top = int(np.argmax(gain > gain.max() - NEARLY_OPEN_DB))
    if gain[0] < gain.max() - OPENS_DB and thd[top] < CLEAN_PERCENT:
        return None if audio is None else _of_gate(tone, gain, top, audio)
    fallen = np.flatnonzero((gain < gain.max() - REDUCTION_DB[0]) & (np.arange(len(gain)) > int(np.argmax(gain))))
    if fallen.size and thd[fallen[0]] < CLEAN_PERCENT:
        found = _of_dynamics(box, tone, audio)
    elif _hisses(box, RATE_HZ if audio is None else audio.rate_hz) and _dips(thdn):
        found = _of_noise(box, tone, audio)
    else:
        # Where most of what is not the tone lies between its harmonics, what lies on them is noise, too.
        found = _of_bend(box, tone, np.where(thd > thdn / 2.0, thd, 0.0))
    if found is None or found.low_dbfs > LOUDEST_DBFS or found.high_dbfs < SOFTEST_DBFS:
        return None
    return WorkingRange(*(float(level) for level in found[:3]), found.reason)


# ------------------------------------------------------------------------------------------------------- kinds of boxes


def _of_bend(box, tone, thd):
    """Return where a sine's distortion, growing with level, lies between 0.3 and 3 %."""
    low, high = THD_PERCENT
    beneath = np.flatnonzero(thd <= high)
    if not beneath.size:
        return None
    last = int(beneath[-1])
    softer = np.flatnonzero(thd[: last + 1] < low)
    first = int(softer[-1]) if softer.size else 0
    if first == len(thd) - 1:
        return None  # even the loudest is clean

    def share(level):
        return tone.read(level)[1]

    high_dbfs = _crossing(share, high, *LEVELS_DBFS[last : last + 2]) if last + 1 < len(thd) else TOP_DBFS
    low_dbfs = _crossing(share, low, LEVELS_DBFS[first], high_dbfs)
    middle = _crossing(share, GOOD_THD_PERCENT, low_dbfs, high_dbfs)
    best, why = _best(box, low_dbfs, high_dbfs, middle, f"where it is {number(GOOD_THD_PERCENT)} %")
    reason = (
        f"Fed at {_span(low_dbfs, high_dbfs)} on average, a steady tone comes out with {number(low)} to {number(high)} "
        f"% distortion: audible, and not yet rough (common practice, no source); {why}."
    )
    if high_dbfs - low_dbfs < NARROW_DB:
        reason += " That is a ceiling to stay below rather than a range to work in: nothing happens below it."
    return WorkingRange(low_dbfs, best, high_dbfs, reason)


def _of_dynamics(box, tone, audio):
    """Return where the mean gain reduction lies between 2 and 6 dB."""
    if audio is None:
        heard = "a steady tone"

        def reduction(level):
            return tone.reduction_db(tone.read(level)[0])
    else:
        material = Material(box, excerpt(audio))
        heard, reduction = material.name or "this material", material.reduction_db

    least, most = REDUCTION_DB
    start, end = LEVELS_DBFS[0], TOP_DBFS
    if reduction(end) < least:
        return None
    low_dbfs = _crossing(reduction, least, start, end)
    high_dbfs = _crossing(reduction, most, low_dbfs, end)
    middle = _crossing(reduction, GOOD_REDUCTION_DB, low_dbfs, high_dbfs)
    best, why = _best(box, low_dbfs, high_dbfs, middle, f"where it is {number(GOOD_REDUCTION_DB)} dB")
    reason = (
        f"Fed at {_span(low_dbfs, high_dbfs)} on average, {heard} is turned down by {number(least)} to {number(most)} "
        f"dB on average while it sounds: working, and not yet too much (common practice, no source); {why}."
    )
    return WorkingRange(low_dbfs, best, high_dbfs, reason)


def _of_noise(box, tone, audio):
    """Return where noise and distortion together lie within 3 dB of their lowest share."""
    if audio is None:
        share, heard = (lambda level: tone.read(level)[2]), "a steady tone"
    else:
        material = Material(box, excerpt(audio))
        share, heard = _Spoilt(material).percent, material.name or "this material"
    levels = LEVELS_DBFS[1::2]
    shares = [share(level) for level in levels]
    quietest, least = min(zip(levels, shares, strict=True), key=lambda pair: pair[1])
    for step in (STEP_DB, STEP_DB / 2.0):
        near = [level for level in (quietest - step, quietest, quietest + step) if level <= TOP_DBFS]
        least, quietest = min((share(level), level) for level in near)
    margin = NOISE_MARGIN * least
    softer = [level for level, each in zip(levels, shares, strict=True) if level < quietest and each > margin]
    louder = [level for level, each in zip(levels, shares, strict=True) if level > quietest and each > margin]
    if not softer or not louder:
        return None
    low_dbfs = _crossing(lambda level: -share(level), -margin, softer[-1], quietest)
    high_dbfs = _crossing(share, margin, quietest, louder[0])
    best, why = _best(box, low_dbfs, high_dbfs, quietest, "where they are least")
    reason = (
        f"Fed at {_span(low_dbfs, high_dbfs)} on average, {heard} comes out with noise and distortion "
        f"within 3 dB of their lowest share, {number(least, 3)} %: softer, noise dominates; louder, distortion; {why}."
    )
    if audio is None:
        reason += " Music has to stay lower than a tone, by as much as its peaks exceed a tone's."
    return WorkingRange(low_dbfs, best, high_dbfs, reason)


def _of_gate(tone, gain, top, audio):
    """Return at which levels the opening level stands clear of noise and notes."""
    opens = _crossing(lambda level: tone.read(level)[0], gain[top] - OPENS_DB, LEVELS_DBFS[0], LEVELS_DBFS[top])
    audio = audio.load()
    levels = noise_and_notes(audio)
    if levels is None:
        return None
    average, noise, note = levels
    low_dbfs = average + opens - note + UNDER_NOTE_DB
    high_dbfs = min(average + opens - noise - OVER_NOISE_DB, LOUDEST_DBFS)
    if low_dbfs >= high_dbfs or low_dbfs > LOUDEST_DBFS:
        return None
    room, clear = "has no noise in its pauses", ""
    if noise > -np.inf:
        room = f"has noise {_db(note - noise)} under its quietest notes"
        clear = f", and its noise stays {number(OVER_NOISE_DB)} dB under that or more"
    reason = (
        f"The gate opens at {_dbfs(opens)}, and {audio.name or 'this material'} {room}. Fed at "
        f"{_span(low_dbfs, high_dbfs)} on average, its notes open it with {number(UNDER_NOTE_DB)} dB to spare or "
        f"more{clear} (common practice, no source)."
    )
    return WorkingRange(low_dbfs, (low_dbfs + high_dbfs) / 2.0, high_dbfs, reason)


# ------------------------------------------------------------------------------------------------------- what they need


def _best(box, low_dbfs, high_dbfs, middle, where):
    """Return the level a box is built for, if that lies within, else the middle; and a clause that says so."""
    built = box.reference_dbfs
    if built is not None and low_dbfs <= built <= high_dbfs:
        return float(built), f"the box is built for {_dbfs(built)}"
    told = f"a good start is {_dbfs(middle)}, {where}"
    return middle, told if built is None else f"{told}, though the box is built for {_dbfs(built)}"


def _crossing(function, wanted, low, high):
    """Return where a rising function of level reaches a value between two levels; an end, if it does so outside."""
    if function(low) >= wanted:
        return low
    if function(high) < wanted:
        return high
    while high - low > SEARCH_DB:
        middle = (low + high) / 2.0
        if function(middle) < wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def _hisses(box, rate_hz):
    out = box.run_line(np.zeros(rate_hz), rate_hz)
    return bool(np.std(out) > HISS)


def _dips(thdn):
    """Tell whether noise and distortion have a lowest share with more on either side."""
    return bool(min(thdn[0], thdn[-1]) > NOISE_MARGIN * thdn.min())


class _Spoilt:
    """Noise and distortion on material: what comes out less what a straight noiseless box would give."""

    def __init__(self, material):
        self._material = material
        self._clean = (material.out(SOFTEST_DBFS) - material.out(-np.inf)) * db_to_ratio(-SOFTEST_DBFS)
        self._power = np.mean(self._clean**2)

    def percent(self, level_dbfs):
        out = self._material.out(level_dbfs) * db_to_ratio(-level_dbfs)
        gain = np.mean(out * self._clean) / self._power  # as the fundamental of a sine: a gain is no distortion
        left = out - gain * self._clean
        left -= left.mean(axis=0)
        power = np.mean(left**2)
        return 100.0 * float(np.sqrt(power / (power + gain**2 * self._power)))


def _dbfs(level):
    return quantity(level, "dBFS", 1)


def _span(low_dbfs, high_dbfs):
    return f"{number(low_dbfs, 1)} to {_dbfs(high_dbfs)}"


def _db(value):
    return quantity(value, "dB", 1)
