"""What a look at stems brings up: findings, and those that say what stems have to do with each other.

These are copies, also with reversed polarity, split pairs, a mix print among them. Stems are compared by short spectra
taken at the same moments of each, so that a long song needs no more memory than a short one.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import scipy

from gainlib.levels.printing import number
from gainlib.meters import Reading

TAGS = (
    "too hot", "too low", "clipped", "DC", "noisy", "polarity", "dual mono", "low activity", "silent",
    "high crest", "over full scale", "split stereo", "duplicate", "mix print", "length mismatch",
)  # fmt: skip
SHARED = ("polarity", "length mismatch")
RANKS = (
    "silent", "over full scale", "clipped", "too hot", "DC", "polarity", "mix print", "duplicate", "too low", "noisy",
    "high crest", "split stereo", "length mismatch", "dual mono", "low activity",
)  # fmt: skip
"""The same tags, first what costs most if it is passed over (an order of this project's own)."""
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


@dataclass(frozen=True)
class Finding:
    """One thing found.

    Attributes
    ----------
    strip : str
        Name of the strip.
    tag : str
        One of ``TAGS``.
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
    """Return the findings of stems, each once: proven ones first, and first what costs most if it is passed over.

    Parameters
    ----------
    stems : iterable of Stem
    """
    found = dict.fromkeys(finding for stem in stems for finding in stem.findings)
    return sorted(found, key=lambda finding: (not finding.sure, RANKS.index(finding.tag)))


# ---- between stems ---------------------------------------------------------------------------------------------------


class Snapshots:
    """Short spectra of the mono fold at moments spread over the song, the same for every stem.

    Parameters
    ----------
    rate_hz : int
    longest_s : float
        Length of the longest stem.
    """

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

    `energies` are those of the moments of `x` and `y`, for who compares many.

    Returns
    -------
    lag : int
        In frames; positive where `y` comes later.
    value : float
        From −1 to 1.
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
            yield Finding(
                stem.name, "mix print", False,
                f"{number(100 * share, 0)} % of it is made of {heard} other stems; possibly a mix print "
                "among the stems; leave it out of the sum",
            )  # fmt: skip


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
