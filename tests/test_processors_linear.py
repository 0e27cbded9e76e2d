"""Linear processors against the W3C note, scipy, closed forms and Schroeder's integration."""

import math

import numpy as np
import pytest
from scipy import signal

from gainlib.audio import Audio
from gainlib.processors import DCBlock, Delay, Filter, Polarity, Reverb, Tremolo
from gainlib.signals import tone

RATE_HZ = 48000


def impulse_response(processor, frames=1 << 15, rate_hz=RATE_HZ):
    click = np.zeros(frames)
    click[0] = 1
    return processor.process(Audio(click, rate_hz)).samples[:, 0].copy()


def analogue(kind, q, gain_db):
    """Prototypes of the Audio EQ Cookbook (W3C Note, 8 June 2021), corner at 1 rad/s: numerator, denominator."""
    a = 10 ** (gain_db / 40)
    root = math.sqrt(a) / q
    return {
        "lowpass": ([1], [1, 1 / q, 1]),
        "highpass": ([1, 0, 0], [1, 1 / q, 1]),
        "peaking": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "lowshelf": ([a, a * root, a * a], [a, root, 1]),
        "highshelf": ([a * a, a * root, a], [1, root, a]),
    }[kind]


@pytest.mark.parametrize("kind", ["lowpass", "highpass", "peaking", "lowshelf", "highshelf"])
@pytest.mark.parametrize(
    ("frequency_hz", "q", "gain_db"), [(1000, 1, 6), (80, 0.7071, -12), (9000, 3, 15), (20000, 0.5, 3)]
)
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_filters_are_the_cookbooks_prototypes_under_the_bilinear_transform(kind, frequency_hz, q, gain_db, rate_hz):
    """The transform is scipy's; with 2·fs = 1/tan(w0/2) it keeps the corner, as the note prescribes."""
    b, a = signal.bilinear(*analogue(kind, q, gain_db), fs=0.5 / math.tan(math.pi * frequency_hz / rate_hz))
    expected = signal.lfilter(b, a, np.eye(1, 4000)[0])
    found = impulse_response(Filter(kind, frequency_hz, q, gain_db), 4000, rate_hz)
    assert np.abs(found - expected).max() < 1e-10 * max(1, np.abs(expected).max())


@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
def test_passes_of_q_0_7071_are_butterworths(kind):
    """scipy.signal.butter, second order."""
    expected = signal.sosfilt(signal.butter(2, 700, kind, fs=RATE_HZ, output="sos"), np.eye(1, 4000)[0])
    found = impulse_response(Filter(kind, 700, math.sqrt(0.5)), 4000)
    assert np.abs(found - expected).max() < 1e-12


def test_gains_of_the_note():
    """Peak gain at the centre, half of a shelf's at its middle, boost and cut of equal Q cancel (the note's design)."""
    frequencies = [0.0, 1000.0, 23999.0]

    def gains_db(processor):
        _, response = signal.freqz(impulse_response(processor), worN=frequencies, fs=RATE_HZ)
        return 20 * np.log10(np.abs(response))

    assert gains_db(Filter("peaking", 1000, 1, 6)) == pytest.approx([0, 6, 0], abs=1e-6)
    assert gains_db(Filter("lowshelf", 1000, 0.7071, 6)) == pytest.approx([6, 3, 0], abs=1e-3)
    assert gains_db(Filter("highshelf", 1000, 0.7071, 6)) == pytest.approx([0, 3, 6], abs=1e-3)
    noise = Audio(np.random.default_rng(1).standard_normal((9000, 2)) * 0.1, RATE_HZ)
    for kind in ("peaking", "lowshelf", "highshelf"):
        there = Filter(kind, 1000, 0.7071, 9).process(noise)
        back = Filter(kind, 1000, 0.7071, -9).process(there)
        assert np.abs(back.samples - noise.samples).max() < 1e-12


def test_the_dc_block_is_a_first_order_high_pass():
    """scipy.signal.butter, first order; a step dies away with 1/(2πf)."""
    expected = signal.lfilter(*signal.butter(1, 5, "highpass", fs=RATE_HZ), np.ones(48000))
    found = DCBlock().process(Audio(np.ones(48000), RATE_HZ)).samples[:, 0]
    assert np.abs(found - expected).max() < 1e-12
    assert found[round(RATE_HZ / (2 * math.pi * 5))] == pytest.approx(math.exp(-1), abs=1e-3)


@pytest.mark.parametrize("time_s", [0, 1 / RATE_HZ, 0.01, 0.0101043, 0.3 / RATE_HZ, 17.5 / RATE_HZ, 0.2500077])
def test_a_delay_is_late_by_its_time(time_s):
    """A sine comes out as the sine of the earlier time."""
    for frequency_hz in (100, 5003, 17000):
        turns = 2 * np.pi * frequency_hz
        seconds = np.arange(RATE_HZ) / RATE_HZ
        out = Delay(time_s).process(Audio(np.sin(turns * seconds), RATE_HZ)).samples[:, 0]
        settled = slice(round(time_s * RATE_HZ) + 60, -60)
        assert np.abs(out - np.sin(turns * (seconds - time_s)))[settled].max() < 2e-4
    whole = round(time_s * RATE_HZ)
    if abs(whole - time_s * RATE_HZ) < 1e-9:
        noise = np.random.default_rng(2).standard_normal((20000, 2))
        out = Delay(time_s).process(Audio(noise, RATE_HZ)).samples
        assert np.array_equal(out[whole:], noise[: len(noise) - whole]) and not out[:whole].any()


def schroeder_decay_s(response, rate_hz, low_db=-5.0, high_db=-35.0):
    """RT60 by the backward integral of the square, a line from −5 to −35 dB (T30, ISO 3382-1, from memory)."""
    energy = np.cumsum(response[::-1] ** 2)[::-1] + 1e-30
    level = 10 * np.log10(energy / energy[0])
    inside = (level < low_db) & (level > high_db)
    slope = np.polyfit(np.arange(len(level))[inside] / rate_hz, level[inside], 1)[0]
    return -60 / slope


@pytest.mark.parametrize("decay_s", [0.3, 1.2, 3.0])
def test_a_reverb_falls_by_60_db_in_its_time(decay_s):
    frames = round(2 * decay_s * RATE_HZ)
    response = impulse_response(Reverb(decay_s, -12, False, 3), frames)
    assert schroeder_decay_s(response, RATE_HZ) == pytest.approx(decay_s, rel=0.03)


def test_a_reverb_has_its_stated_energy():
    for wet_db in (-20.0, -12.0, 0.0):
        wet = impulse_response(Reverb(0.5, wet_db, False, 1), 48000)
        assert 10 * math.log10(np.sum(wet**2)) == pytest.approx(wet_db, abs=1e-9)
        both = impulse_response(Reverb(0.5, wet_db, True, 1), 48000)
        both[0] -= 1
        assert np.abs(both - wet).max() < 1e-12
    white = Audio(np.random.default_rng(5).standard_normal((RATE_HZ * 4, 1)) * 0.1, RATE_HZ)
    out = Reverb(0.3, -12, False).process(white).samples[RATE_HZ:]
    assert 10 * math.log10(np.mean(out**2) / np.mean(white.samples**2)) == pytest.approx(-12, abs=0.3)


def test_a_reverb_is_a_convolution():
    """scipy.signal.fftconvolve with the response itself; channels have responses of their own."""
    noise = np.random.default_rng(6).standard_normal((30000, 2))
    reverb = Reverb(0.5, -6, False, 9)
    response = reverb.response(RATE_HZ, 2)
    expected = signal.fftconvolve(noise, response, axes=0)[:30000]
    assert np.abs(reverb.process(Audio(noise, RATE_HZ)).samples - expected).max() < 1e-10
    assert abs(np.corrcoef(response.T)[0, 1]) < 0.1


def test_a_tremolo_has_the_side_bands_of_amplitude_modulation():
    """A carrier of 1 − d/2 and two side bands of d/4 (product formula of cosines)."""
    out = Tremolo(5, 0.6).process(tone(1000, 0.0, 2.0)).samples[:RATE_HZ, 0]
    lines = 2 * np.abs(np.fft.rfft(out)) / RATE_HZ
    assert lines[[995, 1000, 1005]] == pytest.approx([0.15, 0.7, 0.15], abs=1e-9)
    steady = Tremolo(5, 0.6).process(Audio(np.ones(RATE_HZ), RATE_HZ)).samples[:, 0]
    assert (steady[0], steady.min()) == pytest.approx((1.0, 0.4), abs=1e-9)


def test_polarity_turns_over():
    noise = np.random.default_rng(7).standard_normal((500, 2))
    assert np.array_equal(Polarity().process(Audio(noise, RATE_HZ)).samples, -noise)


LINEAR = [
    *(Filter("lowshelf", 200, 0.7, 9), Filter(), Delay(0.0123456), Reverb(0.2, -3), Tremolo(6, 1), Polarity()),
    DCBlock(),
]


@pytest.mark.parametrize("processor", LINEAR, ids=repr)
def test_what_calls_itself_linear_scales_and_adds(processor):
    """The definition: f(g·x) = g·f(x) and f(x + y) = f(x) + f(y), −60 dB to far over full scale."""
    assert processor.linear
    rng = np.random.default_rng(8)
    x, y = (rng.standard_normal((12000, 2)) for _ in range(2))

    def run(samples):
        return processor.process(Audio(samples, RATE_HZ)).samples

    for gain in (1e-3, 1e2):
        assert np.abs(run(gain * x) - gain * run(x)).max() < 1e-11 * gain
    assert np.abs(run(x + y) - run(x) - run(y)).max() < 1e-11
