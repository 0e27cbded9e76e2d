"""Lab 06: boxes sorted as measured, limits and orders of a trim found by running the models, readings by hand."""

import math

import numpy as np
import pytest

from gainlib import processors as p
from gainlib.audio import Audio
from gainlib.boxes import classify, null_depth_db
from gainlib.exercises import box_tests, exercise
from gainlib.labs import lab06
from gainlib.levels import db_to_ratio

MEASURED_AS = {
    "linear": "linear",
    "linear, time-varying": "drift",
    "linear plus noise or offset": "noisy",
    "linear up to a level": "upto",
    "nonlinear": "nonlinear",
}


def as_array(box):
    """Return a box as a function of an array."""
    return lambda samples, rate_hz: box.process(Audio(samples, rate_hz)).samples.reshape(np.shape(samples))


@pytest.mark.parametrize("name", [f"{kind} {k}" for kind in lab06.CATALOGUE for k in (1, 2, 3)])
def test_every_box_is_what_the_key_says(name):
    """The classifier feeds it other signals than the bench does, and never sees its name."""
    assert MEASURED_AS[classify(as_array(lab06.box(name))).kind] == lab06.class_of(name)


@pytest.mark.parametrize(("device", "limit"), [("compressor", -29.5), ("compressor", -10.5), ("clipper", -1.5)])
def test_the_limit_is_where_the_running_model_passes_60_db(device, limit):
    """Bisection on the model, against the closed form of the key."""
    given = {"device": device, "limit": limit}
    box, low, high = lab06.limited_box(given), limit - 3, limit + 3
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (middle, high) if box_tests.halved_db(box, middle) < -60 else (low, middle)
    assert lab06.limit_dbfs(given) == pytest.approx(low, abs=0.02)


def test_the_limit_of_a_clipper_by_hand():
    """Handbook: cutting the tops off by ε leaves an error of RMS² = (2/π)∫(cos t − cos θ)² dt, cos θ = 1/(1 + ε)."""
    over = 10 ** ((lab06.limit_dbfs({"device": "clipper", "limit": -6.5}) + 6.5) / 20)
    turn = math.acos(1 / over)
    t = np.linspace(0, turn, 20_001)
    missing = 2 / math.pi * np.trapezoid((over * np.cos(t) - 1) ** 2, t)
    assert math.sqrt(missing / (over**2 / 2)) == pytest.approx(0.001, rel=0.01)


def test_the_residual_is_measured_as_it_is_defined():
    """NumPy's tanh for the saturator, without oversampling."""
    outs = [np.tanh(2.5 * box_tests.two_tones(level)[box_tests.FRAMES :]) / 2.5 for level in (-30, -6)]
    soft, loud = (out / db_to_ratio(level) for out, level in zip(outs, (-30, -6), strict=True))
    by_hand = 20 * math.log10(np.linalg.norm(loud - soft) / np.linalg.norm(soft))
    assert lab06.residual_db({"box": "saturator 2", "a": -30, "b": -6}) == pytest.approx(by_hand, abs=0.05)


def test_the_test_signals_have_the_levels_they_are_called_by():
    """AES17: a full-scale sine has an RMS of 1/√2 and reads 0 dBFS."""
    assert box_tests.rms(box_tests.two_tones(0)) * math.sqrt(2) == pytest.approx(1, abs=1e-9)
    assert np.abs(box_tests.sine(-6)).max() == pytest.approx(10 ** (-6 / 20))


def test_noise_is_found_under_its_offset():
    """NumPy's variance is the mean square about the mean; AES17: sine-referred, it counts twice."""
    given = {"hiss": -70.0, "share": 2.0, "seed": 3}
    by_hand = 10 * math.log10(2 * np.var(lab06.out_of_silence(given) / 1e6))
    assert lab06.noise_dbfs(given) == pytest.approx(by_hand, abs=1e-6) == pytest.approx(-70, abs=0.1)
    assert lab06.metered_dbfs(lab06.out_of_silence(given)) == pytest.approx(-70 + 10 * math.log10(5), abs=0.1)


RUN = {
    "equaliser": p.Filter("peaking", 1000.0, 1.0, 6.0),
    "delay": p.Delay(0.0071),
    "tremolo": p.Tremolo(5.0, 0.6),
    "reverberation": p.Reverb(0.2, -6.0),
    "polarity": p.Polarity(),
    "saturator": p.Saturation(2.0),
    "compressor": p.Compressor(-30.0, 4.0, 0.0),
    "gate": p.Gate(),
    "converter": p.Quantiser(8, "none"),
}


@pytest.mark.parametrize("trim_db", [-10, -6, 6, 10])
@pytest.mark.parametrize("name", sorted(RUN))
def test_a_trim_crosses_what_the_key_says(name, trim_db):
    """Both orders rendered on decaying bursts, their difference under −80 dB of the signal or not."""
    t = np.arange(48000) / 48000
    rng = np.random.default_rng(5)
    drums = Audio(0.3 * rng.standard_normal(48000) * np.exp(-30 * (t % 0.25)), 48000)
    gain = db_to_ratio(trim_db)
    ahead = RUN[name].process(drums.with_samples(drums.samples * gain))
    behind = RUN[name].process(drums)
    depth = null_depth_db(ahead, behind.with_samples(behind.samples * gain))
    assert (depth < -80) == lab06.MOVES[name], depth


def test_a_step_through_the_running_compressor():
    """The static curve of the key holds for steady sines through the model."""
    given = {"T": -20, "R": 4, "L1": -30, "L2": -8}
    box = p.Compressor(-20.0, 4.0, 0.0)
    rise = box_tests.level_out_dbfs(box, -8.0) - box_tests.level_out_dbfs(box, -30.0)
    assert exercise("06-6").solve(given) == pytest.approx(13.0)
    assert rise == pytest.approx(13.0, abs=0.05)
