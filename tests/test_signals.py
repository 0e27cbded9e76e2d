"""Test signals against closed forms: level, crest, phase, spectrum, repeatability."""

import math

import numpy as np
import pytest

from gainlib import signals
from gainlib.audio import GainlibError


def plain_rms_db(samples):
    """Return 20·log10 of the root mean square."""
    return 10 * math.log10(np.mean(samples**2))


@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 192000])
@pytest.mark.parametrize("level_db", [-60.0, -18.0, 0.0, 6.0])
def test_a_tone_peaks_at_its_level_and_has_its_rms_3_db_lower(rate_hz, level_db):
    tone = signals.tone(997, level_db, 1.0, rate_hz)
    assert tone.frames == rate_hz
    assert 20 * math.log10(np.abs(tone.samples).max()) == pytest.approx(level_db, abs=1e-3)
    assert plain_rms_db(tone.samples) == pytest.approx(level_db - 10 * math.log10(2), abs=1e-9)


def test_a_tone_keeps_its_phase_for_an_hour():
    start = signals.tone(997, 0.0, 1.0, 8000).samples
    late = signals.tone(997, 0.0, 3600.0, 8000).samples[-8000:]
    assert np.abs(late - start).max() < 1e-9


def test_a_tone_starts_at_its_phase():
    assert signals.tone(1000, 0.0, 0.01, phase_deg=90).samples[0, 0] == pytest.approx(1.0)
    assert signals.tone(1000, 0.0, 0.01, phase_deg=-90).samples[0, 0] == pytest.approx(-1.0)


def test_channels_of_a_tone_are_equal():
    samples = signals.tone(440, -6.0, 0.1, channels=3).samples
    assert samples.shape == (4800, 3)
    assert np.array_equal(samples[:, 0], samples[:, 2])


# Crest factors of the textbook waveforms: peak over RMS.
@pytest.mark.parametrize(
    ("shape", "crest_db"),
    [
        ("sine", 10 * math.log10(2)),
        ("square", 0.0),
        ("triangle", 10 * math.log10(3)),
        ("sawtooth", 10 * math.log10(3)),
    ],
)
def test_waveforms_have_their_crest_factor_and_no_offset(shape, crest_db):
    wave = signals.waveform(shape, 10, -3.0, 1.0, 96000, phase_deg=0.01).samples
    assert 20 * math.log10(np.abs(wave).max()) == pytest.approx(-3.0, abs=0.01)
    assert -3.0 - plain_rms_db(wave) == pytest.approx(crest_db, abs=0.01)
    assert abs(wave.mean()) < 1e-3


def test_waveforms_rise_through_zero_at_phase_zero():
    for shape in ("sine", "triangle", "sawtooth"):
        wave = signals.waveform(shape, 100, 0.0, 0.01).samples[:, 0]
        assert wave[0] == pytest.approx(0.0, abs=1e-12)
        assert wave[1] > 0


def test_steps_follow_their_levels_without_a_break_in_phase():
    audio = signals.steps([(-20.0, 0.5), (None, 0.25), (-40.0, 0.5)], 1000)
    sine = np.sin(2 * np.pi * 1000 * np.arange(audio.frames) / 48000)
    gain = np.repeat([0.1, 0.0, 0.01], [24000, 12000, 24000])
    assert np.abs(audio.samples[:, 0] - gain * sine).max() < 1e-10


def test_steps_do_not_lose_frames_to_rounding():
    audio = signals.steps([(-20.0, 0.01013)] * 1000, 1000, 44100)
    assert audio.frames == round(10.13 * 44100)


def test_a_burst_lies_between_its_silences():
    line = signals.burst(5000, 0.0, 0.01, before_s=0.1, after_s=0.05).samples[:, 0]
    assert line.size == 48 * 160
    assert not line[:4800].any() and not line[5280:].any()
    assert plain_rms_db(line[4800:5280]) == pytest.approx(-10 * math.log10(2), abs=1e-9)


def test_an_impulse_is_one_sample():
    line = signals.impulse(-6.0206, 0.01, at_s=0.005).samples[:, 0]
    assert np.flatnonzero(line).tolist() == [240]
    assert line[240] == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize("noise", [signals.white_noise, signals.pink_noise])
def test_noise_has_its_rms_exactly_and_is_the_same_for_the_same_seed(noise):
    first, again, other = (noise(-20.0, 2.0, channels=2, seed=seed).samples for seed in (5, 5, 6))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    for channel in first.T:
        assert plain_rms_db(channel) + 10 * math.log10(2) == pytest.approx(-20.0, abs=1e-9)
    assert abs(np.corrcoef(first.T)[0, 1]) < 0.05
    assert np.abs(first.mean(axis=0)).max() < 1e-12


def octave_levels(samples, rate_hz):
    """Return the level of each octave from 62.5 Hz to 8 kHz in dB."""
    power = np.abs(np.fft.rfft(samples)) ** 2
    frequency = np.fft.rfftfreq(samples.size, 1 / rate_hz)
    centres = 62.5 * 2.0 ** np.arange(8)
    bands = [(frequency >= f / math.sqrt(2)) & (frequency < f * math.sqrt(2)) for f in centres]
    return np.array([10 * math.log10(power[band].sum()) for band in bands])


def test_pink_noise_has_equal_octaves_and_white_noise_rises_3_db_an_octave():
    # Equal power per octave and per hertz are what the words mean; 30 s leave the lowest octave 0.2 dB of chance.
    pink = octave_levels(signals.pink_noise(-20.0, 30.0).samples[:, 0], 48000)
    white = octave_levels(signals.white_noise(-20.0, 30.0).samples[:, 0], 48000)
    assert np.abs(pink - pink.mean()).max() < 0.6
    assert np.abs(np.diff(white) - 10 * math.log10(2)).max() < 0.6


def test_pink_noise_is_empty_below_its_lowest_frequency():
    samples = signals.pink_noise(-20.0, 4.0, lowest_hz=100.0).samples[:, 0]
    spectrum = np.abs(np.fft.rfft(samples))
    frequency = np.fft.rfftfreq(samples.size, 1 / 48000)
    assert spectrum[frequency < 99].max() < 1e-9 * spectrum.max()


def test_the_ladder_climbs_in_equal_steps():
    ladder = signals.level_ladder((-30.0, -20.0, -10.0), 0.5)
    levels = [plain_rms_db(part) + 10 * math.log10(2) for part in np.split(ladder.samples, 3)]
    assert levels == pytest.approx([-30.0, -20.0, -10.0], abs=0.01)
    assert signals.level_ladder().duration_s == pytest.approx(0.5 * len(signals.LADDER_DBFS))


def test_silence_and_offset_are_constant():
    assert not signals.silence(0.1, channels=2).samples.any()
    assert np.array_equal(np.unique(signals.constant(-0.25, 0.1).samples), [-0.25])


@pytest.mark.parametrize(
    "make",
    [
        lambda: signals.tone(997, -18.0, 0.0),
        lambda: signals.steps([]),
        lambda: signals.waveform("wobble", 100),
        lambda: signals.impulse(at_s=2.0, duration_s=1.0),
        lambda: signals.white_noise(-20.0, 1 / 48000),
        lambda: signals.pink_noise(-20.0, 0.001, lowest_hz=23999.0, rate_hz=8000),
    ],
)
def test_what_cannot_be_made_says_so(make):
    with pytest.raises(GainlibError):
        make()
