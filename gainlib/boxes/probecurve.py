"""What a recording of the test file gives in figures: curves, the working range, the gain for equal loudness."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import interpolate

from gainlib.boxes.drive import DriveCurve
from gainlib.boxes.level_sweep import LevelSweep
from gainlib.boxes.probeseries import Heard
from gainlib.boxes.probesignal import Layout
from gainlib.boxes.probeverdict import Verdict
from gainlib.boxes.probing import level
from gainlib.boxes.ranges import NARROW_DB, WorkingRange, range_of
from gainlib.levels import db_to_ratio
from gainlib.levels.printing import quantity

STEADY_DB = 0.3
NOISY_DBFS = -120.0
HARDLY_PERCENT, PLAIN_BENT_DB = 1e-6, -65.0


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
        self._gain: Callable = interpolate.PchipInterpolator(curve.level_dbfs, gain)
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
    inside &= (swell.bent_db > swell.floor_db) & (swell.bent_db > PLAIN_BENT_DB)
    fine = np.log(100.0 * db_to_ratio(swell.bent_db[inside]))
    at = swell.level_dbfs[inside]
    if len(at) > 1:
        shared = (levels_dbfs > at[0]) & (levels_dbfs < at[-1])
        # The steps know all harmonics, the swell the first few.
        more = bent[shared] - np.interp(levels_dbfs[shared], at, fine)
        fine = fine + (np.interp(at, levels_dbfs[shared], more) if shared.any() else 0.0)
    order = np.argsort(np.concatenate([levels_dbfs, at]), kind="stable")
    return np.concatenate([levels_dbfs, at])[order], np.concatenate([bent, fine])[order]


def working_range_of(
    found: Verdict, curve: ProbeCurve, heard: Heard, layout: Layout
) -> tuple[WorkingRange | None, str]:
    """Return the working range within what was played, and why, or why not."""
    if found.linear:
        return None, "No level is better than another."
    if found.linear is None or found.moved:
        return None, "So no level can be named to feed it at."
    replayed = _Replayed(curve, heard.swell, found.gain_db)
    working = range_of(replayed, replayed)
    loudest = layout.level_max_dbfs
    if working is None or working.low_dbfs >= loudest:
        return None, "Within what was played, nothing speaks for one level or another."
    if working.best_dbfs >= loudest:
        return None, (
            f"Its working range starts at {quantity(working.low_dbfs, 'dBFS', 1)} and goes on beyond the loudest step, "
            f"{quantity(loudest, 'dBFS')}; a test file with a higher level would show where."
        )
    sudden = min(working.high_dbfs - working.low_dbfs, 2.0 * (working.best_dbfs - working.low_dbfs)) < NARROW_DB
    if sudden and (heard.coded or heard.noise_dbfs > NOISY_DBFS):
        return None, (
            f"From {quantity(working.low_dbfs, 'dBFS', 1)} on it bends within a few decibels, which is a ceiling; how "
            "far under it is best depends on its noise, and the recording's own hides that."
        )
    if working.high_dbfs > loudest:
        why = f"{working.reason} Louder than {quantity(loudest, 'dBFS')} was not tried."
        working = working._replace(high_dbfs=loudest, reason=why)
    if heard.noise_dbfs > NOISY_DBFS and (heard.chain_noise_dbfs is None or heard.noise_dbfs > heard.chain_noise_dbfs):
        why = f"{working.reason} Should the noise be its own, the lower part of that is the better one."
        working = working._replace(reason=why)
    return working, working.reason


def output_gain(heard: Heard, gain_db: float, layout: Layout, reference: float | None) -> float:
    """Return the gain that makes noise as loud behind the box, fed at the reference or where its gain is steady."""
    rows, sines = heard.of("noise"), heard.of("sine")
    average = np.array([row.part.level_dbfs for row in rows]) + level(layout.one_period("noise"))
    loud = np.array([row.loud_db for row in rows])
    sine = np.array([max(row.gain_db[0], -300.0) for row in sines])
    if reference is None:
        off = np.array([abs(each - gain_db) if np.isfinite(gain_db) else 0.0 for each in sine])
        steady = np.flatnonzero(off < max(STEADY_DB, 1.1 * float(off.min())))
        return -float(loud[steady[-1]])
    good = np.isfinite(loud)
    fed = min(reference, average[-1])
    gain = float(np.interp(fed, average[good], loud[good]))
    beyond = np.interp([reference, fed], [row.part.level_dbfs for row in sines], sine)
    return -(gain + float(beyond[0] - beyond[1]))
