"""Averages against closed forms (AES17: a full-scale sine reads 0) and a plain recount of the active level."""

import math

import numpy as np
import pytest

from gainlib import signals
from gainlib.audio import Audio
from gainlib.meters import active_level, measure, rms_dbfs, sample_peak_dbfs

# Crest factor over plain RMS: sine √2, square 1, triangle and sawtooth √3.
CRESTS = [("sine", 3.0103), ("square", 0.0), ("triangle", 4.7712), ("sawtooth", 4.7712)]


@pytest.mark.parametrize(("shape", "crest_db"), CRESTS)
def test_textbook_waveforms_read_their_rms_and_crest(shape, crest_db):
    reading = measure(signals.waveform(shape, 48, -12.0, 2.0))
    assert reading.sample_peak_dbfs == pytest.approx(-12.0, abs=0.02)
    assert reading.rms_dbfs == pytest.approx(-12.0 - crest_db + 3.0103, abs=0.01)
    assert reading.crest_db == pytest.approx(crest_db, abs=0.02)
    assert reading.active_crest_db == pytest.approx(crest_db, abs=0.05)
    assert reading.activity == 1.0


def test_full_scale_square_exceeds_zero_by_three_db():
    assert rms_dbfs(signals.waveform("square", 100, 0.0, 1.0)) == pytest.approx(10 * math.log10(2), abs=1e-9)


def test_channels_are_averaged_as_powers_and_peaks_are_the_worst():
    loud, soft = signals.tone(997, -10.0, 1.0).samples, signals.tone(997, -30.0, 1.0).samples
    reading = measure(Audio(np.hstack([soft, loud]), 48000))
    mean_db = 10 * math.log10((10**-1.0 + 10**-3.0) / 2)
    assert reading.rms_dbfs == pytest.approx(mean_db, abs=1e-6)
    assert reading.active_dbfs == pytest.approx(mean_db, abs=1e-3)
    assert reading.sample_peak_dbfs == pytest.approx(-10.0, abs=1e-3)
    assert reading.crest_db == pytest.approx(-10.0 - mean_db + 3.0103, abs=1e-3)


def test_an_offset_is_taken_off_and_reported_with_its_sign():
    plain = signals.tone(997, -20.0, 2.0, channels=2)
    offset = np.array([0.01, -0.05])
    reading, clear = measure(plain.with_samples(plain.samples + offset)), measure(plain)
    assert reading.dc_offset == pytest.approx(-0.05, abs=1e-12)
    assert reading.sample_peak_dbfs == pytest.approx(20 * math.log10(0.15), abs=1e-3)
    for field in ("rms_dbfs", "active_dbfs", "activity", "crest_db", "active_crest_db", "flat_runs"):
        assert getattr(reading, field) == pytest.approx(getattr(clear, field), abs=1e-6)
    # The needle and loudness stand behind high-passes; what is left is the swing when the offset sets in.
    assert reading.hover_vu == pytest.approx(clear.hover_vu, abs=0.01)
    assert reading.loudness_lufs == pytest.approx(clear.loudness_lufs, abs=0.01)


def test_a_tiny_signal_on_a_large_offset_is_not_lost():
    tone = signals.tone(997, -100.0, 1.0)
    audio = tone.with_samples(tone.samples + 0.5)
    assert rms_dbfs(audio) == pytest.approx(-100.0, abs=1e-4)


def test_a_pure_offset_has_no_average():
    reading = measure(signals.constant(-0.5, 2.0))
    assert reading.dc_offset == -0.5
    assert reading.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-4)
    assert reading.rms_dbfs == reading.active_dbfs == -math.inf
    assert reading.crest_db is None and reading.active_crest_db is None
    assert reading.activity == 0.0 and reading.hover_vu == -math.inf


# ------------------------------------------------------------------------------------------------------- active level


def recount(samples, rate_hz):
    """Work out the active level as it is defined, block by block."""
    clear = samples - samples.mean(axis=0)
    powers = []
    for start in range(0, len(clear), round(0.025 * rate_hz)):
        block = clear[start : start + round(0.1 * rate_hz)]
        if len(block) >= 0.05 * rate_hz:
            powers.append(np.mean(block**2))
    powers = np.array(powers)
    kept = powers[powers >= powers.max() * 10**-2.5]
    return 10 * math.log10(2 * kept.mean()), kept.size / powers.size


@pytest.mark.parametrize("rate_hz", [8000, 48000, 96000])
@pytest.mark.parametrize("duration_s", [0.1, 0.13, 0.99, 2.317])
def test_active_level_is_as_defined(rate_hz, duration_s):
    rng = np.random.default_rng(round(duration_s * 1000))
    frames = round(duration_s * rate_hz)
    swell = 10 ** (2 * np.sin(2 * np.pi * 1.7 * np.arange(frames) / rate_hz)[:, np.newaxis] - 2.5)
    samples = rng.standard_normal((frames, 2)) * swell + 0.02
    level, activity = active_level(Audio(samples, rate_hz))
    assert (level, activity) == pytest.approx(recount(samples, rate_hz), abs=1e-9)


def test_active_level_does_not_care_about_pauses():
    once = signals.steps([(-20.0, 1.0)], 1000)
    paused = signals.steps([(-20.0, 1.0), (None, 3.0), (-20.0, 1.0), (None, 5.0)], 1000)
    assert active_level(once) == pytest.approx((-20.0, 1.0), abs=1e-6)
    level, activity = active_level(paused)
    # Blocks that straddle an edge lower it by a little: 3 of 43 hold 3/4, 1/2 or 1/4 of the power, twice each way.
    assert level == pytest.approx(-20.0, abs=0.35)
    assert activity == pytest.approx(0.2, abs=0.02)
    assert rms_dbfs(paused) == pytest.approx(-20.0 - 10 * math.log10(5), abs=0.01)


def test_25_db_is_the_line():
    for low, activity in ((-44.0, 1.0), (-46.0, 0.5)):
        measured = active_level(signals.steps([(-20.0, 10.0), (low, 10.0)], 1000))[1]
        assert measured == pytest.approx(activity, abs=0.01)


def test_short_and_quiet_signals():
    short = signals.tone(1000, -20.0, 0.09)
    assert active_level(short) == pytest.approx((rms_dbfs(short), 1.0), abs=1e-9)
    assert active_level(signals.silence(0.05)) == (-math.inf, 0.0)
    assert active_level(signals.tone(1000, -91.0, 1.0)) == (-math.inf, 0.0)
    assert active_level(signals.tone(1000, -89.0, 1.0)) == pytest.approx((-89.0, 1.0), abs=1e-3)
    assert rms_dbfs(signals.tone(1000, -91.0, 1.0)) == pytest.approx(-91.0, abs=1e-6)


def test_sample_peak_is_either_sign_and_offset_included():
    assert sample_peak_dbfs(Audio(np.array([0.1, -0.5, 0.2]), 48000)) == pytest.approx(-6.0206, abs=1e-4)
    assert sample_peak_dbfs(Audio(np.array([0.1, 2.0, 0.2]), 48000)) == pytest.approx(6.0206, abs=1e-4)
    assert sample_peak_dbfs(signals.silence(0.1)) == -math.inf
