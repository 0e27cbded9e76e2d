"""Whether a recording of the test file holds still: holes in it, and a gain that moves while it is recorded.

The ladder of the test file climbs as time goes on, so a gain that drifts looks like one that follows the level. Some
levels come twice, though: the mark at the start as that of a later step, those at the end as that of an earlier one,
and the swell passes most of the steps again. What follows the level alone is the same both times.

The limits are choices of this project, no source; the boxes and spoilt recordings of its tests are what they rest on.
"""

from collections.abc import Sequence

import numpy as np
import scipy

from gainlib.audio import GainlibError
from gainlib.boxes.probesignal import SETTLING, Layout, Mark
from gainlib.boxes.spectral_lines import LevelSweep, Lines
from gainlib.boxes.sync_markers import TimeBase
from gainlib.words import quantity

FRAMES_A_PERIOD, SHORTEST = 96, 3  # frames of 1.3 ms; how many in a row make a hole
GONE, THERE = 0.01, 0.25  # energy of a frame against what it should have: 20 dB less, 6 dB less
BESIDE = 3  # frames within which sound breaks off; a modulation takes its time
REGULARLY = 4  # what is gone in one stretch of so many is no accident but what the box does
SWELL_HITS = 3
SOFTEST_POWER = 1e-9  # of a step of 16 bit; under that, samples are single steps with nothing between them
LOCAL_S = 0.6
SPARSE = 1e-3  # of the fullest frame; where less is in any, the box gives single steps rather than a sound
SILENCE_S, LONGER_THAN_ELSEWHERE = 0.002, 4
AROUND_S, AFTER_S = 0.01, 0.03
NEAR_DB = 0.75
LAG_DB = 2.0  # by which a gain may trail behind the swell
SIGMAS = 5.0


# --------------------------------------------------------------------------------------------------------------- holes


def refuse_holes(line: np.ndarray, base: TimeBase, layout: Layout) -> None:
    """Refuse a recording in which the sound breaks off for a moment, and name the place."""
    parts = [found for part in layout.parts if (found := _hole_in_part(line, base, layout, part)) is not None]
    found = parts if len(parts) <= len(layout.parts) // REGULARLY else []
    found = [*found, *_holes_in_swell(line, base, layout), *_digital_silence(line, base, layout)]
    if found:
        raise GainlibError(
            f"the sound breaks off, with a gap about {quantity(min(found), 's', 1)} into the test file; record it "
            "again in one go, with a larger buffer if sound drops out"
        )


def _energies(line, base, start, frames, size):
    """Return the energy of frames of some size from a place in the test file on; nothing beyond the recording."""
    first = round(base.place(start))
    if first < 0 or first + frames * size > len(line):
        return np.zeros(0)
    return np.sum(line[first : first + frames * size].reshape(frames, size) ** 2, axis=1)


def _hole_in_part(line, base, layout, part):
    """Return the second of the test file at which one of its repeating stretches lacks what its other periods have."""
    size, rows = layout.period // FRAMES_A_PERIOD, SETTLING + part.periods
    start = part.start - SETTLING * layout.period
    places = [start + row * layout.period for row in range(rows)]  # so that equal frames hold the same
    energy = [_energies(line, base, place, FRAMES_A_PERIOD, size) for place in places]
    if any(not len(each) for each in energy):
        return None
    usual = np.sort(energy, axis=0)[-2]
    if usual.min() <= SPARSE * usual.max():
        return None
    share = np.array(energy) / usual
    at = _breaks(share.ravel(), np.arange(share.size) >= FRAMES_A_PERIOD // 12)
    # A box may come in late; what comes in after it should have settled is a hole all the same.
    late = at.size and at[0] + at.size < SETTLING * FRAMES_A_PERIOD and not (share.ravel()[: at[0]] > THERE).any()
    return None if late or not at.size else (start + at[0] * size) / layout.rate_hz


def _holes_in_swell(line, base, layout):
    size = layout.period // FRAMES_A_PERIOD
    start, stop = layout.swell
    energy = _energies(line, base, start, (stop - start) // size, size)
    if not len(energy):
        return []
    around = scipy.ndimage.median_filter(energy, 2 * round(LOCAL_S * layout.rate_hz / size / 2) + 1, mode="nearest")
    inside = (np.arange(len(energy)) >= FRAMES_A_PERIOD) & (around > SOFTEST_POWER * size)
    at = _breaks(energy / np.maximum(around, 1e-30), inside)
    hits = at[np.diff(at, prepend=-2) > 1]
    return [(start + k * size) / layout.rate_hz for k in hits] if len(hits) <= SWELL_HITS else []


def _breaks(share, inside):
    """Return the frames that are all but empty and have a full one close by."""
    full = scipy.ndimage.maximum_filter1d((share > THERE).astype(np.int8), 2 * BESIDE + 1) > 0
    gone = scipy.ndimage.binary_opening((share < GONE) & inside, np.ones(SHORTEST))
    runs, count = scipy.ndimage.label(gone)
    if not count:
        return np.zeros(0, int)
    abrupt = scipy.ndimage.maximum(full, runs, np.arange(1, count + 1)) > 0
    return np.flatnonzero(gone & np.concatenate([[False], abrupt])[runs])


def _digital_silence(line, base, layout):
    """Return where samples stand still near zero while something should sound, though they never do in silences."""
    first = max(round(base.place(layout.marks[0].start)), 0)
    last = min(round(base.place(layout.marks[-1].start)), len(line))
    starts, lengths = _standing(line[first:last])
    silences = [line[round(base.place(a)) : round(base.place(b))] for a, b in layout.gaps]
    longest = float(np.median([_standing(each)[1].max(initial=1) for each in silences]))  # one may have a hole
    middle = float(np.median(np.concatenate(silences)))
    near = 4.0 * float(np.median([each.std() for each in silences])) + 1e-6
    least = SILENCE_S * layout.rate_hz
    if longest > least:
        return []
    long = lengths >= max(least, LONGER_THAN_ELSEWHERE * longest)
    long &= np.abs(line[first + starts] - middle) <= near
    ends = np.stack([starts, starts + lengths], axis=1)[long]
    runs = (first + ends - base.offset) / base.stretch
    sounds = _sounding(layout)
    heard = [run[0] for run in runs if any(min(b, run[1]) - max(a, run[0]) > least / 2 for a, b in sounds)]
    return [at / layout.rate_hz for at in heard]


def _sounding(layout):
    """Return where something sounds, in frames of the test file."""
    mark = len(layout.mark(False))
    parts = [
        (part.start - SETTLING * layout.period, part.start + part.periods * layout.period) for part in layout.parts
    ]
    return [*parts, *((each.start, each.start + mark) for each in layout.marks), layout.swell]


def _standing(line):
    """Return starts and lengths of the runs of equal samples."""
    starts = np.flatnonzero(np.diff(line, prepend=np.nan) != 0.0)
    return starts, np.diff(starts, append=len(line))


# ------------------------------------------------------------------------------------------------- a gain that moves


def moved_db(line: np.ndarray, base: TimeBase, layout: Layout, rows: Sequence[Lines], swell: LevelSweep, noise: float):
    """Return by how much the gain differs where the same level comes again, beyond what noise and lag account for.

    `rows` are the ladder and `swell` the swelling sine as they were recorded, `noise` that in the silences, dBFS. The
    largest difference in dB comes back; 0 if there is none.
    """
    sines = [row for row in rows if row.part.stimulus == "sine"]
    return max(0.0, *_between_marks(line, base, layout, noise), *_between_ladder_and_swell(sines, swell))


def _between_marks(line, base, layout, noise_dbfs):
    """Return the differences of marks of the same level."""
    start, *steps = [mark for mark in layout.marks if not mark.falls]
    ends = [mark for mark in layout.marks if mark.falls]
    found = [0.0]
    for once in ([start], ends):
        twin = next((mark for mark in steps if abs(mark.level_dbfs - once[0].level_dbfs) < 0.01), None)
        if twin is None:
            continue
        gain, other = np.mean([_mark_db(line, base, layout, mark) for mark in once]), _mark_db(line, base, layout, twin)
        if not np.isfinite(gain + other):
            continue
        chirp = layout.mark(False)
        over = min(gain, other) + 10.0 * np.log10(np.sum(chirp**2)) - (noise_dbfs - 3.01)
        found.append(abs(gain - other) - SIGMAS * 8.686 * 2.0**0.5 * 10.0 ** (-over / 20.0))
    return found


def _mark_db(line, base, layout, mark: Mark):
    """Return the level at which a mark came through: of what is left of it when all else is filtered out, in dBFS."""
    chirp, around = layout.mark(mark.falls, base.stretch), round(AROUND_S * layout.rate_hz)
    first = round(base.place(mark.start))
    after = round(AFTER_S * layout.rate_hz)
    if first < around or first + len(chirp) + after > len(line):
        return np.nan
    matched = scipy.signal.oaconvolve(line[first - around : first + len(chirp) + after], chirp[::-1], mode="valid")
    alone = scipy.signal.oaconvolve(np.pad(chirp, (around, after)), chirp[::-1], mode="valid")
    energy = float(np.sum(matched**2))
    return 10.0 * np.log10(energy / np.sum(alone**2)) if energy > 0.0 else -np.inf


def _between_ladder_and_swell(sines, swell):
    """Return the differences of the swell to the steps it passes."""
    found = [0.0]
    levels = np.array([row.part.level_dbfs for row in sines])
    gains = np.maximum([row.gain_db[0] for row in sines], -300.0)
    slopes = np.abs(np.diff(gains) / np.diff(levels))
    for k, level in enumerate(levels):
        near = np.abs(swell.level_dbfs - level) <= NEAR_DB
        if near.sum() < 5 or sines[k].doubt_db[0] > 1.0:
            continue
        gain, doubt = swell.gain_db[near], swell.doubt_db[near]
        slope, passed = np.polyfit(swell.level_dbfs[near] - level, gain, 1)
        steepest = max(abs(slope), *slopes[max(k - 1, 0) : k + 1])
        allowed = LAG_DB * steepest if steepest > 0.02 else 0.0
        unsure = SIGMAS * np.hypot(2.0 * float(np.median(doubt)) / np.sqrt(near.sum()), sines[k].doubt_db[0])
        found.append(abs(float(passed) - gains[k]) - allowed - unsure)
    return found
