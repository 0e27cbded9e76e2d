"""Fader travel: closed forms and published law tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gainlib.audio import GainlibError
from gainlib.session import FaderLaw

laws = st.builds(
    FaderLaw,
    unity_mm=st.floats(50, 90),
    exponent=st.floats(1.5, 6),
    length_mm=st.floats(90, 130),
)


@pytest.mark.parametrize(
    ("level_db", "slope"), [(10, 0.35), (0, 0.46), (-15, 0.71), (-30, 1.10), (-50, 1.95), (-60, 2.60)]
)
def test_default_slopes_to_two_places(level_db, slope):
    # Worked by hand: derivative of 80·log10(x/75), 34.744/x dB per mm.
    assert FaderLaw().db_per_mm(level_db) == pytest.approx(slope, abs=0.0051)


@pytest.mark.parametrize(
    ("exponent", "table"),
    [
        # Square and cubic laws of travel, 40·lg p and 60·lg p, worked by hand to two places.
        (2, {0.9: -1.83, 0.75: -5.00, 0.5: -12.04, 0.25: -24.08, 0.1: -40.0}),
        (3, {0.9: -2.75, 0.75: -7.50, 0.5: -18.06, 0.25: -36.12, 0.1: -60.0}),
    ],
)
def test_square_and_cubic_law(exponent, table):
    law = FaderLaw(unity_mm=100, exponent=exponent, length_mm=100)
    for part, level_db in table.items():
        assert law.db_at(100 * part) == pytest.approx(level_db, abs=0.005)


@given(laws, st.floats(0.01, 1))
def test_position_and_level_are_inverse(law, part):
    position = part * law.length_mm
    assert law.mm_at(law.db_at(position)) == pytest.approx(position, rel=1e-9)


@given(laws, st.floats(0.05, 0.99))
def test_slope_is_the_derivative(law, part):
    position = part * law.length_mm
    step = 1e-4 * position
    measured = (law.db_at(position + step) - law.db_at(position - step)) / (2 * step)
    assert law.db_per_mm(law.db_at(position)) == pytest.approx(measured, rel=1e-6)


def test_ends_of_the_travel():
    law = FaderLaw()
    assert law.db_at(0) == -math.inf
    assert law.mm_at(-math.inf) == 0
    assert law.db_per_mm(-math.inf) == math.inf
    assert law.top_db == pytest.approx(9.995, abs=0.0005)
    assert law.mm_at(10.0) == 100
    assert law.mm_at(law.top_db + 0.0099) == 100
    with pytest.raises(GainlibError, match=r"above the top of the travel, 9\.995 dB"):
        law.mm_at(law.top_db + 0.011)


@pytest.mark.parametrize("position", [-0.1, 100.001, math.nan, math.inf])
def test_positions_off_the_travel_are_refused(position):
    with pytest.raises(GainlibError, match="outside the travel of 0 to 100 mm"):
        FaderLaw().db_at(position)


@pytest.mark.parametrize("level_db", [math.nan, math.inf, 11])
def test_levels_off_the_travel_are_refused(level_db):
    with pytest.raises(GainlibError, match="above the top"):
        FaderLaw().mm_at(level_db)


@pytest.mark.parametrize("bad", [{"unity_mm": 0}, {"unity_mm": 101}, {"exponent": 0}, {"length_mm": math.inf}])
def test_impossible_laws_are_refused(bad):
    with pytest.raises(GainlibError, match="fader"):
        FaderLaw(**bad)
