"""What a verdict rests on: residuals against closed forms and numpy alone, noise, shifts, corners and bends."""

import math

import numpy as np
import pytest
from boxes import DRAWS, LINEAR, NOISY, NONLINEAR, UP_TO, Chain

from gainlib.boxes import classify
from gainlib.processors import AnalogueStage, Compressor, HardClip, Quantiser, Reverb, Saturation, Tremolo

RATE_HZ = 48000


def late(samples, frames):
    return np.concatenate([np.zeros(frames), samples])[: len(samples)]


def residual(found, stimulus, level_dbfs):
    """Return the residual of a stimulus at a level."""
    return next(row.residual_db for row in found.evidence.of(stimulus) if row.level_dbfs == level_dbfs)


# ---- the evidence ----------------------------------------------------------------------------------------------------


def sine():
    """Return what the sine stimulus is by its description: 0.12 s of 997 Hz, faded by 4 ms of raised cosine."""
    frames, fade = round(0.12 * RATE_HZ), round(0.004 * RATE_HZ)
    ramp = np.sin(np.pi / 2 * np.minimum((np.arange(fade) + 0.5) / fade, 1)) ** 2
    line = np.sin(2 * np.pi * 997 * np.arange(frames) / RATE_HZ)
    line[:fade] *= ramp
    line[-fade:] *= ramp[::-1]
    return line


@pytest.mark.parametrize("curve", [np.tanh, lambda x: x - 0.2 * x**2, lambda x: np.round(x * 500) / 500, np.arctan])
def test_homogeneity_against_numpy_alone(curve):
    """20·log10(‖P(ax)/a − P(a0 x)/a0‖ / ‖P(a0 x)/a0‖), the definition, written down once more."""
    found = classify(lambda samples, rate_hz: curve(samples))
    scaled = {level: curve(10 ** (level / 20) * sine()) / 10 ** (level / 20) for level in (*range(-60, 1, 6), 0.5)}
    reference = scaled[found.evidence.reference_dbfs]
    for level, line in scaled.items():
        if level != found.evidence.reference_dbfs:
            expected = 20 * np.log10(np.linalg.norm(line - reference) / np.linalg.norm(reference))
            assert residual(found, "sine", level) == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("drive", [0.3, 1.0])
def test_residual_of_a_gentle_curve_in_closed_form(drive):
    """The bend of tanh is d²x³/3, and sin³ has an RMS of √(5/16): −1.58 dB less than d²a²/3 against the sine."""
    found = classify(Saturation(drive))
    for level in (-36, -30, -24):
        amplitude = 10 ** (level / 20)
        expected = 20 * math.log10(drive**2 * amplitude**2 / 3 * math.sqrt(5 / 8))
        # The reference level bends by a sixteenth or less of it, the fades hold a fifteenth of the sound.
        assert residual(found, "sine", level) == pytest.approx(expected, abs=0.7)


def test_residual_of_a_clip_in_closed_form():
    """What a clip at c takes of sin t has the power (2/π)·∫(sin t − c)² from arcsin c to π/2."""
    ceiling = -9.0
    found = classify(HardClip(ceiling))
    for level in (-6, 0):
        c = 10 ** ((ceiling - level) / 20)
        start = math.asin(c)
        whole = (math.pi / 2 - start) * (0.5 + c**2) + math.sin(2 * start) / 4 - 2 * c * math.cos(start)
        expected = 10 * math.log10(2 / math.pi * whole / 0.5)
        assert residual(found, "sine", level) == pytest.approx(expected, abs=0.3)


def test_residual_of_a_compressor_in_closed_form():
    """Settled at once, it turns a sine down by (1 − 1/R)(L − T) (Giannoulis, Massberg, Reiss, 2012, eq. 2)."""
    found = classify(Compressor(-20, 4, 0, attack_s=0.0))
    for level in (-12, -6, 0):
        reduction = 0.75 * (level + 20)
        assert residual(found, "sine", level) == pytest.approx(20 * math.log10(1 - 10 ** (-reduction / 20)), abs=0.3)


@pytest.mark.parametrize("bits", [8, 16, 24])
def test_noise_of_a_dither_is_a_quarter_of_a_step_squared(bits):
    """Triangular dither of ±1 step: error power q²/4 (Lipshitz, Wannamaker, Vanderkooy, 1992)."""
    step = 2.0 ** (1 - bits)
    evidence = classify(Quantiser(bits, "tpdf")).evidence
    assert evidence.noise_dbfs == pytest.approx(10 * math.log10(2 * step**2 / 4), abs=0.15)
    assert evidence.shift_db is None and evidence.repeatability_db == -math.inf


def test_evidence_tells_offset_latency_repeatability_and_shift():
    evidence = classify(lambda x, rate_hz: late(x, 1234) + 0.02).evidence
    assert evidence.offset == pytest.approx(0.02) and evidence.noise_dbfs < -250
    assert evidence.latency_s == pytest.approx(1234 / RATE_HZ)
    assert evidence.repeatability_db == -math.inf and evidence.shift_db < -250
    hiss = np.random.default_rng(0)
    noisy = classify(lambda x, rate_hz: x + 1e-3 * hiss.standard_normal(len(x))).evidence
    assert -62 < noisy.repeatability_db < -45, "3 dB over the noise, under a loud sound"
    assert classify(Tremolo()).evidence.shift_db > -20
    assert len({row.stimulus for row in evidence.rows}) == 3 and len(evidence.rows) == 36


@pytest.mark.parametrize("name", ["Filter", "Tremolo", "AnalogueStage", "HardClip", "Saturation"])
def test_the_verdict_is_said_in_one_plain_sentence(name):
    kind, draw = DRAWS[name]
    found = classify(draw(np.random.default_rng(7)))
    sentence = found.evidence.sentence
    assert sentence[0].isupper() and sentence.endswith(".") and "-" not in sentence.replace("level-", "")
    assert str(found) == f"{kind}: {sentence}"


# ---- the reference level, corners and bends --------------------------------------------------------------------------


def test_the_reference_level_lies_where_levels_agree():
    """A fixed reference of −24 dBFS would lie inside the knee and fail at every level."""
    found = classify(Compressor(-30, 4, 0))
    assert found.kind == UP_TO and found.evidence.reference_dbfs <= -30
    assert residual(found, "sine", -60.0) < -250
    assert classify(Compressor(-30, 4, 6)).evidence.reference_dbfs <= -36
    gentle = classify(lambda x, rate_hz: np.tanh(1.5 * x) / 1.5)
    assert gentle.kind == NONLINEAR, "a gentle bend is no wire up to a level"


@pytest.mark.parametrize("ratio", [1.5, 4.0, 20.0])
@pytest.mark.parametrize(("knee_db", "kind"), [(0.0, UP_TO), (1.0, NONLINEAR), (6.0, NONLINEAR), (20.0, NONLINEAR)])
def test_a_corner_is_told_from_a_knee(knee_db, ratio, kind):
    assert classify(Compressor(-18, ratio, knee_db)).kind == kind


@pytest.mark.parametrize("dither_bits", [14, 20])
@pytest.mark.parametrize(("knee_db", "kind"), [(0.0, UP_TO), (6.0, NONLINEAR)])
def test_a_corner_is_told_from_a_knee_in_noise(knee_db, kind, dither_bits):
    boxes = Quantiser(dither_bits, "tpdf"), Compressor(-18, 4, knee_db)
    assert classify(Chain(boxes)).kind == kind
    assert classify(Chain(boxes[::-1])).kind == kind


@pytest.mark.parametrize(("ceiling", "kind"), [(0.0, UP_TO), (-39.0, UP_TO), (-41.0, NONLINEAR), (1.0, LINEAR)])
def test_a_limit_counts_from_minus_40_to_just_above_full_scale(ceiling, kind):
    found = classify(HardClip(ceiling))
    assert found.kind == kind
    assert (found.linear_up_to_dbfs is None) == (kind != UP_TO)


def test_the_limit_is_the_input_level_that_meets_the_ceiling():
    """Behind 6 dB of gain a ceiling of −9 dBFS is met at −15; behind a room with an echo, sooner than without."""
    boosted = classify(lambda x, rate_hz: np.clip(2 * x, -(10 ** (-9 / 20)), 10 ** (-9 / 20)))
    assert boosted.linear_up_to_dbfs == pytest.approx(-9 - 20 * math.log10(2), abs=0.02)
    roomy = classify(Chain((Reverb(0.3, -6.0), HardClip(-9))))
    assert roomy.kind == UP_TO and -16 < roomy.linear_up_to_dbfs < -9


def test_a_stage_that_runs_out_of_room_is_no_longer_only_noisy():
    assert classify(AnalogueStage(-80, 4)).kind == NOISY
    assert classify(AnalogueStage(-80, -12)).kind == NONLINEAR, "a bend towards its rail"
