"""Nulls with known depths, offsets, speeds and levels; rounds of down and up against measured noise."""

import math

import numpy as np
import pytest
from daily import daily
from scipy import signal

from gainlib.audio import Audio, GainlibError
from gainlib.boxes import null_depth_db, null_test, predicted_dbfs, residual_dbfs, round_trips

RATE_HZ = 48000


def music(seconds=6.0, seed=1, width=2):
    """Return band-limited made-up music: nothing above 18 kHz, so that a fractional delay is exact."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * RATE_HZ)
    sos = signal.butter(8, [60, 16000], "bandpass", fs=RATE_HZ, output="sos")
    noise = signal.sosfiltfilt(sos, rng.standard_normal((frames, width)), axis=0)
    swell = 0.2 + np.abs(np.sin(2 * np.pi * 0.7 * np.arange(frames) / RATE_HZ))[:, np.newaxis]
    return Audio(0.1 * noise * swell, RATE_HZ, "print")


def delayed(audio, frames):
    """Return audio delayed by a fraction, through the phase of its spectrum (another way than the test's own sinc)."""
    padded = np.pad(audio.samples, ((4096, 4096), (0, 0)))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(padded)) * frames)[:, np.newaxis]
    return audio.with_samples(np.fft.irfft(np.fft.rfft(padded, axis=0) * turn, len(padded), axis=0)[4096:-4096])


@pytest.mark.parametrize("gain_db", [-0.01, -0.1, -1.0, 0.5])
def test_a_gain_error_leaves_what_arithmetic_says(gain_db):
    audio = music()
    other = audio.with_samples(audio.samples * 10 ** (gain_db / 20))
    assert null_depth_db(audio, other) == pytest.approx(20 * math.log10(abs(1 - 10 ** (gain_db / 20))), abs=1e-6)
    report = null_test(audio, other)
    assert report.gain_db == pytest.approx(gain_db, abs=1e-6)
    assert report.depth_db < -250


def test_identical_prints_leave_nothing():
    audio = music(1.0)
    assert null_depth_db(audio, audio) == -math.inf
    assert null_test(audio, audio).depth_db == -math.inf


def test_a_delay_leaves_what_arithmetic_says_at_one_frequency():
    n = np.arange(RATE_HZ)
    a, b = (Audio(np.sin(2 * np.pi * 1000 * (n - shift) / RATE_HZ), RATE_HZ) for shift in (0, 1))
    assert null_depth_db(a, b) == pytest.approx(20 * math.log10(2 * math.sin(math.pi * 1000 / RATE_HZ)), abs=0.01)


@pytest.mark.parametrize("offset", [-1234.0, -0.37, 0.5, 17.0, 481.25])
def test_offsets_to_a_fraction_of_a_sample(offset):
    audio = music()
    report = null_test(audio, delayed(audio, offset))
    assert report.offset_s * RATE_HZ == pytest.approx(offset, abs=0.003)
    assert report.depth_db < -65


@pytest.mark.parametrize("ppm", [*daily([50.0, -20.0, 3.0], 1)])
def test_speed_is_found_and_taken_out(ppm):
    audio = music(10.0)
    positions = np.arange(audio.frames) * (1 + ppm * 1e-6)
    at = np.clip(positions, 0, audio.frames - 1)
    fine = signal.resample_poly(audio.samples, 8, 1, axis=0)
    other = np.stack([np.interp(8 * at, np.arange(len(fine)), column) for column in fine.T], axis=1)
    report = null_test(audio, audio.with_samples(other))
    assert report.drift_ppm == pytest.approx(ppm, abs=0.3)
    assert report.depth_db < -35  # the made print itself is interpolated in straight lines


def test_polarity_and_matching():
    audio = music()
    other = audio.with_samples(-0.5 * audio.samples)
    report = null_test(audio, other)
    assert (report.polarity, round(report.gain_db, 3)) == (-1, -6.021)
    assert report.depth_db < -250
    assert null_test(audio, other, match=False).depth_db == pytest.approx(20 * math.log10(1.5), abs=0.01)


def test_octaves_show_where_the_rest_lies():
    audio = music()
    n = np.arange(audio.frames)[:, np.newaxis]
    report = null_test(audio, audio.with_samples(audio.samples + 1e-3 * np.sin(2 * np.pi * 1000 * n / RATE_HZ)))
    assert max(report.octaves, key=report.octaves.get) == 1000.0
    assert 10 * math.log10(sum(10 ** (each / 10) for each in report.octaves.values())) == pytest.approx(
        report.depth_db, abs=0.3
    )


def test_longer_prints_are_compared_where_they_overlap():
    audio = music()
    longer = audio.with_samples(np.pad(audio.samples, ((2400, 9000), (0, 0))))
    report = null_test(audio, longer)
    assert report.offset_s == pytest.approx(0.05, abs=1e-6) and report.depth_db == -math.inf


def test_a_fragment_does_not_prove_the_rest():
    audio = music()
    report = null_test(audio, audio.with_samples(audio.samples[: RATE_HZ // 10]))
    assert report.depth_db == -math.inf and not report.whole
    assert report.compared_s == pytest.approx(0.1) and report.left_out_s == pytest.approx((5.9, 0.0))
    assert "over the 0.10 s compared they do not differ" in report.sentence
    assert "5.90 s of the first had nothing to be compared with" in report.sentence
    assert "the same for every" not in report.sentence
    longer = audio.with_samples(np.concatenate([audio.samples, audio.samples[:RATE_HZ]]))
    assert null_test(audio, longer).left_out_s == pytest.approx((0.0, 1.0))
    assert "1.00 s of the second had" in null_test(audio, longer).sentence


def test_silence_at_the_ends_takes_nothing_from_the_proof():
    audio = music()
    report = null_test(audio, audio.with_samples(np.pad(audio.samples, ((RATE_HZ, RATE_HZ), (0, 0)))))
    assert report.whole and report.left_out_s == (0.0, 0.0) and "the same for every practical" in report.sentence


def test_sides_swapped_have_no_level_between_them():
    """Independent sides: the fit of one to the other is about 0, and cancels nothing."""
    audio = music()
    report = null_test(audio, audio.with_samples(audio.samples[:, ::-1]))
    assert not report.alike and report.depth_db == pytest.approx(0.0, abs=0.5)
    assert "stands" not in report.sentence and "inverted" not in report.sentence
    assert "next to nothing in common" in report.sentence and "swapped sides" in report.sentence


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (Audio(np.ones((100, 2)), 44100), "44100"),
        (Audio(np.ones((100, 1)), RATE_HZ), "channels"),
        (Audio(np.zeros((100, 2)), RATE_HZ), "silent"),
        (music(6.0, seed=9), "nothing in common"),
    ],
)
def test_what_cannot_be_compared_is_said(other, said):
    with pytest.raises(GainlibError, match=said):
        null_test(music(), other)


# ---------------------------------------------------------------------------------------------------- down and up again


def programme():
    """Return noise at −15 dBFS plain RMS."""
    samples = np.random.default_rng(5).standard_normal((RATE_HZ * 2, 1))
    return Audio((samples * 10 ** (-15 / 20) / samples.std()).astype(np.float32), RATE_HZ)


@pytest.mark.parametrize(("bits", "attenuation_db"), [(24, 15), (24, 20), (24, 40), (24, 60), (16, 15), (16, 40)])
def test_dithered_words_leave_the_noise_of_all_rounds(bits, attenuation_db):
    """Twenty dithered rounds: −91.5 dB for 24 bit and 40 dB, by q²/4 a rounding (Lipshitz et al. 1992)."""
    audio, arithmetic = programme(), f"{bits} bit"
    after = round_trips(audio, attenuation_db, 20, arithmetic, dither=True)
    found = residual_dbfs(audio, after, arithmetic)
    assert found == pytest.approx(predicted_dbfs(attenuation_db, 20, bits), abs=0.3)


@pytest.mark.parametrize(("attenuation_db", "measured"), [(20, -129), (40, -109), (60, -89)])
def test_words_without_dither_cost_one_round_only(attenuation_db, measured):
    """Measured with numpy, by another hand and in another program."""
    audio = programme()
    once, often = (
        residual_dbfs(audio, round_trips(audio, attenuation_db, rounds, "24 bit"), "24 bit") for rounds in (1, 20)
    )
    assert often == pytest.approx(measured, abs=1.0)
    assert often == pytest.approx(once, abs=1.0)  # a value on the coarse grid stays there


@pytest.mark.parametrize(("attenuation_db", "measured"), [(6, -130.3), (15, -158.1), (60, -136.7)])
def test_32_bit_float_loses_nothing_that_could_be_heard(attenuation_db, measured):
    """Gains and products rounded to 32 bit: a gain error far more than noise.

    Measured with numpy, by another hand and in another program.
    """
    audio = programme()
    found = residual_dbfs(audio, round_trips(audio, attenuation_db, 20, "float32"), "float32")
    assert found == pytest.approx(measured, abs=1.0)


def test_64_bit_float_is_exact_to_the_last_bits():
    audio = programme()
    assert residual_dbfs(audio, round_trips(audio, 15.0, 20, "float64"), "float64") < -300


def test_rounds_by_hand_agree():
    """The same in plain NumPy, statement by statement."""
    audio = programme()
    g, h = np.float32(10 ** (-7 / 20)), np.float32(10 ** (7 / 20))
    y = audio.samples.copy()
    for _ in range(10):
        y = y * g
        y = y * h
    np.testing.assert_array_equal(round_trips(audio, 7.0, 10, "float32").samples, y.astype(float))


@pytest.mark.parametrize("arguments", [{"arithmetic": "8 bit"}, {"attenuation_db": -1}, {"rounds": 1.5}])
def test_rounds_that_make_no_sense_are_refused(arguments):
    with pytest.raises(GainlibError):
        round_trips(programme(), **{"attenuation_db": 6, "rounds": 1, **arguments})
