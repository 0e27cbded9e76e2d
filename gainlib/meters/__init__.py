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

The parts are loaded when first touched.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submod_attrs={
        "average": ["AverageMeter", "active_level", "rms_dbfs", "sample_peak_dbfs"],
        "loudness": [
            "KFilter", "LoudnessMeter", "channel_weights", "gated_loudness", "integrated_lufs", "k_weighted",
            "loudness_range_lu", "momentary", "short_term",
        ],
        "needle": ["NeedleMeter", "QuasiPeakMeter", "hover", "quasi_peak", "vu_needle"],
        "overview": ["envelope_of", "level_counts"],
        "peak": [
            "FlatRunMeter", "Interpolator", "TruePeakMeter", "flat_runs", "interpolator", "true_peak_dbtp", "upsample",
        ],
        "reading": ["METERS", "NodeMeter", "NodeReading", "Reading", "levels_of", "measure"],
        "series": ["Series"],
    },
)  # fmt: skip
