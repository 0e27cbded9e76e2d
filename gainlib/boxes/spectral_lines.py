"""A recorded stretch that repeats, taken apart, and the swelling sine: gain and distortion in fine steps of level.

The first gives what was fed, what the box added to it, and what does not repeat. The second tells a corner from a bend,
and shows a gain that moves with time: what depends on the level alone climbs once.
"""

from typing import NamedTuple

import numpy as np
import scipy

from gainlib.boxes.drive import waves
from gainlib.boxes.linearity import Onset
from gainlib.boxes.null import interpolated
from gainlib.boxes.probesignal import SINE_HZ, Layout, Part
from gainlib.boxes.probing import power_db
from gainlib.boxes.sync_markers import TimeBase
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters.loudness import k_coefficients
from gainlib.processors.dynamics import over_the_knee

AROUND_LINES = 17
HARMONICS, PLAIN_HARMONICS = 40, 10
TOP_HZ = 20000.0
SMEAR = 0.01  # frames by which a stretch may run off before it is brought back to its rate
PLAIN_RATIO = 5.0
ROUNDING_SHARE = 1.0 / 16.0  # of its error that may fall on one line, as a variance
WIDE_RATIO = 4.0

FRAME_S = 0.02
SWELL_HARMONICS = 5
SLOWEST_HZ, FASTEST_HZ = 0.9, 20.0
SWAY_DB, OVER_REST = 0.1, 30.0
SMOOTH_ORDER = 5
SLOW_HZ, HZ_STEP = (0.2, 1.0), 0.004  # slower than that, it hardly moves while a step lasts
KNOWN_DB, KNOWN_STEPS, DOUBT_DB = 0.3, 8, 0.01
LEAST_SPREAD = 0.4  # of a sway's depth that its gains must be seen to spread; all phases alike give 1/√2
LEFT_SHARE = 0.08  # a gain that stays while a step lasts would leave 2π · 0.2 Hz · 0.1 s/√2 = 0.09 of a sway's depth
CORNER_DB, BEND_DB = 1.0, 1.5  # width of a knee
SUDDEN_DB, GRADUAL_DB = 0.5, 0.7  # way from −60 to −46 dB of distortion: 0.1 for a clip, 7 for a square law
LOW_BENT_DB, HIGH_BENT_DB = -60.0, -46.0
SKIPPED_S = 0.6  # until a box has let go of the last step


class Lines(NamedTuple):
    """One part of the ladder as it was recorded.

    Gains are level out over level in: of a sine, of noise as a whole, of the low and the high tone; their doubt is the
    standard deviation that what does not repeat leaves. Bent is what lies where nothing was fed, relative to what was:
    harmonics 2 to 10 of a sine, sums and differences of two tones, the free multiples for noise; up to the floor that
    may be noise. THD has harmonics 2 to 40 of a sine below 20 kHz, noise taken off; THD+N all but what was fed, against
    the whole. Stray is what does not repeat, sine-referred; fading how much more of it is early in the stretch than
    late, as of a tail, and not of noise. Loud is the gain of noise as BS.1770 weighs it, noise taken off.
    """

    part: Part
    gain_db: tuple[float, ...]
    doubt_db: tuple[float, ...]
    bent_db: float
    floor_db: float
    thd_percent: float
    thdn_percent: float
    stray_dbfs: float
    fading_db: float
    loud_db: float

    @property
    def straight(self) -> bool:
        """Whether noise accounts for all that lies beside what was fed."""
        return self.bent_db <= self.floor_db

    def stilled(self, sway_db: float) -> "Lines":
        """Return the same with its gains without what a sway adds to them."""
        return self._replace(gain_db=tuple(each - sway_db for each in self.gain_db), loud_db=self.loud_db - sway_db)


def stretch(line: np.ndarray, base: TimeBase, start: int, frames: int) -> np.ndarray:
    """Return a stretch of a recording at the rate of the test file, shape (frames,)."""
    at = base.place(start)
    if abs(base.stretch - 1.0) * frames < SMEAR:
        first = round(at)
        return line[first : first + frames]
    return interpolated(line[:, np.newaxis], at + base.stretch * np.arange(frames))[:, 0]


def lines_of(line: np.ndarray, base: TimeBase, layout: Layout, part: Part, own_power: float) -> Lines:
    """Take one part of a recording apart; `own_power` is that of the rounding in the files, which may fall anywhere."""
    period, count = layout.period, part.periods
    frames = period * count
    sound = stretch(line, base, part.start, frames)
    power = np.abs(np.fft.rfft(sound)) ** 2 * (2.0 / frames) ** 2  # amplitude squared of each sine
    on = power[::count][: period // 2 + 1]
    noise = _beside(power, count, period)
    fed = layout.fed[part.stimulus]
    given = np.abs(np.fft.rfft(layout.one_period(part.stimulus)))[fed] ** 2 * (2.0 / period) ** 2
    given = given * db_to_ratio(2.0 * part.level_dbfs)
    gains, doubts = _gains(part.stimulus, on[fed], noise[fed], given, own_power)
    bent, floor = _bent(layout, part.stimulus, on, noise, own_power)
    whole = float(np.sum(on[fed]))
    loud_db = np.nan
    if part.stimulus == "noise":
        heard = _k_weight(fed * layout.rate_hz / period, layout.rate_hz)
        loud_db = power_db(np.sum((on[fed] - noise[fed]) * heard), np.sum(given * heard))
    return Lines(
        part=part,
        gain_db=gains,
        doubt_db=doubts,
        bent_db=power_db(bent, whole),
        floor_db=power_db(floor, whole),
        thd_percent=_thd(layout, on, noise, fed[0]) if part.stimulus == "sine" else np.nan,
        thdn_percent=_thdn(power, count, fed, layout),
        stray_dbfs=power_db(float(np.sum(_off(power, count))) * count / (count - 1), 1.0),
        fading_db=_fading(sound, period),
        loud_db=loud_db,
    )


def _k_weight(hz, rate_hz):
    """Return the weight that BS.1770 gives to powers at some frequencies."""
    sections = k_coefficients(rate_hz).reshape(2, 5)
    sos = np.insert(sections, 3, 1.0, axis=1)
    return np.abs(scipy.signal.sosfreqz(sos, worN=hz, fs=rate_hz)[1]) ** 2


def _off(power, count):
    return np.delete(power, np.arange(0, len(power), count))


def _beside(power, count, period):
    """Return the power that noise puts on each multiple, from what lies around it between multiples."""
    rows = period // 2 + 1
    padded = np.zeros(rows * count)
    padded[: min(len(power), rows * count)] = power[: rows * count]
    between = padded.reshape(rows, count)[:, 1:].mean(axis=1)
    both = 0.5 * (between + np.concatenate([between[:1], between[:-1]]))
    return scipy.ndimage.uniform_filter1d(both, AROUND_LINES, mode="nearest")


def _gains(stimulus, on, noise, given, own_power):
    if stimulus == "noise":
        # The power of a line in noise scatters by its own noise, and by the product of both.
        beside = noise + own_power / len(on)
        scatter = np.array([np.sqrt(np.sum(beside**2 + 2.0 * beside * np.maximum(on - noise, 0.0)))])
        clean, given = np.maximum(on.sum(keepdims=True) - noise.sum(), scatter), given.sum(keepdims=True)
        spread = scatter / np.maximum(clean, 1e-300)
    else:
        spread = np.sqrt(2.0 * (noise + ROUNDING_SHARE * own_power) / np.maximum(on, 1e-300))
        clean = on
    gains = tuple(power_db(float(a), float(b)) for a, b in zip(clean, given, strict=True))
    return gains, tuple(float(min(4.343 * each, 100.0)) for each in spread)


def _bent(layout, stimulus, on, noise, own_power):
    """Return the power where nothing was fed, and how much of it noise may be."""
    fed = layout.fed[stimulus]
    top = int(min(0.45 * layout.rate_hz, TOP_HZ) * layout.period / layout.rate_hz)
    if stimulus == "noise":
        free = np.setdiff1d(np.arange(fed[0], fed[-1]), fed)
        ratio = WIDE_RATIO
    elif stimulus == "two tones":
        low, high = fed
        free = np.array([low * k for k in range(2, 7)] + [high + k * low for k in (-4, -3, -2, -1, 1, 2, 3, 4)])
        ratio = PLAIN_RATIO
    else:
        free = fed[0] * np.arange(2, PLAIN_HARMONICS + 1)
        ratio = PLAIN_RATIO
    free = free[free <= top]
    expected = float(noise[free].sum())
    found = float(on[free].sum()) - expected
    return max(found, 0.0), (ratio - 1.0) * expected + own_power


def _thd(layout, on, noise, line):
    orders = np.arange(2, HARMONICS + 1) * line
    orders = orders[orders * layout.rate_hz / layout.period <= min(TOP_HZ, 0.499 * layout.rate_hz)]
    if on[line] <= 0.0:
        return np.nan
    return 100.0 * float(np.sqrt(max((on[orders] - noise[orders]).sum(), 0.0) / on[line]))


def _thdn(power, count, fed, layout):
    hz = np.arange(len(power)) * layout.rate_hz / (layout.period * count)
    inside = (hz >= 20.0) & (hz <= TOP_HZ)
    whole = float(power[inside].sum())
    rest = whole - float(power[fed * count].sum())
    return 100.0 * float(np.sqrt(max(rest, 0.0) / whole)) if whole > 0.0 else np.nan


def _fading(sound, period):
    """Return how much more two periods differ early than late, in dB."""
    steps = [
        np.sum((sound[k + period : k + 2 * period] - sound[k : k + period]) ** 2) for k in (0, len(sound) - 2 * period)
    ]
    return power_db(float(steps[0]), float(steps[1])) if steps[1] > 0.0 else 0.0


# ---- the swelling sine -----------------------------------------------------------------------------------------------


class LevelSweep(NamedTuple):
    """Gain and distortion of the swelling sine against its peak level; arrays of one length.

    The doubt is a standard deviation; bent are harmonics 2 to 5 against the fundamental, up to the floor they may be
    noise.
    """

    level_dbfs: np.ndarray
    gain_db: np.ndarray
    doubt_db: np.ndarray
    bent_db: np.ndarray
    floor_db: np.ndarray


def swell_of(line: np.ndarray, base: TimeBase, layout: Layout, own_power: float) -> LevelSweep:
    """Read the swelling sine in frames of 20 ms."""
    size = round(FRAME_S * layout.rate_hz)
    start, stop = layout.swell
    start += round(SKIPPED_S * layout.rate_hz)
    first = round(base.place(start))
    count = (stop - start) // size - 1
    sound = line[first : first + count * size]
    into = start - layout.swell[0] + (np.arange(len(sound)) + first - base.place(start)) / base.stretch
    fed_dbfs = layout.swell_dbfs(into)
    ramp = db_to_ratio(fed_dbfs)
    turns = layout.line_of(SINE_HZ) / layout.period / base.stretch * np.arange(size)
    basis = waves(2.0 * np.pi * np.outer(turns, np.arange(1, SWELL_HARMONICS + 1)))
    # What is fed grows within a frame; scaled back, it is a steady sine.
    framed = (sound / ramp).reshape(count, size)
    parts = np.linalg.lstsq(basis, framed.T, rcond=None)[0]
    rest = np.mean((framed - (basis @ parts).T) ** 2, axis=1) * size / (size - basis.shape[1])
    lines = parts[1::2] ** 2 + parts[2::2] ** 2
    noise = 4.0 * rest / size
    level = fed_dbfs.reshape(count, size).mean(axis=1)
    fundamental = np.maximum(lines[0], 1e-300)
    expected = (SWELL_HARMONICS - 1) * noise
    floor = PLAIN_RATIO * expected + own_power * db_to_ratio(-2.0 * level)
    return LevelSweep(
        level_dbfs=level,
        gain_db=ratio_to_db(np.sqrt(fundamental)),
        doubt_db=np.minimum(8.686 * np.sqrt(noise / 2.0 / fundamental), 100.0),
        bent_db=ratio_to_db(np.sqrt(np.maximum(lines[1:].sum(axis=0) - expected, 0.0) / fundamental)),
        floor_db=ratio_to_db(np.sqrt(floor / fundamental)),
    )


# --------------------------------------------------------------------------------------------------------- in time


class Sway(NamedTuple):
    """A gain that goes up and down steadily: by how much to either side, how often, and what of it the figures hold."""

    depth_db: float
    hz: float
    left_db: float


def sway(swell: LevelSweep) -> Sway | None:
    """Return how the gain goes up and down while the sine swells; None if it does not."""
    good = swell.doubt_db < 0.5
    if good.sum() < 100:
        return None
    first = int(np.argmax(good))
    gain = np.clip(swell.gain_db[first:], -200.0, 200.0)
    at = np.linspace(-1.0, 1.0, len(gain))
    rest = (gain - np.polyval(np.polyfit(at, gain, SMOOTH_ORDER), at)) * np.hanning(len(gain))
    power = np.abs(np.fft.rfft(rest, 8 * len(rest))) ** 2
    hz = np.fft.rfftfreq(8 * len(rest), FRAME_S)
    inside = (hz >= SLOWEST_HZ) & (hz <= FASTEST_HZ)
    k = int(np.argmax(np.where(inside, power, 0.0)))
    depth = float(2.0 * np.sqrt(power[k]) / np.hanning(len(gain)).sum())
    # A knee spreads over all slow frequencies and falls off; a steady sway stands alone.
    aside = inside & (np.abs(hz - hz[k]) > 0.6) & (np.abs(hz - hz[k]) < 2.5)
    lone = power[k] > OVER_REST * np.median(power[aside]) and power[k] > 4.0 * power[hz < 0.5 * hz[k]].max(initial=0.0)
    return Sway(depth, float(hz[k]), depth) if depth > SWAY_DB and lone else None


def stilled(line: np.ndarray, base: TimeBase, layout: Layout, rows: tuple[Lines, ...], swell: LevelSweep):
    """Return a sway too slow for the swell, or None, and rows and swell without it.

    It has to account for the gain of every period of the sine in the whole recording. What depends on the level cannot
    pass for a sway: it stays the same while a step lasts.
    """
    sines = [row for row in rows if row.part.stimulus == "sine" and row.doubt_db[0] < KNOWN_DB]
    if len(sines) < KNOWN_STEPS:
        return None, rows, swell
    at = np.concatenate([_middles_s(row.part, layout) for row in sines])
    gain = np.concatenate([_gain_of_periods(line, base, layout, row.part) for row in sines])
    doubt = np.repeat(
        [np.hypot(DOUBT_DB, row.doubt_db[0] * row.part.periods**0.5) for row in sines], sines[0].part.periods
    )

    def fitted(hz):
        parts, rest = np.linalg.lstsq(_turning(hz, at) / doubt[:, np.newaxis], gain / doubt, rcond=None)[:2]
        return parts, float(rest[0])

    tried = np.arange(*SLOW_HZ, HZ_STEP)
    near = tried[int(np.argmin([fitted(hz)[1] for hz in tried]))]
    hz = scipy.optimize.minimize_scalar(
        lambda hz: fitted(hz)[1], bounds=(near - HZ_STEP, near + HZ_STEP), method="bounded", options={"xatol": 1e-6}
    ).x
    parts, rest = fitted(hz)
    depth = float(np.ptp(_turning(hz, np.linspace(0.0, 1.0 / hz, 256)) @ parts)) / 2.0
    left = float(np.sqrt(rest / np.sum(doubt**-2.0)))
    weights = doubt**-2.0
    spread = float(np.sqrt(np.average((gain - np.average(gain, weights=weights)) ** 2, weights=weights)))
    if not (depth > SWAY_DB and left < LEFT_SHARE * depth and spread > LEAST_SPREAD * depth):
        return None, rows, swell

    def sway_db(seconds):
        return (_turning(hz, seconds) @ parts) - parts[0]

    still = [row.stilled(float(np.mean(sway_db(_middles_s(row.part, layout))))) for row in rows]
    swelling_s = layout.swell[0] / layout.rate_hz + SKIPPED_S + FRAME_S * (np.arange(len(swell.gain_db)) + 0.5)
    return Sway(depth, float(hz), 0.0), tuple(still), swell._replace(gain_db=swell.gain_db - sway_db(swelling_s))


def _turning(hz, seconds):
    """Return what a gain in dB consists of that sways: a constant, the sway, and its first harmonic."""
    turns = 2.0 * np.pi * hz * seconds
    return np.stack([np.ones_like(turns), *(wave(k * turns) for k in (1, 2) for wave in (np.cos, np.sin))], axis=-1)


def _middles_s(part, layout):
    return (part.start + (np.arange(part.periods) + 0.5) * layout.period) / layout.rate_hz


def _gain_of_periods(line, base, layout, part):
    sound = stretch(line, base, part.start, layout.period * part.periods).reshape(part.periods, layout.period)
    (fed,) = layout.fed[part.stimulus]
    return ratio_to_db(np.abs(np.fft.rfft(sound, axis=1)[:, fed]) * 2.0 / layout.period) - part.level_dbfs


# ------------------------------------------------------------------------------------------------- corner or bend


def onset_of_gain(swell: LevelSweep, plain_db: float) -> Onset | None:
    """Fit the static curve of a compressor to the first 3 dB of reduction; None if there is none."""
    away = np.abs(swell.gain_db - plain_db)
    beyond = np.flatnonzero(away > 3.0)
    stop = int(beyond[0]) if beyond.size else len(away)
    level, gain = swell.level_dbfs[:stop], plain_db - swell.gain_db[:stop]
    doubt = np.maximum(swell.doubt_db[:stop], 0.003)
    use = doubt < 0.3
    level, gain, doubt = level[use], gain[use], doubt[use]
    if len(level) < 20 or gain.max() < max(0.5, 8.0 * doubt[-1]):
        return None
    start = float(level[int(np.argmax(gain > 0.3))])

    def left(found):
        threshold, slope, knee = found
        return (gain - slope * over_the_knee(level - threshold, knee)) / doubt

    best = min(
        (
            scipy.optimize.least_squares(
                left, (start, 0.5, knee), bounds=((-80.0, 0.0, 1e-3), (10.0, 1.0, 30.0)), loss="soft_l1"
            )
            for knee in (0.05, 2.0, 8.0)
        ),
        key=lambda each: each.cost,
    )
    threshold, _, knee = best.x
    corner = True if knee < CORNER_DB else False if knee > BEND_DB else None
    if corner is not False and np.sqrt(np.mean((left(best.x) * doubt) ** 2)) > 0.1:
        corner = None
    return Onset(float(threshold if corner else threshold - knee / 2.0), corner)


def onset_of_bend(swell: LevelSweep) -> Onset | None:
    """Tell from how fast distortion sets in whether it does so at a corner; None if it stays low."""
    seen = swell.bent_db > swell.floor_db
    bent = np.where(seen, swell.bent_db, -np.inf)
    over = np.flatnonzero(bent > HIGH_BENT_DB)
    if not over.size:
        return None
    high = int(over[0])
    hidden = np.flatnonzero(np.maximum(bent, swell.floor_db)[:high] < LOW_BENT_DB)
    low = int(hidden[-1]) if hidden.size else high
    step = float(swell.level_dbfs[1] - swell.level_dbfs[0])
    # Gradual is what is seen on its way; what a noise floor or a coder's smear hides may be anything.
    on_its_way = np.flatnonzero(~(seen & (bent > LOW_BENT_DB))[:high])
    seen_db = (high - 1 - (int(on_its_way[-1]) if on_its_way.size else -1)) * step
    corner = None
    if seen_db > GRADUAL_DB:
        corner = False
    elif hidden.size and (high - low) * step < SUDDEN_DB:
        corner = True
    return Onset(float(swell.level_dbfs[low]), corner)
