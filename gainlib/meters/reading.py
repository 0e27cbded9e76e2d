"""Every meter of one piece of audio, in one pass."""

from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio
from gainlib.audio.types import checked_block, checked_run
from gainlib.levels import ratio_to_db
from gainlib.meters.average import AverageMeter
from gainlib.meters.loudness import LoudnessMeter
from gainlib.meters.needle import NeedleMeter
from gainlib.meters.peak import FlatRunMeter, TruePeakMeter
from gainlib.meters.series import feed


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

    sample_peak_dbfs: float
    true_peak_dbtp: float
    rms_dbfs: float
    active_dbfs: float
    activity: float
    crest_db: float | None
    active_crest_db: float | None
    hover_vu: float | None
    needle_max_vu: float
    loudness_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    loudness_range_lu: float | None
    dc_offset: float
    flat_runs: int


class Meter:
    """All meters over a signal pushed through in blocks, wherever it is cut.

    Parameters
    ----------
    rate_hz : int
        Sample rate.
    channels : int
        Number of channels, 1 to 8.
    alignment_dbfs : float
        Level of a sine that reads 0 VU.

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> audio, meter = tone(997, -20.0, 1.0), Meter(48000, 1)
    >>> for block in audio.blocks(1000):
    ...     meter.push(block)
    >>> meter.result() == measure(audio)
    True
    """

    def __init__(self, rate_hz: int, channels: int, alignment_dbfs: float = -18.0):
        rate_hz, self._channels = checked_run(rate_hz, channels)
        self._average = AverageMeter(rate_hz, channels)
        self._true_peak = TruePeakMeter(rate_hz, channels)
        self._flat_runs = FlatRunMeter(rate_hz, channels)
        self._needle = NeedleMeter(rate_hz, channels, alignment_dbfs)
        self._loudness = LoudnessMeter(rate_hz, channels)

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        block = checked_block(block, self._channels)
        for meter in (self._average, self._true_peak, self._flat_runs, self._needle, self._loudness):
            meter.push(block)

    def result(self) -> Reading:
        """Return the readings of all so far; at least one frame must have been pushed."""
        average = self._average.result()
        hover, needle_max = self._needle.hover_vu(), self._needle.series().highest
        short_term = self._loudness.short_term()
        return Reading(
            sample_peak_dbfs=ratio_to_db(average.sample_peak),
            true_peak_dbtp=ratio_to_db(self._true_peak.magnitude()),
            rms_dbfs=average.rms_dbfs,
            active_dbfs=average.active_dbfs,
            activity=average.activity,
            crest_db=average.crest_db,
            active_crest_db=average.active_crest_db,
            hover_vu=-np.inf if average.silent and hover is not None else hover,
            needle_max_vu=-np.inf if needle_max is None else needle_max,
            loudness_lufs=self._loudness.integrated_lufs(),
            momentary_max_lufs=self._loudness.momentary().highest,
            short_term_max_lufs=short_term.highest,
            loudness_range_lu=self._loudness.range_lu(),
            dc_offset=average.dc_offset,
            flat_runs=0 if average.silent else self._flat_runs.count(),
        )


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
    return feed(Meter(audio.rate_hz, audio.channels, alignment_dbfs), audio).result()
