"""Preamplifier and converter against data-sheet arithmetic, worked by hand, and the noise they render."""

import math

import numpy as np
import pytest

from gainlib.audio import Audio, GainlibError
from gainlib.levels import dbu_to_dbfs, sum_levels_db
from gainlib.meters import rms_dbfs, sample_peak_dbfs, true_peak_dbtp
from gainlib.processors import Converter, Preamp
from gainlib.processors.recording import WHITE_UNDER_A_DB
from gainlib.session import Insert, Session, Strip
from gainlib.signals import tone

RATE_HZ = 48000
SILENCE = Audio(np.zeros((RATE_HZ, 1)), RATE_HZ)


def recorded(preamp, converter, audio):
    """Return a take of a session with the two in a row."""
    return Session((Strip("take", audio, inserts=(Insert(preamp), Insert(converter))),)).render().audio("take/post")


# Worked by hand: 2 mV/Pa at 74 dB SPL give 20·log₁₀(0.002 / 0.7746) + 74 − 94 = −71.76 dBu; over +18 dBu; noise is the
# power sum of −128 dBu + G − 18 and −110 dBFS.
WORKED = [(10, 30.2), (30, 49.3), (40, 54.8), (50, 56.1), (60, 56.2)]


@pytest.mark.parametrize(("gain_db", "expected_db"), WORKED)
def test_signal_to_noise_against_gain(gain_db, expected_db):
    preamp, converter = Preamp(gain_db, sensitivity_mv=2.0), Converter(18.0, -110.0)
    noise = sum_levels_db([dbu_to_dbfs(preamp.noise_dbu, 18.0), converter.floor_dbfs])
    assert dbu_to_dbfs(preamp.output_dbu(74.0), 18.0) - noise == pytest.approx(expected_db, abs=0.05)
    voice = recorded(preamp, converter, tone(997, 74.0 - 94.0, 1.0))
    rendered = rms_dbfs(voice) - rms_dbfs(recorded(preamp, converter, SILENCE))
    assert rendered == pytest.approx(expected_db, abs=0.2)


@pytest.mark.parametrize("seed", range(12))
def test_rendered_noise_is_the_closed_form(seed):
    """Power sum of microphone, preamplifier and converter, all sine-referred; within 0.2 dB of what is rendered."""
    rng = np.random.default_rng(seed)
    preamp = Preamp(
        float(rng.uniform(0, 65)), float(rng.choice([0, 10, 20])), float(rng.uniform(-130, -115)),
        sensitivity_mv=float(rng.uniform(1, 30)), self_noise_dba=float(rng.uniform(4, 25)), seed=seed,
    )  # fmt: skip
    converter = Converter(float(rng.uniform(12, 24)), float(rng.uniform(-120, -95)), 24, seed)
    volts = preamp.sensitivity_mv / 1000 / math.sqrt(0.6)
    microphone = 20 * math.log10(volts) + preamp.self_noise_dba + 2.05 - 94 - preamp.pad_db + preamp.gain_db
    powers = [10 ** (each / 10) for each in (microphone, preamp.ein_dbu + preamp.gain_db)]
    at_converter = 10 * math.log10(sum(powers)) - converter.full_scale_dbu
    expected = 10 * math.log10(10 ** (at_converter / 10) + 10 ** (converter.noise_dbfs / 10))
    assert rms_dbfs(recorded(preamp, converter, SILENCE)) == pytest.approx(expected, abs=0.2)
    assert sum_levels_db([preamp.noise_dbu - converter.full_scale_dbu, converter.floor_dbfs]) == pytest.approx(
        expected, abs=0.02
    )


def test_white_noise_reads_lower_through_the_a_curve():
    """IEC 61672-1, curve A with its four poles (20.6, 107.7, 737.9, 12194 Hz), from memory; over 20 Hz to 20 kHz."""
    hz = np.linspace(20.0, 20000.0, 200001)
    curve = 12194**2 * hz**4 / (
        (hz**2 + 20.6**2) * np.sqrt((hz**2 + 107.7**2) * (hz**2 + 737.9**2)) * (hz**2 + 12194**2)
    )  # fmt: skip
    at_1_khz = 10 ** (-2.0 / 20)  # the curve is raised by 2.00 dB, so that it reads 0 dB at 1 kHz
    assert -10 * math.log10(np.mean((curve / at_1_khz) ** 2)) == pytest.approx(WHITE_UNDER_A_DB, abs=0.02)


def test_noise_of_the_two_is_unlike_whatever_the_seeds():
    first = Preamp(0, ein_dbu=-60).process(SILENCE).samples[:, 0]
    second = Converter(0, -60).process(SILENCE).samples[:, 0]
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.02


def test_a_pad_costs_its_own_value_in_noise_at_the_microphone():
    """Preamplifier noise referred to the microphone: EIN + pad (worked by hand)."""
    at_microphone = [
        each.noise_dbu - each.total_gain_db for each in (Preamp(20, pad) for pad in (0, 10, 20))
    ]  # fmt: skip
    assert at_microphone == pytest.approx([-128, -118, -108])


def test_tops_are_straight_below_and_end_at_the_ceiling():
    """1 dB under the ceiling nothing bends; far over it a square wave of the ceiling's level stands, with overshoot."""
    quiet = {"ein_dbu": -250.0}
    for ceiling in (10.0, 22.0, 30.0):
        under = Preamp(20, ceiling_dbu=ceiling, input_ceiling_dbu=20, **quiet).process(tone(997, ceiling - 21.1, 0.5))
        spectrum = np.abs(np.fft.rfft(under.samples[-24000:, 0] * np.blackman(24000)))
        third = 2991 // 2  # lines are 2 Hz apart
        assert spectrum[third - 3 : third + 4].max() / spectrum.max() < 1e-6
        over = Preamp(20, ceiling_dbu=ceiling, input_ceiling_dbu=20, **quiet).process(tone(97, ceiling, 0.5))
        assert ceiling - 0.5 < rms_dbfs(over) - 3.01 < ceiling and sample_peak_dbfs(over) < ceiling + 3


def test_a_ceiling_is_where_a_sine_has_about_one_per_cent_of_distortion():
    """Common practice states the maximum output level at 1 % (no source)."""
    out = Preamp(0, ceiling_dbu=6, input_ceiling_dbu=30, ein_dbu=-250).process(tone(1000, 6.0, 1.0))
    lines = np.abs(np.fft.rfft(out.samples[:, 0]))[1000::1000][:10]
    assert 0.5 < 100 * math.sqrt((lines[1:] ** 2).sum()) / lines[0] < 2


def test_the_input_stage_has_a_ceiling_that_no_gain_moves():
    loud = tone(97, 10.0, 0.5)  # +10 dBu into a microphone input that takes 0 dBu
    for gain in (0.0, 10.0):
        squared = Preamp(gain, ceiling_dbu=30, ein_dbu=-250).process(loud)
        assert gain - 1 < rms_dbfs(squared) - 3.01 < gain + 0.1
        through = Preamp(gain, 20, ceiling_dbu=30, ein_dbu=-250).process(loud)
        assert rms_dbfs(through) == pytest.approx(rms_dbfs(loud) - 20 + gain, abs=1e-6), "a pad cures it"
    assert Preamp(10).limit_dbu == 10 and Preamp(40).limit_dbu == 22


def test_a_converter_cuts_tops_flat_at_full_scale():
    out = Converter(18, bits=16).process(tone(97, 24.0, 0.5))
    assert sample_peak_dbfs(out) == pytest.approx(0, abs=1e-3) and true_peak_dbtp(out) > 0
    top = 1 - 2.0**-15
    assert np.count_nonzero(out.samples == top) > 5000 and np.count_nonzero(out.samples == -1.0) > 5000
    steps = out.samples * 2**15
    assert np.array_equal(steps, np.rint(steps))


def test_the_floor_of_a_short_word():
    """q²/12 of rounding beside the noise ahead of it, from half a step RMS on (Lipshitz et al., JAES 40(5), 1992)."""
    for bits, noise in ((12, -72), (16, -96), (16, -90)):
        converter = Converter(18, noise, bits, 5)
        step = 2.0 ** (1 - bits)
        expected = 10 * math.log10(10 ** (noise / 10) + step**2 / 6)
        assert converter.floor_dbfs == pytest.approx(expected)
        assert rms_dbfs(converter.process(tone(997, 0.0, 2.0)).with_samples(
            converter.process(tone(997, 0.0, 2.0)).samples - tone(997, -18.0, 2.0).samples
        )) == pytest.approx(expected, abs=0.1)  # fmt: skip


@pytest.mark.parametrize(
    ("build", "said"),
    [
        (lambda: Preamp(self_noise_dba=14), "self_noise_dba is 14 without a microphone; give its sensitivity_mv"),
        (lambda: Preamp(pad_db=-10), "Preamp: pad_db is -10; give a number from 0 to 60"),
        (lambda: Preamp(sensitivity_mv=0), "sensitivity_mv is 0; give a finite number above 0"),
        (lambda: Converter(bits=1), "Converter: bits is 1; give a whole number from 2 to 32"),
        (lambda: Converter(noise_dbfs=3), "Converter: noise_dbfs is 3; give a finite number up to 0"),
    ],
)
def test_what_cannot_be_is_refused(build, said):
    with pytest.raises(GainlibError, match=said):
        build()


def test_a_session_file_holds_both(tmp_path):
    preamp, converter = Preamp(30, 10, sensitivity_mv=8.0, self_noise_dba=14.0), Converter(20, -104, 16)
    session = Session((Strip("take", _on_disk(tmp_path), inserts=(Insert(preamp), Insert(converter))),))
    again = Session.from_json(session.to_json(), tmp_path)
    assert [each.processor for each in again.strips[0].inserts] == [preamp, converter]


def _on_disk(folder):
    from gainlib.audio import AudioFile, write

    write(folder / "take.wav", tone(997, -20.0, 0.5))
    return AudioFile(folder / "take.wav")
