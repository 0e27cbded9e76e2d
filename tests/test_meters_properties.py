"""What must hold of every reading, on drawn signals: gain, polarity, channel order, length, appended silence."""

import dataclasses
import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from pytest import approx

from gainlib import signals
from gainlib.audio import Audio
from gainlib.meters import integrated_lufs, measure, quasi_peak

LEVELS = (
    "sample_peak_dbfs",
    "true_peak_dbtp",
    "rms_dbfs",
    "active_dbfs",
    "hover_vu",
    "needle_max_vu",
    "loudness_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
)
SHAPES = ("activity", "crest_db", "active_crest_db", "loudness_range_lu", "flat_runs")
FEW = settings(max_examples=25)


@st.composite
def sounds(draw, channels=None, shortest_s=3.2):
    """Draw a sound: noise or a tone whose level wanders, at some rate, width and offset, perhaps clipped."""
    rate_hz = draw(st.sampled_from((8000, 11025, 22050, 44100, 48000)))
    width = channels or draw(st.integers(1, 4))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    duration_s = draw(st.floats(shortest_s, shortest_s + 1.0))
    frames = round(duration_s * rate_hz)
    time_s = np.arange(frames)[:, np.newaxis] / rate_hz
    if draw(st.booleans()):
        samples = rng.standard_normal((frames, width))
    else:
        samples = np.sin(2 * np.pi * rng.uniform(40, 3000, width) * time_s + rng.uniform(0, 6, width))
    wander_db = draw(st.floats(0, 15)) * np.sin(2 * np.pi * time_s * draw(st.floats(0.2, 2.0)))
    samples = samples * 10 ** ((wander_db - draw(st.floats(6, 24))) / 20)
    if draw(st.booleans()):
        ceiling = np.abs(samples).max() * draw(st.floats(0.3, 0.9))
        samples = samples.clip(-ceiling, ceiling)
    return Audio(samples + draw(st.floats(-0.02, 0.02)), rate_hz)


@FEW
@given(sounds(), st.floats(-20, 20))
def test_gain_shifts_every_level_and_nothing_else(audio, gain_db):
    gain = 10 ** (gain_db / 20)
    before, after = measure(audio), measure(audio.with_samples(audio.samples * gain))
    for name in LEVELS:
        assert getattr(after, name) == approx(getattr(before, name) + gain_db, abs=1e-6)
    for name in SHAPES[:4]:
        assert getattr(after, name) == approx(getattr(before, name), abs=1e-6)
    assert after.dc_offset == approx(before.dc_offset * gain, abs=1e-12)


@FEW
@given(sounds(), st.sampled_from((0.25, 0.5, 2.0, 4.0)))
def test_gain_without_rounding_leaves_the_flat_tops(audio, gain):
    assert measure(audio.with_samples(audio.samples * gain)).flat_runs == measure(audio).flat_runs


@FEW
@given(sounds())
def test_polarity_changes_only_the_sign_of_the_offset(audio):
    before, after = measure(audio), measure(audio.with_samples(-audio.samples))
    assert dataclasses.replace(after, dc_offset=-after.dc_offset) == before


@FEW
@given(sounds(channels=3), st.permutations(range(3)))
def test_the_order_of_front_channels_does_not_matter(audio, order):
    before, after = measure(audio), measure(audio.with_samples(np.ascontiguousarray(audio.samples[:, order])))
    for name in (*LEVELS, *SHAPES):
        assert getattr(after, name) == approx(getattr(before, name), abs=1e-9)


@FEW
@given(sounds())
def test_true_peak_is_never_under_sample_peak(audio):
    reading = measure(audio)
    assert reading.true_peak_dbtp >= reading.sample_peak_dbfs


@FEW
@given(sounds())
def test_meters_agree_with_each_other(audio):
    reading = measure(audio)
    assert reading.active_dbfs >= reading.rms_dbfs - 0.7  # a part block at the end may weigh more than its length
    assert 0 < reading.activity <= 1
    assert reading.hover_vu <= reading.needle_max_vu
    assert reading.loudness_lufs <= reading.momentary_max_lufs + 1e-9
    assert reading.short_term_max_lufs <= reading.momentary_max_lufs + 1e-9
    assert reading.crest_db >= -1e-9


@FEW
@given(sounds(channels=1))
def test_dual_mono_reads_as_mono(audio):
    mono, dual = measure(audio), measure(audio.with_samples(np.repeat(audio.samples, 2, axis=1)))
    for name in (*LEVELS[:6], *SHAPES[:3]):
        assert getattr(dual, name) == approx(getattr(mono, name), abs=1e-9)
    assert dual.loudness_lufs == approx(mono.loudness_lufs + 10 * math.log10(2), abs=1e-9)


@FEW
@given(
    st.integers(2, 40),
    st.floats(-40, 0),
    st.sampled_from((100, 440, 1000, 2500)),
    st.sampled_from((8000, 44100, 48000)),
)
def test_a_steady_tone_of_whole_periods_reads_the_same_however_long_it_is(tenths, level_db, frequency_hz, rate_hz):
    short = measure(signals.tone(frequency_hz, level_db, 3.0 + tenths / 10, rate_hz))
    long = measure(signals.tone(frequency_hz, level_db, 8.0, rate_hz))
    for name in LEVELS:
        assert getattr(short, name) == approx(getattr(long, name), abs=0.01)
    assert short.activity == long.activity == 1.0
    assert short.flat_runs == long.flat_runs == 0


@FEW
@given(st.floats(3.1, 7.0), st.sampled_from((100, 440, 997, 2500)), st.sampled_from((8000, 44100, 48000)))
def test_a_tone_cut_off_anywhere_reads_the_same_but_for_the_overshoot_of_the_cut(duration_s, frequency_hz, rate_hz):
    cut = measure(signals.tone(frequency_hz, -20.0, duration_s, rate_hz))
    long = measure(signals.tone(frequency_hz, -20.0, 8.0, rate_hz))
    for name in LEVELS[2:]:
        assert getattr(cut, name) == approx(getattr(long, name), abs=0.02)
    # Half-way before the last of equal samples stands 1/2 + 2/π of them, by summing the sinc: 1.11 dB.
    assert -0.01 <= cut.true_peak_dbtp - long.true_peak_dbtp < 1.15


@settings(max_examples=6)
@given(st.integers(0, 1000), st.floats(60, 75), st.floats(0.1, 60))
def test_silence_after_a_minute_or_more_hardly_moves_loudness(seed, duration_s, silence_s):
    audio = signals.pink_noise(-20.0, duration_s, 8000, seed=seed)
    longer = audio.with_samples(np.concatenate([audio.samples, np.zeros((round(silence_s * 8000), 1))]))
    # Only the three blocks across the end can count besides: 4 of 600 blocks, at most 0.03 LU.
    assert integrated_lufs(longer) == approx(integrated_lufs(audio), abs=0.03)


@FEW
@given(sounds(), st.floats(0.2, 5.0))
def test_silence_at_the_end_does_not_touch_peaks_and_lowers_rms_by_its_share(audio, silence_s):
    clear = audio.with_samples(audio.samples - audio.samples.mean(axis=0))
    silence = np.zeros((round(silence_s * audio.rate_hz), audio.channels))
    before, after = measure(clear), measure(clear.with_samples(np.concatenate([clear.samples, silence])))
    share_db = 10 * math.log10(clear.frames / (clear.frames + len(silence)))
    assert after.sample_peak_dbfs == before.sample_peak_dbfs
    assert after.true_peak_dbtp == approx(before.true_peak_dbtp, abs=1e-9)
    assert after.rms_dbfs == approx(before.rms_dbfs + share_db, abs=1e-6)
    assert after.crest_db == approx(before.crest_db - share_db, abs=1e-6)
    # The silence also completes the last windows, which then hold a few milliseconds more of the sound.
    assert -1e-9 <= after.momentary_max_lufs - before.momentary_max_lufs < 0.2
    assert after.needle_max_vu >= before.needle_max_vu


@FEW
@given(sounds(shortest_s=0.2), st.sampled_from(("I", "II")))
def test_a_quasi_peak_meter_scales_and_never_passes_the_true_peak_by_much(audio, ballistics):
    clear = audio.with_samples(audio.samples - audio.samples.mean(axis=0))
    highest = quasi_peak(clear, ballistics).highest
    doubled = quasi_peak(clear.with_samples(clear.samples * 2), ballistics).highest
    assert doubled == approx(highest + 20 * math.log10(2), abs=1e-9)
    # The scale that lets a steady sine read its peak is 0.19 or 0.35 dB; the high-pass may lift a crest a little.
    assert highest <= measure(clear).true_peak_dbtp + 0.6
