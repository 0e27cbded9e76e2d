"""Meters: peaks, averages, needles and loudness."""

from gainlib.meters.loudness import (
    LoudnessMeter,
    gated_loudness,
    integrated_lufs,
    loudness_range_lu,
    momentary,
    short_term,
)
from gainlib.meters.peak import Interpolator, TruePeakMeter, interpolator, sample_peak_dbfs, true_peak_dbtp, upsample
from gainlib.meters.series import Series
from gainlib.meters.weighting import KFilter, channel_weights, k_weighted

__all__ = [
    "Interpolator",
    "KFilter",
    "LoudnessMeter",
    "Series",
    "TruePeakMeter",
    "channel_weights",
    "gated_loudness",
    "integrated_lufs",
    "interpolator",
    "k_weighted",
    "loudness_range_lu",
    "momentary",
    "sample_peak_dbfs",
    "short_term",
    "true_peak_dbtp",
    "upsample",
]
