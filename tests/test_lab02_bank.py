"""Lab 02 against sampled waves from scipy, a needle worked out by itself, and libebur128, a compiled loudness meter."""

import math

import numpy as np
import pyebur128
import pytest
from scipy import signal

from gainlib.exercises import exercise, mark
from gainlib.labs import lab02

RATE_HZ = 48_000
SHAPES = {
    "sine": np.sin,
    "square wave": signal.square,
    "triangle": lambda turn: signal.sawtooth(turn, 0.5),
}


def wave(shape, peak_dbfs, frequency_hz=100.0, seconds=2.0):
    """Return a sampled wave from scipy."""
    turn = 2 * np.pi * frequency_hz * (np.arange(round(seconds * RATE_HZ)) + 0.5) / RATE_HZ
    return 10 ** (peak_dbfs / 20) * SHAPES[shape](turn)


def rms_dbfs(samples):
    """AES17: a full-scale sine reads 0."""
    return 10 * math.log10(2 * np.mean(samples**2))


def compiled_lufs(samples):
    """Return the integrated loudness by libebur128; samples of shape (frames, channels)."""
    state = pyebur128.R128State(samples.shape[1], RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    return pyebur128.get_loudness_global(state)


def variants(id, count):
    asked = exercise(id)
    return [(asked, asked.variant(f"learner {index}")) for index in range(count)]


@pytest.mark.parametrize("id", ["02-1", "02-2", "02-3", "02-4", "02-5", "02-6"])
def test_every_slip_gives_a_finite_answer_whatever_the_numbers(id):
    """Also where it is not looked for: whoever lists the slips of a class asks each of them."""
    for asked, given in variants(id, 30 if id == "02-1" else 300):
        for slip in asked.slips:
            answer = slip.answer(given)
            numbers = answer if isinstance(answer, list) else [answer]
            assert all(value is None or math.isfinite(value) for value in numbers), (given, slip.name, answer)


# ---- 02-1 ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("asked", "given"), variants("02-1", 8))
def test_crest_factor_against_the_samples(asked, given):
    """Handbook: peak over the root of the mean square, both of the samples less their mean."""
    samples = asked.material(given).samples[:, 0]
    clear = samples - samples.mean()
    crest_db = 20 * math.log10(np.abs(clear).max() / math.sqrt(np.mean(clear**2)))
    assert asked.solve(given) == pytest.approx(crest_db, abs=0.04)
    assert 8 < crest_db < 24 and np.abs(samples).max() < 1
    assert abs(samples.mean()) >= 0.0199


def test_the_readings_shown_are_those_of_the_take():
    _asked, given = variants("02-1", 1)[0]
    samples = lab02.take(given).samples
    assert (given["highest"], given["lowest"]) == (round(samples.max(), 3), round(samples.min(), 3))
    assert given["offset"] == round(samples.mean(), 3)
    assert given["rms_dbfs"] == pytest.approx(rms_dbfs(samples - samples.mean()), abs=0.006)


@pytest.mark.parametrize("change", [{"highest": 0.99}, {"rms_dbfs": -3.0}, {"drum": "04 toms"}, {"bar": 7}])
def test_readings_that_the_take_does_not_have_are_refused(change):
    asked, given = variants("02-1", 1)[0]
    assert mark(asked, {**given, **change}, asked.solve(given)).state == "invalid"


def test_the_last_digit_may_differ_on_another_machine():
    asked, given = variants("02-1", 1)[0]
    assert mark(asked, {**given, "highest": round(given["highest"] + 0.001, 3)}, asked.solve(given)).state == "right"


# ---- 02-2 and 02-3 ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("asked", "given"), variants("02-2", 4))
def test_three_shapes_against_sampled_waves(asked, given):
    measured = [rms_dbfs(wave(shape, given["p"], 10.0)) for shape in SHAPES]
    assert asked.solve(given) == pytest.approx(measured, abs=0.01)


@pytest.mark.parametrize(("asked", "given"), variants("02-3", 8))
def test_the_needle_against_a_movement_of_its_own(asked, given):
    """IEC 60268-17: the rectified wave drives a movement of the second order, scaled with a sine at alignment."""
    damping, speed = 0.8127, 13.512

    def rest(samples):
        movement = signal.lti([speed**2], [1, 2 * damping * speed, speed**2])
        time_s = np.arange(len(samples)) / RATE_HZ
        return signal.lsim(movement, np.abs(samples), time_s)[1][-1]

    sine = rest(wave("sine", given["al"]))
    vu = 20 * math.log10(rest(wave(given["shape"], given["p"])) / sine)
    assert asked.solve(given) == pytest.approx(vu, abs=0.02)
    assert -20 <= vu <= 3.02


# ---- 02-4 ------------------------------------------------------------------------------------------------------------


# ITU-R BS.1770, Annex 2, Attachment 1: largest under-read in dB by oversampling factor and frequency over sample rate
TABLE = {(4, 0.45): 0.554, (4, 0.25): 0.169, (8, 0.45): 0.136, (1, 0.25): 3.010, (2, 0.45): 2.379, (2, 0.25): 0.688}


@pytest.mark.parametrize(("factor", "share"), TABLE)
def test_under_read_against_the_table(factor, share):
    given = {"f": share * 48, "fs": 48, "n": factor}
    assert exercise("02-4").solve(given) == pytest.approx(TABLE[factor, share], abs=0.003)


@pytest.mark.parametrize(("asked", "given"), variants("02-4", 8))
def test_under_read_against_a_crest_in_every_position(asked, given):
    """One crest of a cosine, slid past the points of the meter; the reading is the highest of them."""
    angle = 2 * np.pi * given["f"] / given["fs"] / given["n"]
    positions = np.linspace(0, 1, 2001)[:, np.newaxis]
    points = angle * (np.arange(-40, 41) + positions)
    crest = np.where(np.abs(points) <= np.pi / 2, np.cos(points), 0.0)
    worst = -20 * math.log10(crest.max(axis=1).min())
    assert asked.solve(given) == pytest.approx(worst, abs=1e-3)


@pytest.mark.parametrize(("off_db", "state"), [(0.025, "right"), (-0.025, "right"), (0.1, "wrong"), (-0.1, "wrong")])
def test_a_large_under_read_is_wanted_as_exactly_as_a_small_one(off_db, state):
    """0.03 dB either way, common practice for a level read off a formula: 0.1 dB is too much of 10 dB as of 0.2."""
    asked, found = exercise("02-4"), 0
    for _, given in variants("02-4", 60):
        key = asked.solve(given)
        found += key > 9
        assert mark(asked, given, round(key + off_db, 6)).state == state, given
    assert found and asked.parts[0].band == "± 0.03 dB"


# ---- 02-5 and 02-6 ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("asked", "given"), variants("02-5", 6))
def test_two_channels_against_a_compiled_meter(asked, given):
    both = [wave("sine", given[name], 997.0, 3.0) for name in ("pL", "pR")]
    assert asked.solve(given) == pytest.approx(compiled_lufs(np.stack(both, axis=1)), abs=0.03)


def one_of_each():
    """Return one variant with the soft part dropped, one with it kept, one kept though over 10 LU down."""
    found = {}
    for asked, given in variants("02-6", 60):
        found.setdefault((lab02.is_dropped(given), given["L1"] - given["L2"] > 10), (asked, given))
    assert set(found) == {(True, True), (False, True), (False, False)}
    return list(found.values())


@pytest.mark.parametrize(("asked", "given"), one_of_each(), ids=["one", "two", "three"])
def test_gates_against_a_compiled_meter(asked, given):
    """In mono a sine of 997 Hz reads 3.01 LU under its peak (BS.1770-5 Annex 1)."""
    parts = [wave("sine", given[f"L{part}"] + 3.01, 997.0, given[f"t{part}"]) for part in (1, 2)]
    measured = compiled_lufs(np.concatenate(parts)[:, np.newaxis])
    assert asked.solve(given) == pytest.approx(measured, abs=0.06)


def test_the_soft_part_stays_in_for_about_half_the_class():
    dropped = [lab02.is_dropped(given) for _, given in variants("02-6", 200)]
    assert 70 < sum(dropped) < 130


def test_a_square_wave_is_met_as_often_as_a_sine():
    shapes = [given["shape"] for _, given in variants("02-3", 200)]
    assert 70 < shapes.count("sine") < 130
