"""Down and up again in every arithmetic against the figures known of it; nulls that say so much and no more.

Noise of dithered rounding: Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither", JAES 40(5), 1992. The other
figures were measured with NumPy alone, statement by statement; those of 32-bit float for gains and products rounded to
32 bit, on a programme of −15 dB plain RMS.
"""

import math

import numpy as np
import pytest

from gainlib.audio import Audio
from gainlib.boxes import null_test, residual_dbfs, round_trips
from gainlib.boxes.repeated_gain import programme

ATTENUATIONS = (6, 15, 20, 40, 60)
TABLE = {
    ("24 bit", False): (-141, -134, -129, -109, -89),
    ("24 bit", True): (-124, -116, -111, -91, -71),
    ("16 bit", True): (-76, -68, -63, -43, -23),
}
FLOAT32 = {6: -130.3, 15: -158.1, 60: -136.7}


def left(attenuation_db, arithmetic, dither=False):
    after = round_trips(programme(), attenuation_db, 20, arithmetic, dither=dither)
    return residual_dbfs(programme(), after, arithmetic)


def test_the_programme_is_what_it_is_called():
    samples = programme().samples
    assert samples.dtype == np.float32 and np.abs(samples).max() <= 1.0
    assert 10 * math.log10(np.mean(samples.astype(float) ** 2)) == pytest.approx(-15.0, abs=0.05)


@pytest.mark.parametrize(("arithmetic", "dither"), TABLE)
def test_words_of_whole_numbers(arithmetic, dither):
    found = [left(attenuation_db, arithmetic, dither) for attenuation_db in ATTENUATIONS]
    np.testing.assert_allclose(found, TABLE[arithmetic, dither], atol=1.0)


@pytest.mark.parametrize("attenuation_db", FLOAT32)
def test_32_bit_float(attenuation_db):
    assert left(attenuation_db, "float32") == pytest.approx(FLOAT32[attenuation_db], abs=1.0)


@pytest.mark.parametrize("attenuation_db", ATTENUATIONS)
def test_64_bit_float_is_far_under_anything(attenuation_db):
    """How far under depends on the order of the products, so only a bound is known."""
    assert left(attenuation_db, "float64") < -300


def test_an_undithered_word_costs_one_round_only_in_16_bit_too():
    once = residual_dbfs(programme(), round_trips(programme(), 20.0, 1, "16 bit"), "16 bit")
    assert left(20, "16 bit") == pytest.approx(once, abs=0.1)


def test_the_null_of_two_prints_finds_the_same_residual():
    after = round_trips(programme(), 40.0, 20, "24 bit", dither=True)
    report = null_test(programme(), after, match=False)
    assert report.residual_dbfs == pytest.approx(-91.5, abs=0.3)
    assert report.depth_db == pytest.approx(-91.5 + 15.0, abs=0.3)


def test_the_sentence_says_what_is_proved_and_what_is_not():
    a = programme()
    hiss = np.random.default_rng(3).standard_normal(a.samples.shape)
    for level_db, said in ((-110, "same for every practical purpose"), (-70, "blind test"), (-30, "does not prove")):
        b = Audio(a.samples + 10 ** (level_db / 20) * hiss * 10 ** (-15 / 20), a.rate_hz, "b")
        assert said in null_test(a, b).sentence
