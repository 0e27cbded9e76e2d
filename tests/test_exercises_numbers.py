"""Numbers as people type and read them."""

import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gainlib.exercises import Number
from gainlib.exercises.text import Unreadable, decimals_for, fill, parse_number, printed_numbers
from gainlib.words import number, quantity


@pytest.mark.parametrize(
    ("typed", "unit", "value"),
    [
        ("−3,5 dB", "dB", -3.5),
        ("-3.5dB", "dBFS", -3.5),
        ("–3.5 DBFS", "dBFS", -3.5),
        ("+ 3.5", "dB", 3.5),
        ("−\u00a03,5\u202fdB", "dB", -3.5),
        (",5", "", 0.5),
        ("5.", "V", 5.0),
        ("1,5e-3 V", "V", 1.5e-3),
        ("−12 LKFS", "LUFS", -12.0),
        ("minus 6", "dB", -6.0),
        ("6 decibels", "dBFS", 6.0),
        ("½", "", 0.5),
        ("2½ dB", "dB", 2.5),
        ("-6 ㏈", "dB", -6.0),
        ("－６ ｄＢＦＳ", "dBFS", -6.0),
        ("٣٫٥", "", 3.5),
        ("6 min.", "min", 6.0),
        ("0.5 mV", "V", 0.5e-3),
        ("1.2 kHz", "Hz", 1200.0),
        ("17 %", "%", 17.0),
        ("3 dB SPL", "dB SPL", 3.0),
        (7, "dB", 7.0),
        (np.float32(0.5), "", 0.5),
        (np.int64(-4), "", -4.0),
        (Fraction(1, 4), "", 0.25),
    ],
)
def test_what_people_type_is_read(typed, unit, value):
    assert parse_number(typed, unit) == value


TYPED_JUNK = [
    "",
    "loud",
    "3 mW",
    "6 minus",
    "1,000.5",
    "1.000,5",
    "1'000",
    "1 2",
    "--3",
    "3 dB dB",
    "inf",
    "nan",
    "0x10",
    "12e999",
]
OTHER_JUNK = [True, False, None, math.nan, math.inf, -math.inf, 10**400, 3 + 0j, [3.0], {"a": 3}, object()]
ARRAY_JUNK = [np.array([1.0]), np.bool_(True), Decimal("NaN")]


@pytest.mark.parametrize("junk", [*TYPED_JUNK, *OTHER_JUNK, *ARRAY_JUNK])
def test_what_is_no_number_says_what_to_enter(junk):
    with pytest.raises(Unreadable, match="cannot be read; enter a number in V"):
        parse_number(junk, "V")


def test_hours_are_turned_into_minutes_and_a_difference_is_no_loudness():
    with pytest.raises(Unreadable, match="“6,2 h” cannot be read: that is 372 minutes; enter a number in min"):
        parse_number("6,2 h", "min")
    with pytest.raises(Unreadable, match="enter a number in LUFS"):
        parse_number("−22.4 LU", "LUFS")


def test_a_share_may_be_a_percentage():
    part = Number("Probability", shares=True)
    assert part.read("22.7 %", {}) == pytest.approx(part.read("0,227", {}))


@given(st.floats(-1e6, 1e6), st.integers(0, 6), st.sampled_from(["", "dB", "dBTP", "LUFS", "V", "%"]))
def test_a_printed_number_can_be_typed_back(value, decimals, unit):
    shown = quantity(value, unit, decimals)
    assert "-" not in shown
    assert parse_number(shown, unit) == pytest.approx(value, abs=0.5000001 * 10**-decimals)
    assert parse_number(shown.replace(".", ","), unit) == parse_number(shown, unit)
    assert printed_numbers(shown) == [pytest.approx(parse_number(shown, unit))]


@given(st.floats(1e-6, 100))
def test_decimals_show_half_a_tolerance(tolerance):
    assert 10.0 ** -decimals_for(tolerance) <= max(1.0, tolerance / 2) * (1 + 1e-6)


def test_there_is_no_minus_zero():
    assert number(-0.04, 1) == "0.0"
    assert number(-0.0) == "0"
    assert number(-0.04, 1, signed=True) == "0.0"


def test_templates_are_filled_with_true_minus_signs():
    text = fill(
        "{a} and {b:+.1f}, {names}; {levels:.1f}", {"a": -3.5, "b": -2, "names": ["kick", "bass"], "levels": [-1]}
    )
    assert text == "−3.5 and −2.0, kick, bass; −1.0"
    with pytest.raises(KeyError):
        fill("{missing}", {})
