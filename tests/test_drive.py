"""Drive curves and working ranges against Fourier integrals, published curves, scipy, and what boxes then do."""

import math

import numpy as np
import pytest
from scipy import integrate, signal

from gainlib.audio import Audio, GainlibError
from gainlib.boxes import drive_curve
from gainlib.levels import db_to_ratio
from gainlib.meters import active_level, rms_dbfs
from gainlib.processors import (
    AsymmetricSaturation,
    Compressor,
    Delay,
    Filter,
    Gate,
    HardClip,
    Limiter,
    Saturation,
    Tape,
)
from gainlib.signals import steps, tone, white_noise

RATE_HZ = 48000


def fourier(curve, amplitude, orders):
    """Return sine coefficients of an odd curve of A sin t by numerical integration."""
    return np.array(
        [
            integrate.quad(lambda t, n=n: curve(amplitude * math.sin(t)) * math.sin(n * t) / math.pi, 0, 2 * math.pi)[0]
            for n in orders
        ]
    )


def db(ratio):
    return 20 * math.log10(ratio)


# ---- distortion ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("amplitude", "thd"), [(0.5, None), (1.0, 6.707), (2.0, 17.341), (4.0, 30.068)])
@pytest.mark.parametrize("drive", [1.0, 2.79])
def test_thd_and_gain_of_tanh_are_its_fourier_integrals(amplitude, thd, drive):
    """THD_F of tanh(A sin t), below 20 kHz. Worked by hand: Fourier integrals; figures from memory."""
    curve = drive_curve(Saturation(drive), [db(amplitude / drive)], frequency_hz=997)
    lines = fourier(math.tanh, amplitude, range(1, 21, 2))
    expected = 100 * np.sqrt(np.sum(lines[1:] ** 2)) / lines[0]
    assert curve.thd_percent[0] == pytest.approx(expected, rel=2e-3)
    assert thd is None or expected == pytest.approx(thd, rel=2e-3), "the integrals are those of the table"
    assert curve.gain_db[0] == pytest.approx(db(lines[0] / amplitude), abs=0.002)
    assert curve.gain_reduction_db[0] == pytest.approx(-db(lines[0] / amplitude), abs=0.003)


def test_the_table_of_tanh_gains():
    """Gain of the fundamental at A = 0.5 and 1: −0.516, −1.812 dB. Worked by hand: integral; HD3 → A²/12."""
    curve = drive_curve(Saturation(1.0), [db(0.5), 0.0, db(0.05)])
    assert curve.gain_db[:2] == pytest.approx([-0.516, -1.812], abs=0.001)
    assert curve.thd_percent[2] == pytest.approx(100 * 0.05**2 / 12, rel=0.01)


@pytest.mark.parametrize(
    ("over_db", "thd"), [(0.5, 2.189), (1, 4.632), (2, 9.250), (3, 13.380), (6, 23.237), (12, 35.369), (20, 43.040)]
)
def test_thd_of_a_hard_clip_is_the_handbook_series(over_db, thd):
    """Worked by hand: b_n of a sine clipped at c = clip / A, without those above the 40th; figures from memory."""
    curve = drive_curve(HardClip(-30), [over_db - 30], frequency_hz=100)
    c = 10 ** (-over_db / 20)
    start = math.asin(c)
    first = 2 / math.pi * (start + c * math.cos(start))
    orders = np.arange(3, 41, 2)
    lines = (
        4
        / math.pi
        * (
            (np.sin((orders - 1) * start) / (orders - 1) - np.sin((orders + 1) * start) / (orders + 1)) / 2
            + c * np.cos(orders * start) / orders
        )
    )
    assert curve.thd_percent[0] == pytest.approx(100 * np.sqrt(np.sum(lines**2)) / first, rel=2e-3)
    assert curve.thd_percent[0] == pytest.approx(thd, rel=0.01)
    assert curve.gain_db[0] == pytest.approx(db(first), abs=0.005)


def test_thd_of_a_cubic():
    """Worked by hand: x − x³/3 at A = 1 has HD3 of 1/9 and a fundamental of 3/4; a plain function will do."""
    curve = drive_curve(lambda x, rate_hz: x - x**3 / 3, [0.0, db(0.5), db(0.1)])
    assert curve.thd_percent == pytest.approx([11.111, 2.2222, 0.0835], rel=1e-3)
    assert curve.gain_db[0] == pytest.approx(-2.499, abs=0.001)


def test_even_harmonics_count():
    """Worked by hand: x + k·x² has the second harmonic kA/2 against the fundamental (product formula of sines)."""
    curve = drive_curve(lambda x, rate_hz: x + 0.1 * x**2, [-6.0206])
    assert curve.thd_percent[0] == pytest.approx(100 * 0.1 * 0.5 / 2, rel=1e-3)


@pytest.mark.parametrize("frequency_hz", [100, 997, 4000, 19000])
@pytest.mark.parametrize("box", [AsymmetricSaturation(), Tape(), Limiter(-20)])
def test_against_a_fourier_transform_of_whole_seconds(box, frequency_hz):
    level = -12.0
    curve = drive_curve(box, [level], frequency_hz=frequency_hz)
    out = box.process(tone(frequency_hz, level, 3.0)).samples[2 * RATE_HZ :, 0]
    lines = np.abs(np.fft.rfft(out))[frequency_hz:20001:frequency_hz][:40] / RATE_HZ * 2
    assert curve.thd_percent[0] == pytest.approx(100 * np.sqrt(np.sum(lines[1:] ** 2)) / lines[0], rel=0.01, abs=0.015)
    assert curve.gain_db[0] == pytest.approx(db(lines[0]) - level, abs=0.01)


def test_distortion_and_noise_is_what_a_notch_would_leave():
    """White noise at −60 dBFS keeps 19.98 of its 24 kHz inside the band (over the whole: AES17, from memory)."""
    noise = white_noise(-60, 5.0, seed=3).samples[:, 0]
    curve = drive_curve(lambda x, rate_hz: x + noise[: len(x)], [-40.0, -20.0, 0.0])
    inside = 10 ** (-60 / 20) * math.sqrt(19980 / 24000)
    for level, measured in zip(curve.level_dbfs, curve.thdn_percent, strict=True):
        amplitude = 10 ** (level / 20)
        assert measured == pytest.approx(100 * inside / math.hypot(inside, amplitude), rel=0.03)
    assert curve.thdn_percent[0] > 3 * curve.thd_percent[0], "noise is no harmonic"


# ---- gain and gain reduction -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "box", [Filter("peaking", 1200, 0.8, -9), Filter("lowpass", 700), Filter("highshelf", 900, 0.7, 5)]
)
def test_gain_of_a_filter_is_its_response(box):
    """By scipy from the impulse response; the same at any level."""
    impulse = box.process(Audio(np.eye(1, 20000)[0], RATE_HZ)).samples[:, 0]
    response = signal.freqz(impulse, worN=[997], fs=RATE_HZ)[1][0]
    curve = drive_curve(box, [-50, -10, 5])
    assert curve.gain_db == pytest.approx([db(abs(response))] * 3, abs=0.001)
    assert curve.thd_percent.max() < 1e-6 and curve.gain_reduction_db.max() < 1e-6


def test_reduction_of_a_compressor_is_the_published_curve():
    """T −20, R 4, W 12 (Giannoulis, Massberg, Reiss, 2012, eq. 4, worked by hand); makeup is no reduction."""
    levels = [-40, -26, -24, -22, -20, -18, -16, -14, -10, 0]
    out = [-40, -26, -24.125, -22.5, -21.125, -20, -19.125, -18.5, -17.5, -15]
    curve = drive_curve(Compressor(-20, 4, 12, makeup_db=5), levels)
    assert curve.gain_db == pytest.approx(np.subtract(out, levels) + 5, abs=0.05)
    assert curve.gain_reduction_db == pytest.approx(np.subtract(levels, out), abs=0.05)
    assert curve.thd_percent.max() < 0.05


def test_reduction_of_a_gate_is_its_range_when_closed():
    curve = drive_curve(Gate(-30, range_db=40), [-50, -40, -20])
    assert curve.gain_reduction_db == pytest.approx([40, 40, 0], abs=0.01)
    assert drive_curve(Gate(-30, range_db=40), [-50]).gain_reduction_db == pytest.approx([40], abs=0.01)


def bursts(loud_dbfs, soft_dbfs=None):
    """Return two seconds of sine, and one of a softer one or of silence, twice."""
    return steps([(loud_dbfs, 2.0), (soft_dbfs, 1.0)] * 2)


def test_reduction_on_material_counts_while_it_sounds():
    """Bursts of a sine at L, T −20, R 4: (1 − 1/R)(L − T) during the bursts; pauses do not count."""
    material = bursts(-10)
    level = active_level(material)[0]
    curve = drive_curve(Compressor(-20, 4, 0), [level, level + 4], audio=material)
    assert curve.gain_reduction_db == pytest.approx([7.5, 10.5], abs=0.25)
    assert curve.gain_db == pytest.approx([-7.5, -10.5], abs=0.2), "attacks are let through"
    assert curve.level_dbfs.tolist() == [level, level + 4]


def test_a_function_that_tells_no_reduction_is_measured_by_its_blocks():
    material, box = bursts(-10, -30), Compressor(-20, 4, 0)
    levels = [-30.0, -12.0, -4.0]
    told = drive_curve(box, levels, audio=material)
    heard = drive_curve(lambda x, rate_hz: box.process(Audio(x, rate_hz)).samples, levels, audio=material)
    assert heard.gain_reduction_db == pytest.approx(told.gain_reduction_db, abs=0.4)
    assert heard.gain_db == pytest.approx(told.gain_db, abs=1e-9)


@pytest.mark.parametrize("channels", [1, 2])
def test_material_is_brought_to_the_level_and_its_energy_compared(channels):
    material = white_noise(-31, 2.0, seed=1, channels=channels)
    box = Saturation(4.0)
    curve = drive_curve(box, [-20, -6], audio=material)
    for level, gain in zip(curve.level_dbfs, curve.gain_db, strict=True):
        fed = material.with_samples(material.samples * db_to_ratio(level - active_level(material)[0]))
        assert active_level(fed)[0] == pytest.approx(level, abs=1e-6)
        assert gain == pytest.approx(rms_dbfs(box.process(fed)) - rms_dbfs(fed), abs=1e-6)
    plain = drive_curve(box, [-20, -6])
    assert curve.thd_percent == pytest.approx(plain.thd_percent), "distortion is that of a tone"


def test_late_boxes_and_silent_ones():
    late = drive_curve(Delay(1.7), [-20.0])
    assert late.gain_db == pytest.approx([0.0], abs=1e-6) and late.thd_percent[0] < 1e-6
    silent = drive_curve(lambda x, rate_hz: 0 * x, [-20.0])
    assert silent.gain_db[0] == -math.inf and math.isnan(silent.thd_percent[0]) and silent.gain_reduction_db[0] == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"levels_dbfs": []}, "one or more"),
        ({"levels_dbfs": [-math.inf]}, "finite"),
        ({"frequency_hz": 30000}, "30000 Hz"),
        ({"audio": Audio(np.zeros(4800), RATE_HZ, "gap")}, "gap is silent"),
    ],
)
def test_what_cannot_be_measured_is_refused_in_a_sentence(arguments, says):
    with pytest.raises(GainlibError, match=says):
        drive_curve(Saturation(), **arguments)


def test_a_curve_stays_as_it_is():
    curve = drive_curve(Saturation(), [-20])
    with pytest.raises(ValueError, match="read-only"):
        curve.gain_db[0] = 1.0
