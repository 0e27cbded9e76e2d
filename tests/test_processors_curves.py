"""Static stages and tape against closed forms: harmonics, gains, images, wires and hysteresis loops."""

import math

import numpy as np
import pytest
from scipy import integrate, signal

from gainlib.audio import Audio
from gainlib.meters import flat_runs
from gainlib.processors import AnalogueStage, AsymmetricSaturation, HardClip, Processor, Saturation, Tape
from gainlib.signals import tone

RATE_HZ = 48000


def harmonics(processor, frequency_hz, amplitude):
    """Return the magnitudes of harmonics 1, 2, 3 … under 24 kHz of one steady second."""
    turns = 2 * np.pi * frequency_hz * np.arange(2 * RATE_HZ + 200) / RATE_HZ
    out = processor.process(Audio(amplitude * np.sin(turns), RATE_HZ)).samples[RATE_HZ : 2 * RATE_HZ, 0]
    return 2 * np.abs(np.fft.rfft(out)[frequency_hz::frequency_hz]) / RATE_HZ


def thd_percent(lines):
    """Root of the sum of squares of the harmonics over the fundamental: THD of IEC 60268-3, from memory."""
    return 100 * math.sqrt(np.sum(lines[1:] ** 2)) / lines[0]


def ratio(level_db):
    return 10 ** (level_db / 20)


# ---- harmonics -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("amplitude", "third", "gain_db"),
    [(0.1, 0.0831, None), (0.25, 0.5128, None), (0.5, 1.9612, -0.516), (1.0, 6.683, -1.812), (2.0, 16.883, None)],
)
@pytest.mark.parametrize("drive", [0.7, 2.79, 9.0])
def test_tanh_of_a_sine_has_its_fourier_coefficients(amplitude, third, gain_db, drive):
    """HD3 in percent and gain of tanh(A sin t): Fourier integrals, to the digits given."""
    lines = harmonics(Saturation(drive), 997, amplitude / drive)
    assert 100 * lines[2] / lines[0] == pytest.approx(third, rel=2e-4, abs=5e-5)
    if gain_db is not None:
        assert 20 * math.log10(lines[0] * drive / amplitude) == pytest.approx(gain_db, abs=0.0006)
    for order in (1, 3, 5, 7, 9):
        exact = integrate.quad(
            lambda t, n=order: math.tanh(amplitude * math.sin(t)) * math.sin(n * t) / math.pi, 0, 2 * math.pi
        )[0]
        assert lines[order - 1] * drive == pytest.approx(abs(exact), rel=1e-4, abs=1e-7)
    assert lines[1::2].max() < 1e-9, "an odd curve makes odd harmonics"


def test_small_signals_meet_the_cubic():
    """x − k·x³ gives HD3 = (kA²/4) / (1 − 3kA²/4); tanh starts with k = 1/3 (power series, any handbook)."""
    for amplitude in (0.01, 0.03, 0.1):
        lines = harmonics(Saturation(1.0), 997, amplitude)
        cubic = (amplitude**2 / 12) / (1 - amplitude**2 / 4)
        # The next term of the series is 2x⁵/15; it takes 2A²/… off, less than half a percent here.
        assert lines[2] / lines[0] == pytest.approx(cubic, rel=0.6 * amplitude**2 + 1e-4)


def test_an_offset_makes_the_second_harmonic_of_its_curvature():
    """HD2 = A·f''/(4f') for small A; of tanh(d·x + b) that is A·d·tanh(b)/2 (power series about b)."""
    for drive, offset in ((2.0, 0.2), (2.0, -0.2), (3.0, 0.7)):
        lines = harmonics(AsymmetricSaturation(drive, offset), 997, 0.003)
        assert lines[1] / lines[0] == pytest.approx(0.003 * drive * math.tanh(abs(offset)) / 2, rel=2e-3)
        assert lines[0] == pytest.approx(0.003, rel=1e-4)


def test_the_rest_of_the_asymmetrical_stage_is_free_of_offset():
    out = AsymmetricSaturation(4, 0.5).process(tone(100, -6.0, 3.0)).samples[RATE_HZ:, 0]
    assert abs(out[: RATE_HZ * 2].mean()) < 1e-5
    silence = AsymmetricSaturation(4, 0.5).process(Audio(np.zeros(1000), RATE_HZ)).samples
    assert np.abs(silence).max() < 1e-15


@pytest.mark.parametrize("drive", [0.01, 2.0, 300.0])
@pytest.mark.parametrize("offset", [-3.0, -0.4, 0.0, 0.2, 1.0, 3.0])
def test_silence_through_the_asymmetrical_stage_is_silence(drive, offset):
    """The formula at 0 is 0; what is soft but there comes through in its size all the same."""
    stage = AsymmetricSaturation(drive, offset)
    assert not stage.process(Audio(np.zeros((3000, 2)), RATE_HZ)).samples.any()
    soft = tone(997, -180.0, 0.5)
    out = stage.process(soft).samples[-4800:]
    assert np.abs(out).max() == pytest.approx(np.abs(soft.samples).max(), rel=0.02)


def clipped_sine(amplitude, ceiling, count):
    """Fourier series of a clipped sine: t0 = asin c/A, b1 = (2A/π)(t0 + c cos t0), odd n as below (own integration)."""
    c = ceiling / amplitude
    t0, orders = math.asin(c), np.arange(1, count + 1)
    lines = np.zeros(count)
    lines[0] = 2 * amplitude / math.pi * (t0 + c * math.cos(t0))
    n = orders[2::2]
    part = np.sin((n - 1) * t0) / (n - 1) - np.sin((n + 1) * t0) / (n + 1)
    lines[2::2] = np.abs(4 * amplitude / math.pi * (part / 2 + c * np.cos(n * t0) / n))
    return lines


@pytest.mark.parametrize(
    ("over_db", "third", "thd"),
    [
        (0.5, 1.460, 2.189),
        (1, 3.684, 4.632),
        (2, 8.477, 9.250),
        (3, 12.923, 13.380),
        (6, 22.584, 23.237),
        (12, 30.553, 35.369),
    ],
)
def test_a_clipped_sine_has_its_fourier_coefficients(over_db, third, thd):
    """HD3 and THD in percent. Worked by hand: closed form of the clipped sine, apart from this code."""
    exact = clipped_sine(ratio(over_db), 1.0, 20000)
    assert 100 * exact[2] / exact[0] == pytest.approx(third, abs=6e-4)
    assert thd_percent(exact) == pytest.approx(thd, abs=6e-4)
    for ceiling_db in (0.0, -14.0):
        ceiling = ratio(ceiling_db)
        lines = harmonics(HardClip(ceiling_db), 101, ratio(over_db + ceiling_db))
        assert 100 * lines[2] / lines[0] == pytest.approx(third, rel=1e-3)
        assert np.abs(lines[:60] / ceiling - exact[:60]).max() < 2e-5
        assert thd_percent(lines) == pytest.approx(thd, rel=1e-3)


@pytest.mark.parametrize("over_db", [1, 6, 12])
@pytest.mark.parametrize("frequency_hz", [6007, 6997])
def test_a_high_sine_is_clipped_between_its_samples(over_db, frequency_hz):
    """Closed form of the clipped sine in continuous time, harmonics that fit under 0.4 of the sample rate."""
    exact = clipped_sine(ratio(over_db), 1.0, 9)
    lines = harmonics(HardClip(-12), frequency_hz, ratio(over_db - 12)) / ratio(-12)
    assert lines[0] == pytest.approx(exact[0], rel=2e-3)
    if 3 * frequency_hz < 0.4 * RATE_HZ:
        assert lines[2] == pytest.approx(exact[2], rel=0.02)


LEVELS_DBFS = (-30, -24, -18, -12, -6, 0)


@pytest.mark.parametrize(
    ("processor", "row", "share"),
    [
        (Saturation(2.79), "0.065 0.26 1.00 3.65 11.1 23.7", 0),
        (Saturation(1.5), "0.019 0.074 0.3 1.14 4.1 12.2", 0),
        (AsymmetricSaturation(2, 0.2), "0.62 1.24 2.47 4.83 9.4 18.4", 0.0015),
        (Tape(2), "0.25 0.38 0.75 2.1 6.9 17.4", 0.006),
    ],
    ids=["symmetrical", "gentle", "asymmetrical", "tape"],
)
def test_distortion_against_drive(processor, row, share):
    """THD in percent of a 100 Hz sine by peak level; from memory: two simulations apart from this code.

    The simulation had neither DC block, which takes 0.1 % off a fundamental of 100 Hz, nor treble shelves, which take
    0.5 % off the harmonics.
    """
    for level_db, expected in zip(LEVELS_DBFS, row.split(), strict=True):
        lines = harmonics(processor, 100, ratio(level_db))
        digits = len(expected.partition(".")[2])
        room = 0.5 * 10**-digits + share * float(expected)
        assert thd_percent(lines) == pytest.approx(float(expected), abs=room), level_db


def test_a_hot_feed_gets_quieter():
    """Gain of the fundamental through tanh(2.79·x) / 2.79 (simulated apart from this code; Fourier integral)."""
    for level_db, gain_db in ((-18, -0.26), (-12, -0.97), (-6, -3.1), (0, -7.4)):
        lines = harmonics(Saturation(2.79), 100, ratio(level_db))
        assert 20 * math.log10(lines[0]) - level_db == pytest.approx(gain_db, abs=0.05)


# ---- images ----------------------------------------------------------------------------------------------------------

SMOOTH = [
    *(Saturation(drive) for drive in (1.5, 2.79, 6.0, 10.0)),
    *(Saturation(drive) for drive in (15.0, 20.0, 40.0, 100.0)),
    *(AsymmetricSaturation(2, 0.2), AsymmetricSaturation(10, 0.6), AsymmetricSaturation(100, 0.2)),
    *(Tape(2), Tape(5), Tape(8), Tape(20), Tape(40)),
    *(AnalogueStage(-250, rail_dbfs) for rail_dbfs in (-3.5, -9, -20, -20.1, -40)),
]


def images_db(processor, frequency_hz, level_db=-3.0, rate_hz=RATE_HZ):
    """Return the highest line of 30 Hz … 10 kHz that is no harmonic, against the fundamental."""
    turns = 2 * np.pi * frequency_hz * np.arange(rate_hz * 2) / rate_hz
    out = processor.process(Audio(ratio(level_db) * np.sin(turns), rate_hz)).samples[rate_hz // 2 : -rate_hz // 2, 0]
    spectrum = np.abs(np.fft.rfft(out * np.blackman(rate_hz)))
    return 20 * math.log10(spectrum[30:10000].max() / spectrum[frequency_hz])


@pytest.mark.parametrize("processor", SMOOTH, ids=repr)
@pytest.mark.parametrize("frequency_hz", [15000, 14237])
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_smooth_curves_leave_no_images(processor, frequency_hz, rate_hz):
    """At least 60 dB down; the plain formula on the samples would leave them at −20 dB or so."""
    assert images_db(processor, frequency_hz, rate_hz=rate_hz) < -60


@pytest.mark.parametrize("steepest", [Saturation(1000), AsymmetricSaturation(1000), Tape(1000)], ids=repr)
def test_the_steepest_curves_leave_some_images(steepest):
    """As their module says."""
    assert images_db(steepest, 15000) < -40


@pytest.mark.parametrize("ceiling_db", [-4, -6, -9, -15, -24])
@pytest.mark.parametrize("frequency_hz", [15000, 14237, 11003])
def test_a_hard_clip_leaves_few_images(ceiling_db, frequency_hz):
    """At least 45 dB down, and the same measure tells the plain clip apart."""
    assert images_db(HardClip(ceiling_db), frequency_hz) < -60
    turns = 2 * np.pi * frequency_hz * np.arange(RATE_HZ) / RATE_HZ
    plain = np.clip(ratio(-3) * np.sin(turns), -ratio(ceiling_db), ratio(ceiling_db)) * np.blackman(RATE_HZ)
    spectrum = np.abs(np.fft.rfft(plain))
    assert 20 * math.log10(spectrum[30:10000].max() / spectrum[frequency_hz]) > -35


# ---- wires and ceilings ----------------------------------------------------------------------------------------------


def test_below_its_ceiling_a_hard_clip_is_a_wire():
    rng = np.random.default_rng(5)
    for ceiling_db in (0.0, -6.0, -20.0):
        soft = rng.uniform(-1, 1, (20000, 2)) * ratio(ceiling_db) * 0.45
        assert np.array_equal(HardClip(ceiling_db).process(Audio(soft, RATE_HZ)).samples, soft)
        for frequency_hz in (50, 997, 5003, 14237):
            sine = tone(frequency_hz, ceiling_db, 1.0).samples
            middle = slice(2000, -2000)
            residual = (HardClip(ceiling_db).process(Audio(sine, RATE_HZ)).samples - sine)[middle]
            assert np.sqrt(np.mean(residual**2)) < ratio(ceiling_db - 150), "a sine that just touches it"


def test_soft_signals_pass_curves_as_through_a_wire():
    """What is left over falls with the cube of the level: a curve, no filter."""
    rng = np.random.default_rng(6)
    for level_db in (-60, -80):
        soft = rng.uniform(-1, 1, (20000, 1)) * ratio(level_db)
        residual = Saturation(2.79).process(Audio(soft, RATE_HZ)).samples - soft
        # 2.79²·x³/3 with x uniform has an RMS of 2.79²·x³/(3·√7).
        expected = 2.79**2 / 3 * ratio(3 * level_db) / math.sqrt(7)
        assert np.sqrt(np.mean(residual**2)) == pytest.approx(expected, rel=0.25)


def test_slow_tops_stand_at_the_ceiling():
    """Down to the last bit what max(−c, min(c, x)) gives, so that flat tops can be found."""
    for frequency_hz, over_db in ((50, 1), (100, 12), (997, 6), (997, 20), (2003, 12)):
        sine = tone(frequency_hz, over_db - 10.0, 0.5)
        out = HardClip(-10).process(sine)
        plain = np.clip(sine.samples, -ratio(-10), ratio(-10))
        assert np.abs(out.samples - plain).max() < 1e-3 * ratio(-10)
        assert np.abs(out.samples).max() <= ratio(-10) * (1 + 1e-12)
    assert flat_runs(HardClip(-6).process(tone(100, 0.0, 1.0))) == 200
    steady = Audio(np.full(2000, 1.7), RATE_HZ)
    assert np.abs(HardClip(-6).process(steady).samples - ratio(-6)).max() < 1e-15


@pytest.mark.parametrize("frequency_hz", [1000, 2500, 5000, 6007, 7000, 10000, 15000, 19000])
@pytest.mark.parametrize("over_db", [3, 12, 40])
def test_a_clipped_sine_passes_the_ceiling_by_its_fundamental_at_most(frequency_hz, over_db):
    """A square wave's fundamental is 4/π of its height, 2.098 dB (Fourier series); 0.12 dB for what else is left."""
    for ceiling_db in (0.0, -6.0):
        out = HardClip(ceiling_db).process(tone(frequency_hz, ceiling_db + over_db, 0.5)).samples
        assert np.abs(out[2000:-2000]).max() < ratio(ceiling_db) * 4 / math.pi * ratio(0.12)
        assert np.abs(out).max() <= 2 * ratio(ceiling_db), "also where it begins and ends"


@pytest.mark.parametrize(("ceiling_db", "past_db"), [(0, 2.65), (-6, 4.1), (-20, 5.4), (-60, 6.0206)])
def test_clipped_noise_passes_the_ceiling_within_bounds(ceiling_db, past_db):
    """As the stage says of itself: it is band-limited, so no clip on the samples, and 6.02 dB are the end of it."""
    white = Audio(np.random.default_rng(0).standard_normal((RATE_HZ * 10, 1)) * 0.5, RATE_HZ)
    highest = np.abs(HardClip(ceiling_db).process(white).samples).max()
    assert ratio(ceiling_db) < highest <= ratio(ceiling_db + past_db) * (1 + 1e-12)


@pytest.mark.parametrize("drive_db", [10, 30, 60, 100])
def test_full_band_noise_far_over_the_end_stays_in_bounds(drive_db):
    """Noise up to half the sample rate, which no filter passes whole, is bent like the rest."""
    loud = Audio(np.random.default_rng(7).uniform(-1, 1, (20000, 1)) * ratio(drive_db - 10), RATE_HZ)
    for processor in (HardClip(-10), Saturation(ratio(10)), AnalogueStage(-250, -10)):
        out = processor.process(loud).samples
        assert np.abs(out).max() <= 2 * ratio(-10) * 1.01
        assert 0.4 * ratio(-10) < np.sqrt(np.mean(out**2)) < 1.05 * ratio(-10), processor


def bent_to_a_rail(x, rail_db, knee_db=3):
    """Return k + w·tanh((x − k)/w) beyond k, 3 dB under the rail: the formula in the docstring."""
    straight, width = ratio(rail_db - knee_db), ratio(rail_db) - ratio(rail_db - knee_db)
    beyond = np.maximum(np.abs(x) - straight, 0) / width
    return np.sign(x) * (np.minimum(np.abs(x), straight) + width * np.tanh(beyond))


@pytest.mark.parametrize(
    ("processor", "curve"),
    [
        (Saturation(4), lambda x: np.tanh(4 * x) / 4),
        (
            AsymmetricSaturation(3, -0.5),
            lambda x: (np.tanh(3 * x - 0.5) + math.tanh(0.5)) / (3 * (1 - math.tanh(0.5) ** 2)),
        ),
        (HardClip(-9), lambda x: np.clip(x, -ratio(-9), ratio(-9))),
        (AnalogueStage(-250, -5), lambda x: bent_to_a_rail(x, -5)),
    ],
    ids=lambda each: repr(each) if isinstance(each, Processor) else "curve",
)
def test_the_curve_of_the_formula_is_the_one_that_is_heard(processor, curve):
    """A slow tone through all levels, against the formula, behind scipy's high-pass for those that have one."""
    x = np.linspace(0, 1, 9600) * np.sin(2 * np.pi * 100 * np.arange(9600) / RATE_HZ)
    heard = processor.process(Audio(x, RATE_HZ)).samples[:, 0]
    drawn = curve(x)
    assert np.abs(drawn).max() < 0.62 and drawn[0] == 0
    corner_hz = {AsymmetricSaturation: 5, AnalogueStage: 20}.get(type(processor))
    if corner_hz:
        drawn = signal.lfilter(*signal.butter(1, corner_hz, "highpass", fs=RATE_HZ), drawn)
    assert np.abs(heard - drawn)[100:-100].max() < 2e-3


# ---- tape ------------------------------------------------------------------------------------------------------------


def play(x, width):
    """The play operator by its definition, sample by sample."""
    out, last = np.empty_like(x), 0.0
    for n, value in enumerate(x):
        last = out[n] = max(value - width, min(value + width, last))
    return out


def test_tape_follows_its_formula():
    """A low tone, whose treble shelves do nothing and which needs no filters, against the formula on the samples."""
    x = 0.4 * np.sin(2 * np.pi * 20 * np.arange(9600) / RATE_HZ) + 0.1 * np.sin(
        2 * np.pi * 53 * np.arange(9600) / RATE_HZ
    )
    u = 0.9 * x + 0.02 * sum(play(x, width) for width in (0.004, 0.01, 0.025, 0.06, 0.15))
    out = Tape(3).process(Audio(x, RATE_HZ)).samples[:, 0]
    assert np.abs(out - np.tanh(3 * u) / 3)[100:-100].max() < 2e-4


def test_tape_hysteresis_knows_no_speed():
    """The definition of rate independence: the same path run twice as fast gives the same values twice as fast."""
    frames = np.arange(2 * RATE_HZ)
    path = 0.3 * np.sin(2 * np.pi * 3 * frames / RATE_HZ) + 0.15 * np.sin(2 * np.pi * 11 * frames / RATE_HZ)
    slow = Tape(2).process(Audio(path, RATE_HZ)).samples[:, 0]
    fast = Tape(2).process(Audio(np.ascontiguousarray(path[::2]), RATE_HZ)).samples[:, 0]
    assert np.abs(fast - slow[::2])[50:-50].max() < 1e-4


@pytest.mark.parametrize("amplitude", [0.003, 0.02, 0.3])
def test_tape_loops_have_the_area_of_play_operators(amplitude):
    """A play of width r run between ±A encloses 4·r·(A − r), nothing for A < r (geometry of the parallelogram)."""
    x = amplitude * np.sin(2 * np.pi * 10 * np.arange(9600) / RATE_HZ)
    y = Tape(0.001).process(Audio(x, RATE_HZ)).samples[:, 0]
    x, y = x[4800 - 1200 : 8400 + 1], y[4800 - 1200 : 8400 + 1]
    area = abs(np.sum((y[1:] + y[:-1]) / 2 * np.diff(x)))
    expected = sum(0.02 * 4 * r * (amplitude - r) for r in (0.004, 0.01, 0.025, 0.06, 0.15) if r < amplitude)
    assert area == pytest.approx(expected, rel=0.02, abs=1e-4 * amplitude**2)


def test_tape_is_0_92_db_down_where_it_is_soft():
    """20·lg 0.90 = −0.915 dB at small signals, 0.99 for 0.3 ≫ 0.15 would be −0.1 dB."""
    for level_db in (-80, -50):
        lines = harmonics(Tape(2), 100, ratio(level_db))
        assert 20 * math.log10(lines[0]) - level_db == pytest.approx(20 * math.log10(0.90), abs=0.01)


def test_the_treble_shelf_of_tape_comes_and_goes():
    """A soft signal keeps its spectrum; a loud high tone is bent sooner than a loud low one."""
    soft = 1e-4 * np.random.default_rng(1).standard_normal((20000, 1))
    out = Tape(2).process(Audio(soft, RATE_HZ)).samples
    assert np.abs(out - 0.9 * soft).max() < 1e-9
    low, high = (harmonics(Tape(2), frequency_hz, ratio(-6))[0] for frequency_hz in (100, 12000))
    assert 20 * math.log10(low / high) > 2
