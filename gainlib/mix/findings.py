"""What is wrong with stems as they arrive: faults named, with the figures that speak for them, also between stems.

A detector says "possible" where a measurement cannot tell a fault from an intention: flat tops are left by clipping,
by a limiter and by a square wave alike. Nothing is ever changed by a detector. The limits are common practice, no
source, chosen on the synthesised demo; the figures beside them are what a reader can judge by.

Stems have to do with each other as copies, also with reversed polarity, split pairs, a mix print among them. They are
compared by short spectra taken at the same moments of each, so that a long song needs no more memory than a short one.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import scipy

from gainlib.audio.types import watched
from gainlib.meters import Reading, measure
from gainlib.session import Strip
from gainlib.words import number, quantity

SHARED = ("polarity", "length mismatch")
RANKS = (
    "silent", "over full scale", "clipped", "too hot", "DC", "polarity", "mix print", "duplicate", "too low", "noisy",
    "high crest", "split stereo", "length mismatch", "dual mono", "low activity",
)  # fmt: skip
"""All tags, first what costs most if it is passed over (an order of this project's own)."""
FORMER_TAGS = {
    "sparse": "low activity", "pair": "split stereo", "copy": "duplicate", "print": "mix print",
    "lengths": "length mismatch",
}  # fmt: skip
"""Tags in sheets of the version before, which are read for one more."""

REVERSED_PAIR = 0.15
COPY = 0.9999
REACH_S = 0.010
PRINT_SHARE = 0.9
LEAST_WEIGHT = 0.05
SNAPSHOT_S = 0.085
SNAPSHOTS = 800

TOO_HOT_DBFS = -13.0
TOO_LOW_DBFS = -34.0
SPARSE = 0.15
HIGH_CREST_DB = 18.0
OFFSET = 0.005
FLAT_RUNS = 10
FLAT_DB, FLAT_TIMES, FLAT_APART_S = 0.01, 3, 1.0
DUAL_MONO_DB = -80.0
REVERSED_SIDE = -0.5
BLOCK_S = 0.1
STEADY_DB = 2.0
FLOOR_RANGE_DB = (-40.0, -15.0)


@dataclass(frozen=True)
class Finding:
    """One thing found.

    Attributes
    ----------
    strip : str
        Name of the strip.
    tag : str
        One of ``RANKS``.
    sure : bool
        False where the same picture has an innocent cause as well.
    words : str
        What was measured, what it may mean, what would do.
    others : tuple of str
        Other strips that the words are about.
    """

    strip: str
    tag: str
    sure: bool
    words: str
    others: tuple[str, ...] = ()

    @property
    def shown_by(self) -> tuple[str, ...]:
        """The strips that show it: of some relations all that are in it, else the one."""
        return (self.strip, *self.others) if self.tag in SHARED else (self.strip,)

    @property
    def sentence(self) -> str:
        """The words behind the names of the strips that show it."""
        return f"{', '.join(self.shown_by)}: {self.words}"


@dataclass(frozen=True)
class Stem:
    """A stem as measured.

    Attributes
    ----------
    name : str
    reading : Reading
    channels, rate_hz, frames : int
    noise_dbfs : float or None
        Level of a steady floor in the pauses; None where there are no pauses to measure it in.
    correlation : float or None
        Between left and right, −1 to 1; None for mono and for silence.
    side_db : float or None
        Level of left minus right against the whole; −inf when they are equal.
    findings : tuple of Finding
    """

    name: str
    reading: Reading
    channels: int
    rate_hz: int
    frames: int
    noise_dbfs: float | None
    correlation: float | None
    side_db: float | None
    findings: tuple[Finding, ...]

    @property
    def tags(self) -> tuple[str, ...]:
        """Tags of all findings."""
        return tuple(finding.tag for finding in self.findings)


def ranked(stems) -> list[Finding]:
    """Return the findings of stems, each once: proven ones first, and first what costs most if it is passed over."""
    found = dict.fromkeys(finding for stem in stems for finding in stem.findings)
    return sorted(found, key=lambda finding: (not finding.sure, RANKS.index(finding.tag)))


# ---- between stems ---------------------------------------------------------------------------------------------------


class Snapshots:
    """Short spectra of the mono fold at moments spread over the song, the same for every stem."""

    def __init__(self, rate_hz, longest_s):
        self._size = 2 ** round(math.log2(SNAPSHOT_S * rate_hz))
        self._hop = max(self._size // 2, math.ceil(longest_s * rate_hz / SNAPSHOTS))
        self._window = np.hanning(self._size).astype(np.float32)
        self._held, self._start, self._spectra = np.zeros(0, np.float32), 0, []

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        fold = sum(block.T) / block.shape[1]  # numpy's mean over rows of one or two takes ten times as long
        self._held = np.concatenate([self._held, fold.astype(np.float32)])
        while len(self._held) >= self._start + self._size:
            part = self._held[self._start : self._start + self._size]
            self._spectra.append(scipy.fft.rfft((part - part.mean()) * self._window))
            self._start += self._hop
        self._held, self._start = self._held[self._start :], max(self._start - len(self._held), 0)

    def result(self) -> np.ndarray:
        """Return spectra, complex64, shape (moments, bins)."""
        return np.array(self._spectra, np.complex64).reshape(-1, self._size // 2 + 1)


def _sounding(stems, spectra):
    """Return the stems that sound, each with its spectra."""
    return [(stem, each) for stem, each in zip(stems, spectra, strict=True) if "silent" not in stem.tags]


def reversed_pairs(stems: list, spectra: list) -> Iterator[Finding]:
    """Find stems whose main correlation with another, within 10 ms, is negative."""
    sounding = [(stem, each, moment_energies(each)) for stem, each in _sounding(stems, spectra) if len(each)]
    for (one, x, energy), (other, y, energy_y) in combinations(sounding, 2):
        if one.rate_hz != other.rate_hz:
            continue
        lag, value = main_correlation(x, y, round(REACH_S * one.rate_hz), (energy, energy_y))
        if value <= -REVERSED_PAIR:
            words = (
                f"correlate by {number(value, 2)} at {number(1000 * lag / one.rate_hz, 1)} ms; "
                "possibly one of the two is inverted; try its polarity switch and keep whichever has more low end"
            )
            yield Finding(one.name, "polarity", False, words, (other.name,))


def main_correlation(x, y, reach, energies=None):
    """Return lag and value of the largest correlation, by magnitude, looking `reach` frames to either side.

    The lag is in frames, positive where `y` comes later. `energies` are those of the moments of `x` and `y`, for who
    compares many.
    """
    count = min(len(x), len(y))
    cross = np.einsum("ij,ij->j", y[:count], x[:count].conj())
    of_x, of_y = energies or (moment_energies(x), moment_energies(y))
    scale = math.sqrt(of_x[:count].sum() * of_y[:count].sum())
    if not scale:
        return 0, 0.0
    found = scipy.fft.irfft(cross) * (2 * (x.shape[1] - 1)) / scale
    found = np.concatenate([found[-reach:], found[: reach + 1]])
    best = int(np.argmax(np.abs(found)))
    return best - reach, float(found[best])


def moment_energies(spectra: np.ndarray) -> np.ndarray:
    """Return the energy of real signals, moment by moment, from their one-sided spectra, times the transform length."""
    parts = spectra.view(np.float32)
    return np.array([2.0 * (row @ row) - row[0] ** 2 - row[-2] ** 2 for row in map(np.float64, parts)])


def copies(stems: list, spectra: list) -> Iterator[Finding]:
    """Find stems that are another one over again, at the same level or at another."""
    sounding = [(stem, each, float(np.vdot(each, each).real)) for stem, each in _sounding(stems, spectra) if len(each)]
    for (one, x, power), (other, y, power_y) in combinations(sounding, 2):
        if (one.rate_hz, x.shape) != (other.rate_hz, y.shape):
            continue
        scale = math.sqrt(power * power_y)
        if scale and float(np.vdot(x, y).real) / scale > COPY:
            apart_db = 10.0 * math.log10(power / power_y)
            more_db = 20.0 * math.log10(1.0 + 10.0 ** (-abs(apart_db) / 20.0))
            level = f", {number(abs(apart_db), 1)} dB {'softer' if apart_db > 0.0 else 'louder'}"
            words = (
                f"the same as {one.name}{level if abs(apart_db) >= 0.05 else ''}; possibly exported twice, or the two "
                "sides of a mono track; leave one out, or keep in mind that both together are "
                f"{number(more_db, 1)} dB louder than the louder one alone"
            )
            yield Finding(other.name, "duplicate", False, words, (one.name,))


def split_pairs(stems: list) -> Iterator[Finding]:
    """Find mono files whose names differ by a left/right ending only."""
    endings = (("l", "r"), ("left", "right"))
    by_name = {stem.name.casefold(): stem for stem in stems if stem.channels == 1}
    for left, right in endings:
        for name, stem in by_name.items():
            for mark in (" ", "_", "-", "."):
                partner = by_name.get(name.removesuffix(mark + left) + mark + right)
                if name.endswith(mark + left) and partner is not None:
                    words = (
                        f"looks like the left side of a pair with {partner.name}; pan them apart and move them "
                        "together, or join them to one stereo file"
                    )
                    yield Finding(stem.name, "split stereo", False, words, (partner.name,))


def prints(stems: list, spectra: list) -> Iterator[Finding]:
    """Find a stem that is the sum of the others."""
    several = [(stem, each) for stem, each in _sounding(stems, spectra) if len(each)]
    if len(several) < 3 or len({stem.rate_hz for stem, _ in several}) > 1:
        return
    count = min(len(each) for _, each in several)
    products = np.zeros((len(several), len(several)))
    for moment in range(count):
        parts = np.stack([each[moment].view(np.float32) for _, each in several])
        products += parts @ parts.T
    for k, (stem, _) in enumerate(several):
        others = [j for j in range(len(several)) if j != k]
        weights = np.linalg.lstsq(products[np.ix_(others, others)], products[others, k], rcond=1e-6)[0]
        share = float(products[k, others] @ weights) / products[k, k]
        like = max(products[k, j] ** 2 / (products[k, k] * products[j, j]) for j in others)
        heard = np.count_nonzero(weights > LEAST_WEIGHT)
        if share >= PRINT_SHARE and heard >= 2 and weights.min() > -LEAST_WEIGHT and like <= COPY**2:  # no copy of one
            made = f"{number(100 * share, 0)} % of it is made of {heard} other stems"
            words = f"{made}; possibly a mix print among the stems; leave it out of the sum"
            yield Finding(stem.name, "mix print", False, words)


def lengths(stems: list) -> Iterator[Finding]:
    """Tell stems that are shorter than the longest, all in one finding: padded, and possibly started elsewhere."""
    longest = max(stems, key=lambda stem: stem.frames / stem.rate_hz, default=None)
    missing = {s.name: longest.frames / longest.rate_hz - s.frames / s.rate_hz for s in stems if "silent" not in s.tags}
    short = {name: seconds for name, seconds in missing.items() if seconds > 0.001}
    if not short:
        return
    first, *others = short
    least, most = (number(edge(short.values()), 3) for edge in (min, max))
    words = (
        f"{least if least == most else f'{least} to {most}'} s shorter than {longest.name}; the end is padded with "
        "silence; if a stem was printed from another start, it is out of time: print all stems from the same start"
    )
    yield Finding(first, "length mismatch", False, words, tuple(others))


# ---- all of them -----------------------------------------------------------------------------------------------------


def checkup(strips: Iterable[Strip], progress=None) -> tuple[Stem, ...]:
    """Measure stems and name what is wrong with them.

    Parameters
    ----------
    strips : iterable of Strip
        Their sources are looked at, not their settings.
    progress : callable, optional
        Called with a label, the steps done and the steps in all.

    Returns
    -------
    stems : tuple of Stem
        In the order given.
    """
    strips = tuple(strips)
    told = progress or (lambda *_: None)
    stems, spectra = [], []
    longest_s = max((strip.audio.frames / strip.audio.rate_hz for strip in strips), default=0.0)
    for done, strip in enumerate(strips):
        told("check", done, len(strips))
        stem, spectrum = _look(strip, longest_s)
        stems.append(stem)
        spectra.append(spectrum)
    told("check", len(strips), len(strips))
    related = (reversed_pairs(stems, spectra), copies(stems, spectra), split_pairs(stems), prints(stems, spectra))
    extra = [finding for found in (*related, lengths(stems)) for finding in found]
    return tuple(
        replace(stem, findings=(*stem.findings, *(each for each in extra if stem.name in each.shown_by)))
        for stem in stems
    )


# --------------------------------------------------------------------------------------------------------- one stem


class _Pairing:
    """Sums over left and right, and powers of 100 ms blocks, of a signal pushed through."""

    def __init__(self, rate_hz, channels):
        self._size = round(BLOCK_S * rate_hz)
        self._rest = np.zeros((channels, 0))
        self.sums, self.products, self.frames, self.powers = np.zeros(2), np.zeros((2, 2)), 0, []
        self.highest, self.lowest = np.zeros(channels), np.zeros(channels)

    def push(self, block):
        lines = np.ascontiguousarray(block.T, dtype=float)  # sums along neighbours in memory take a tenth of the time
        sides = lines[[0, -1]]
        self.sums += sides.sum(axis=1)
        self.products += sides @ sides.T
        self.frames += len(block)
        self.highest = np.maximum(self.highest, lines.max(axis=1))
        self.lowest = np.minimum(self.lowest, lines.min(axis=1))
        held = np.concatenate([self._rest, lines], axis=1)
        whole = held.shape[1] // self._size * self._size
        self.powers += [held[:, :whole].reshape(len(held), -1, self._size).var(axis=2).mean(axis=0)]
        self._rest = held[:, whole:]

    def result(self):
        """Return correlation, level of the difference, and block levels sine-referred."""
        covariance = self.products / self.frames - np.outer(self.sums, self.sums) / self.frames**2
        left, right, both = covariance[0, 0], covariance[1, 1], covariance[0, 1]
        powers = np.concatenate(self.powers) if self.powers else np.zeros(0)
        levels = 10.0 * np.log10(2.0 * np.maximum(powers, 1e-20))
        if left <= 0.0 or right <= 0.0:
            return None, None, levels
        side = self.products[0, 0] - 2 * self.products[0, 1] + self.products[1, 1]
        total = self.products[0, 0] + self.products[1, 1]
        side_db = 10.0 * math.log10(side / total) if side > 1e-16 * total else -math.inf
        return both / math.sqrt(left * right), side_db, levels


def _look(strip, longest_s):
    source = strip.audio
    pairing, snapshots = _Pairing(source.rate_hz, source.channels), Snapshots(source.rate_hz, longest_s)
    reading = measure(watched(source, pairing.push, snapshots.push))
    correlation, side_db, levels = pairing.result()
    if source.channels == 1:
        correlation = side_db = None
    noise = _steady_floor(levels, reading.active_dbfs)
    stem = Stem(strip.name, reading, source.channels, source.rate_hz, source.frames, noise, correlation, side_db, ())
    flat_s = _flat_times(source, pairing) if reading.flat_runs >= FLAT_RUNS else ()
    return replace(stem, findings=tuple(_of_one(stem, flat_s))), snapshots.result()


def _flat_times(source, pairing):
    """Return when the first flat tops stand, in seconds, at least one second apart: three samples at the maximum."""
    near = 10.0 ** (-FLAT_DB / 20.0)
    times, clock, last = [], 0, np.zeros((2, source.channels), bool)
    for block in source.blocks():
        high = (block >= near * pairing.highest) & (pairing.highest > 0.0)
        low = (block <= near * pairing.lowest) & (pairing.lowest < 0.0)
        # A run that reaches over two blocks begins up to two samples ahead of the second.
        flat = np.concatenate([last, high | low])
        for frame in np.flatnonzero((flat[:-2] & flat[1:-1] & flat[2:]).any(axis=1)):
            time_s = (clock + int(frame) - 2) / source.rate_hz
            if not times or time_s >= times[-1] + FLAT_APART_S:
                times.append(time_s)
            if len(times) == FLAT_TIMES:
                return tuple(times)
        clock, last = clock + len(block), flat[-2:]
    return tuple(times)


def _clock(time_s):
    """Return a time as minutes and seconds.

    Examples
    --------
    >>> _clock(59.97), _clock(83.24)
    ('1:00.0', '1:23.2')
    """
    minutes, tenths = divmod(round(10.0 * time_s), 600)
    return f"{minutes}:{tenths // 10:02d}.{tenths % 10}"


def _steady_floor(levels, active_dbfs):
    """Return the level of a steady floor in the pauses, or None."""
    if len(levels) < 20 or not math.isfinite(active_dbfs):
        return None
    low, middle, high = np.percentile(levels, [2, 10, 15])
    inside = active_dbfs + FLOOR_RANGE_DB[0] <= middle <= active_dbfs + FLOOR_RANGE_DB[1]
    return float(middle) if high - low < STEADY_DB and inside else None


def _of_one(stem, flat_s=()):
    """Yield what is wrong with one stem by itself."""
    name, reading = stem.name, stem.reading
    offset = abs(reading.dc_offset) > OFFSET
    silent = not math.isfinite(reading.active_dbfs)
    active, peak = (quantity(level, "dBFS", 1) for level in (reading.active_dbfs, reading.sample_peak_dbfs))
    if silent:
        what = "nothing but a constant offset" if offset else "nothing above −90 dBFS"
        yield Finding(name, "silent", True, f"{what}; leave it out, or look for the right file")
    elif reading.active_dbfs >= TOO_HOT_DBFS:
        words = f"active level {active}, peak {peak}; turn it down ahead of the first level-dependent processor"
        yield Finding(name, "too hot", True, words)
    elif reading.active_dbfs <= TOO_LOW_DBFS:
        words = f"active level {active}; turning it up is safe in a float mixer, but its noise comes up with it"
        yield Finding(name, "too low", True, words)
    if not silent and reading.flat_runs >= FLAT_RUNS:
        words = (
            f"{reading.flat_runs} flat tops at its own maximum of {peak}, the first at "
            f"{', '.join(map(_clock, flat_s))}; possibly clipped (a limiter or a square wave looks the same); no gain "
            "repairs that"
        )
        yield Finding(name, "clipped", False, words)
    if offset:
        words = (
            f"constant offset of {number(100 * reading.dc_offset, 1, signed=True)} % of full scale; it uses up "
            "headroom and shifts asymmetrical stages; block it with a high-pass below 5 Hz"
        )
        yield Finding(name, "DC", True, words)
    if not silent:
        yield from _of_sound(stem, active, peak)


def _of_sound(stem, active, peak):
    name, reading = stem.name, stem.reading
    if stem.noise_dbfs is not None:
        words = (
            f"a steady floor of {quantity(stem.noise_dbfs, 'dBFS', 1)} in its pauses, "
            f"{number(reading.active_dbfs - stem.noise_dbfs, 0)} dB below the music; possibly hum or hiss; a "
            "compressor raises it by makeup and gain reduction"
        )
        yield Finding(name, "noisy", False, words)
    if reading.activity < SPARSE:
        share = number(100 * reading.activity, 0)
        words = f"plays {share} % of the time; go by its active level, not by an average over the file"
        yield Finding(name, "low activity", True, words)
    if reading.active_crest_db is not None and reading.active_crest_db > HIGH_CREST_DB:
        crest_db = round(reading.sample_peak_dbfs, 1) - round(reading.active_dbfs, 1)
        words = (
            f"its highest peak, {peak}, is {number(crest_db, 1)} dB above its active level, {active}; at a "
            "level-dependent input, the peaks decide, not the average"
        )
        yield Finding(name, "high crest", True, words)
    if reading.sample_peak_dbfs > 0.0:
        above = quantity(reading.sample_peak_dbfs, "dBFS", 1, signed=True)
        words = f"peak {above} in a float file; nothing is lost yet; turn it down before anything that clips"
        yield Finding(name, "over full scale", True, words)
    if stem.side_db is not None and stem.side_db < DUAL_MONO_DB:
        words = "both channels are the same; treat it as mono, or keep in mind that a pan law no longer applies"
        yield Finding(name, "dual mono", True, words)
    if stem.correlation is not None and stem.correlation < REVERSED_SIDE:
        said = f"left and right correlate by {number(stem.correlation, 2)}"
        words = f"{said}; possibly one side is inverted; listen in mono, then decide"
        yield Finding(name, "polarity", False, words)
