"""Readings: what meters show of one piece of audio or of a node of a session, some of them or all in one pass."""

from collections import deque
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field, fields, replace

import numpy as np

from gainlib.audio import Audio
from gainlib.audio.types import checked_block, checked_run
from gainlib.errors import GainlibError
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters.average import AverageMeter
from gainlib.meters.loudness import LoudnessMeter
from gainlib.meters.needle import NeedleMeter
from gainlib.meters.peak import FlatRunMeter, TruePeakMeter
from gainlib.meters.series import BLOCK_FRAMES, cores, feed

ROUNDING_DBFS = -180.0
_AHEAD = 4  # blocks that may be read before the slowest meter has taken them


def _of(meter: str, moves: bool = False):
    """Make a field that a meter fills; a level that `moves` along with a gain."""
    return field(default=None, metadata={"meter": meter, "moves": moves})


@dataclass(frozen=True)
class Reading:
    """Every meter of one piece of audio; −inf for silence, None where a value is undefined.

    Attributes
    ----------
    sample_peak_dbfs : float
        Highest sample of the worst channel, offset included (AES17).
    true_peak_dbtp : float
        Highest point on or between samples of the worst channel (BS.1770-4 Annex 2).
    rms_dbfs : float
        Sine-referred RMS without offset, mean of the channels' powers (AES17).
    active_dbfs : float
        Sine-referred average of the 100 ms blocks within 25 dB of the loudest.
    activity : float
        Share of those blocks, 0 to 1.
    crest_db : float or None
        Peak without offset over plain RMS of the whole. None for silence.
    active_crest_db : float or None
        The same peak over plain active level. None for silence.
    hover_vu : float or None
        Median of the needle while within 20 dB of its maximum. None under 0.3 s.
    needle_max_vu : float
        Highest position of the needle (IEC 60268-17).
    loudness_lufs : float or None
        Gated programme loudness (BS.1770-4 Annex 1). None under 0.4 s.
    momentary_max_lufs : float or None
        Highest loudness over 400 ms (Tech 3341). None under 0.4 s.
    short_term_max_lufs : float or None
        Highest loudness over 3 s (Tech 3341). None under 3 s.
    loudness_range_lu : float or None
        Loudness range (Tech 3342). None under 3 s and where nothing reaches −70 LUFS.
    dc_offset : float
        Mean of the channel in which it is largest, with its sign; full scale 1.
    flat_runs : int
        Number of flat tops, as clipping leaves them.
    """

    sample_peak_dbfs: float | None = _of("sample_peak", moves=True)
    true_peak_dbtp: float | None = _of("true_peak", moves=True)
    rms_dbfs: float | None = _of("rms", moves=True)
    active_dbfs: float | None = _of("active", moves=True)
    activity: float | None = _of("active")
    crest_db: float | None = _of("rms")
    active_crest_db: float | None = _of("active")
    hover_vu: float | None = _of("needle", moves=True)
    needle_max_vu: float | None = _of("needle", moves=True)
    loudness_lufs: float | None = _of("loudness")
    momentary_max_lufs: float | None = _of("loudness")
    short_term_max_lufs: float | None = _of("loudness")
    loudness_range_lu: float | None = _of("loudness")
    dc_offset: float | None = _of("dc")
    flat_runs: int | None = _of("flat_runs")


@dataclass(frozen=True)
class NodeReading(Reading):
    """What some meters show at a node; None also where a meter was not asked for.

    Attributes
    ----------
    clear_peak_dbfs : float
        Highest sample of the worst channel, each channel's mean taken off.
    over_samples : int
        Samples beyond ±1, all channels counted.
    alignment_dbfs : float
        Level of a sine that reads 0 VU.
    peak_time_s : float or None
        Where the true peak stands, if that is known.
    rendered : str
        Why a remeter had to render; empty otherwise.
    """

    clear_peak_dbfs: float | None = _of("sample_peak", moves=True)
    over_samples: int | None = _of("over")
    alignment_dbfs: float | None = _of("needle")
    peak_time_s: float | None = field(default=None, compare=False)
    rendered: str = field(default="", compare=False)

    @property
    def energy_dbfs(self) -> float:
        """Ungated energy, by which bypasses and balances are matched: the RMS of the whole."""
        return self.rms_dbfs

    @property
    def hover_dbfs(self) -> float | None:
        """Level of the steady sine that would hold the needle where it stays most of the time."""
        return None if self.hover_vu is None else self.hover_vu + self.alignment_dbfs

    @property
    def silent(self) -> bool:
        """Whether there is no active level to set anything by."""
        return self.active_dbfs == -np.inf

    @property
    def empty(self) -> bool:
        """Whether there is nothing at all but what rounding leaves."""
        return self.rms_dbfs < ROUNDING_DBFS

    def shifted(self, by_db: float) -> "NodeReading":
        """Return what the same meters show behind a gain; None for loudness, whose absolute gate does not move along.

        Examples
        --------
        >>> NodeReading(rms_dbfs=-20.0, dc_offset=0.5).shifted(-6.0).rms_dbfs
        -26.0
        """
        if not by_db:
            return self
        moving = (each.name for each in fields(self) if each.metadata.get("moves"))
        moved = {name: getattr(self, name) + by_db for name in moving if getattr(self, name) is not None}
        offset = None if self.dc_offset is None else self.dc_offset * float(db_to_ratio(by_db))
        unknown = dict.fromkeys((*METERS["loudness"], *METERS["over"]))
        return replace(self, **moved, **unknown, dc_offset=offset)


_METER_OF = {each.name: each.metadata["meter"] for each in fields(NodeReading) if "meter" in each.metadata}
METERS = {meter: tuple(name for name, own in _METER_OF.items() if own == meter) for meter in _METER_OF.values()}
"""The fields of a reading that each meter fills, by its name."""
EVERY = tuple(name for name in METERS if name != "over")
"""The meters of a :class:`Reading`."""


class NodeMeter:
    """Some meters over a signal pushed through in blocks, wherever it is cut.

    Parameters
    ----------
    rate_hz, channels : int
    meters : iterable of str
        Names in :data:`METERS`.
    alignment_dbfs : float
        Level of a sine that reads 0 VU.

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> meter = NodeMeter(48000, 1, ("rms", "sample_peak"))
    >>> for block in tone(997, -20.0, 1.0).blocks(1000):
    ...     meter.push(block)
    >>> round(meter.result().rms_dbfs, 2), meter.result().true_peak_dbtp
    (-20.0, None)
    """

    def __init__(self, rate_hz: int, channels: int, meters: Iterable[str], alignment_dbfs: float = -18.0):
        rate_hz, self._channels = checked_run(rate_hz, channels)
        names = set(known_meters(meters))
        self._fields = {name for meter in names for name in METERS[meter]}
        self._alignment_dbfs, self._over = alignment_dbfs, _OverMeter() if "over" in names else None
        # Whether there is more than an offset is what the needle and flat tops are judged by.
        self._average = AverageMeter(rate_hz, channels) if names - {"true_peak", "loudness", "over"} else None
        self._true_peak = TruePeakMeter(rate_hz, channels) if "true_peak" in names else None
        self._flat_runs = FlatRunMeter(rate_hz, channels) if "flat_runs" in names else None
        self._needle = NeedleMeter(rate_hz, channels, alignment_dbfs) if "needle" in names else None
        self._loudness = LoudnessMeter(rate_hz, channels) if "loudness" in names else None
        several = self._average, self._true_peak, self._flat_runs, self._needle, self._loudness, self._over
        self._running = [meter for meter in several if meter is not None]

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        block = checked_block(block, self._channels)
        _push(self._running, block)

    def feed(self, source: Audio) -> "NodeMeter":
        """Push all of an ``Audio`` or ``AudioFile``, the meters in threads beside the decoding where cores allow it."""
        hands = min(len(self._running), cores())
        if hands < 2 or source.frames < 2 * _AHEAD * BLOCK_FRAMES:
            return feed(self, source)
        shares = [self._running[hand::hands] for hand in range(hands)]
        under_way = deque()
        with ExitStack() as stack:
            # A thread a share keeps the blocks of each meter in order.
            threads = [stack.enter_context(ThreadPoolExecutor(1, "gainlib-meter")) for _ in shares]
            for block in source.blocks(BLOCK_FRAMES):
                block = checked_block(block, self._channels)
                under_way.extend(pool.submit(_push, share, block) for pool, share in zip(threads, shares, strict=True))
                while len(under_way) > _AHEAD * hands:
                    under_way.popleft().result()
            for each in under_way:
                each.result()
        return self

    def result(self) -> NodeReading:
        """Return the readings of all so far; at least one frame must have been pushed."""
        found = self._averages() | self._others()
        return NodeReading(**{name: value for name, value in found.items() if name in self._fields})

    def _averages(self):
        if self._average is None:
            return {}
        average = self._average.result()
        found = average._asdict()
        if self._needle is not None:
            hover, highest = self._needle.hover_and_highest_vu()
            found["hover_vu"] = -np.inf if average.silent and hover is not None else hover
            found |= {"needle_max_vu": -np.inf if highest is None else highest, "alignment_dbfs": self._alignment_dbfs}
        if self._flat_runs is not None:
            found["flat_runs"] = 0 if average.silent else self._flat_runs.count()
        return found

    def _others(self):
        found = {}
        if self._true_peak is not None:
            found["true_peak_dbtp"] = ratio_to_db(self._true_peak.magnitude())
        if self._over is not None:
            found["over_samples"] = self._over.count
        if self._loudness is not None:
            found |= {
                "loudness_lufs": self._loudness.integrated_lufs(),
                "momentary_max_lufs": self._loudness.momentary().highest,
                "short_term_max_lufs": self._loudness.short_term().highest,
                "loudness_range_lu": self._loudness.range_lu(),
            }
        return found


def _push(meters, block):
    for meter in meters:
        meter.push(block)


class _OverMeter:
    def __init__(self):
        self.count = 0

    def push(self, block):
        if max(block.max(initial=0.0), -block.min(initial=0.0)) > 1.0:
            self.count += int(np.count_nonzero(np.abs(block) > 1.0))


def every_meter(reading: NodeReading) -> Reading:
    """Return the fields that a :class:`Reading` has, of one for which all of :data:`EVERY` were asked."""
    return Reading(**{each.name: getattr(reading, each.name) for each in fields(Reading)})


def known_meters(names: Iterable[str]) -> tuple[str, ...]:
    """Return names of meters, each once; an unknown one is refused."""
    names = tuple(dict.fromkeys((names,) if isinstance(names, str) else names))
    unknown = next((name for name in names if name not in METERS), None)
    if unknown is not None:
        raise GainlibError(f"there is no meter {unknown!r}; there is {', '.join(map(repr, METERS))}")
    return names


def levels_of(source: Audio, meters: Iterable[str], alignment_dbfs: float = -18.0) -> NodeReading:
    """Read some meters of `source`.

    Parameters
    ----------
    source : Audio or AudioFile
        What is measured; a file is read once, in blocks.
    meters : iterable of str
        Names in :data:`METERS`.
    alignment_dbfs : float
        Level of a sine that reads 0 VU.

    Returns
    -------
    NodeReading
        None for meters that were not asked.
    """
    return NodeMeter(source.rate_hz, source.channels, meters, alignment_dbfs).feed(source).result()


def measure(audio: Audio, alignment_dbfs: float = -18.0) -> Reading:
    """Read every meter of `audio`.

    Parameters
    ----------
    audio : Audio or AudioFile
        What is measured; a file is read once, in blocks.
    alignment_dbfs : float
        Level of a sine that reads 0 VU.

    Returns
    -------
    Reading
        All meters.

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> reading = measure(tone(997, -18.0, 5.0, channels=2))
    >>> round(reading.rms_dbfs, 2), round(reading.needle_max_vu, 1), round(reading.loudness_lufs, 2)
    (-18.0, 0.1, -18.0)
    """
    return every_meter(levels_of(audio, EVERY, alignment_dbfs))
