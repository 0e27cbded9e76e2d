"""Boxes told apart by what they do: every model and every pair of them, plain functions, and the residuals themselves.

Residuals are held against closed forms and against numpy alone; what a verdict must be follows from the equations (see
``boxes``).
"""

import math

import numpy as np
import pytest
from boxes import DRAWS, IN_PAIRS, LINEAR, NOISY, NONLINEAR, TIME_VARYING, UP_TO, Chain, limit_dbfs, pair_kinds
from daily import every, everything
from scipy import signal

from gainlib.audio import Audio, GainlibError
from gainlib.boxes import classify
from gainlib.processors import (
    AnalogueStage,
    Compressor,
    Delay,
    Filter,
    Gate,
    HardClip,
    Limiter,
    Processor,
    Quantiser,
    Saturation,
    Tremolo,
)

RATE_HZ = 48000
RANDOM_DRAWS = 25 if everything() else 10


# ---- every model, every pair -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", DRAWS)
def test_every_model_is_recognised_with_random_settings(name):
    kind, draw = DRAWS[name]
    for number in range(RANDOM_DRAWS):
        box = draw(np.random.default_rng((1, number)))
        found = classify(box, seed=number)
        assert found.kind == kind, f"{box}: {found}"
        assert found.linear == (kind in (LINEAR, TIME_VARYING, NOISY))
        if kind != UP_TO:
            assert found.linear_up_to_dbfs is None
            continue
        assert found.linear_up_to_dbfs == pytest.approx(limit_dbfs(box), abs=0.05), box
        below = [row for row in found.evidence.rows if row.level_dbfs < limit_dbfs(box) - 0.1]
        assert max(row.residual_db for row in below) < -120, "a wire below its limit"


@pytest.mark.parametrize("first", every(3, IN_PAIRS))
def test_pairs_in_a_row_get_the_graver_verdict(first):
    tried = 0
    for number, second in enumerate(IN_PAIRS):
        rng = np.random.default_rng((2, list(IN_PAIRS).index(first), number))
        boxes = tuple(IN_PAIRS[name][1](rng) for name in (first, second))
        may_be = pair_kinds((first, second), boxes)
        tried += bool(may_be)
        if may_be:
            found = classify(Chain(boxes), seed=number)
            assert found.kind in may_be, f"{boxes}: {found}"
    assert tried >= len(IN_PAIRS) - 3


# ---- not by name -----------------------------------------------------------------------------------------------------


class Filter2(Processor):
    """Says that it is linear, and cubes."""

    linear = True

    def process(self, audio):
        return audio.with_samples(audio.samples**3)


def test_what_a_box_says_of_itself_is_not_asked():
    assert Filter2().linear and classify(Filter2()).kind == NONLINEAR
    wire = type("HardClip", (Processor,), {"process": lambda self, audio: audio})()
    assert not wire.linear and classify(wire).kind == LINEAR


@pytest.mark.parametrize("box", [Filter(), Tremolo(), AnalogueStage(), HardClip(-7), Gate(), Quantiser(12)])
def test_a_function_gets_the_verdict_of_the_processor_inside(box):
    def function(samples, rate_hz):
        return box.process(Audio(samples, rate_hz)).samples

    as_function, as_box = classify(function), classify(box)
    assert as_function == as_box
    assert as_box == classify(box), "the same twice"


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000])
@pytest.mark.parametrize(
    ("box", "kind"),
    [
        (Filter("peaking", 1000, 1, 9), LINEAR),
        (Delay(0.0123), LINEAR),
        (Tremolo(), TIME_VARYING),
        (Quantiser(16, "tpdf"), NOISY),
        (AnalogueStage(), NOISY),
        (HardClip(-9), UP_TO),
        (Limiter(-9), UP_TO),
        (Compressor(-15, 4, 0), UP_TO),
        (Compressor(-15, 4, 6), NONLINEAR),
        (Saturation(), NONLINEAR),
        (Quantiser(16), NONLINEAR),
    ],
)
def test_at_other_sample_rates(box, kind, rate_hz):
    assert classify(box, rate_hz).kind == kind


# ---- plain functions -------------------------------------------------------------------------------------------------


def loose(seed):
    """Return a generator that runs on from call to call, as a noisy circuit does."""
    return np.random.default_rng(seed)


def late(samples, frames):
    return np.concatenate([np.zeros(frames), samples])[: len(samples)]


HISS, SWAY, WANDER, BLUR = (loose(seed) for seed in range(4))
SOS = signal.butter(4, [200, 3000], "bandpass", fs=RATE_HZ, output="sos")
FUNCTIONS = {
    "half": (LINEAR, lambda x, rate_hz: 0.5 * x),
    "nothing": (LINEAR, lambda x, rate_hz: 0.0 * x),
    "a filter of scipy": (LINEAR, lambda x, rate_hz: signal.sosfilt(SOS, x)),
    "both ways in time": (LINEAR, lambda x, rate_hz: signal.sosfiltfilt(SOS, x)),
    "longer than it was": (LINEAR, lambda x, rate_hz: np.convolve(x, np.hanning(400))),
    "shorter than it was": (LINEAR, lambda x, rate_hz: np.convolve(x, np.ones(64), "valid")),
    "0.7 s late": (LINEAR, lambda x, rate_hz: -late(x, 33600)),
    "single precision": (LINEAR, lambda x, rate_hz: x.astype(np.float32) * np.float32(0.7)),
    "channels last": (LINEAR, lambda x, rate_hz: x[:, :1] * np.ones(x.shape[1])[np.newaxis, :]),
    "now later, now sooner": (LINEAR, lambda x, rate_hz: late(x, int(WANDER.integers(5, 900)))),
    "an offset": (NOISY, lambda x, rate_hz: x + 0.02),
    "hiss": (NOISY, lambda x, rate_hz: x + 1e-4 * HISS.standard_normal(len(x))),
    "hiss and dither": (
        NOISY,
        lambda x, rate_hz: np.round(2**9 * x + BLUR.random(len(x)) - BLUR.random(len(x))) / 2**9,
    ),
    "sways": (
        TIME_VARYING,
        lambda x, rate_hz: x * (1 + 0.3 * np.sin(30 * np.arange(len(x)) / rate_hz + SWAY.uniform(0, 6))),
    ),
    "a clip": (UP_TO, lambda x, rate_hz: np.clip(x, -0.25, 0.25)),
    "a late clip": (UP_TO, lambda x, rate_hz: late(np.clip(x, -0.25, 0.25), 4711)),
    "a clip under hiss": (UP_TO, lambda x, rate_hz: np.clip(x, -0.25, 0.25) + 1e-5 * HISS.standard_normal(len(x))),
    "one side clipped": (UP_TO, lambda x, rate_hz: np.minimum(x, 0.25)),
    "rectifier": (NONLINEAR, lambda x, rate_hz: np.abs(x)),
    "median of five": (NONLINEAR, lambda x, rate_hz: signal.medfilt(x, 5)),
    "square": (NONLINEAR, lambda x, rate_hz: x + 0.01 * x**2),
    "hardly a cube": (NONLINEAR, lambda x, rate_hz: x - 1e-3 * x**3),
    "a dead zone": (NONLINEAR, lambda x, rate_hz: np.sign(x) * np.maximum(np.abs(x) - 0.05, 0)),
    "opens": (NONLINEAR, lambda x, rate_hz: np.where(np.abs(x) > 0.2, x, 0.1 * x)),
    "all equally loud": (NONLINEAR, lambda x, rate_hz: x / max(np.abs(x).max(), 1e-9)),
}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_plain_functions(name):
    kind, function = FUNCTIONS[name]
    found = classify(function)
    assert found.kind == kind, found
    if "clip" in name:
        assert found.linear_up_to_dbfs == pytest.approx(20 * math.log10(0.25), abs=0.05)


@pytest.mark.parametrize(
    ("function", "says"),
    [
        (3, "not a processor"),
        (lambda x, rate_hz: x * math.nan, "NaN"),
        (lambda x, rate_hz: np.zeros((len(x), 3)), "channels"),
        (lambda x, rate_hz: x.astype(complex), "real samples"),
    ],
)
def test_what_is_no_box_is_refused_in_a_sentence(function, says):
    with pytest.raises(GainlibError, match=says):
        classify(function)
