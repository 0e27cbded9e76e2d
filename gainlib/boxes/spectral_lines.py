"""A recorded stretch that repeats, taken apart: what was fed, what the box added to it, and what does not repeat."""

from typing import NamedTuple

import numpy as np
from scipy import ndimage

from gainlib.boxes.null import interpolated
from gainlib.boxes.probesignal import Layout, Part
from gainlib.boxes.sync_markers import TimeBase
from gainlib.levels import db_to_ratio

AROUND_LINES = 17
HARMONICS, PLAIN_HARMONICS = 40, 10
TOP_HZ = 20000.0
SMEAR = 0.01  # frames by which a stretch may run off before it is brought back to its rate
PLAIN_RATIO = 5.0
ROUNDING_SHARE = 1.0 / 16.0  # of its error that may fall on one line, as a variance
WIDE_RATIO = 4.0


class Lines(NamedTuple):
    """One part of the ladder as it was recorded.

    Attributes
    ----------
    part : Part
    gain_db : tuple of float
        Level out over level in: of a sine, of noise as a whole, of the low and the high tone; −inf for silence.
    doubt_db : tuple of float
        Standard deviation of each that what does not repeat leaves.
    bent_db : float
        What lies where nothing was fed, relative to what was: harmonics 2 to 10 of a sine, sums and differences of two
        tones, the free multiples for noise. −inf where noise accounts for all of it.
    floor_db : float
        Up to here that may be noise.
    thd_percent : float
        For a sine: harmonics 2 to 40 below 20 kHz against the fundamental, noise taken off.
    thdn_percent : float
        All but what was fed, against the whole, 20 Hz to 20 kHz.
    stray_dbfs : float
        What does not repeat, sine-referred.
    fading_db : float
        How much more it is early in the stretch than late; a tail fades, noise does not.
    loud_db : float
        Level out over level in as BS.1770 weighs it, noise taken off; for noise only, else NaN.
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


def stretch(line: np.ndarray, base: TimeBase, start: int, frames: int) -> np.ndarray:
    """Return a stretch of a recording at the rate of the test file, shape (frames,)."""
    at = base.place(start)
    if abs(base.stretch - 1.0) * frames < SMEAR:
        first = round(at)
        return line[first : first + frames]
    return interpolated(line[:, np.newaxis], at + base.stretch * np.arange(frames))[:, 0]


def lines_of(line: np.ndarray, base: TimeBase, layout: Layout, part: Part, own_power: float, hears) -> Lines:
    """Take one part of a recording apart.

    Parameters
    ----------
    line : array, shape (frames,)
        The recording.
    base : TimeBase
    layout : Layout
    part : Part
    own_power : float
        Power of the rounding in the files, which may fall anywhere.
    hears : callable
        Gives the weight of powers at frequencies in Hz.
    """
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
    hz = np.arange(len(on)) * layout.rate_hz / period
    return Lines(
        part=part,
        gain_db=gains,
        doubt_db=doubts,
        bent_db=_db(bent, whole),
        floor_db=_db(floor, whole),
        thd_percent=_thd(layout, on, noise, fed[0]) if part.stimulus == "sine" else np.nan,
        thdn_percent=_thdn(power, count, fed, layout),
        stray_dbfs=_db(float(np.sum(_off(power, count))) * count / (count - 1), 1.0),
        fading_db=_fading(sound, period),
        loud_db=_db(float(np.sum((on[fed] - noise[fed]) * hears(hz[fed]))), float(np.sum(given * hears(hz[fed]))))
        if part.stimulus == "noise"
        else np.nan,
    )


def _off(power, count):
    return np.delete(power, np.arange(0, len(power), count))


def _beside(power, count, period):
    """Return the power that noise puts on each multiple, from what lies around it between multiples."""
    rows = period // 2 + 1
    padded = np.zeros(rows * count)
    padded[: min(len(power), rows * count)] = power[: rows * count]
    between = padded.reshape(rows, count)[:, 1:].mean(axis=1)
    both = 0.5 * (between + np.concatenate([between[:1], between[:-1]]))
    return ndimage.uniform_filter1d(both, AROUND_LINES, mode="nearest")


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
    gains = tuple(_db(float(a), float(b)) for a, b in zip(clean, given, strict=True))
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
    return _db(float(steps[0]), float(steps[1])) if steps[1] > 0.0 else 0.0


def _db(power, reference):
    if power <= 0.0:
        return -np.inf
    return 10.0 * float(np.log10(power / reference)) if reference > 0.0 else np.inf
