"""Meters: peaks, averages, needles and loudness.

Conventions
-----------
- :func:`measure` reads all of them at once; each also has a function of its own, on the same accumulator.
- Averages in dBFS are sine-referred: a full-scale sine reads 0 (AES17).
- Peaks and offset are the worst channel's, RMS and active level average the channels' powers, the needle their
  rectified samples, loudness sums them by BS.1770's weights.
- Silence reads −inf; a value that is not defined, such as the loudness of 0.2 s, is None.
- Every meter takes a signal in blocks, and where it is cut changes nothing.

Contents
--------
- :mod:`~gainlib.meters.reading`: everything at once, or some meters of it
- :mod:`~gainlib.meters.peak`: true peak and its interpolator, flat tops
- :mod:`~gainlib.meters.average`: sample peak, offset, RMS, active level, crest
- :mod:`~gainlib.meters.needle`: VU, hover, quasi-peak
- :mod:`~gainlib.meters.loudness`: K-weighting, loudness and its range
- :mod:`~gainlib.meters.overview`: outline of a signal, counts of its levels, its highest crest, the gates of loudness
"""

from gainlib.meters.average import AverageMeter, active_level, rms_dbfs, sample_peak_dbfs
from gainlib.meters.loudness import (
    KFilter,
    LoudnessMeter,
    channel_weights,
    gated_loudness,
    integrated_lufs,
    k_weighted,
    loudness_range_lu,
    momentary,
    short_term,
)
from gainlib.meters.needle import NeedleMeter, QuasiPeakMeter, hover, quasi_peak, vu_needle
from gainlib.meters.overview import envelope_of, level_counts
from gainlib.meters.peak import (
    FlatRunMeter,
    Interpolator,
    TruePeakMeter,
    flat_runs,
    interpolator,
    true_peak_dbtp,
    upsample,
)
from gainlib.meters.reading import METERS, NodeMeter, NodeReading, Reading, levels_of, measure
from gainlib.meters.series import Series

__all__ = [
    "METERS",
    "AverageMeter",
    "FlatRunMeter",
    "Interpolator",
    "KFilter",
    "LoudnessMeter",
    "NeedleMeter",
    "NodeMeter",
    "NodeReading",
    "QuasiPeakMeter",
    "Reading",
    "Series",
    "TruePeakMeter",
    "active_level",
    "channel_weights",
    "envelope_of",
    "flat_runs",
    "gated_loudness",
    "hover",
    "integrated_lufs",
    "interpolator",
    "k_weighted",
    "level_counts",
    "levels_of",
    "loudness_range_lu",
    "measure",
    "momentary",
    "quasi_peak",
    "rms_dbfs",
    "sample_peak_dbfs",
    "short_term",
    "true_peak_dbtp",
    "upsample",
    "vu_needle",
]
