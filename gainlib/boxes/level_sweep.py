"""The swelling sine as it was recorded: gain and distortion against level, in fine steps.

It tells a corner from a bend, and shows a gain that moves with time: what depends on the level alone climbs once.
"""

from typing import NamedTuple

import numpy as np
from scipy import optimize

from gainlib.boxes.probesignal import SINE_HZ, Layout
from gainlib.boxes.spectral_lines import PLAIN_RATIO
from gainlib.boxes.sync_markers import TimeBase
from gainlib.levels import db_to_ratio, ratio_to_db

FRAME_S = 0.02
HARMONICS = 5
SLOWEST_HZ, FASTEST_HZ = 0.9, 20.0
SWAY_DB, OVER_REST = 0.1, 30.0
SMOOTH_ORDER = 5
CORNER_DB, BEND_DB = 1.0, 1.5  # width of a knee
SUDDEN_DB, GRADUAL_DB = 0.5, 0.7  # way from −60 to −46 dB of distortion: 0.1 for a clip, 7 for a square law
LOW_BENT_DB, HIGH_BENT_DB = -60.0, -46.0
SKIPPED_S = 0.6  # until a box has let go of the last step


class LevelSweep(NamedTuple):
    """Gain and distortion of the swelling sine; arrays of one length.

    Attributes
    ----------
    level_dbfs : array
        Peak level fed.
    gain_db : array
    doubt_db : array
        Standard deviation of the gain.
    bent_db : array
        Harmonics 2 to 5 against the fundamental.
    floor_db : array
        Up to here that may be noise.
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
    waves = [np.ones(size)]
    for order in range(1, HARMONICS + 1):
        waves += [np.cos(2.0 * np.pi * order * turns), np.sin(2.0 * np.pi * order * turns)]
    basis = np.stack(waves, axis=1)
    # What is fed grows within a frame; scaled back, it is a steady sine.
    framed = (sound / ramp).reshape(count, size)
    parts = np.linalg.lstsq(basis, framed.T, rcond=None)[0]
    rest = np.mean((framed - (basis @ parts).T) ** 2, axis=1) * size / (size - len(waves))
    lines = parts[1::2] ** 2 + parts[2::2] ** 2
    noise = 4.0 * rest / size
    level = fed_dbfs.reshape(count, size).mean(axis=1)
    fundamental = np.maximum(lines[0], 1e-300)
    expected = (HARMONICS - 1) * noise
    floor = PLAIN_RATIO * expected + own_power * db_to_ratio(-2.0 * level)
    return LevelSweep(
        level_dbfs=level,
        gain_db=ratio_to_db(np.sqrt(fundamental)),
        doubt_db=np.minimum(8.686 * np.sqrt(noise / 2.0 / fundamental), 100.0),
        bent_db=ratio_to_db(np.sqrt(np.maximum(lines[1:].sum(axis=0) - expected, 0.0) / fundamental)),
        floor_db=ratio_to_db(np.sqrt(floor / fundamental)),
    )


# --------------------------------------------------------------------------------------------------------- in time


def sway(swell: LevelSweep) -> tuple[float, float] | None:
    """Return depth in dB and frequency in Hz at which the gain goes up and down steadily; None if it does not."""
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
    depth = 2.0 * np.sqrt(power[k]) / np.hanning(len(gain)).sum()
    # A knee spreads over all slow frequencies and falls off; a steady sway stands alone.
    aside = inside & (np.abs(hz - hz[k]) > 0.6) & (np.abs(hz - hz[k]) < 2.5)
    lone = power[k] > OVER_REST * np.median(power[aside]) and power[k] > 4.0 * power[hz < 0.5 * hz[k]].max(initial=0.0)
    return (float(depth), float(hz[k])) if depth > SWAY_DB and lone else None


# ------------------------------------------------------------------------------------------------- corner or bend


class Onset(NamedTuple):
    """Where a box stops being straight, dBFS, and whether at a corner: None where the recording cannot tell."""

    level_dbfs: float
    corner: bool | None


def onset_of_gain(swell: LevelSweep, plain_db: float) -> Onset | None:
    """Fit the static curve of a compressor to the first 3 dB of reduction; None if there is none.

    Source: Giannoulis, Massberg, Reiss, JAES 60(6), 2012, equation 4.
    """
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
        over = level - threshold
        inside = (over + knee / 2.0) ** 2 / (2.0 * knee)
        curve = slope * np.where(over >= knee / 2.0, over, np.where(over > -knee / 2.0, inside, 0.0))
        return (gain - curve) / doubt

    best = min(
        (
            optimize.least_squares(
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
