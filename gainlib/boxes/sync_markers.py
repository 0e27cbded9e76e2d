"""Where in a recording the test file stands: offset, rate error and polarity, from its marks.

A mark is found by correlating with it (matched filter), and placed between samples by band-limited interpolation around
the highest value. The three marks at the end are the loudest and come first; their distances tell the sample rate and
the highest level of the file. All others are then looked for where they must be, and a straight line through their
places gives offset and rate.

Source: handbook signal processing (matched filter; a chirp of duration T and bandwidth B stands T·B above noise).
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy

from gainlib.audio import GainlibError
from gainlib.boxes.probesignal import LEVEL_CODE_S, RATE_CODE_S, RATES_HZ, SOFTEST_TOP_DBFS, Layout

LARGEST_PPM = 2000.0
SURE = 0.3  # correlation with a mark
NEAR_S, FAR_S = 0.1, 1.0
HALF, FINE = 16, 32
JITTER_S = 0.4e-3
LEAST_PPM = 0.02
JUMP_S, JUMP_RATIO, JUMP_MARKS = 40e-6, 8.0, 4  # a choice, no source: a box may move a mark as much as less


@dataclass(frozen=True)
class TimeBase:
    """How places in the test file become places in a recording.

    The test file starts at the frame ``offset``, which is negative if that was before the recording; ``stretch`` frames
    of the recording stand for one of it; the polarity is −1 for an inverted recording.
    """

    offset: float
    stretch: float
    polarity: int

    def place(self, frame: float) -> float:
        """Return where a frame of the test file stands in the recording."""
        return self.offset + self.stretch * frame


class _Found(NamedTuple):
    frame: int
    place: float
    height: float  # signed


def time_base(line: np.ndarray, rate_hz: int, layout: Layout | None = None) -> tuple[TimeBase, Layout]:
    """Find the test file in a recording; without the layout that was played, the end marks tell which it is.

    Raises if the marks are not found, or tell that the recording is cut, has a hole, or runs at another rate.
    """
    any_layout = layout or Layout(rate_hz)
    line = line - np.median(line)
    falling = _matched(line, any_layout.mark(True))
    first, spacing, coded_hz = _end_marks(line, falling, any_layout)
    if coded_hz != rate_hz:
        raise GainlibError(
            f"the test file was written for {coded_hz} Hz and the recording runs at {rate_hz} Hz; write a test file at "
            f"{rate_hz} Hz, or record at {coded_hz} Hz"
        )
    read = Layout(rate_hz, _level_of(falling, first, spacing, rate_hz))
    if layout is not None and abs(read.level_max_dbfs - layout.level_max_dbfs) > 0.2:
        raise GainlibError(
            f"the recording contains a test file up to {read.level_max_dbfs:g} dBFS, and the one given goes up to "
            f"{layout.level_max_dbfs:g} dBFS; give the test file that was played"
        )
    layout = layout or read
    return _fitted(line, falling, layout, first), layout


def played_at(line: np.ndarray, rate_hz: int) -> int | None:
    """Return the rate that the file's player must have taken for this one for its marks to look as they do, if any."""
    best, found = 2.0 * SURE, None
    for other_hz in RATES_HZ:
        if other_hz == rate_hz:
            continue
        chirp = Layout(rate_hz).mark(True)
        chirp = scipy.signal.resample(chirp, round(len(chirp) * other_hz / rate_hz))
        close = float(_share(np.abs(_matched(line, chirp)), line, chirp).max())
        if close > best:
            best, found = close, other_hz
    return found


def _matched(line, chirp):
    """Return the correlation of a chirp with each stretch of a recording."""
    return scipy.signal.oaconvolve(line, chirp[::-1])[len(chirp) - 1 :]


def _share(found, line, chirp):
    """Return how much each stretch of a recording looks like a chirp, 0 to 1, given its correlation with it."""
    energy = np.concatenate([[0.0], np.cumsum(line**2)])
    around = np.concatenate([energy[len(chirp) :], np.full(min(len(chirp), len(line) + 1) - 1, energy[-1])])
    around = np.maximum(around - energy[:-1], 0.0)
    norm = np.sqrt(around * np.sum(chirp**2))
    return np.where(norm > 1e-9 * norm.max(initial=1e-30), found / np.maximum(norm, 1e-30), 0.0)


def _end_marks(line, falling, layout):
    """Return the first end mark, the distance to the second, and the sample rate which that stands for."""
    rate_hz = layout.rate_hz
    height = np.abs(falling)
    likely = np.flatnonzero(_share(height, line, layout.mark(True)) > SURE)
    best = 0.0, 0, 0, rate_hz
    for k, coded_hz in enumerate(RATES_HZ):
        apart = round((RATE_CODE_S[0] + RATE_CODE_S[1] * k) * rate_hz)  # converted, it keeps its seconds
        reach = max(2, round(LARGEST_PPM * 1e-6 * apart))
        if apart + reach >= len(line):
            continue
        first = likely[likely < len(line) - apart]
        around = np.stack([first + apart - reach, np.minimum(first + apart + reach, len(line) - 1)], axis=1)
        later = np.maximum.reduceat(height, around.ravel())[::2] if len(first) else np.zeros(0)
        later = np.maximum(later, height[around[:, 1]])
        both = np.minimum(height[first], later)
        if both.max(initial=0.0) > best[0]:
            best = float(both.max()), int(first[np.argmax(both)]), apart, coded_hz
    if best[0] == 0.0:
        other_hz = played_at(line, rate_hz)
        if other_hz is not None:
            raise GainlibError(
                f"the test file in it runs at {rate_hz / other_hz:.3f} times its speed, as one written for {other_hz} "
                f"Hz does at {rate_hz} Hz; play and record it at one and the same rate"
            )
        raise GainlibError(
            "the marks at the end of the test file are missing, or the box changes them beyond recognition; record the "
            "whole test file, from before its start to after its end"
        )
    return best[1:]


def _level_of(falling, first, spacing, rate_hz):
    """Return the highest level that the distance of the last two marks stands for."""
    second = first + spacing
    nearest = second + round((LEVEL_CODE_S[0] - NEAR_S / 2) * rate_hz)
    farthest = second + round((LEVEL_CODE_S[0] - LEVEL_CODE_S[1] * SOFTEST_TOP_DBFS + NEAR_S / 2) * rate_hz)
    around = falling[nearest : min(farthest, len(falling))]
    if not len(around) or np.abs(around).max() < 0.5 * abs(falling[second - 8 : second + 9]).max():
        raise GainlibError("the last mark of the test file is missing; keep recording until after its end")
    reach = 2 + round(LARGEST_PPM * 1e-6 * spacing)
    second += int(np.argmax(np.abs(falling[second - reach : second + reach + 1]))) - reach
    here = _peak(falling, second)[0]
    stretch = (here - _peak(falling, first)[0]) / spacing  # so well known that a slow clock is no softer file
    apart = _peak(falling, nearest + int(np.argmax(np.abs(around))))[0] - here
    level = (LEVEL_CODE_S[0] - apart / stretch / rate_hz) / LEVEL_CODE_S[1]
    return float(np.clip(round(level, 1), SOFTEST_TOP_DBFS, 0.0))


def _fitted(line, falling, layout, first_end):
    """Fit offset and stretch to all marks that can be found."""
    end = next(mark for mark in layout.marks if mark.falls)
    rising = _matched(line, layout.mark(False))
    offset = _peak(falling, first_end)[0] - end.start
    sure, stretch = [], 1.0
    for mark in reversed(layout.marks):  # from the end, where the place is known, towards the start
        if len(sure) >= 4:
            stretch = (sure[-1].place - sure[0].place) / (sure[-1].frame - sure[0].frame)
        guess = offset + mark.start if not sure else sure[-1].place + stretch * (mark.start - sure[-1].frame)
        one = _look(line, falling if mark.falls else rising, layout, mark, guess, sure)
        if one is not None:
            sure.append(one)
    earliest, start = min(sure, key=lambda one: one.frame), layout.marks[0].start
    # It may be the box that hides the start, rather than the recording that lacks it.
    if earliest.frame != start and earliest.place - earliest.frame + start < HALF:
        raise GainlibError("the beginning of the test file is missing; start recording before the test file is played")
    frames, places = np.array([one.frame for one in sure], float), np.array([one.place for one in sure])
    stretch = np.polyfit(frames, places, 1)[0]
    # A chirp that is played slower seems to come earlier or later, as it rises or falls: look again with slower ones.
    middle = (len(layout.mark(True)) - 1) / 2.0
    falls = {mark.start: mark.falls for mark in layout.marks}
    again = {fall: layout.mark(fall, stretch) for fall in (False, True)}
    frames = frames + middle
    places = middle + np.array([_again(line, again[falls[one.frame]], one.place) for one in sure])
    stretch, at_zero = np.polyfit(frames, places, 1)
    off = places - at_zero - stretch * frames
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > JITTER_S * layout.rate_hz or abs(stretch - 1.0) * 1e6 > LARGEST_PPM:
        _complain(frames, places, layout.rate_hz)
    _refuse_jump(frames, places, layout.rate_hz)
    # What bends a mark may move it a little; most are not bent.
    keep = np.abs(off) <= max(3.0 * float(np.median(np.abs(off))), 0.02)
    if keep.sum() >= 4:
        stretch, at_zero = np.polyfit(frames[keep], places[keep], 1)
    if abs(stretch - 1.0) * 1e6 < LEAST_PPM:
        stretch, at_zero = 1.0, float(np.mean(places[keep] - frames[keep]))
    loud = max(sure, key=lambda one: abs(one.height))
    return TimeBase(float(at_zero), float(stretch), 1 if loud.height > 0 else -1)


def _look(line, matched, layout, mark, guess, found):
    """Look for a mark around where it should be, then farther off; None if none is plain."""
    known, rate_hz = (found[-1].frame if found else mark.start), layout.rate_hz
    tight = round(2e-3 * rate_hz + LARGEST_PPM * 1e-6 * abs(known - mark.start))
    for reach, least in ((tight, SURE), (round(FAR_S * rate_hz), 2.0 * SURE)):
        low, high = max(round(guess) - reach, HALF), min(round(guess) + reach + 1, len(matched) - HALF)
        if high <= low:
            continue
        at = low + int(np.argmax(np.abs(matched[low:high])))
        chirp = layout.mark(mark.falls)
        energy = float(np.sum(line[at : at + len(chirp)] ** 2) * np.sum(chirp**2))
        if energy > 0.0 and abs(matched[at]) > least * np.sqrt(energy):
            return _Found(mark.start, *_peak(matched, at))
    return None


def _again(line, chirp, place):
    """Return the place of a chirp near one that is known."""
    low = max(round(place) - 4 * HALF, 0)
    around = line[low : round(place) + len(chirp) + 4 * HALF]
    matched = scipy.signal.oaconvolve(around, chirp[::-1], mode="valid")
    return low + _peak(matched, int(np.argmax(np.abs(matched))))[0]


def _peak(matched, at):
    """Return place and signed height of the highest magnitude near a sample, between samples."""
    low = max(at - 4 * HALF, 0)
    around = matched[low : at + 4 * HALF]
    fine = scipy.signal.resample(around * scipy.signal.windows.tukey(len(around)), len(around) * FINE)
    near = slice(max((at - low - 2) * FINE, 1), (at - low + 3) * FINE)
    k = near.start + int(np.argmax(np.abs(fine[near])))
    before, here, after = np.abs(fine[k - 1 : k + 2])
    bend = before - 2.0 * here + after
    shift = 0.5 * (before - after) / bend if bend else 0.0
    return low + (k + shift) / FINE, float(fine[k])


def _complain(frames, places, rate_hz):
    """Say what marks at wrong distances mean."""
    order = np.argsort(frames)
    steps = np.diff(places[order]) - np.diff(frames[order])
    k = int(np.argmax(np.abs(steps - np.median(steps))))
    if abs(steps[k] - np.median(steps)) > JITTER_S * rate_hz:
        raise _edited(frames[order][k + 1], float(steps[k] - np.median(steps)), rate_hz)
    ppm = 1e6 * (np.polyfit(frames, places, 1)[0] - 1.0)
    raise GainlibError(
        f"the recording runs {ppm:.0f} millionths off, or not steadily; up to {LARGEST_PPM:.0f} are allowed; lock the "
        f"recorder to the player's clock or record again"
    )


def _refuse_jump(frames, places, rate_hz):
    """Refuse a recording whose marks lie on two lines of one slope, all later ones too early or too late."""
    order = np.argsort(frames)
    frames, places = frames[order], places[order]
    best = None
    for k in range(JUMP_MARKS, len(frames) - JUMP_MARKS + 1):
        basis = np.stack([frames / frames[-1], np.ones(len(frames)), np.arange(len(frames)) >= k], axis=1)
        found = np.linalg.lstsq(basis, places, rcond=None)[0]
        left = float(np.abs(places - basis @ found).max())
        if best is None or left < best[0]:
            best = left, float(found[2]), frames[k]
    if best is not None and abs(best[1]) > max(JUMP_S * rate_hz, JUMP_RATIO * best[0]):
        raise _edited(best[2], best[1], rate_hz)


def _edited(frame, jump, rate_hz):
    what, ms = "too much" if jump > 0 else "missing", 1000.0 * abs(jump) / rate_hz
    return GainlibError(
        f"{ms:.{1 if ms > 0.3 else 2}f} ms are {what} about {frame / rate_hz:.0f} s into the test file; the recording "
        "has a gap or was edited, or the box shifts what passes it, as a ring modulator does; record it again in one "
        "go, with that switched off"
    )
