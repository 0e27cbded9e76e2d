"""Decibel arithmetic against published figures; the source stands beside each."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gainlib import levels
from gainlib.audio import GainlibError

INF = math.inf


@pytest.mark.parametrize(
    ("level_db", "ratio"),
    [
        (0, 1.0),
        (20, 10.0),
        (-20, 0.1),
        (6.0206, 2.0),  # 20·lg 2, arithmetic
        (-3.0103, 0.5**0.5),  # half the power, arithmetic
        (-INF, 0.0),
    ],
)
def test_ratio(level_db, ratio):
    """20·lg, both ways, silence included."""
    assert levels.db_to_ratio(level_db) == pytest.approx(ratio, rel=1e-5)
    assert levels.ratio_to_db(ratio) == pytest.approx(level_db, abs=1e-4)


@given(st.floats(-300, 300))
def test_ratio_and_back(level_db):
    """There and back changes nothing."""
    assert levels.ratio_to_db(levels.db_to_ratio(level_db)) == pytest.approx(level_db, abs=1e-9)


def test_arrays_keep_their_shape_and_numbers_stay_numbers():
    """A number gives a float, an array an array."""
    assert type(levels.db_to_ratio(6)) is float
    np.testing.assert_allclose(levels.db_to_ratio([[0, -INF], [20, -20]]), [[1, 0], [10, 0.1]])
    np.testing.assert_array_equal(levels.ratio_to_db(np.array([1.0, 0.0])), [0.0, -INF])
    assert levels.ratio_to_db(np.zeros((0, 2))).shape == (0, 2)


@pytest.mark.parametrize(
    "call",
    [
        lambda: levels.ratio_to_db(-0.5),
        lambda: levels.ratio_to_db([1.0, -1e-9]),
        lambda: levels.volts_to_dbu(-1),
        lambda: levels.db_to_ratio(math.nan),
        lambda: levels.db_to_ratio("6 dB"),
        lambda: levels.db_to_ratio(True),
        lambda: levels.sum_levels_db([math.nan]),
        lambda: levels.sum_levels_db([0, 0], correlation=1.01),
        lambda: levels.sum_levels_db([0, 0, 0], correlation=-0.9),
        lambda: levels.thermal_noise_volts(-150),
        lambda: levels.microphone_dbu(94, -0.02),
        lambda: levels.dbfs_to_dbu(0, INF),
    ],
)
def test_nonsense_raises(call):
    """Negative magnitudes, NaN, text and impossible correlations."""
    with pytest.raises(GainlibError):
        call()


@pytest.mark.parametrize(
    ("level_dbu", "volts", "tolerance"),
    [
        (0, 0.774597, 1e-6),  # √0.6 V: 1 mW in 600 Ω, arithmetic
        (4, 1.2277, 1e-4),  # line level, arithmetic from √0.6 V
        (18, 6.153, 1e-3),  # full scale in the EBU chain: EBU R 68, from memory; volts worked by hand, √0.6·10^(L/20)
        (22, 9.752, 1e-3),  # worked by hand, as all volts here
        (24, 12.277, 1e-3),  # full scale with SMPTE RP 155 at +4 dBu, from memory
        (-7.782, 0.3162, 1e-4),  # −10 dBV, arithmetic
    ],
)
def test_dbu(level_dbu, volts, tolerance):
    """DBu and volts, both ways."""
    assert levels.dbu_to_volts(level_dbu) == pytest.approx(volts, abs=tolerance)
    assert levels.volts_to_dbu(volts) == pytest.approx(level_dbu, abs=2e-3)


def test_dbv():
    """0 dBV is 2.218 dBu; between +4 dBu and −10 dBV lie 11.78 dB, not 12 (arithmetic from √0.6 V)."""
    assert levels.dbv_to_dbu(0) == pytest.approx(2.218, abs=5e-4)
    assert 4 - levels.dbv_to_dbu(-10) == pytest.approx(11.7815, abs=5e-5)
    assert levels.dbu_to_dbv(4) == pytest.approx(1.782, abs=5e-4)
    assert levels.dbu_to_dbv(levels.dbv_to_dbu(-10)) == pytest.approx(-10)
    assert levels.volts_to_dbu(0) == levels.dbv_to_dbu(-INF) == -INF


@pytest.mark.parametrize(
    ("level_dbfs", "full_scale_dbu", "level_dbu"),
    [
        (-18, 18, 0),  # EBU R 68: line-up 0 dBu
        (-9, 18, 9),  # ITU-R BS.645: permitted maximum 9 dB over alignment
        (-20, 24, 4),  # SMPTE RP 155: +4 dBu
        (-18, 22, 4),  # common practice, no source
        (-INF, 18, -INF),
    ],
)
def test_alignment(level_dbfs, full_scale_dbu, level_dbu):
    """K is the analogue level of a full-scale sine."""
    assert levels.dbfs_to_dbu(level_dbfs, full_scale_dbu) == level_dbu
    assert levels.dbu_to_dbfs(level_dbu, full_scale_dbu) == level_dbfs
    assert levels.dbfs_to_dbu(-18) == 0  # the default is R 68


@pytest.mark.parametrize(
    ("count", "coherent_db", "incoherent_db"),
    [(1, 0, 0), (2, 6.0206, 3.0103), (16, 24.082, 12.041), (24, 27.604, 13.802), (32, 30.103, 15.051)],
)
def test_equal_levels_add(count, coherent_db, incoherent_db):
    """20·lg N for voltages, 10·lg N for powers (textbook, e.g. 16 sources 12.04 dB, 32 sources 15.05 dB)."""
    many = [-30.0] * count
    assert levels.sum_levels_db(many, correlation=1) == pytest.approx(-30 + coherent_db, abs=1e-3)
    assert levels.sum_levels_db(many) == pytest.approx(-30 + incoherent_db, abs=1e-3)


def test_opposite_polarity_cancels():
    """ρ = −1 subtracts: equal levels give silence, a difference of 6.02 dB leaves the smaller one."""
    assert levels.sum_levels_db([-20, -20], -1) == -INF
    assert levels.sum_levels_db([0, -6.0206], -1) == pytest.approx(-6.0206, abs=1e-4)


def test_silence_adds_nothing():
    """−inf leaves a sum alone; nothing at all is silence."""
    assert levels.sum_levels_db([-12.0, -INF], 1) == -12.0
    assert levels.sum_levels_db([-INF, -INF]) == -INF
    assert levels.sum_levels_db([]) == -INF
    assert levels.sum_levels_db(iter([-12.0])) == -12.0


@given(
    st.lists(st.floats(-120, 40) | st.just(-INF), min_size=2, max_size=6),
    st.floats(0, 1),
    st.randoms(use_true_random=False),
)
def test_sum_against_correlated_signals(many, rho, shuffle):
    """The stated formula term by term, in any order."""
    total = sum(10 ** (level / 10) for level in many)
    total += 2 * rho * sum(10 ** ((a + b) / 20) for i, a in enumerate(many) for b in many[i + 1 :])
    wanted = 10 * math.log10(total) if total else -INF
    assert levels.sum_levels_db(many, rho) == pytest.approx(wanted, abs=1e-6)
    shuffle.shuffle(many)
    assert levels.sum_levels_db(many, rho) == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("rho", [-0.6, 0.0, 0.3, 1.0])
def test_sum_against_real_noise(rho):
    """The formula against two noises made to correlate by ρ, mixed and measured by NumPy."""
    one, other = np.random.default_rng(1).standard_normal((2, 400_000))
    second = rho * one + math.sqrt(1 - rho**2) * other
    measured = 10 * math.log10(np.mean((0.5 * one + 0.2 * second) ** 2))
    parts = levels.ratio_to_db([0.5, 0.2])
    assert levels.sum_levels_db(parts, rho) == pytest.approx(measured, abs=0.03)


@pytest.mark.parametrize(
    ("resistance_ohm", "temperature_k", "noise_dbu"),
    [
        (50, 290, -135.74), (150, 290, -130.96), (200, 290, -129.72), (600, 290, -124.94),
        (50, 300, -135.59), (150, 300, -130.82), (200, 300, -129.57), (600, 300, -124.80),
    ],
)  # fmt: skip
def test_thermal_noise(resistance_ohm, temperature_k, noise_dbu):
    """√(4kTRB) in 20 kHz with k = 1.380649e-23 (SI 2019), by hand. −130.8 dBu for 150 Ω: common practice, no source."""
    assert levels.thermal_noise_dbu(resistance_ohm, temperature_k=temperature_k) == pytest.approx(noise_dbu, abs=5e-3)


def test_thermal_noise_in_volts():
    """0.2192 µV for 150 Ω at 290 K; worked by hand; 1.568 nV/√Hz at room temperature from memory, so within 0.2 dB."""
    assert levels.thermal_noise_volts(150) == pytest.approx(0.2192e-6, abs=5e-11)
    density_db = levels.ratio_to_db(levels.thermal_noise_volts(150, bandwidth_hz=1) / 1.568e-9)
    assert abs(density_db) < 0.2
    assert levels.thermal_noise_dbu(0) == -INF


@pytest.mark.parametrize(("volts_per_pascal", "level_db"), [(0.050, -26.0), (0.0125, -38.1), (1.0, 0.0)])
def test_sensitivity(volts_per_pascal, level_db):
    """Worked by hand, 20·log₁₀(S / 1 V/Pa): 50 mV/Pa is −26.0, 12.5 mV/Pa −38.1 dB."""
    assert levels.sensitivity_db(volts_per_pascal) == pytest.approx(level_db, abs=0.05)


def test_microphone():
    """20 mV/Pa at 94 dB SPL give −31.74 dBu exactly (1.0024 Pa); the rule of thumb, 1 Pa for 94 dB, is 0.02 dB off."""
    assert levels.microphone_dbu(94, 0.020) == pytest.approx(-31.74, abs=0.025)
    exact = levels.volts_to_dbu(0.020 * levels.spl_to_pascal(94))
    assert exact == pytest.approx(-31.74, abs=5e-3)
    assert levels.microphone_dbu(14, 0.020) == pytest.approx(-111.74, abs=0.025)  # self-noise of 14 dB
    assert levels.microphone_dbu(-INF, 0.020) == -INF
    assert levels.spl_to_pascal(94) == pytest.approx(1.0024, abs=5e-5)


def test_noise_figure():
    """An equivalent input noise of −128 dBu with 150 Ω at 290 K is a noise figure of 2.96 dB (arithmetic)."""
    assert levels.noise_figure_db(-128, levels.thermal_noise_dbu(150)) == pytest.approx(2.96, abs=5e-3)
    microphone = [levels.microphone_dbu(14, 0.020), -128]
    assert levels.sum_levels_db(microphone) - microphone[0] == pytest.approx(0.10, abs=5e-3)
