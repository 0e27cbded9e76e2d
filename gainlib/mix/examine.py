"""What is wrong with stems as they arrive: faults named, with the figures that speak for them.

A detector says "possible" where a measurement cannot tell a fault from an intention: flat tops are left by clipping,
by a limiter and by a square wave alike. Nothing is ever changed by a detector. The limits are common practice, no
source, chosen on the synthesised demo; the figures beside them are what a reader can judge by.
"""

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from gainlib.levels.printing import number, quantity
from gainlib.meters import measure
from gainlib.mix.findings import Finding, Snapshots, Stem, copies, lengths, prints, reversed_pairs, split_pairs
from gainlib.session import Strip

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
    reading = measure(_Watched(source, (pairing, snapshots)))
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


class _Watched:
    """A source whose blocks are shown to others while a meter reads them."""

    def __init__(self, source, others):
        self._source, self._others = source, others
        self.rate_hz, self.channels = source.rate_hz, source.channels
        self.frames, self.name = source.frames, source.name

    def blocks(self, frames=65536, start=0, stop=None):
        for block in self._source.blocks(frames, start, stop):
            for other in self._others:
                other.push(block)
            yield block


def _steady_floor(levels, active_dbfs):
    """Return the level of a steady floor in the pauses, or None."""
    if len(levels) < 20 or not math.isfinite(active_dbfs):
        return None
    low, middle, high = np.percentile(levels, [2, 10, 15])
    inside = active_dbfs + FLOOR_RANGE_DB[0] <= middle <= active_dbfs + FLOOR_RANGE_DB[1]
    return float(middle) if high - low < STEADY_DB and inside else None


def _of_one(stem, flat_s=()):
    name, reading = stem.name, stem.reading
    if not math.isfinite(reading.active_dbfs):
        constant = abs(reading.dc_offset) > OFFSET
        what = "nothing but a constant offset" if constant else "nothing above −90 dBFS"
        yield Finding(name, "silent", True, f"{what}; leave it out, or look for the right file")
        yield from _of_offset(stem)
        return
    average = quantity(reading.active_dbfs, "dBFS", 1)
    if reading.active_dbfs >= TOO_HOT_DBFS:
        yield Finding(
            name, "too hot", True,
            f"active level {average}, peak {quantity(reading.sample_peak_dbfs, 'dBFS', 1)}; turn it down ahead "
            "of the first level-dependent processor",
        )  # fmt: skip
    if reading.active_dbfs <= TOO_LOW_DBFS:
        yield Finding(
            name, "too low", True,
            f"active level {average}; turning it up is safe in a float mixer, but its noise comes up with it",
        )  # fmt: skip
    if reading.flat_runs >= FLAT_RUNS:
        yield Finding(
            name, "clipped", False,
            f"{reading.flat_runs} flat tops at its own maximum of "
            f"{quantity(reading.sample_peak_dbfs, 'dBFS', 1)}, the first at {', '.join(map(_clock, flat_s))}; "
            "possibly clipped (a limiter or a square wave looks the same); no gain repairs that",
        )  # fmt: skip
    yield from _of_offset(stem)
    if stem.noise_dbfs is not None:
        yield Finding(
            name, "noisy", False,
            f"a steady floor of {quantity(stem.noise_dbfs, 'dBFS', 1)} in its pauses, "
            f"{number(reading.active_dbfs - stem.noise_dbfs, 0)} dB below the music; possibly hum or hiss; a "
            f"compressor raises it by makeup and gain reduction",
        )  # fmt: skip
    yield from _of_shape(stem)


def _of_offset(stem):
    name, reading = stem.name, stem.reading
    if abs(reading.dc_offset) > OFFSET:
        yield Finding(
            name, "DC", True,
            f"constant offset of {number(100 * reading.dc_offset, 1, signed=True)} % of full scale; it uses up "
            f"headroom and shifts asymmetrical stages; block it with a high-pass below 5 Hz",
        )  # fmt: skip


def _of_shape(stem):
    name, reading = stem.name, stem.reading
    if reading.activity < SPARSE:
        yield Finding(
            name, "low activity", True,
            f"plays {number(100 * reading.activity, 0)} % of the time; go by its active level, not by an "
            "average over the file",
        )  # fmt: skip
    if reading.active_crest_db is not None and reading.active_crest_db > HIGH_CREST_DB:
        peak, active = (round(value, 1) for value in (reading.sample_peak_dbfs, reading.active_dbfs))
        yield Finding(
            name, "high crest", True,
            f"its highest peak, {quantity(peak, 'dBFS', 1)}, is {number(peak - active, 1)} dB above its active level, "
            f"{quantity(active, 'dBFS', 1)}; at a level-dependent input, the peaks decide, not the average",
        )  # fmt: skip
    if reading.sample_peak_dbfs > 0.0:
        yield Finding(
            name, "over full scale", True,
            f"peak {quantity(reading.sample_peak_dbfs, 'dBFS', 1, signed=True)} in a float file; nothing is "
            f"lost yet; turn it down before anything that clips",
        )  # fmt: skip
    if stem.side_db is not None and stem.side_db < DUAL_MONO_DB:
        yield Finding(
            name, "dual mono", True,
            "both channels are the same; treat it as mono, or keep in mind that a pan law no longer applies",
        )  # fmt: skip
    if stem.correlation is not None and stem.correlation < REVERSED_SIDE:
        yield Finding(
            name, "polarity", False,
            f"left and right correlate by {number(stem.correlation, 2)}; possibly one side is inverted; listen "
            "in mono, then decide",
        )  # fmt: skip
