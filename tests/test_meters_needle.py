"""Needles against closed forms; bursts and return times stand in the compliance table."""

import math

import numpy as np
import pytest
from scipy import signal

from gainlib import signals
from gainlib.audio import Audio, GainlibError
from gainlib.meters import QuasiPeakMeter, hover, measure, quasi_peak, vu_needle

RATES_HZ = (8000, 16000, 44100, 48000, 96000, 192000)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("alignment_dbfs", [-20.0, -18.0, -14.0])
def test_a_sine_at_the_alignment_level_reads_0_vu(rate_hz, alignment_dbfs):
    needle = vu_needle(signals.tone(1000, alignment_dbfs, 3.0, rate_hz), alignment_dbfs)
    assert needle.unit == "VU"
    assert needle.value[2000:] == pytest.approx(np.zeros(1000), abs=0.02)
    assert needle.time_s[[0, -1]] == pytest.approx([0.001, 3.0])


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_gaussian_noise_reads_1_05_vu_under_a_sine_of_equal_rms(rate_hz):
    # Rectified means: sine 2/π of the peak, Gaussian √(2/π) of the RMS; 20·lg of their ratio is −1.049 dB.
    # Worked by hand: rectified average against RMS, √(2/π) of noise over 2√2/π of a sine, −1.049 dB.
    needle = vu_needle(signals.white_noise(-18.0, 10.0, rate_hz))
    low = 0.15 if rate_hz < 44100 else 0.03  # the interpolated rectifier misses the top of the band
    assert np.median(needle.value[1000:]) == pytest.approx(-1.049, abs=low)


def test_the_needle_follows_a_second_order_movement():
    needle = vu_needle(signals.steps([(None, 0.5), (-18.0, 2.0)], 997))
    # Worked by hand from 99 % in 300 ms and 1.25 % over it (IEC 60268-17, from memory); the step response is scipy's.
    system = signal.TransferFunction([13.512**2], [1.0, 2 * 0.8127 * 13.512, 13.512**2])
    expected = signal.step(system, T=needle.time_s[:2000])[1]
    assert 10 ** (needle.value[500:2500] / 20) == pytest.approx(expected, abs=0.01)


def test_the_needle_shows_the_mean_of_the_rectified_channels():
    line = signals.tone(997, -18.0, 2.0).samples[:, 0]
    one_side = vu_needle(Audio(np.stack([line, 0 * line], axis=1), 48000))
    against = vu_needle(Audio(np.stack([line, -line], axis=1), 48000))
    assert one_side.value[-1] == pytest.approx(-6.02, abs=0.02)
    assert against.value[-1] == pytest.approx(0.0, abs=0.02)


def test_the_high_pass_is_first_order_at_2_hz():
    # A tone at the corner is 3.01 dB down; the movement, slow as it is, ripples around the mean.
    needle = vu_needle(signals.tone(2.0, 0.0, 20.0))
    mean = np.mean(10 ** (needle.value[5000:] / 20))
    assert 20 * math.log10(mean) - 18.0 == pytest.approx(-3.01, abs=0.05)


def test_an_offset_does_not_hold_the_needle():
    assert vu_needle(signals.constant(0.5, 3.0)).value[-1] < -60.0


def test_hover_is_the_median_within_20_db_of_the_maximum():
    assert hover(np.array([0.0, -1.0, -3.0, -19.0, -21.0, -50.0, -math.inf])) == pytest.approx(-2.0)
    assert hover(np.full(3, -math.inf)) == -math.inf


def test_hover_passes_over_pauses():
    talk = signals.steps([(-18.0, 2.0), (None, 3.0)] * 3, 1000)
    assert measure(talk).hover_vu == pytest.approx(0.0, abs=0.1)


def test_hover_needs_300_ms():
    assert measure(signals.tone(1000, -18.0, 0.29)).hover_vu is None
    assert measure(signals.tone(1000, -18.0, 0.31)).hover_vu is not None


@pytest.mark.parametrize("ballistics", ["I", "II"])
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("frequency_hz", [50, 440, 1000, 5000, 12000])
def test_a_steady_sine_reads_its_peak_on_both_quasi_peak_meters(ballistics, rate_hz, frequency_hz):
    # A steady sine reads its own level on both types: IEC 60268-10, from memory.
    series = quasi_peak(signals.tone(frequency_hz, -10.0, 0.5, rate_hz, phase_deg=33), ballistics)
    assert series.unit == "dBFS"
    assert series.value[-100:] == pytest.approx(np.full(100, -10.0), abs=0.06)


def test_the_worst_channel_is_shown():
    soft, loud = signals.tone(997, -30.0, 0.3).samples, signals.tone(997, -10.0, 0.3).samples
    assert quasi_peak(Audio(np.hstack([soft, loud]), 48000)).value[-1] == pytest.approx(-10.0, abs=0.06)


def test_a_quasi_peak_meter_does_not_care_where_the_signal_is_cut():
    samples = signals.pink_noise(-20.0, 0.7, 44100, channels=2).samples
    meter = QuasiPeakMeter(44100, 2, "II")
    for part in np.array_split(samples, [1, 3, 5, 30, 441, 20000]):
        meter.push(part)
    assert np.array_equal(meter.series().value, quasi_peak(Audio(samples, 44100), "II").value)
    assert np.array_equal(meter.series().value, meter.series().value)


def test_unknown_ballistics_are_refused():
    with pytest.raises(GainlibError, match="'III'"):
        quasi_peak(signals.tone(), "III")


def test_needles_of_silence_stand_still():
    assert np.all(vu_needle(signals.silence(0.5)).value == -math.inf)
    assert np.all(quasi_peak(signals.silence(0.5)).value == -math.inf)
