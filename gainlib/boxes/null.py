"""The null test: one print subtracted from another, and what the rest proves.

Two files made by the same settings cancel. Before they can, they have to start together, run at one speed, and stand at
one level; each of these is measured and reported, and taken out if asked for. What then remains is the difference in
sound. A deep null proves that two prints are the same; a shallow one proves only that something differs, and a small
difference of gain, time or speed makes a shallow one without anything to hear.

Sources: handbook signal processing (cross-correlation, phase of the cross-spectrum); the residual of a gain error of g
dB is 20·log₁₀|1 − 10^(g/20)|, that of a delay of t seconds at f hertz 20·log₁₀|2·sin(π·f·t)|.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy

from gainlib.audio import Audio, GainlibError
from gainlib.boxes.probing import power_db
from gainlib.levels import ratio_to_db
from gainlib.words import number, quantity

OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
REACH_S = 2.0
SEGMENTS = 16
SEARCH = 200  # frames on either side of the common lag in which a stretch is looked for
HALF = 64  # taps on either side of a point between samples
KAISER = 12.0
PHASES = 4096
LEAST_DRIFT_PPM = 0.2
LEAST_SHIFT = 0.002  # frames; a smaller one is not told from none
DEEP_DB = -90.0
HEARD_DB = -60.0
# Choices of this project, no source: a best fit that cancels less has no level to speak of; what is left out may be so
# little.
ALIKE_DB = -3.0
LEFT_OUT_S = 0.1


@dataclass(frozen=True)
class NullReport:
    """How far two prints cancel.

    Attributes
    ----------
    depth_db : float
        Residual against the first print, both in energy; −inf when nothing remains.
    raw_depth_db : float
        The same before anything was aligned or matched.
    octaves : dict of float to float
        Residual in octave bands by their centre in Hz, against the whole first print.
    offset_s : float
        How much later the second print starts.
    drift_ppm : float
        How much faster the second print runs, in millionths.
    polarity : {1, −1}
        −1 if the second print is inverted.
    gain_db : float
        Level of the second print against the first, by the best fit; means nothing unless `alike`.
    matched : bool
        Whether level and polarity were taken out.
    residual_dbfs : float
        Plain RMS of what remains, in dB against amplitude 1.
    alike : bool
        Whether the best fit cancels 3 dB or more, so that level and polarity mean something.
    compared_s : float
        Seconds of the first print that were compared.
    left_out_s : tuple of float
        Seconds of each print with sound in them that were not, as the other does not reach there.
    """

    depth_db: float
    raw_depth_db: float
    octaves: dict[float, float]
    offset_s: float
    drift_ppm: float
    polarity: int
    gain_db: float
    matched: bool
    residual_dbfs: float
    alike: bool
    compared_s: float
    left_out_s: tuple[float, float]

    @property
    def whole(self) -> bool:
        """Whether nearly all of both prints was compared."""
        return max(self.left_out_s) <= LEFT_OUT_S

    @property
    def sentence(self) -> str:
        """What this proves and what it does not."""
        left = (
            "nothing" if self.depth_db == -math.inf else f"{quantity(self.depth_db, 'dB', 1)} against the first print"
        )
        parts = [f"what remains is {left}"]
        if self.offset_s:
            word = "later" if self.offset_s > 0 else "earlier"
            parts.append(f"the second starts {number(abs(1000 * self.offset_s), 3)} ms {word}")
        if self.drift_ppm:
            word = "faster" if self.drift_ppm > 0 else "slower"
            parts.append(f"the second runs {number(abs(self.drift_ppm), 1)} millionths {word}")
        if self.alike and self.polarity < 0:
            parts.append("the second is inverted")
        if self.alike and abs(self.gain_db) > 0.0005:
            parts.append(f"the second is at {quantity(self.gain_db, 'dB', 3, signed=True)} against the first")
        taken = "time, speed, level and polarity corrected" if self.matched else "time and speed corrected"
        return f"With {taken}: {', '.join(parts)}; {self._meaning()}."

    def _meaning(self):
        if not self.alike:
            return (
                "aligned like this, they have next to nothing in common, so neither level nor polarity means anything; "
                "check for swapped sides or different music"
            )
        told = [
            f"{quantity(each, 's', 2)} of the {which}"
            for each, which in zip(self.left_out_s, ("first", "second"), strict=True)
            if each > LEFT_OUT_S
        ]
        left_out = f"{' and '.join(told)} had nothing to be compared with"
        also = f"; {left_out}" if told else ""
        if self.depth_db <= DEEP_DB and told:
            return (
                f"over the {quantity(self.compared_s, 's', 2)} compared they do not differ, but {left_out}, so this "
                f"does not prove that the prints are the same"
            )
        if self.depth_db <= DEEP_DB:
            return "the two prints are the same for every practical purpose"
        if self.depth_db <= HEARD_DB:
            return (
                f"they differ by something far below the music; only a blind test can say whether it can be heard{also}"
            )
        return (
            "they differ; that alone does not prove that the difference can be heard, and a small difference of gain, "
            f"time or a modulation is enough for it{also}"
        )


def null_depth_db(a: Audio, b: Audio) -> float:
    """Return the residual of two prints as they stand, without aligning or matching: 20·log₁₀(‖a − b‖ / ‖a‖).

    Parameters
    ----------
    a, b : Audio
        Same rate, channels and length.

    Returns
    -------
    float
        In dB; −inf if they are identical.

    Raises
    ------
    GainlibError
        If they cannot be subtracted, or `a` is silent and `b` is not.

    Examples
    --------
    >>> tone = Audio(np.sin(np.arange(4800) * 0.1), 48000)
    >>> round(null_depth_db(tone, tone.with_samples(0.9 * tone.samples)), 6)
    -20.0
    """
    _check_alike(a, b)
    if a.frames != b.frames:
        raise GainlibError(
            f"{_named(a)} has {a.frames} frames and {_named(b)} {b.frames}; cut them to one length, or let them be "
            "aligned"
        )
    return _depth(a.samples.astype(float), b.samples.astype(float), a)


def null_test(a: Audio, b: Audio, *, match: bool = True, reach_s: float = REACH_S) -> NullReport:
    """Subtract one print from another after aligning them to a fraction of a sample.

    Parameters
    ----------
    a, b : Audio
        Same rate and channels; lengths may differ.
    match : bool
        Whether level and polarity are taken out as well.
    reach_s : float
        How far apart the starts may lie.

    Returns
    -------
    report : NullReport

    Raises
    ------
    GainlibError
        If the two cannot be compared: other rates or channels, silence, or nothing in common.
    """
    _check_alike(a, b)
    for audio in (a, b):
        if not np.any(audio.samples):
            raise GainlibError(f"{_named(audio)} is silent; there is nothing to compare")
    x, y = a.samples.astype(float), b.samples.astype(float)
    frames = max(len(x), len(y))
    raw = _depth(*(np.pad(each, ((0, frames - len(each)), (0, 0))) for each in (x, y)), a)
    offset, slope, polarity = _time_base(x, y, round(reach_s * a.rate_hz))
    moved = resampled(y, offset, slope, len(x))
    if slope:  # a stretch that drifts gives its middle only roughly; what is left drifts far less
        more, steeper, _ = _time_base(x, moved, SEARCH)
        offset, slope = offset + more, slope + steeper
        moved = resampled(y, offset, slope, len(x))
    start, stop = _overlap(len(x), len(y), offset, slope)
    first, second = x[start:stop], moved[start:stop]
    fit = float(np.sum(first * second) / np.sum(second**2))
    energy = float(np.sum(first**2))
    alike = power_db(float(np.sum((first - fit * second) ** 2)), energy) <= ALIKE_DB
    if match:
        second = second * fit
    rest = first - second
    return NullReport(
        depth_db=power_db(float(np.sum(rest**2)), energy),
        raw_depth_db=raw,
        octaves=_octaves(rest, energy, a.rate_hz),
        offset_s=offset / a.rate_hz,
        drift_ppm=slope * 1e6 + 0.0,
        polarity=polarity,
        gain_db=ratio_to_db(1.0 / abs(fit)) if fit else -math.inf,
        matched=match,
        residual_dbfs=power_db(float(np.mean(rest**2))),
        alike=alike,
        compared_s=(stop - start) / a.rate_hz,
        left_out_s=(
            _left_out(x, start, stop) / a.rate_hz,
            _left_out(y, *(offset + (1.0 - slope) * edge for edge in (start, stop))) / a.rate_hz,
        ),
    )


# ------------------------------------------------------------------------------------------------------------ aligning


def resampled(samples: np.ndarray, offset: float, slope: float, frames: int) -> np.ndarray:
    """Return samples, silence around them, as if they started `offset` frames earlier and ran slower by `slope`."""
    whole = round(offset)
    if slope == 0.0 and abs(offset - whole) < LEAST_SHIFT:
        out = np.zeros((frames, samples.shape[1]))
        first, last = max(-whole, 0), min(len(samples) - whole, frames)
        if first < last:
            out[first:last] = samples[first + whole : last + whole]
        return out
    if slope == 0.0:
        whole = math.floor(offset)
        out = scipy.signal.oaconvolve(samples, _sinc(np.array([offset - whole]))[0][::-1, np.newaxis], axes=0)
        return resampled(out, float(whole + HALF), 0.0, frames)
    return interpolated(samples, offset + np.arange(frames) * (1.0 - slope))


def _sinc(fractions):
    """Return Kaiser-windowed sincs that give points at fractions after a sample, shape (points, 2·HALF)."""
    away = fractions[:, np.newaxis] - np.arange(-HALF + 1, HALF + 1)
    window = np.i0(KAISER * np.sqrt(np.maximum(1.0 - (away / HALF) ** 2, 0.0))) / np.i0(KAISER)
    return np.sinc(away) * window


@lru_cache(maxsize=1)
def _table():
    """Return the sincs for so many fractions of a sample, and what one differs from the last."""
    table = _sinc(np.arange(PHASES + 2) / PHASES)
    return table, np.diff(table, axis=0)


def interpolated(samples: np.ndarray, positions: np.ndarray) -> np.ndarray:
    """Return samples at fractional positions; sincs between those of a table are drawn straight."""
    table, steps = _table()
    out = np.zeros((len(positions), samples.shape[1]))
    padded = np.pad(samples, ((HALF, HALF), (0, 0)))
    taps = np.arange(-HALF + 1, HALF + 1) + HALF
    for start in range(0, len(positions), 8192):
        position = positions[start : start + 8192]
        base = np.floor(position).astype(int)
        phase = (position - base) * PHASES
        row = phase.astype(int)
        weights = table[row] + (phase - row)[:, np.newaxis] * steps[row]
        index = base[:, np.newaxis] + taps
        inside = (index >= 0) & (index < len(padded))
        found = padded[np.where(inside, index, 0)] * inside[:, :, np.newaxis]
        out[start : start + 8192] = np.einsum("ij,ijc->ic", weights, found)
    return out


def _time_base(x, y, reach):
    """Return offset in frames, slope and polarity of y against x, from the offsets of several stretches."""
    one, other = x.sum(axis=1), y.sum(axis=1)
    if not (one.any() and other.any()):
        one, other = x[:, 0], y[:, 0]
    lag, value = _lag(one, other, reach)
    length = max(min(len(one), len(other) - max(lag, 0)) // SEGMENTS, 1)
    at, offsets, weights = [], [], []
    for start in range(max(-lag, 0), min(len(one), len(other) - lag) - length + 1, length):
        first, second = one[start : start + length], other[start + lag : start + lag + length]
        energy = float(first @ first) * float(second @ second)
        if energy <= 0.0 or length < 64:
            continue
        shift = _fraction(first, second)
        if shift is not None:
            at.append(start + length / 2)
            offsets.append(lag + shift)
            weights.append(math.sqrt(math.sqrt(energy)))
    if not at:
        return float(lag), 0.0, 1 if value >= 0 else -1
    slope, offset = np.polyfit(at, offsets, 1, w=weights) if len(at) > 2 else (0.0, float(np.mean(offsets)))
    if abs(slope) * 1e6 < LEAST_DRIFT_PPM:
        slope, offset = 0.0, float(np.average(offsets, weights=weights))
    if slope == 0.0 and abs(offset - round(offset)) < LEAST_SHIFT:
        offset = float(round(offset))
    return float(offset), -float(slope), 1 if value >= 0 else -1


def _lag(x, y, reach):
    """Return lag in frames and value of the largest correlation, by magnitude."""
    reach = min(reach, len(x) - 1, len(y) - 1)
    found = scipy.signal.correlate(y, x, method="fft")[len(x) - 1 - reach : len(x) + reach]
    best = int(np.argmax(np.abs(found)))
    scale = math.sqrt(float(x @ x) * float(y @ y))
    if not scale or abs(found[best]) / scale < 0.05:
        raise GainlibError(
            f"the two prints have nothing in common within the {reach} frames searched; compare prints of the same "
            "music, or allow a larger offset"
        )
    return best - reach, float(found[best])


def _fraction(x, y):
    """Return how many frames y lags x, near 0, from the slope of the phase of their cross-spectrum."""
    window = np.hanning(len(x))
    cross = scipy.fft.rfft(y * window) * scipy.fft.rfft(x * window).conj()
    if not np.any(cross):
        return None
    correlation = scipy.fft.irfft(cross, len(x) * 8)
    near = 8 * min(SEARCH, len(x) // 4)
    around = np.concatenate([correlation[-near:], correlation[: near + 1]])
    coarse = (int(np.argmax(np.abs(around))) - near) / 8
    if around[int(np.argmax(np.abs(around)))] < 0:
        cross = -cross
    angle = 2 * np.pi * np.arange(len(cross)) / len(x)
    phase = np.angle(cross * np.exp(1j * angle * coarse))
    weight = np.abs(cross)
    weight[np.abs(phase) > np.pi / 2] = 0.0
    total = float(weight @ angle**2)
    return coarse - float((weight * angle) @ phase) / total if total else coarse


def _overlap(frames, others, offset, slope):
    margin = 64
    start = max(math.ceil(-offset) + margin, 0) if offset < 0 or slope or offset != round(offset) else 0
    last = (others - 1 - offset) / (1.0 - slope)
    stop = min(frames, math.floor(last) + 1 - (margin if slope or offset != round(offset) else 0))
    if offset > 0 and (slope or offset != round(offset)):
        start = max(start, margin)
    if stop - start < 1:
        raise GainlibError("the two prints do not overlap once aligned; compare prints of the same stretch of music")
    return start, stop


def _left_out(samples, start, stop):
    """Return how many frames with sound in them lie before `start` or after `stop`, silence at either end aside."""
    heard = np.flatnonzero(np.any(samples != 0.0, axis=1))
    first, last = heard[0], heard[-1] + 1
    return max(0.0, min(start, last) - first) + max(0.0, last - max(stop, first))


# ------------------------------------------------------------------------------------------------------------- reading


def _octaves(rest, energy, rate_hz):
    spectrum = 2.0 / len(rest) * np.sum(np.abs(scipy.fft.rfft(rest, axis=0)) ** 2, axis=1)
    hz = np.arange(len(spectrum)) * rate_hz / len(rest)
    bands = {}
    for centre in OCTAVES_HZ:
        if centre < rate_hz / 2:
            inside = (hz >= centre / math.sqrt(2)) & (hz < centre * math.sqrt(2))
            bands[centre] = power_db(spectrum[inside].sum(), energy)
    return bands


def _depth(x, y, a):
    rest, whole = float(np.sum((x - y) ** 2)), float(np.sum(x**2))
    if not whole and rest:
        raise GainlibError(f"{_named(a)} is silent; a residual against silence has no level")
    return power_db(rest, whole)


def _check_alike(a, b):
    if a.rate_hz != b.rate_hz:
        raise GainlibError(
            f"{_named(a)} is at {a.rate_hz} Hz and {_named(b)} at {b.rate_hz} Hz; print both at one rate"
        )
    if a.channels != b.channels:
        raise GainlibError(
            f"{_named(a)} has {a.channels} channels and {_named(b)} {b.channels}; print both with the same number"
        )


def _named(audio):
    return audio.name or "a print"
