"""Peaks: against the interpolating filter printed in BS.1770, a long resampler, closed forms, and a plain recount."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from scipy import signal

from gainlib import signals
from gainlib.audio import Audio
from gainlib.meters import (
    FlatRunMeter,
    TruePeakMeter,
    flat_runs,
    interpolator,
    sample_peak_dbfs,
    true_peak_dbtp,
    upsample,
)
from gainlib.meters.peak import TAPS

RATES_HZ = (8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000)

# ITU-R BS.1770-4 Annex 2: order 48, four phases; the last two are the first two reversed.
PRINTED_FILTER = np.array(
    """
     0.0017089843750  0.0109863281250 -0.0196533203125  0.0332031250000 -0.0594482421875  0.1373291015625
     0.9721679687500 -0.1022949218750  0.0476074218750 -0.0266113281250  0.0148925781250 -0.0083007812500
    -0.0291748046875  0.0292968750000 -0.0517578125000  0.0891113281250 -0.1665039062500  0.4650878906250
     0.7797851562500 -0.2003173828125  0.1015625000000 -0.0582275390625  0.0330810546875 -0.0189208984375
    """.split(),
    dtype=float,
).reshape(2, 12)
PRINTED_FILTER = np.vstack([PRINTED_FILTER, PRINTED_FILTER[1, ::-1], PRINTED_FILTER[0, ::-1]])


def printed_true_peak(line):
    """Return true peak in dB by the filter the Recommendation prints."""
    return 20 * math.log10(max(np.abs(np.convolve(line, phase)).max() for phase in PRINTED_FILTER))


def long_true_peak(line, factor):
    """Return true peak in dB by a windowed sinc of 256 samples' length."""
    offset = np.arange(-128 * factor, 128 * factor + 1) / factor
    taps = np.sinc(offset) * np.kaiser(offset.size, 9.0)
    return 20 * math.log10(np.abs(signal.upfirdn(taps, np.pad(line, 300), factor)).max())


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_interpolator_reaches_192_khz_and_fourfold(rate_hz):
    assert interpolator(rate_hz).factor >= 4
    assert interpolator(rate_hz).factor * rate_hz >= 192000


@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 96000])
def test_the_interpolator_passes_samples_and_phases_are_flat(rate_hz):
    taps = interpolator(rate_hz).taps
    assert np.array_equal(np.flatnonzero(taps[0]), [TAPS // 2 - 1])
    turns = np.linspace(0.0, 0.4, 200)
    response = np.abs(np.exp(2j * np.pi * turns[:, np.newaxis] * np.arange(TAPS)) @ taps.T)
    # EBU R 128 item m: true-peak meters within ±0.3 dB up to 20 kHz; 0.4 of 48 kHz is 19.2 kHz.
    assert np.abs(20 * np.log10(response)).max() < 0.06


@pytest.mark.parametrize(("turns", "steady_db"), [(1 / 4, 0.169), (1 / 6, 0.075), (1 / 8, 0.042)])
def test_a_tone_whose_crests_fall_between_points_reads_low_as_the_recommendation_says(turns, steady_db):
    # BS.1770-4 Annex 2, Attachment 1: 20·lg cos(π f / n) with n = 4; crests one eighth of a sample off.
    phase = 0.25 - turns / 8
    line = np.sin(2 * np.pi * (turns * np.arange(4800) + phase)) * signal.windows.tukey(4800, 0.2)
    assert true_peak_dbtp(Audio(line, 48000)) == pytest.approx(-steady_db, abs=0.03)


@pytest.mark.parametrize("seed", range(6))
def test_noise_reads_like_the_printed_filter_and_a_long_one(seed):
    audio = signals.pink_noise(-20.0, 3.0, seed=seed)
    # The printed filter itself has a ripple of 0.24 dB.
    assert true_peak_dbtp(audio) == pytest.approx(printed_true_peak(audio.samples[:, 0]), abs=0.25)
    # Up to 19 kHz the short filter is as good as a long one; four points a sample miss a little of the crests.
    low_pass = signal.firwin(511, 19000, window=("kaiser", 9.0), fs=48000)
    line = signal.fftconvolve(audio.samples[:, 0], low_pass)
    assert true_peak_dbtp(Audio(line, 48000)) == pytest.approx(long_true_peak(line, 4), abs=0.03)
    assert -0.25 < true_peak_dbtp(Audio(line, 48000)) - long_true_peak(line, 16) < 0.03


@pytest.mark.parametrize(("rate_hz", "channels"), [(48000, 2), (44100, 1), (8000, 3), (48000, 8), (192000, 5)])
def test_peaks_are_the_largest_interpolated_magnitudes(rate_hz, channels):
    samples = np.random.default_rng(channels).standard_normal((5000, channels))
    use = interpolator(rate_hz)
    points = upsample(samples, rate_hz)
    assert np.array_equal(points[:: use.factor], samples)
    cut = [np.abs(points[at * use.factor : (at + 777) * use.factor]).max(axis=0) for at in range(0, 5000, 777)]
    assert use.block_peaks(use.pad(samples), 777) == pytest.approx(np.array(cut), rel=1e-12)
    highest = 20 * math.log10(np.abs(points).max())
    assert true_peak_dbtp(Audio(samples, rate_hz)) == pytest.approx(highest, abs=1e-9)


@given(
    samples=arrays.arrays(float, st.tuples(st.integers(1, 400), st.integers(1, 5)), elements=st.floats(-1.0, 1.0)),
    rate_hz=st.sampled_from([8000, 44100, 48000, 192000]),
    loud=st.lists(st.integers(0, 399), max_size=3),
    cuts=st.lists(st.integers(0, 400), max_size=4),
    below=st.sampled_from([0.0, 0.5, 0.999999, 1.0, 1.5]),
)
def test_what_is_passed_over_could_not_have_been_the_peak(samples, rate_hz, loud, cuts, below):
    """To the last bit, however the signal is cut and whatever has been found before."""
    use, samples = interpolator(rate_hz), samples * 0.1
    samples[[at % len(samples) for at in loud]] *= 10.0
    highest = use.block_peaks(use.pad(samples)).max()
    assert use.highest(use.pad(samples), below * highest) == max(highest, below * highest)
    meter = TruePeakMeter(rate_hz, samples.shape[1])
    for part in np.split(samples, sorted(cuts)):
        meter.push(part)
    assert meter.magnitude() == highest


def test_the_interpolator_is_linear():
    one, two = np.random.default_rng(2).standard_normal((2, 600, 2))
    both = upsample(one - 0.3 * two, 48000)
    assert both == pytest.approx(upsample(one, 48000) - 0.3 * upsample(two, 48000), abs=1e-12)


def test_an_impulse_reads_its_own_height():
    audio = signals.impulse(-6.0, 0.1, at_s=0.05)
    assert true_peak_dbtp(audio) == pytest.approx(-6.0, abs=1e-9)
    assert sample_peak_dbfs(audio) == pytest.approx(-6.0, abs=1e-9)


@pytest.mark.parametrize("frames", [1, 2, 7, 8, 15, 16, 17])
def test_the_shortest_signals_have_a_true_peak(frames):
    line = np.random.default_rng(frames).standard_normal(frames)
    expected = 20 * math.log10(np.abs(upsample(line, 48000)).max())
    assert true_peak_dbtp(Audio(line, 48000)) == pytest.approx(expected, abs=1e-9)


# ---------------------------------------------------------------------------------------------------------- flat tops


def recount(samples):
    """Count flat tops as they are defined, on the whole signal at once."""
    total = 0
    for line in [*samples.T, *-samples.T]:
        top = line.max()
        if top <= 0.0:
            continue
        near = np.concatenate([[0], line >= top * 10 ** (-0.01 / 20), [0]]).astype(int)
        for first, end in zip(np.flatnonzero(np.diff(near) == 1), np.flatnonzero(np.diff(near) == -1), strict=True):
            run = end - first
            before = line[first - run] if first >= run else 0.0
            after = line[end - 1 + run] if end - 1 + run < line.size else 0.0
            total += run >= 3 and max(before, after) <= top * 10 ** (-0.35 / 20)
    return total


@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 96000])
@pytest.mark.parametrize("frequency_hz", [20, 30, 50, 100, 245, 300, 330])
def test_unclipped_low_tones_have_no_flat_tops(rate_hz, frequency_hz):
    tone = signals.tone(frequency_hz, -3.0, 3.0, rate_hz, phase_deg=50)
    assert flat_runs(tone) == 0
    assert flat_runs(tone.with_samples(np.round(tone.samples * 32768) / 32768)) == 0


@pytest.mark.parametrize("over_db", [0.25, 1.0, 3.0, 6.0])
@pytest.mark.parametrize("frequency_hz", [50, 100, 333, 1000])
def test_clipped_tones_have_a_flat_top_each_half_period(frequency_hz, over_db):
    ceiling = 10 ** (-over_db / 20)
    tone = signals.tone(frequency_hz, 0.0, 2.0, phase_deg=10)
    clipped = tone.samples.clip(-ceiling, ceiling)
    for samples in (clipped, 0.1 * clipped, clipped.astype(np.float32)):
        assert flat_runs(tone.with_samples(samples)) == recount(samples.astype(np.float64))
        assert flat_runs(tone.with_samples(samples)) == pytest.approx(4 * frequency_hz, abs=2)


@pytest.mark.parametrize("bits", [None, 16, 8])
@pytest.mark.parametrize("ceiling", [0.3, 0.5, 1.0])
def test_clipped_noise_is_counted_as_defined(bits, ceiling):
    samples = signals.pink_noise(0.0, 3.0, channels=2).samples.clip(-ceiling, ceiling)
    if bits:
        samples = np.round(samples * 2 ** (bits - 1)) / 2 ** (bits - 1)
    assert flat_runs(Audio(samples, 48000)) == recount(samples) > 100


def test_a_plateau_that_wobbles_is_counted_within_a_few_percent():
    # One pass judges each run by the highest sample so far, which wobble keeps raising a little.
    rng = np.random.default_rng(3)
    samples = signals.pink_noise(0.0, 5.0).samples.clip(-0.5, 0.5)
    samples = samples + 1e-4 * rng.standard_normal(samples.shape)
    assert flat_runs(Audio(samples, 48000)) == pytest.approx(recount(samples), rel=0.03)


def test_tops_under_the_maximum_do_not_count():
    clipped = signals.tone(100, 0.0, 1.0).samples.clip(-0.5, 0.5)
    assert flat_runs(Audio(np.concatenate([clipped, [[0.52], [-0.52]]]), 48000)) == 0
    assert flat_runs(Audio(np.concatenate([[[0.52], [-0.52]], clipped]), 48000)) == 0


def test_flat_tops_do_not_depend_on_where_the_signal_is_cut():
    samples = signals.pink_noise(0.0, 2.0, channels=2).samples.clip(-0.4, 0.4)
    meter = FlatRunMeter(48000, 2)
    for part in np.array_split(samples, [1, 2, 50, 777, 778, 20000, 20100, 60000]):
        meter.push(part)
    assert meter.count() == flat_runs(Audio(samples, 48000))


def test_silence_and_a_mere_offset_have_no_flat_tops():
    assert flat_runs(signals.silence(1.0)) == 0
    assert flat_runs(signals.constant(0.5, 1.0)) == 0
    assert flat_runs(signals.white_noise(-110.0, 1.0)) == 0
