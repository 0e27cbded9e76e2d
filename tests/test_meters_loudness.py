"""Loudness against the published K curve, closed forms and a plain recount of the gates; cases are in compliance.py."""

import math

import numpy as np
import pytest
from ideal import HIGH_PASS, SHELF, ideal_range, ideal_windows, k_gain_db
from scipy import signal

from gainlib import signals
from gainlib.audio import Audio, GainlibError
from gainlib.meters import (
    LoudnessMeter,
    channel_weights,
    gated_loudness,
    integrated_lufs,
    k_weighted,
    loudness_range_lu,
    momentary,
    short_term,
)
from gainlib.meters.loudness import k_coefficients, loudness_of_power, power_of_loudness


def curve_db(rate_hz, frequency_hz):
    """Return the gain of both filters at a rate."""
    first, second = np.split(k_coefficients(rate_hz), 2)
    response = [signal.freqz(part[:3], [1.0, *part[3:]], worN=frequency_hz, fs=rate_hz)[1] for part in (first, second)]
    return 20 * np.log10(np.abs(response[0] * response[1]))


def test_at_48_khz_the_coefficients_are_the_table():
    table = [*SHELF[0], *SHELF[1][1:], *HIGH_PASS[0], *HIGH_PASS[1][1:]]
    assert k_coefficients(48000).tolist() == table


# ITU-R BS.1770-5, Annex 1: at other rates the response must match the tabulated one.
# A bound of 0.02 dB: common practice, no source.
@pytest.mark.parametrize(
    ("rate_hz", "bound_db"),
    [
        (8000, 0.03),
        (11025, 0.01),
        (16000, 0.01),
        (22050, 0.01),
        (32000, 0.01),
        (44100, 0.005),
        (88200, 0.01),
        (96000, 0.01),
        (176400, 0.01),
        (192000, 0.01),
    ],
)
def test_at_other_rates_the_curve_is_the_same(rate_hz, bound_db):
    frequency_hz = np.geomspace(10, min(20000, 0.49 * rate_hz), 300)
    assert curve_db(rate_hz, frequency_hz) == pytest.approx(curve_db(48000, frequency_hz), abs=bound_db)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 22050, 44100, 48000, 88200, 96000, 192000])
def test_997_hz_full_scale_in_one_channel_reads_minus_3_01(rate_hz):
    assert integrated_lufs(signals.tone(997, 0.0, 5.0, rate_hz)) == pytest.approx(-3.01, abs=0.01)
    assert integrated_lufs(signals.tone(997, 0.0, 5.0, rate_hz, channels=2)) == pytest.approx(0.0, abs=0.01)


def test_k_weighting_is_the_two_filters_in_a_row():
    samples = np.random.default_rng(0).standard_normal((3000, 3))
    expected = signal.lfilter(*HIGH_PASS, signal.lfilter(*SHELF, samples, axis=0), axis=0)
    assert k_weighted(samples, 48000) == pytest.approx(expected, abs=1e-10)
    assert k_weighted(samples[:, 1], 48000) == pytest.approx(expected[:, 1], abs=1e-10)


def test_silence_after_a_tone_decays_to_zero():
    audio = signals.steps([(0.0, 1.0), (None, 9.0)], 1000)
    weighted = k_weighted(audio.samples, 48000)
    assert weighted[48000:50000].any()
    assert not weighted[-48000:].any()
    assert momentary(audio).value[-1] == -math.inf


# BS.1770-4 Table 3 and -5 Annex 3: surrounds at the side 1.41, all else 1, LFE left out.
@pytest.mark.parametrize("channels", range(1, 9))
def test_channel_weights(channels):
    expected = {
        1: "1",
        2: "1 1",
        3: "1 1 1",
        4: "1 1 1.41 1.41",
        5: "1 1 1 1.41 1.41",
        6: "1 1 1 0 1.41 1.41",
        7: "1 1 1 0 1 1.41 1.41",
        8: "1 1 1 0 1 1 1.41 1.41",
    }
    weights = channel_weights(channels)
    assert " ".join(f"{weight:g}" for weight in weights) == expected[channels]
    for channel, weight in enumerate(weights):
        gains = np.eye(channels)[channel]
        audio = Audio(signals.tone(997, 0.0, 1.0).samples * gains, 48000)
        expected_lufs = -3.01 + 10 * math.log10(weight) if weight else -math.inf
        assert integrated_lufs(audio) == pytest.approx(expected_lufs, abs=0.02)


def test_more_than_eight_channels_have_no_weights():
    with pytest.raises(GainlibError, match="9 channels"):
        channel_weights(9)


# ------------------------------------------------------------------------------------------------------------- gating


def test_the_absolute_gate_drops_blocks_at_minus_70():
    loud, low = power_of_loudness(-69.9), power_of_loudness(-70.1)
    assert gated_loudness(np.array([loud, low, low])) == pytest.approx(-69.9, abs=1e-9)
    assert gated_loudness(np.array([low, low])) == -math.inf
    assert gated_loudness(np.zeros(5)) == gated_loudness(np.zeros(0)) == -math.inf


def test_the_relative_gate_lies_10_lu_under_the_mean_of_what_passed_the_first():
    base = power_of_loudness(-20.0)
    # n blocks at 0 LU and n at −x LU: their mean is 10·lg((1 + 10^(−x/10)) / 2), the gate 10 LU under it.
    edge = -10 + 10 * math.log10((1 + 10**-1.25) / 2)
    assert edge == pytest.approx(-12.77, abs=0.01)
    kept = np.array([base] * 50 + [power_of_loudness(-20.0 - 12.0)] * 50)
    dropped = np.array([base] * 50 + [power_of_loudness(-20.0 - 13.5)] * 50)
    assert gated_loudness(kept) == pytest.approx(-20.0 + 10 * math.log10((1 + 10**-1.2) / 2), abs=1e-9)
    assert gated_loudness(dropped) == pytest.approx(-20.0, abs=1e-9)


def test_loudness_and_power_are_inverse():
    assert loudness_of_power(power_of_loudness(-23.0)) == pytest.approx(-23.0, abs=1e-12)
    assert loudness_of_power(0.0) == -math.inf


# ------------------------------------------------------------------------------------------------------ time and range


@pytest.mark.parametrize("rate_hz", [11025, 22050, 44100, 48000])
def test_series_have_full_windows_every_10_ms_that_end_at_their_time(rate_hz):
    parts = [(-20.0, 4.0), (-40.0, 2.005)]
    audio = signals.steps(parts, 1000, rate_hz, channels=2)
    for series, window_s in ((momentary(audio), 0.4), (short_term(audio), 3.0)):
        assert series.unit == "LUFS"
        assert series.time_s[0] == pytest.approx(window_s)
        assert series.time_s[-1] == pytest.approx(6.0)
        assert np.diff(series.time_s) == pytest.approx(0.01)
        ends, ideal = ideal_windows(parts, window_s, 0.01)
        # Just after a step down the filters still ring a little.
        assert series.value == pytest.approx(ideal[: series.value.size], abs=0.05)
        assert ends[: series.time_s.size] == pytest.approx(series.time_s)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 44100, 48000])
def test_powers_are_means_of_the_weighted_samples(rate_hz):
    audio = signals.pink_noise(-20.0, 1.5, rate_hz, channels=6)
    energy = (k_weighted(audio.samples, rate_hz) ** 2) @ channel_weights(6)
    meter = LoudnessMeter(rate_hz, 6)
    for part in np.array_split(audio.samples, [1, 700, 5000, 5001]):
        meter.push(part)
    time_s, powers = meter.window_powers(40)
    ends = np.floor(time_s * rate_hz + 0.5 + 1e-9).astype(int)
    starts = np.floor((time_s - 0.4) * rate_hz + 0.5 + 1e-9).astype(int)
    expected = [energy[start:end].mean() for start, end in zip(starts, ends, strict=True)]
    assert powers == pytest.approx(np.array(expected), rel=1e-9)


def test_range_takes_the_nearest_rank_and_the_20_lu_gate():
    parts = [(-20.0, 20.0), (-28.0, 10.0), (-36.0, 20.0), (-50.0, 30.0)]
    audio = signals.steps(parts, 1000, channels=2)
    assert loudness_range_lu(audio) == pytest.approx(ideal_range(parts), abs=0.1)
    # Without its gate the softest part would be the tenth percentile.
    assert loudness_range_lu(audio) < 20.0


def test_range_of_a_steady_tone_is_zero():
    assert loudness_range_lu(signals.tone(1000, -20.0, 10.0)) == pytest.approx(0.0, abs=0.01)


def test_what_is_too_short_is_none_and_silence_is_minus_infinity():
    assert integrated_lufs(signals.tone(1000, -20.0, 0.39)) is None
    assert momentary(signals.tone(1000, -20.0, 0.39)).value.size == 0
    assert integrated_lufs(signals.tone(1000, -20.0, 0.4)) == pytest.approx(-23.0, abs=0.02)
    assert short_term(signals.tone(1000, -20.0, 2.99)).value.size == 0
    assert loudness_range_lu(signals.tone(1000, -20.0, 2.99)) is None
    assert integrated_lufs(signals.silence(1.0)) == -math.inf
    assert integrated_lufs(signals.tone(1000, -80.0, 1.0, channels=2)) == -math.inf
    assert loudness_range_lu(signals.silence(5.0)) is None


def test_stereo_1_khz_reads_its_level_but_for_the_k_curve():
    # EBU Tech 3341 section 2.9: −18 dBFS reads −18.0 LUFS; the curve is 0.007 dB higher at 1 kHz than at 997 Hz.
    tone = signals.tone(1000, -18.0, 5.0, channels=2)
    assert integrated_lufs(tone) == pytest.approx(-18.691 + k_gain_db(1000), abs=0.001)
