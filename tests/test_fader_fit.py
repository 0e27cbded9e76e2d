"""The law laid through measured points, and the hand on a fader, against scipy, numpy and closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress

from gainlib.audio import Audio, GainlibError
from gainlib.session import FaderLaw, fit_law
from gainlib.session.fader import RAMP_S, hits_db, misfit_db, moved_db, nudged, steep_mm


@given(st.floats(1.5, 6), st.floats(40, 90), st.integers(0, 10_000), st.integers(6, 14))
def test_fit_against_two_libraries(exponent, unity_mm, seed, count):
    """The straight line of dB over log10 mm, by scipy's regression and by numpy's polynomial fit."""
    rng = np.random.default_rng(seed)
    positions = np.sort(rng.uniform(8, 100, count))
    levels = 20 * exponent * np.log10(positions / unity_mm) + rng.normal(0, 0.3, count)
    found = fit_law([0, *positions], [-math.inf, *levels])
    line = linregress(np.log10(positions), levels)
    assert found.exponent == pytest.approx(line.slope / 20, rel=1e-9)
    assert found.unity_mm == pytest.approx(10 ** (-line.intercept / line.slope), rel=1e-9)
    slope, level = np.polyfit(np.log10(positions), levels, 1)
    residual = levels - (slope * np.log10(positions) + level)
    assert found.misfit_db == pytest.approx(math.sqrt(np.mean(residual**2)), abs=1e-9)


def test_no_other_law_lies_nearer():
    positions, levels = [12, 20, 33, 50, 71, 96], [-61.0, -44.2, -27.9, -13.6, -1.9, 8.7]
    found = fit_law(positions, levels)
    for exponent in np.linspace(0.9, 1.1, 21) * found.exponent:
        for unity_mm in np.linspace(0.9, 1.1, 21) * found.unity_mm:
            assert misfit_db(exponent, unity_mm, positions, levels) >= found.misfit_db - 1e-12


def test_points_without_a_level_are_left_out():
    positions, levels = [10, 30, 60, 90], [-70.0, -32.0, -8.0, 6.0]
    assert fit_law([0, *positions, 5], [-math.inf, *levels, -math.inf]) == fit_law(positions, levels)


@pytest.mark.parametrize(
    ("positions", "levels", "said"),
    [
        ([10, 20], [-3.0], "2 positions and 1 levels"),
        ([10], [-3.0], "at least two different"),
        ([10, 10], [-3.0, -4.0], "at least two different"),
        ([0, 10], [-math.inf, 0.0], "at least two different"),
        ([-1, 10], [-3.0, 0.0], "below 0"),
        ([math.nan, 10], [-3.0, 0.0], "not finite"),
        ([10, 20], [0.0, -6.0], "do not rise"),
        ([10, 20], [-6.0, -6.0], "do not rise"),
        ([10, 20], [200.0, 200.001], "never come near 0 dB"),
    ],
)
def test_points_no_law_goes_through(positions, levels, said):
    with pytest.raises(GainlibError, match=said):
        fit_law(positions, levels)


@given(st.floats(1.5, 6), st.floats(60, 90))
def test_where_a_millimetre_is_a_decibel(exponent, unity_mm):
    """Found by walking along the travel in numbers, without the derivative."""
    law = FaderLaw(unity_mm=unity_mm, exponent=exponent)
    place = steep_mm(exponent)
    step = 1e-4
    assert (law.db_at(place + step) - law.db_at(place - step)) / (2 * step) == pytest.approx(1.0, rel=1e-6)
    assert steep_mm(exponent, 2.0) == pytest.approx(place / 2)
    with pytest.raises(GainlibError, match="above 0"):
        steep_mm(exponent, 0.0)


@given(st.floats(-60, 0), st.floats(-60, 0), st.floats(2, 5))
def test_spread_goes_as_one_over_the_position(first_db, second_db, exponent):
    """For a small hand σ(dB) = slope × σ(mm); the ratio of two places is 10^((f2 − f1)/20k), a handbook formula."""
    law = FaderLaw(exponent=exponent)
    small = 0.001 * law.mm_at(min(first_db, second_db))
    first, second = (float(np.std(hits_db(law, level, small, 500))) for level in (first_db, second_db))
    assert first / second == pytest.approx(10 ** ((second_db - first_db) / (20 * exponent)), rel=0.01)


def test_the_same_hand_at_every_place_and_no_hit_past_the_ends():
    law = FaderLaw()
    assert np.array_equal(hits_db(law, 0, seed=3), hits_db(law, 0, seed=3))
    assert not np.array_equal(hits_db(law, 0, seed=3), hits_db(law, 0, seed=4))
    assert np.all(hits_db(law, law.top_db, 5.0) <= 0)
    assert np.isneginf(hits_db(law, -100, 30.0)).any()
    assert np.all(hits_db(law, -10, 0.0) == 0)
    with pytest.raises(GainlibError, match="closed fader"):
        moved_db(law, -math.inf, 1.0)
    with pytest.raises(GainlibError, match="a hand of"):
        hits_db(law, 0, -1.0)


@pytest.mark.parametrize(("level_db", "moved"), [(0, -0.939), (-40, -3.061), (-50, -4.145)])
def test_two_millimetres_down(level_db, moved):
    """80·log10(1 − 2/x) with x = 75, 23.717 and 17.785 mm, worked by hand to three places."""
    assert float(moved_db(FaderLaw(), level_db, -2)) == pytest.approx(moved, abs=0.0006)


def test_a_nudged_sound_steps_to_and_fro():
    rate, every = 48000, 0.5
    steady = Audio(np.full((3 * rate, 2), 0.5), rate, "steady")
    moved = nudged(steady, -6.0, every)
    assert (moved.frames, moved.channels, moved.rate_hz, moved.name) == (steady.frames, 2, rate, "steady")
    for turn in range(6):
        held = moved.samples[round((turn * every + RAMP_S) * rate) + 1 : round((turn + 1) * every * rate) - 1]
        wanted = 0.5 * 10 ** (-6 / 20) if turn % 2 else 0.5
        assert np.allclose(held, wanted, rtol=1e-12)
    # the ramp is even in dB, so no sample differs from the next by more than its slope
    steps = np.abs(np.diff(20 * np.log10(moved.samples[:, 0])))
    assert steps.max() <= 6.0 / (RAMP_S * rate) * 1.001
    with pytest.raises(GainlibError, match="each takes"):
        nudged(steady, -6.0, RAMP_S)
