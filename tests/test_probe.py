"""The test file and what is read from its recordings, against closed forms and things done to it that are known."""

import math

import numpy as np
import pytest
import soundfile
from daily import daily, rest
from roundtrips import MOVING, RATE_HZ, coded, hissing, moving, off_speed, played
from scipy import signal

from gainlib.audio import Audio, AudioFile, GainlibError, read, write
from gainlib.boxes import read_probe, write_probe
from gainlib.boxes.linearity import AS_SHOWN
from gainlib.boxes.probesignal import RATES_HZ, Layout
from gainlib.boxes.sync_markers import time_base
from gainlib.processors import AnalogueStage, Compressor, Filter, Gate, Quantiser, Saturation, Tremolo
from gainlib.session import Insert


def recording(line, rate_hz=RATE_HZ, name="take"):
    return Audio(np.asarray(line, float)[:, np.newaxis], rate_hz, name)


# ---- the file --------------------------------------------------------------------------------------------------------


def test_the_file_starts_soft_and_keeps_to_its_level(tmp_path):
    path = tmp_path / "probe.wav"
    write_probe(path, level_max_dbfs=-12)
    audio = read(path)
    assert (audio.rate_hz, audio.channels, AudioFile(path).subtype) == (48000, 1, "PCM_24")
    peaks = [np.abs(audio.samples[k : k + 48000]).max() for k in range(0, 10 * 48000, 48000)]
    assert max(peaks) < 10 ** (-35 / 20)
    assert 20 * math.log10(np.abs(audio.samples).max()) == pytest.approx(-12, abs=0.1)
    assert np.abs(signal.resample_poly(audio.samples[:, 0], 8, 1)).max() <= 10 ** (-12 / 20) * 1.01


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_what_repeats_has_a_prime_period_and_exact_tones(rate_hz):
    layout = Layout(rate_hz)
    assert all(layout.period % k for k in range(2, math.isqrt(layout.period) + 1))
    for stimulus, fed in layout.fed.items():
        lines = np.abs(np.fft.rfft(layout.one_period(stimulus)))
        beside = np.delete(lines, fed)
        assert beside.max() < 1e-9 * lines[fed].max(), stimulus
        assert (fed % 2 == 1).all()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"rate_hz": 32000}, "32000 Hz; write it at one of"),
        ({"level_max_dbfs": 1}, "highest level of 1 dBFS"),
        ({"level_max_dbfs": -40}, "highest level of -40 dBFS"),
        ({"level_max_dbfs": float("nan")}, "give a number of dBFS"),
    ],
)
def test_files_that_make_no_sense_are_refused(tmp_path, arguments, said):
    with pytest.raises(GainlibError, match=said):
        write_probe(tmp_path / "probe.wav", **arguments)


def test_nothing_is_overwritten_and_no_coder_used(tmp_path):
    write_probe(tmp_path / "probe.flac")
    with pytest.raises(GainlibError, match="exists already; choose another name"):
        write_probe(tmp_path / "probe.flac")
    with pytest.raises(GainlibError, match="lossy format"):
        write_probe(tmp_path / "probe.ogg")


# ---- time ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ppm", [50.0, -50.0, 3.0, 1800.0])
def test_a_clock_that_is_off_is_found(ppm):
    base, layout = time_base(off_speed(played(), ppm), RATE_HZ)
    assert 1e6 * (base.stretch - 1.0) == pytest.approx(ppm, abs=0.01)
    assert base.offset == pytest.approx(0.0, abs=0.01)
    assert layout.level_max_dbfs == -6.0


@pytest.mark.parametrize("frames", [0.0, 1776.0, 0.5, 100.3, -20000.0])
def test_a_delay_is_found_to_a_fraction_of_a_sample(frames):
    """Delayed through the phase of the spectrum; a recording that starts later lacks some of the silence ahead."""
    line = np.pad(played(), (24000, 24000))
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(line)) * frames)
    late = np.fft.irfft(np.fft.rfft(line) * turn, len(line))[24000:]
    base, _ = time_base(late, RATE_HZ)
    assert base.offset == pytest.approx(frames, abs=0.005)
    assert base.stretch == 1.0


@pytest.mark.parametrize(("rate_hz", "level"), [*daily([(44100, -10.5), (96000, 0.0), (192000, -29.9)], 1)])
def test_rate_and_level_are_read_from_the_marks(rate_hz, level):
    report = read_probe(recording(-Layout(rate_hz, level).samples(), rate_hz))
    assert report.levels_dbfs[1] == level and report.rate_hz == rate_hz
    assert (report.kind, report.polarity, report.reference_dbfs) == ("linear", -1, None)


# ---- closed forms ----------------------------------------------------------------------------------------------------


def test_distortion_and_gain_of_a_cubic_are_what_its_polynomial_says():
    """y = x − c·x³: fundamental a − ¾·c·a³, third harmonic ¼·c·a³ (cos³ = ¾·cos + ¼·cos 3)."""
    line, c = played(), 0.4
    curve = read_probe(recording(line - c * line**3)).curve
    a = 10.0 ** (curve.level_dbfs / 20.0)
    np.testing.assert_allclose(curve.gain_db, 20 * np.log10(1.0 - 0.75 * c * a**2), atol=1e-4)
    seen = np.isfinite(curve.thd_percent)
    wanted = 100.0 * 0.25 * c * a**2 / (1.0 - 0.75 * c * a**2)
    np.testing.assert_allclose(curve.thd_percent[seen], wanted[seen], rtol=0.01)
    assert curve.level_dbfs[seen].min() <= -36


def test_a_square_law_gives_a_second_harmonic():
    """y = x + c·x²: second harmonic ½·c·a² (cos² = ½ + ½·cos 2)."""
    line, c = played(), 0.05
    report = read_probe(recording(line + c * line**2))
    seen = report.curve.level_dbfs >= -30
    wanted = 100.0 * 0.5 * c * 10.0 ** (report.curve.level_dbfs / 20.0)
    np.testing.assert_allclose(report.curve.thd_percent[seen], wanted[seen], rtol=0.01)
    assert report.kind == "nonlinear"


def test_noise_does_not_pass_for_distortion():
    curve = read_probe(recording(hissing(played()))).curve
    assert np.isnan(curve.thd_percent).all()
    np.testing.assert_allclose(curve.noise_dbfs, -70.0, atol=0.4)
    assert curve.floor_percent[-1] < 0.01


def test_noise_and_gain_are_read():
    report = read_probe(recording(0.5 * hissing(played())))
    assert report.noise_dbfs == pytest.approx(-70 - 6.02, abs=0.2)
    assert report.gain_db == pytest.approx(-6.0206, abs=0.005)
    assert report.output_gain_db == pytest.approx(6.02, abs=0.05)
    assert report.linear is True and report.kind == AS_SHOWN and "noise at −76" in report.reason


def test_equal_loudness_of_a_filter():
    """The noise of the file through a high-pass, weighed by scipy with the filters of BS.1770, Tables 1 and 2."""
    layout, level = Layout(), 0.1
    noise = level * np.tile(layout.one_period("noise"), 12)

    def loud(samples):
        shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285], [1.0, -1.69065929318241, 0.73248077421585]
        high_pass = [1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621]
        weighed = signal.lfilter(*high_pass, signal.lfilter(*shelf, samples))
        return 10 * np.log10(np.mean(weighed[24000:] ** 2))

    box = Filter("highpass", 500.0)
    out = box.process(recording(noise)).samples[:, 0]
    report = read_probe(box.process(recording(played())))
    assert report.output_gain_db == pytest.approx(loud(noise) - loud(out), abs=0.02)


def test_equal_loudness_at_the_reference():
    report = read_probe(Saturation().process(recording(played())))
    box, layout = Saturation(), Layout()
    noise = np.tile(layout.one_period("noise"), 12)
    average = 10 * np.log10(2 * np.mean(noise**2))
    noise = noise * 10 ** ((report.reference_dbfs - average) / 20)
    out = box.process(recording(noise)).samples[:, 0]
    assert report.output_gain_db == pytest.approx(10 * np.log10(np.mean(noise**2) / np.mean(out**2)), abs=0.05)
    assert report.insert() == Insert(report.insert().processor, out_db=round(report.output_gain_db, 2))
    assert report.insert().processor.reference_dbfs == pytest.approx(-18.0, abs=0.1)


# ---- whose noise -----------------------------------------------------------------------------------------------------


def test_a_recording_without_the_box_tells_whose_the_noise_is():
    chain, other = hissing(played()), np.random.default_rng(9).standard_normal(len(played())) * 10 ** (-73 / 20)
    quiet_box = recording(Filter("peaking", 1000.0, 1.0, 3.0).process(recording(played())).samples[:, 0] + other)
    assert read_probe(quiet_box).kind == AS_SHOWN
    assert read_probe(quiet_box, recording(chain)).kind == "linear"
    noisy_box = AnalogueStage(-68.0, 16.0).process(recording(played())).samples[:, 0] + other
    assert read_probe(recording(noisy_box), recording(chain)).kind == "linear plus noise or offset"


@pytest.mark.parametrize(("open_dbfs", "gain_db"), [(-30.0, 0.0), *(rest(*each) for each in [(-45.0, 6.0)])])
def test_a_gate_s_opening_is_told(open_dbfs, gain_db):
    """It opens at the level it is set to, whatever the recorder does to the gain; nothing else is said to open."""
    gated = Gate(open_dbfs).process(recording(played())).samples[:, 0]
    report = read_probe(recording(hissing(gated, -85.0) * 10.0 ** (gain_db / 20.0)))
    assert report.opens_dbfs == pytest.approx(open_dbfs, abs=0.5) and report.linear is False
    assert f"opens when a sine rises above {report.opens_dbfs:.1f} dBFS".replace("-", "−") in report.reason
    assert read_probe(Compressor().process(recording(played()))).opens_dbfs is None


def test_rounding_is_told_and_whose_it_is_left_open():
    """The box that rounds and the wire whose recorder does leave the same file, so the same is said of both."""
    for line in (Quantiser(16).process(recording(played())).samples[:, 0], np.rint(played() * 32768.0) / 32768.0):
        report = read_probe(recording(line))
        assert (report.kind, report.linear, report.level_free) == ("linear but for rounding", None, True)
        assert "whether it is the box that rounds or the recorder" in report.reason


def test_the_test_file_itself_tells_nothing_about_noise(tmp_path):
    write_probe(tmp_path / "probe.wav")
    report = read_probe(recording(hissing(played())), tmp_path / "probe.wav")
    assert report.kind == AS_SHOWN and report.linear is True
    assert "as far as distortion above −89 dB would show" in report.reason
    assert "There is noise at −70.1 dBFS from somewhere." in report.reason


def test_an_offset_no_recorder_makes_is_the_box_s():
    report = read_probe(recording(0.5 * hissing(played()) + 0.05))
    assert (report.kind, report.linear) == ("linear plus noise or offset", True)
    assert "adds an offset of 0.050" in report.reason
    report = read_probe(recording(played() + 0.005))
    assert report.kind == AS_SHOWN and "There is offset of 0.005 from somewhere." in report.reason
    chain = recording(hissing(played()) + 0.004)
    assert read_probe(recording(hissing(played()) + 0.005), chain).kind == "linear"
    assert read_probe(recording(hissing(played()) + 0.015), chain).kind == "linear plus noise or offset"


# ---- what moves with time --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", MOVING)
def test_a_gain_that_moves_with_time_is_not_taken_for_one_that_moves_with_level(how):
    report = read_probe(recording(moving(hissing(played(), -90.0), how)))
    assert (report.linear, report.kind, report.reference_dbfs) == (None, "cannot tell", None)
    assert (
        report.reason.startswith("The recording does not show it: the gain moved by 0.")
        and "while it was recorded" in report.reason
    )


def test_harmonics_still_tell_where_the_gain_moves():
    """x − 0.02·x³ has a third harmonic of ¼·0.02·a², −58 dB at −6 dBFS, and a gain that hardly changes."""
    line = played() - 0.02 * played() ** 3
    report = read_probe(recording(moving(line, "a step at 20 s")))
    assert (report.linear, report.kind, report.reference_dbfs) == (False, "level-dependent", None)
    assert "the gain moved by 0.50 dB while it was recorded" in report.reason


def test_a_compressor_is_one_though_the_gain_drifts():
    line = Compressor(-20.0, 3.0, 6.0).process(recording(played())).samples[:, 0]
    assert read_probe(recording(moving(line, "down by 0.3 dB"))).kind == "nonlinear"


def test_slow_tremolo_is_never_called_nonlinear():
    line = Tremolo(0.02, 0.1).process(recording(played())).samples[:, 0]
    assert read_probe(recording(line)).linear is None


@pytest.mark.parametrize("hz", [*daily((0.3, 0.7), 1)])
def test_a_slow_sway_is_told_apart_from_what_follows_the_level(hz):
    """Worked by hand: the gain is 0.4 dB · sin(2π · f · t), so it sways by 0.4 dB to either side, f times a second."""
    sway = 10.0 ** (0.4 * np.sin(2.0 * np.pi * hz * np.arange(len(played())) / RATE_HZ) / 20.0)
    report = read_probe(recording(hissing(played() * sway, -90.0)))
    assert report.kind == "linear, time-varying" and f"sways by 0.4 dB to either side at {hz} Hz" in report.reason
    held = Compressor(-20.0, 3.0, 6.0).process(recording(played())).samples[:, 0]
    bent = Saturation(0.5).process(recording(played())).samples[:, 0]
    assert read_probe(recording(held * sway)).linear is not True and read_probe(recording(bent * sway)).linear is False


def test_a_clock_converted_in_straight_lines_is_not_called_nonlinear():
    """Straight lines between samples lose cos²(π·f·t) of the highs, t being how far off a sample is, which wanders."""
    line, ppm = hissing(played(), -90.0), 30e-6
    late = np.interp(np.arange(int(len(line) * (1.0 + ppm))) / (1.0 + ppm), np.arange(len(line)), line)
    report = read_probe(recording(late))
    assert report.linear is None and "no order" in report.reason


def test_a_tail_is_told_from_noise():
    """White noise dying away by 60 dB in 1.15 s, whose sum stands 4 dB under the sound itself."""
    echo = np.random.default_rng(1).standard_normal(RATE_HZ) * np.exp(-np.arange(RATE_HZ) / 8000.0) * 0.02
    echo[0] = 1.0
    report = read_probe(recording(signal.oaconvolve(hissing(played(), -90.0), echo)[: len(played())]))
    assert report.linear is None and "reverberation" in report.reason and "less noise" not in report.reason


# ---- what cannot be read ---------------------------------------------------------------------------------------------


def cut(line):
    return line[: 40 * RATE_HZ]


def without_start(line):
    return line[3 * RATE_HZ :]


def with_hole(line, ms=30.0):
    at = 25 * RATE_HZ
    return np.concatenate([line[:at], line[at + round(ms * RATE_HZ / 1000) :]])


def dropped(line, at_s, seconds):
    line = line.copy()
    line[round(at_s * RATE_HZ) : round((at_s + seconds) * RATE_HZ)] = 0.0
    return line


REFUSED = {
    "silent": (lambda line: 1e-6 * line, "take is silent: its highest peak is −126.0 dBFS; check cables"),
    "empty of it": (lambda line: 0.1 * np.sin(np.arange(len(line)) * 0.1), "take: the marks at the end"),
    "cut at the end": (
        cut,
        "take: the marks at the end .* are missing, or the box .*; record the whole",
    ),
    "cut in the last mark": (lambda line: line[: -2 * RATE_HZ], "take: "),
    "cut at the start": (without_start, "take: the beginning of the test file is missing; start recording before"),
    "with a hole": (with_hole, r"take: 30\.0 ms are missing about \d+ s into the test file"),
    "with a small hole": (lambda line: with_hole(line, 1.0), r"take: 1\.0 ms are missing about \d+ s"),
    "with a tiny hole": (lambda line: with_hole(line, 5000.0 / RATE_HZ), r"take: 0\.10 ms are missing about \d+ s"),
    "with a silence": (lambda line: dropped(line, 20.0, 0.01), r"a gap about 20\.0 s into the test file"),
    "with a silence in the swell": (lambda line: dropped(line, 48.0, 0.25), r"a gap about 48\.0 s into the test file"),
    "with a silence in its noise": (lambda line: dropped(hissing(line), 29.5, 0.25), r"a gap about 29\.5 s into"),
    "a rectifier's": (np.abs, "take: the marks at the end .* or the box changes them beyond recognition"),
    "clipped": (lambda line: np.clip(4.0 * line, -1, 1), "take is clipped at 0.0 dBFS"),
    "far too fast": (lambda line: off_speed(line, 3000.0), "take: "),
    "at another speed": (
        lambda line: signal.resample_poly(line, 147, 160),
        r"take: the test file in it runs at 1\.088 times its speed",
    ),
}


@pytest.mark.parametrize("what", REFUSED)
def test_recordings_that_cannot_be_read_are_refused_with_a_sentence(what):
    spoil, said = REFUSED[what]
    with pytest.raises(GainlibError, match=said):
        read_probe(recording(spoil(played())))


def test_converted_recordings_say_which_rate_was_played():
    """48 kHz played, converted to 44.1 kHz by the recorder."""
    converted = signal.resample_poly(played(), 147, 160)
    with pytest.raises(GainlibError, match="written for 48000 Hz and the recording runs at 44100 Hz"):
        read_probe(recording(converted, 44100))


def test_other_files_are_refused(tmp_path):
    stereo = Audio(np.stack([played(), played()], axis=1), RATE_HZ, "take")
    with pytest.raises(GainlibError, match="take has 2 channels; record in mono"):
        read_probe(stereo)
    with pytest.raises(GainlibError, match="is at 32000 Hz; record at the test file's rate"):
        read_probe(recording(played(), 32000))
    with pytest.raises(GainlibError, match="the test file is at 96000 Hz and the recording at 48000 Hz"):
        read_probe(recording(played()), recording(Layout(96000).samples(), 96000))
    with pytest.raises(GainlibError, match="goes up to -12 dBFS"):
        read_probe(recording(played()), recording(Layout(48000, -12).samples()))
    with pytest.raises(GainlibError, match="no such file"):
        read_probe(tmp_path / "take.wav")
    (tmp_path / "take.wav").write_bytes(b"no sound at all")
    with pytest.raises(GainlibError, match=r"take\.wav"):
        read_probe(tmp_path / "take.wav")


# ---- files -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("suffix", "subtype"), [("wav", "PCM_24"), ("flac", "PCM_24"), ("wav", "FLOAT")])
def test_recordings_in_files(tmp_path, suffix, subtype):
    write(tmp_path / f"take.{suffix}", Saturation().process(recording(played())), subtype)
    report = read_probe(tmp_path / f"take.{suffix}")
    assert report.kind == "nonlinear" and report.reference_dbfs == pytest.approx(-18.0, abs=0.1)


CODERS = [("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III")]


@pytest.mark.parametrize(("form", "subtype"), CODERS)
def test_a_coder_never_makes_a_wire_nonlinear_nor_hides_a_saturator(form, subtype):
    wire = read_probe(recording(coded(played(), form, subtype)))
    assert wire.kind == "cannot tell" and wire.linear is not False and "coder" in wire.reason
    assert wire.reference_dbfs is None
    faint = played() - 0.003 * played() ** 3  # third harmonic of the loudest sine at −74 dB; by trigonometry
    assert read_probe(recording(coded(faint, form, subtype))).linear is not True, "a coder leaves out what is faint"
    bent = Saturation().process(recording(played())).samples[:, 0]
    report = read_probe(recording(coded(bent, form, subtype)))
    assert report.kind == "nonlinear"
    assert report.reference_dbfs == pytest.approx(-18.0, abs=1.0)


def test_a_lossy_file_is_known_as_one(tmp_path):
    path = tmp_path / "take.ogg"
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, "VORBIS", format="OGG") as file:
        for start in range(0, len(played()), 32768):
            file.write(played()[start : start + 32768])
    assert "lossy coder" in read_probe(path).reason
