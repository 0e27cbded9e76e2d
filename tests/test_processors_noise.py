"""Word length and noise: the quantiser, the analogue stage and tape hiss against published and derived levels."""

import math

import numpy as np
import pytest

from gainlib.audio import Audio
from gainlib.meters import rms_dbfs
from gainlib.processors import AnalogueStage, Quantiser, Tape
from gainlib.signals import tone

RATE_HZ = 48000


def power_db(samples):
    """Mean power against amplitude 1 (a full-scale sine has −3.01 dB)."""
    return 10 * math.log10(np.mean(np.square(samples)))


# Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992: q²/12 for the plain error of a busy signal, q²/4 with triangular
# dither; with q = 2^(1 − bits) that is, against amplitude 1:
ERRORS = [(16, "none", -101.10), (16, "tpdf", -96.33), (24, "none", -149.27), (24, "tpdf", -144.49)]


@pytest.mark.parametrize(("bits", "dither", "expected_db"), ERRORS)
def test_rounding_noise(bits, dither, expected_db):
    sine = tone(997, -0.5, 4.0)
    error = Quantiser(bits, dither).process(sine).samples - sine.samples
    assert power_db(error) == pytest.approx(expected_db, abs=0.05)


def test_signal_to_noise_of_a_full_scale_sine():
    """6.0206·N + 1.7609 dB (from the same paper's q²/12): 98.09 dB at 16 bit."""
    for bits in (12, 16, 20):
        sine = tone(997, 0.0, 4.0)
        error = Quantiser(bits).process(sine).samples - sine.samples
        assert power_db(sine.samples) - power_db(error) == pytest.approx(6.0206 * bits + 1.7609, abs=0.1)


def test_triangular_dither_makes_an_error_that_hangs_on_nothing():
    """Mean 0 and variance q²/4 wherever between two steps the signal rests (the paper's theorem for TPDF)."""
    step = 2.0**-7
    for part in (0.0, 0.25, 0.5, 0.8):
        steady = np.full((200000, 1), part * step)
        error = Quantiser(8, "tpdf", seed=3).process(Audio(steady, RATE_HZ)).samples - steady
        assert error.mean() / step == pytest.approx(0, abs=0.006)
        assert np.mean(error**2) / step**2 == pytest.approx(0.25, rel=0.01)


def test_a_tone_under_half_a_step_lives_on_in_dither_only():
    small = tone(997, -102.0, 2.0)  # 0.26 steps of 16 bit
    assert not Quantiser(16).process(small).samples.any()
    kept = Quantiser(16, "tpdf").process(small).samples[:RATE_HZ, 0]
    line = 2 * abs(np.fft.rfft(kept)[997]) / RATE_HZ
    assert 20 * math.log10(line) == pytest.approx(-102, abs=0.5)


def test_values_lie_on_steps():
    noise = np.random.default_rng(1).uniform(-1, 1, (5000, 2))
    for dither in ("none", "tpdf"):
        steps = Quantiser(10, dither).process(Audio(noise, RATE_HZ)).samples * 2**9
        assert np.array_equal(steps, np.rint(steps))


def test_the_noise_of_an_analogue_stage_has_its_level():
    """White to half the sample rate, then through its own two poles; sine-referred, as AES17 refers levels."""
    out = AnalogueStage(-70, 4, 2).process(Audio(np.zeros((RATE_HZ * 4, 2)), RATE_HZ))
    hz = np.arange(1, 24000)
    band = np.mean((hz**2 / (hz**2 + 20.0**2)) / (1 + (hz / 40000.0) ** 2))
    assert rms_dbfs(out) == pytest.approx(-70 + 10 * math.log10(band), abs=0.1)


def test_the_band_of_an_analogue_stage():
    """One pole at either end: −3.01 dB at 20 Hz; 1/√(1 + (f/40 kHz)²) above."""

    def gain_db(frequency_hz):
        sine = tone(frequency_hz, -30.0, 2.0)
        out = AnalogueStage(-250).process(sine).samples[RATE_HZ:, 0]
        return 20 * math.log10(2 * abs(np.fft.rfft(out)[frequency_hz]) / RATE_HZ) + 30

    assert gain_db(20) == pytest.approx(-3.01, abs=0.01)
    for frequency_hz in (1000, 10000, 20000):
        expected = -10 * math.log10(1 + (frequency_hz / 40000) ** 2)
        assert gain_db(frequency_hz) == pytest.approx(expected, abs=0.1)


def test_an_analogue_stage_is_straight_up_to_3_db_under_its_rail():
    noisy, silence = AnalogueStage(-80, 4, 5), Audio(np.zeros((RATE_HZ, 1)), RATE_HZ)
    floor = noisy.process(silence).samples
    unit = noisy.process(tone(997, -40.0)).samples - floor
    for level_db in (-60.0, -20.0, 0.0):
        out = noisy.process(tone(997, level_db)).samples - floor
        scaled = unit * 10 ** ((level_db + 40) / 20)
        assert power_db(out - scaled) - power_db(out) < -120
    bent = noisy.process(tone(997, 3.5)).samples - floor
    assert power_db(bent - unit * 10 ** (43.5 / 20)) - power_db(bent) > -60


def test_an_analogue_stage_ends_at_its_rail():
    """Driven far over, a sine becomes a square, whose fundamental is 4/π of its height: +2.098 dB."""
    for rail_db in (-12.0, 4.0):
        out = AnalogueStage(-250, rail_db).process(tone(1000, rail_db + 60, 2.0)).samples[RATE_HZ // 2 :][:RATE_HZ, 0]
        line = 2 * abs(np.fft.rfft(out)[1000]) / RATE_HZ
        assert 20 * math.log10(line) == pytest.approx(rail_db + 2.098, abs=0.02)


def test_hiss_has_its_level():
    out = Tape(2, -62, 7).process(Audio(np.zeros((RATE_HZ * 2, 2)), RATE_HZ))
    assert rms_dbfs(out) == pytest.approx(-62, abs=0.05)
    assert not Tape(2).process(Audio(np.zeros(500), RATE_HZ)).samples.any()
