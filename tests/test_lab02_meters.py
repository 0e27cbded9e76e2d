"""The gates laid open and the crest under the glass: against BS.1770's arithmetic and scipy."""

import math

import numpy as np
import pytest
from scipy.signal import resample

from gainlib import signals
from gainlib.audio import GainlibError
from gainlib.meters import integrated_lufs, true_peak_dbtp
from gainlib.meters.overview import gating, highest_crest


def programme(*parts):
    """Return a stereo sine at 997 Hz, where its peak in dBFS is its loudness in LUFS (BS.1770-4 Annex 1)."""
    return signals.steps(parts, 997.0, channels=2)


def mean_lufs(*parts):
    """Return the power mean of (loudness, seconds)."""
    seconds = sum(length for _, length in parts)
    return 10 * math.log10(sum(length * 10 ** (level / 10) for level, length in parts) / seconds)


def test_with_both_gates_it_is_the_meter():
    for audio in (programme((-20.0, 5.0), (-35.0, 5.0), (None, 5.0)), signals.pink_noise(-23.0, 3.0, channels=2)):
        assert gating(audio).loudness_lufs == integrated_lufs(audio)


def test_what_each_gate_leaves_out():
    """Silence falls under the first gate, 25 LU less under the second; without a gate both pull the mean down."""
    parts = ((-20.0, 40.0), (-45.0, 40.0), (None, 40.0))
    audio = programme(*parts)
    none, absolute, both = (gating(audio, gates) for gates in ("none", "absolute", "both"))
    assert none.loudness_lufs == pytest.approx(mean_lufs((-20, 40), (-45, 40), (-math.inf, 40)), abs=0.03)
    assert absolute.loudness_lufs == pytest.approx(mean_lufs((-20, 40), (-45, 40)), abs=0.03)
    assert both.loudness_lufs == pytest.approx(-20.0, abs=0.03)
    assert none.kept.all() and absolute.kept.mean() == pytest.approx(2 / 3, abs=0.01)
    assert both.kept.mean() == pytest.approx(1 / 3, abs=0.01)
    assert both.relative_gate_lufs == pytest.approx(absolute.loudness_lufs - 10, abs=1e-9)
    assert len(none.blocks_lufs) == 1 + round((120 - 0.4) / 0.1)


def test_silence_and_what_is_too_short():
    silent = gating(signals.silence(2.0))
    assert silent.loudness_lufs == -math.inf and not silent.kept.any() and silent.relative_gate_lufs == -math.inf
    assert gating(signals.silence(2.0), "none").loudness_lufs == -math.inf
    assert gating(signals.tone(997, -20, 0.3)).loudness_lufs is None
    with pytest.raises(GainlibError, match="there is none, absolute, both"):
        gating(signals.silence(2.0), "relative")


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_crest_is_where_the_true_peak_is(rate_hz, seed):
    audio = signals.white_noise(-12.0, 0.5, rate_hz, seed=seed, channels=2)
    crest = highest_crest(audio)
    assert 20 * math.log10(abs(crest.peak)) == pytest.approx(true_peak_dbtp(audio), abs=0.001)
    first = round(crest.time_s[0] * rate_hz)
    assert np.array_equal(crest.samples, audio.samples[first : first + 25, crest.channel])
    assert np.interp(crest.peak_time_s, crest.curve_time_s, crest.curve) == pytest.approx(crest.peak, rel=1e-9)
    assert np.interp(crest.time_s, crest.curve_time_s, crest.curve) == pytest.approx(crest.samples, abs=1e-12)
    assert crest.curve_time_s[-1] == pytest.approx(crest.time_s[-1])


@pytest.mark.parametrize("frequency_hz", [1000, 6000, 12000, 15000])
def test_the_curve_against_interpolation_by_fourier_transform(frequency_hz):
    """A burst that swells and fades fits its stretch, so scipy's resample gives its curve exactly."""
    burst = signals.tone(frequency_hz, 0.0, 0.048, phase_deg=45)
    burst = burst.with_samples(burst.samples * np.hanning(burst.frames)[:, np.newaxis])
    crest = highest_crest(burst)
    exact = resample(burst.samples[:, 0], 16 * burst.frames)
    start = round(crest.time_s[0] * burst.rate_hz * 16)
    assert 0 < start < len(exact) - len(crest.curve)
    assert crest.curve == pytest.approx(exact[start : start + len(crest.curve)], abs=0.02)
    assert abs(crest.peak) == pytest.approx(np.abs(exact).max(), abs=0.02)


def test_a_crest_at_the_very_start_and_end():
    """Beyond the ends of the signal stands silence."""
    for at_s in (0.0, 0.01 - 1 / 48000):
        crest = highest_crest(signals.impulse(-6.0, 0.01, at_s=at_s), reach=4)
        assert crest.samples.tolist() == [0, 0, 0, 0, 10 ** (-6 / 20), 0, 0, 0, 0]
        assert crest.peak_time_s == pytest.approx(at_s)
    with pytest.raises(GainlibError, match="give 1 or more"):
        highest_crest(signals.silence(0.1), reach=0)
    assert highest_crest(signals.silence(0.1)).peak == 0.0
