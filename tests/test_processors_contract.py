"""What all processors promise: names and defaults, blocks of any size, what is kept, what is refused, JSON."""

import dataclasses
import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from misfits import MISFITS

from gainlib import processors
from gainlib.audio import Audio, GainlibError
from gainlib.processors import (
    AnalogueStage,
    AsymmetricSaturation,
    BlackBox,
    Compressor,
    Converter,
    DCBlock,
    Delay,
    Filter,
    Gate,
    HardClip,
    Limiter,
    Polarity,
    Preamp,
    Quantiser,
    Reverb,
    Saturation,
    Tape,
    Tremolo,
)
from gainlib.session.files import from_builtins, to_builtins

RATE_HZ = 48000
DEFAULTS = {
    Saturation: {"drive": 2.79},
    AsymmetricSaturation: {"drive": 2, "offset": 0.2},
    HardClip: {"ceiling_dbfs": 0},
    Tape: {"drive": 2, "hiss_dbfs": None, "seed": 0},
    Compressor: {
        "threshold_dbfs": -20,
        "ratio": 3,
        "knee_db": 6,
        "attack_s": 0.010,
        "release_s": 0.120,
        "makeup_db": 0,
    },
    Limiter: {"ceiling_dbtp": -1, "lookahead_s": 0.002, "release_s": 0.080},
    Gate: {
        "open_dbfs": -50,
        "hysteresis_db": 4,
        "range_db": 60,
        "attack_s": 0.001,
        "hold_s": 0.040,
        "release_s": 0.120,
    },
    Filter: {"kind": "highpass", "frequency_hz": 80, "q": 0.7071, "gain_db": 0},
    Delay: {"time_s": 0},
    Reverb: {"decay_s": 1.2, "wet_db": -12, "dry": True, "seed": 0},
    Tremolo: {"rate_hz": 4, "depth": 0.5},
    AnalogueStage: {"noise_dbfs": -80, "rail_dbfs": 4, "seed": 0},
    Quantiser: {"bits": 16, "dither": "none", "seed": 0},
    Polarity: {},
    Preamp: {
        "gain_db": 40,
        "pad_db": 0,
        "ein_dbu": -128,
        "ceiling_dbu": 22,
        "input_ceiling_dbu": 0,
        "sensitivity_mv": None,
        "self_noise_dba": None,
        "seed": 0,
    },
    Converter: {"full_scale_dbu": 18, "noise_dbfs": -110, "bits": 24, "seed": 0},
    DCBlock: {"frequency_hz": 5},
}
# One of each, set so that all of it works on the noise below; short responses keep the tests short.
AT_WORK = [
    *(Saturation(4), Saturation(30), Saturation(60), AsymmetricSaturation(3, -0.4), HardClip(-9), Tape(2, -60, 3)),
    *(Compressor(-24, 4, 8, 0.002, 0.03, 5), Limiter(-8, 0.001, 0.01), Gate(-8, 3, 40, 0.0005, 0.002, 0.01)),
    *(Filter("peaking", 900, 2, 9), Delay(0.0031), Delay(0.001), Reverb(0.4, -6, True, 2), Tremolo(7, 0.8)),
    *(AnalogueStage(-50, -6, 1), Quantiser(6, "tpdf", 4), Quantiser(5), Polarity(), DCBlock(40)),
    *(Preamp(30, 10, -60, 18, 0, 2, 12, 1), Converter(-6, -60, 20, 2)),
]


def noise(frames, channels=2, seed=1, peak=0.9):
    """Make noise with content from low to high whose level rises and falls."""
    rng = np.random.default_rng(seed)
    swell = 0.1 + np.abs(np.sin(np.arange(frames) / 700.0))[:, np.newaxis]
    samples = (rng.standard_normal((frames, channels)) + 2.0 * np.sin(np.arange(frames) / 40.0)[:, np.newaxis]) * swell
    return samples * (peak / np.abs(samples).max())


def in_blocks(processor, samples, sizes, rate_hz=RATE_HZ):
    run, out, at = processor.stream(rate_hz, samples.shape[1]), [], 0
    for size in sizes:
        out.append(run.push(samples[at : at + size]))
        at += size
    out += [run.push(samples[at:]), run.flush()]
    return np.concatenate(out)


@pytest.mark.parametrize("kind", DEFAULTS, ids=lambda kind: kind.__name__)
def test_names_order_and_defaults_are_the_agreed_ones(kind):
    fields = {field.name: field.default for field in dataclasses.fields(kind)}
    assert list(fields) == list(DEFAULTS[kind]) and fields == DEFAULTS[kind]
    assert kind() == kind(*DEFAULTS[kind].values())
    assert "textbook model, not of any particular device" in " ".join(kind.__doc__.split())
    assert processors.named(kind.__name__) is kind


def test_the_register_holds_all_of_them():
    assert processors.names() == tuple(sorted(kind.__name__ for kind in DEFAULTS))
    with pytest.raises(GainlibError, match="'Compresor'; did you mean 'Compressor'"):
        processors.named("Compresor")


def test_each_says_whether_it_scales_and_what_level_it_likes():
    linear = {kind for kind in DEFAULTS if kind.linear}
    assert linear == {Filter, Delay, Reverb, Tremolo, Polarity, DCBlock}
    coloured = {kind for kind in DEFAULTS if kind().reference_dbfs == -18}
    assert coloured == {Saturation, AsymmetricSaturation, Tape, AnalogueStage}
    assert Compressor(-31.5).reference_dbfs == -25.5
    assert all(kind().reference_dbfs is None for kind in set(DEFAULTS) - coloured - {Compressor})


@settings(max_examples=60)
@given(data=st.data())
def test_blocks_of_any_size_equal_one_go(data):
    processor = data.draw(st.sampled_from(AT_WORK))
    frames = data.draw(st.integers(1, 3000))
    channels = data.draw(st.integers(1, 3))
    sizes = data.draw(st.lists(st.one_of(st.integers(0, 5), st.integers(0, 700)), max_size=12))
    samples = noise(frames, channels, data.draw(st.integers(0, 99)))
    whole = processor.process(Audio(samples, RATE_HZ)).samples
    assert np.abs(in_blocks(processor, samples, sizes) - whole).max() < 1e-9


@pytest.mark.parametrize("processor", AT_WORK, ids=repr)
def test_long_runs_in_blocks_equal_one_go(processor):
    samples = noise(40000)
    whole = processor.process(Audio(samples, RATE_HZ)).samples
    assert np.abs(in_blocks(processor, samples, [1, 8191, 513, 20001]) - whole).max() < 1e-9


@pytest.mark.parametrize("processor", AT_WORK, ids=repr)
@pytest.mark.parametrize(
    ("rate_hz", "channels", "dtype"),
    [(44100, 1, np.float32), (96000, 6, np.float64), (8000, 2, np.float64), (192000, 1, np.float32)],
)
def test_frames_channels_rate_and_name_are_kept(processor, rate_hz, channels, dtype):
    audio = Audio(noise(500, channels).astype(dtype), rate_hz, "take 3")
    before = audio.samples.copy()
    out = processor.process(audio)
    assert (out.frames, out.channels, out.rate_hz, out.name) == (500, channels, rate_hz, "take 3")
    assert np.array_equal(out.samples, processor.process(audio).samples), "the same again"
    assert np.array_equal(audio.samples, before), "the input is left alone"
    assert processor.process(Audio(np.array([0.1]), rate_hz)).frames == 1


@pytest.mark.parametrize("processor", [*AT_WORK, BlackBox()], ids=repr)
def test_a_block_of_another_shape_is_refused_and_leaves_the_run_as_it_was(processor):
    """The shapes go both ways past the run's own: columns that are missing, and columns there is no room for."""
    samples = noise(3000, 3)
    for channels, shape in MISFITS:
        run = processor.stream(RATE_HZ, channels)
        head = run.push(samples[:1000, :channels])
        with pytest.raises(GainlibError, match=re.escape(f"a block of shape {shape}")) as told:
            run.push(np.ones(shape))
        assert "(frames, " in str(told.value), "and which shape would do"
        out = np.concatenate([head, run.push(samples[1000:, :channels]), run.flush()])
        assert np.abs(out - processor.process(Audio(samples[:, :channels], RATE_HZ)).samples).max() < 1e-9
    with pytest.raises(GainlibError, match="samples are int16; give float32 or float64"):
        processor.stream(RATE_HZ, 1).push(np.ones((64, 1), np.int16))


@pytest.mark.parametrize("processor", [*AT_WORK, BlackBox()], ids=repr)
def test_a_line_of_samples_is_mono(processor):
    """As for Audio, which takes shape (frames,) for one channel."""
    line = noise(3000, 1)[:, 0]
    run = processor.stream(RATE_HZ, 1)
    out = np.concatenate([run.push(line[:1100]), run.push(line[1100:]), run.flush()])
    assert np.abs(out - processor.process(Audio(line, RATE_HZ)).samples).max() < 1e-9


@pytest.mark.parametrize("processor", [*AT_WORK, BlackBox()], ids=repr)
def test_a_run_wants_a_rate_and_a_number_of_channels(processor):
    for rate_hz in (0, -48000, 44100.5, math.nan, math.inf, True, "48000", None):
        with pytest.raises(GainlibError, match="must be a positive whole number of Hz") as told:
            processor.stream(rate_hz, 1)
        assert repr(rate_hz) in str(told.value)
    for channels in (0, -1, 9, 1.5, True, "2", None):
        with pytest.raises(GainlibError, match=f"a run of {channels!r} channels; give a whole number from 1 to 8"):
            processor.stream(RATE_HZ, channels)


@pytest.mark.parametrize("processor", AT_WORK, ids=repr)
def test_json_brings_them_back(processor):
    data = to_builtins(processor)
    assert data.pop("type") == type(processor).__name__
    assert from_builtins(type(processor), data) == processor


@pytest.mark.parametrize("noisy", [Tape(2, -60, 3), AnalogueStage(-50, 4, 1), Preamp(20, ein_dbu=-80)], ids=repr)
def test_noise_hangs_on_the_seed_alone(noisy):
    silence = Audio(np.zeros((30000, 2)), RATE_HZ)
    first = noisy.process(silence).samples
    other = dataclasses.replace(noisy, seed=noisy.seed + 1).process(silence).samples
    assert np.array_equal(first, noisy.process(silence).samples)
    assert abs(np.corrcoef(first[:, 0], other[:, 0])[0, 1]) < 0.05
    assert abs(np.corrcoef(first.T)[0, 1]) < 0.05, "the channels have noise of their own"
    # Soft enough to be straight, the signal comes out next to the very same noise.
    signal = 1e-3 * noise(30000)
    field = {Tape: "hiss_dbfs", AnalogueStage: "noise_dbfs", Preamp: "ein_dbu"}[type(noisy)]
    quiet = dataclasses.replace(noisy, **{field: -300.0})
    plain = quiet.process(silence.with_samples(signal)).samples
    added = noisy.process(silence.with_samples(signal)).samples - plain
    assert np.abs(added - first).max() < 1e-6 * np.abs(first).max()


def test_latency_is_cut_to_the_sample():
    """A click comes out where it went in (Delay and Reverb apart, whose business it is to be late)."""
    click = np.zeros((4000, 1))
    click[2000] = 1e-4
    for processor in AT_WORK:
        if isinstance(processor, Delay | Reverb | Gate | Quantiser):
            continue
        silence = processor.process(Audio(np.zeros_like(click), RATE_HZ)).samples
        out = processor.process(Audio(click, RATE_HZ)).samples - silence
        assert np.abs(out).argmax() == 2000, processor


BAD = [
    (lambda: Saturation(0), "drive is 0; give a finite number above 0"),
    (lambda: Saturation("hot"), "drive is 'hot'; give a number"),
    (lambda: Saturation(True), "drive is True; give a number"),
    (lambda: AsymmetricSaturation(2, math.inf), "offset is inf; give a number from -3 to 3"),
    (lambda: HardClip(math.nan), "ceiling_dbfs is nan; give a finite number"),
    (lambda: Tape(hiss_dbfs=3), "hiss_dbfs is 3; give a finite number up to 0"),
    (lambda: Tape(seed=-1), "seed is -1; give a whole number from 0 up"),
    (lambda: Compressor(ratio=0.5), "ratio is 0.5; give a finite number from 1 up"),
    (lambda: Compressor(attack_s=-0.1), "attack_s is -0.1; give a finite number from 0 up"),
    (lambda: Limiter(lookahead_s=2), "lookahead_s is 2; give a number from 0 to 1"),
    (lambda: Gate(range_db=-60), "range_db is -60; give a finite number from 0 up"),
    (lambda: Filter("bandstop"), "kind is 'bandstop'; there is highpass, lowpass, peaking, lowshelf, highshelf"),
    (lambda: Filter(q=0), "q is 0; give a finite number above 0"),
    (lambda: Filter(frequency_hz=-3), "frequency_hz is -3; give a finite number above 0"),
    (lambda: Filter(frequency_hz=24000).stream(48000, 1), "24000 Hz is not below half the sample rate of 48000 Hz"),
    (lambda: DCBlock(24000).stream(48000, 1), "24000 Hz is not below half the sample rate of 48000 Hz"),
    (lambda: Delay(-0.001), "time_s is -0.001; give a number from 0 to 60"),
    (lambda: Reverb(dry=1), "dry is 1; it is True or False"),
    (lambda: Reverb(decay_s=0), "decay_s is 0; give a finite number above 0 up to 30"),
    (lambda: Tremolo(depth=1.5), "depth is 1.5; give a number from 0 to 1"),
    (lambda: AnalogueStage(noise_dbfs=6), "noise_dbfs is 6; give a finite number up to 0"),
    (lambda: Quantiser(1), "bits is 1; give a whole number from 2 to 32"),
    (lambda: Quantiser(16.0), "bits is 16.0; give a whole number"),
    (lambda: Quantiser(dither="shaped"), "dither is 'shaped'; there is none, tpdf"),
]


@pytest.mark.parametrize(("make", "says"), BAD, ids=[says for _, says in BAD])
def test_what_makes_no_sense_is_refused_by_name(make, says):
    with pytest.raises(GainlibError) as told:
        make()
    assert says in str(told.value)
