"""What was measured on a recording of the test file: step by step, and in figures.

The figures are curves, the working range and the gain for equal loudness.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy

from gainlib.boxes.drive import DriveCurve
from gainlib.boxes.linearity import LOWEST_LIMIT_DBFS
from gainlib.boxes.probesignal import Layout
from gainlib.boxes.probing import level
from gainlib.boxes.ranges import NARROW_DB, WorkingRange, range_of
from gainlib.boxes.spectral_lines import LevelSweep, Lines
from gainlib.boxes.verdicts import ROUNDED
from gainlib.levels import db_to_ratio
from gainlib.levels.printing import quantity

SERIES = (("sine", 0), ("noise", 0), ("two tones", 0), ("two tones", 1))
SAME_DB, SAME_CODED_DB = 0.03, 0.25
SIGMAS, DB_OF_A_SHARE = 5.0, 8.686
CODED_BENT_DB = -65.0
STEADY_RUN, STEADY_DOUBT_DB = 3, 0.3
DISTINCT_DB = -46.0
PLAIN_GAIN_DB, PLAIN_BENT_DB, PLAIN_FROM_DBFS, GONE_DB = 0.3, -50.0, -45.0, 6.0
WANDERS = 3
MOVED_DB, MOVED_CODED_DB, MOVED_SHARE = 0.015, 0.25, 0.25  # choices of this project, no source
ROUNDING_DBFS = -95.0
GROWS_DB = (3.0, 9.0)

STEADY_DB = 0.3
SHUT_DB, SHUT_STEPS, OPEN_DB, OPENS_WITHIN_DB = 12.0, 2, 3.0, 3.0  # choices of this project, no source
NOISY_DBFS = -120.0
KNOWN_DB = 1.0  # by which a gain may be unsure to be told
HARDLY_PERCENT, SURELY_BENT_DB = 1e-6, -65.0


class Heard(NamedTuple):
    """All that was measured on a recording.

    Attributes
    ----------
    rows : tuple of Lines
        In the order of the test file.
    swell : LevelSweep
    noise_dbfs : float
        In the silences, sine-referred; −inf for none.
    offset : float
        In the silences, full scale 1.
    grid_bits : int or None
        Word length the samples stand on, if it is 16 to 23 bit.
    coded : bool
        Whether an error follows the sound without repeating, as behind a lossy coder.
    stray_db : float
        That error, relative to the sound.
    chain_noise_dbfs : float or None
        Noise of the recording without the box, if a recording of that was given.
    chain_offset : float or None
        Offset of that.
    moved_db : float
        By how much the gain differs where the same level comes again.
    """

    rows: tuple[Lines, ...]
    swell: LevelSweep
    noise_dbfs: float
    offset: float
    grid_bits: int | None
    coded: bool
    stray_db: float
    chain_noise_dbfs: float | None
    chain_offset: float | None
    moved_db: float

    def of(self, stimulus: str) -> tuple[Lines, ...]:
        """Return the rows of one stimulus, from soft to loud."""
        return tuple(row for row in self.rows if row.part.stimulus == stimulus)


class Series(NamedTuple):
    """One gain against level: where it is steady, how much there, and how far the others lie off."""

    gain: np.ndarray
    doubt: np.ndarray
    plain: float
    off: np.ndarray  # how far off, beyond what is allowed, as a share of the amplitude; positive fails


def steady_run(heard, same):
    """Return first and last step of the stretch where the sine's gain is steady; of several, the one with most gain."""
    gain, doubt = _gains(heard, ("sine", 0))
    runs, start = [], 0
    for k in range(1, len(gain) + 1):
        if k == len(gain) or not abs(gain[k] - gain[k - 1]) <= max(same, SIGMAS * np.hypot(doubt[k], doubt[k - 1])):
            runs.append((start, k))
            start = k
    known = [run for run in runs if run[1] - run[0] >= STEADY_RUN and doubt[run[0] : run[1]].min() < STEADY_DOUBT_DB]
    if known:
        return max(known, key=lambda run: np.average(gain[slice(*run)], weights=doubt[slice(*run)] ** -2.0))
    return max(runs, key=lambda run: run[1] - run[0])


def _gains(heard, key):
    rows = heard.of(key[0])
    gain = np.array([row.gain_db[key[1]] for row in rows])
    doubt = np.array([row.doubt_db[key[1]] for row in rows])
    return np.maximum(gain, -300.0), np.maximum(doubt, 1e-4)


def series_of(heard, key, run, same):
    """Return one gain against level, held against where it is steady.

    Parameters
    ----------
    heard : Heard
    key : (str, int)
        Stimulus, and which of its gains.
    run : (int, int)
        First step of the steady stretch, and the one after its last.
    same : float
        Difference in dB that counts as none.
    """
    gain, doubt = _gains(heard, key)
    # The best known half of the stretch: soft sounds may drown.
    near = np.arange(*run)
    near = near[doubt[near] <= np.median(doubt[near])]
    plain = float(np.average(gain[near], weights=doubt[near] ** -2.0))
    # Held against what should come out: what is gone may drown in noise that would not have mattered.
    share = 10.0 ** ((gain - plain) / 20.0)
    known = SIGMAS * np.hypot(share * doubt, doubt[near].min()) / DB_OF_A_SHARE
    off = np.abs(share - 1.0) - np.maximum(same / DB_OF_A_SHARE, known)
    return Series(gain, doubt, plain, off)


def trusted(heard):
    """Return the stimuli that a recording carries: a coder treats noise too roughly."""
    return ("sine", "two tones") if heard.coded else ("sine", "noise", "two tones")


def failing(heard, series):
    """Return for each step whether anything there is not as it should be."""
    carried = trusted(heard)
    fails = np.zeros(len(heard.of("sine")), bool)
    for key in SERIES:
        if key[0] in carried:
            fails |= series[key].off > 0.0
    for stimulus in carried:
        fails |= _bent(heard, stimulus)
    return fails


def _bent(heard, stimulus):
    if heard.coded:  # what a coder adds may fall on harmonics as well
        return np.array([row.bent_db > max(row.floor_db + 6.0, CODED_BENT_DB) for row in heard.of(stimulus)])
    return np.array([not row.straight for row in heard.of(stimulus)])


def moves(heard, series):
    """Tell whether the gain differs at equal levels by so much that time may account for all of what level seems to.

    A box that follows the level may trail behind or settle slowly, and still does by far the most from step to step.
    """
    least = MOVED_CODED_DB if heard.coded else MOVED_DB
    apart = [np.abs(each.gain - each.plain)[each.off > 0.0].max(initial=0.0) for each in series.values()]
    return max(apart) > 0.0 and heard.moved_db > max(least, MOVED_SHARE * max(apart))


def plainly_bent(heard):
    """Tell whether a sine has harmonics on two steps in a row, as no gain that moves slowly or once gives it."""
    bent = _bent(heard, "sine")
    return bool(np.any(bent[1:] & bent[:-1]))


def wanders(heard, series):
    """Tell whether a gain turns back time and again though nothing is bent."""
    there = series["sine", 0].gain > -100.0
    bent = {stimulus: _bent(heard, stimulus)[there].any() for stimulus in trusted(heard)}
    # A coder's own ups and downs spare the sine.
    carried = ("sine",) if heard.coded or any(bent.values()) else tuple(bent)
    return not bent["sine"] and any(_turns(each) >= WANDERS for key, each in series.items() if key[0] in carried)


def _turns(series):
    steps = np.diff(series.gain)
    sure = np.abs(steps) > np.maximum(0.1, SIGMAS * np.hypot(series.doubt[1:], series.doubt[:-1]))
    return int(np.sum(np.diff(np.sign(steps[sure])) != 0))


def beyond_a_coder(heard, series):
    """Return on which steps a lossy coder leaves a sine alone, or more is missing than it would take."""
    levels = np.array([row.part.level_dbfs for row in heard.of("sine")])
    gone = np.abs(series["sine", 0].gain - series["sine", 0].plain) > GONE_DB
    return (levels >= PLAIN_FROM_DBFS) | (gone & (series["sine", 0].off > 0.0))


def plain_to_see(heard, series):
    """Tell whether a sine of some level is bent or held back by more than a coder would."""
    rows = heard.of("sine")
    loud = np.array([row.part.level_dbfs >= PLAIN_FROM_DBFS for row in rows])
    bent = np.array([row.bent_db > max(row.floor_db + 6.0, PLAIN_BENT_DB) for row in rows])
    gain = np.abs(series["sine", 0].gain - series["sine", 0].plain) > PLAIN_GAIN_DB
    return bool(np.sum(loud & (bent | (gain & (series["sine", 0].off > 0.0)))) >= 1)


def only_rounds(heard, series):
    """Tell whether all that fails is an error of one small size, whatever the level."""
    if any((series[key].off > 0.0)[-9:].any() for key in SERIES if key[0] in trusted(heard)):
        return False
    size = [row.bent_db + row.gain_db[0] + row.part.level_dbfs for row in heard.of("noise") if not row.straight]
    sine = [row.bent_db + row.gain_db[0] + row.part.level_dbfs for row in heard.of("sine") if not row.straight]
    return bool(size) and max(size + sine) < ROUNDING_DBFS + max(0.0, series["sine", 0].plain)


def grows_steadily(heard):
    """Tell whether a sine's distortion is seen to grow over three steps in a row, by no more than a bend's."""
    rows = heard.of("sine")
    seen = np.array([not row.straight and row.part.level_dbfs > LOWEST_LIMIT_DBFS for row in rows])
    grown = np.diff([max(row.bent_db, -300.0) for row in rows])
    good = seen[1:] & seen[:-1] & (grown > GROWS_DB[0]) & (grown < GROWS_DB[1])
    good &= np.array([row.bent_db < DISTINCT_DB for row in rows[:-1]])
    return bool(np.any(good[1:] & good[:-1]))


def opening(heard, plain_db):
    """Return the peak level of a rising sine at which a gate opens; None where nothing is shut to soft sounds."""
    rows = heard.of("sine")
    gain = np.array([row.gain_db[0] for row in rows]) - plain_db
    known = np.array([row.stray_dbfs for row in rows]) < np.array([row.part.level_dbfs for row in rows]) + plain_db
    shut, open_ = gain < -SHUT_DB, np.abs(gain) < STEADY_DB
    first = int(np.argmax(open_))
    if not open_[first:].all() or not (shut & known)[:first].sum() >= SHUT_STEPS or not shut[: first - 1].all():
        return None
    near = np.abs(heard.swell.level_dbfs - rows[first].part.level_dbfs) < 2.0 * OPENS_WITHIN_DB
    through = np.flatnonzero(near & (heard.swell.gain_db - plain_db > -OPEN_DB))
    return round(float(heard.swell.level_dbfs[through[0]]), 1) if through.size else None


# ---- curves and figures ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class ProbeCurve(DriveCurve):
    """What a box did on each step of the test file; all arrays of one length.

    Attributes
    ----------
    level_dbfs : array
        Of the sine as it was fed, peak and sine-referred RMS.
    gain_db : array
        Of the sine's fundamental, recording against test file.
    thd_percent : array
        Harmonics 2 to 40 below 20 kHz; NaN where they do not stand out from noise.
    thdn_percent : array
        All but the sine from 20 Hz to 20 kHz, relative to the whole; noise of the recording included.
    gain_reduction_db : array
        How far the gain lies under where it is steady.
    noise_dbfs : array
        What does not repeat while the sine sounds, sine-referred.
    floor_percent : array
        Distortion below this cannot be told from noise.
    """

    noise_dbfs: np.ndarray
    floor_percent: np.ndarray


def curve_of(heard: Heard, gain_db: float) -> ProbeCurve:
    """Return gain, distortion and noise of each step, `gain_db` being the gain where it is steady."""
    rows = heard.of("sine")
    gain = np.array([row.gain_db[0] for row in rows])
    return ProbeCurve(
        level_dbfs=np.array([row.part.level_dbfs for row in rows]),
        gain_db=gain,
        thd_percent=np.array([np.nan if row.straight else row.thd_percent for row in rows]),
        thdn_percent=np.array([row.thdn_percent for row in rows]),
        gain_reduction_db=np.maximum(0.0, gain_db - gain) if np.isfinite(gain_db) else np.full(len(rows), np.nan),
        noise_dbfs=np.array([row.stray_dbfs for row in rows]),
        floor_percent=np.array([100.0 * 10.0 ** (row.floor_db / 20.0) for row in rows]),
    )


class _Replayed:
    """What a box made of a sine, between the steps of the test file."""

    reference_dbfs = None

    def __init__(self, curve: ProbeCurve, swell: LevelSweep, plain_db: float):
        self._ends = curve.level_dbfs[0], curve.level_dbfs[-1]
        gain = np.maximum(curve.gain_db, -200.0)
        steps = np.nan_to_num(curve.thd_percent, nan=HARDLY_PERCENT)
        self._gain: Callable = scipy.interpolate.PchipInterpolator(curve.level_dbfs, gain)
        self._highest = plain_db
        self._levels, self._bent = _joined(curve.level_dbfs, np.log(np.maximum(steps, HARDLY_PERCENT)), swell)

    def read(self, level_dbfs):
        """Return gain in dB and distortion in percent, twice: noise may be the recording's."""
        at = np.clip(level_dbfs, *self._ends)
        thd = float(np.exp(np.interp(at, self._levels, self._bent)))
        return float(self._gain(at)), thd, thd

    def reduction_db(self, gain_db):
        return max(0.0, self._highest - gain_db)

    def run_line(self, samples, rate_hz):
        """Return nothing for silence: noise may be the recording's."""
        return np.zeros(len(samples))


def _joined(levels_dbfs, bent, swell):
    """Return levels and logarithms of distortion: those of the steps, and between them the shape of the swell."""
    inside = (swell.level_dbfs > levels_dbfs[0]) & (swell.level_dbfs < levels_dbfs[-1])
    inside &= (swell.bent_db > swell.floor_db) & (swell.bent_db > SURELY_BENT_DB)
    fine = np.log(100.0 * db_to_ratio(swell.bent_db[inside]))
    at = swell.level_dbfs[inside]
    if len(at) > 1:
        shared = (levels_dbfs > at[0]) & (levels_dbfs < at[-1])
        # The steps know all harmonics, the swell the first few.
        more = bent[shared] - np.interp(levels_dbfs[shared], at, fine)
        fine = fine + (np.interp(at, levels_dbfs[shared], more) if shared.any() else 0.0)
    order = np.argsort(np.concatenate([levels_dbfs, at]), kind="stable")
    return np.concatenate([levels_dbfs, at])[order], np.concatenate([bent, fine])[order]


def working_range_of(found, curve: ProbeCurve, heard: Heard, layout: Layout) -> tuple[WorkingRange | None, str]:
    """Return the working range within what was played, and why, or why not."""
    if found.linear or found.kind == ROUNDED:
        return None, "No level is better than another."
    if found.linear is None or found.moved:
        return None, "So it has no level at which to feed it."
    replayed = _Replayed(curve, heard.swell, found.gain_db)
    working = range_of(replayed, replayed)
    loudest = layout.level_max_dbfs
    if working is None or working.low_dbfs >= loudest:
        return None, "No best level was found in the range tested."
    if working.best_dbfs >= loudest:
        return None, (
            f"Its working range starts at {quantity(working.low_dbfs, 'dBFS', 1)} and goes on beyond the loudest step, "
            f"{quantity(loudest, 'dBFS')}; a test file with a higher level would show where."
        )
    sudden = min(working.high_dbfs - working.low_dbfs, 2.0 * (working.best_dbfs - working.low_dbfs)) < NARROW_DB
    if sudden and (heard.coded or heard.noise_dbfs > NOISY_DBFS):
        return None, (
            f"From {quantity(working.low_dbfs, 'dBFS', 1)} on, it distorts within a few decibels, which is a ceiling; "
            f"how far below it is best depends on its noise, and the noise of the recording hides that."
        )
    if working.high_dbfs > loudest:
        why = f"{working.reason} Nothing is known above {quantity(loudest, 'dBFS')}."
        working = working._replace(high_dbfs=loudest, reason=why)
    if heard.noise_dbfs > NOISY_DBFS and (heard.chain_noise_dbfs is None or heard.noise_dbfs > heard.chain_noise_dbfs):
        why = f"{working.reason} If the noise is its own, the lower part of that range is better."
        working = working._replace(reason=why)
    return working, working.reason


def output_gain(heard: Heard, gain_db: float, layout: Layout, reference: float | None) -> float:
    """Return the gain that makes noise as loud behind the box, fed at the reference or where its gain is steady."""
    if reference is not None:
        return -_loud_gain(heard, layout, reference)
    sine = np.array([max(row.gain_db[0], -300.0) for row in heard.of("sine")])
    off = np.array([abs(each - gain_db) if np.isfinite(gain_db) else 0.0 for each in sine])
    steady = np.flatnonzero(off < max(STEADY_DB, 1.1 * float(off.min())))
    return -float(heard.of("noise")[steady[-1]].loud_db)


def _loud_gain(heard, layout, average_dbfs):
    """Return the gain of noise of an average level as BS.1770 weighs it; above the loudest, that of a sine goes on."""
    rows, sines = heard.of("noise"), heard.of("sine")
    average = np.array([row.part.level_dbfs for row in rows]) + level(layout.one_period("noise"))
    loud = np.array([row.loud_db for row in rows])
    good, fed = np.isfinite(loud), min(average_dbfs, average[-1])
    gain = float(np.interp(fed, average[good], loud[good]))
    sine = [max(row.gain_db[0], -300.0) for row in sines]
    beyond = np.interp([average_dbfs, fed], [row.part.level_dbfs for row in sines], sine)
    return gain + float(beyond[0] - beyond[1])


def average_gains(
    heard: Heard, layout: Layout, level_free: bool, output_gain_db: float
) -> tuple[tuple[float, float], ...]:
    """Return average levels and the gain there, dBFS and dB: one pair where level makes no difference."""
    steps = [row for row in heard.of("sine") if row.doubt_db[0] < KNOWN_DB]
    if level_free or not steps:
        return ((heard.of("sine")[-1].part.level_dbfs, round(-output_gain_db, 2)),)
    levels = [row.part.level_dbfs for row in steps]
    return tuple((round(each, 2), round(_loud_gain(heard, layout, each), 2)) for each in levels)
