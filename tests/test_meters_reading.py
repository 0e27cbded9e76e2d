"""The reading as a whole: fields, one pass wherever it is cut, every rate and width, silence, short clips, speed."""

import dataclasses
import math
import re
import threading
import time

import numpy as np
import pytest
from misfits import MISFITS
from pace import assert_within

from gainlib import meters, signals
from gainlib.audio import Audio, AudioFile, GainlibError, write
from gainlib.meters import NodeMeter, Reading, measure, reading
from gainlib.meters.reading import EVERY, every_meter

FIELDS = [
    "sample_peak_dbfs",
    "true_peak_dbtp",
    "rms_dbfs",
    "active_dbfs",
    "activity",
    "crest_db",
    "active_crest_db",
    "hover_vu",
    "needle_max_vu",
    "loudness_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "loudness_range_lu",
    "dc_offset",
    "flat_runs",
]
RATES_HZ = (8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000)


def test_the_fields_stand_in_their_order_and_cannot_be_changed():
    assert [field.name for field in dataclasses.fields(Reading)] == FIELDS
    reading = measure(signals.tone())
    with pytest.raises(dataclasses.FrozenInstanceError):
        reading.rms_dbfs = 0.0
    assert isinstance(reading.flat_runs, int)
    assert all(type(getattr(reading, name)) in (float, int, type(None)) for name in FIELDS)


def test_each_meter_by_itself_reads_the_same():
    audio = signals.pink_noise(-12.0, 4.0, 44100, channels=2)
    reading = measure(audio, -20.0)
    assert meters.sample_peak_dbfs(audio) == reading.sample_peak_dbfs
    assert meters.true_peak_dbtp(audio) == reading.true_peak_dbtp
    assert meters.rms_dbfs(audio) == reading.rms_dbfs
    assert meters.active_level(audio) == (reading.active_dbfs, reading.activity)
    assert meters.vu_needle(audio, -20.0).highest == reading.needle_max_vu
    assert meters.hover(meters.vu_needle(audio, -20.0).value) == reading.hover_vu
    assert meters.integrated_lufs(audio) == reading.loudness_lufs
    assert meters.momentary(audio).highest == reading.momentary_max_lufs
    assert meters.short_term(audio).highest == reading.short_term_max_lufs
    assert meters.loudness_range_lu(audio) == reading.loudness_range_lu
    assert meters.flat_runs(audio) == reading.flat_runs


def all_meters(rate_hz, channels):
    return NodeMeter(rate_hz, channels, EVERY)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 44100, 48000, 96000])
@pytest.mark.parametrize("channels", [1, 2, 6])
def test_where_the_signal_is_cut_changes_nothing(rate_hz, channels):
    audio = signals.pink_noise(-6.0, 3.3, rate_hz, channels=channels)
    audio = audio.with_samples(audio.samples.clip(-0.5, 0.6) + 0.01)
    meter = all_meters(rate_hz, channels)
    rng = np.random.default_rng(rate_hz)
    for part in np.array_split(audio.samples, np.sort(rng.integers(0, audio.frames, 40))):
        meter.push(part)
    assert every_meter(meter.result()) == measure(audio)
    assert meter.result() == meter.result()


@pytest.mark.parametrize("cores", [1, 2, 3, 8])
def test_meters_side_by_side_read_as_one_after_the_other(cores, monkeypatch):
    audio = signals.pink_noise(-6.0, 7.0, channels=2)
    audio, meter = audio.with_samples(audio.samples.clip(-0.5, 0.6)), all_meters(48000, 2)
    meter.push(audio.samples)
    monkeypatch.setattr(reading, "cores", lambda: cores)
    seen = []

    class Watched(Audio):
        def blocks(self, *arguments):
            for block in super().blocks(*arguments):
                seen.append(threading.active_count())
                yield block

    before = threading.active_count()
    assert measure(Watched(audio.samples, 48000)) == every_meter(meter.result())
    assert max(seen) == before + (0 if cores == 1 else min(cores, 5))
    assert threading.active_count() == before


@pytest.mark.parametrize("error", [KeyboardInterrupt, GainlibError, MemoryError])
def test_a_measurement_that_is_broken_off_leaves_no_thread(error, monkeypatch):
    monkeypatch.setattr(reading, "cores", lambda: 2)
    before = threading.active_count()

    class Broken(Audio):
        def blocks(self, *arguments):
            yield from list(super().blocks(*arguments))[:3]
            raise error

    with pytest.raises(error):
        measure(Broken(np.zeros((500_000, 2)), 48000))
    with pytest.raises(GainlibError, match=r"a block of shape \(32768, 1\)"):
        all_meters(48000, 2).feed(Audio(np.zeros((500_000, 1)), 48000))
    monkeypatch.setattr(meters.LoudnessMeter, "push", lambda meter, block: (_ for _ in ()).throw(error))
    with pytest.raises(error):
        measure(Audio(np.zeros((500_000, 2)), 48000))
    assert threading.active_count() == before


def test_reading_on_the_way_does_not_disturb_what_follows():
    audio = signals.pink_noise(-20.0, 2.0, channels=2)
    meter = all_meters(48000, 2)
    for part in np.array_split(audio.samples, 7):
        meter.push(part)
        meter.result()
    assert every_meter(meter.result()) == measure(audio)


def test_single_precision_reads_like_double():
    double = signals.pink_noise(-20.0, 4.0, channels=2)
    single = double.with_samples(double.samples.astype(np.float32))
    for one, other in zip(dataclasses.astuple(measure(double)), dataclasses.astuple(measure(single)), strict=True):
        assert one == pytest.approx(other, abs=1e-5)


def test_a_file_is_measured_like_its_samples(tmp_path):
    audio = signals.pink_noise(-20.0, 3.5, 44100, channels=2)
    audio = audio.with_samples(audio.samples.astype(np.float32))
    write(tmp_path / "noise.wav", audio, subtype="FLOAT")
    assert measure(AudioFile(tmp_path / "noise.wav")) == measure(audio)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_sine_reads_alike_at_every_rate(rate_hz):
    reading = measure(signals.tone(997, -18.0, 4.0, rate_hz, channels=2))
    assert reading.sample_peak_dbfs == pytest.approx(-18.0, abs=0.001)
    assert reading.true_peak_dbtp == pytest.approx(-18.0, abs=0.06)
    assert reading.rms_dbfs == pytest.approx(-18.0, abs=1e-6)
    assert reading.active_dbfs == pytest.approx(-18.0, abs=0.001)
    assert reading.crest_db == pytest.approx(10 * math.log10(2), abs=0.001)
    assert reading.hover_vu == pytest.approx(0.0, abs=0.02)
    # The movement overshoots by 1 to 1.5 % (IEC 60268-17).
    assert 0.08 < reading.needle_max_vu < 0.13
    assert reading.loudness_lufs == pytest.approx(-18.0, abs=0.01)
    assert reading.momentary_max_lufs == pytest.approx(-18.0, abs=0.02)
    assert reading.short_term_max_lufs == pytest.approx(-18.0, abs=0.02)
    assert reading.loudness_range_lu == pytest.approx(0.0, abs=0.01)
    assert reading.dc_offset == pytest.approx(0.0, abs=1e-9)
    assert (reading.activity, reading.flat_runs) == (1.0, 0)


@pytest.mark.parametrize("channels", range(1, 9))
def test_equal_channels_read_as_one(channels):
    one = measure(signals.pink_noise(-20.0, 3.5, seed=1))
    line = signals.pink_noise(-20.0, 3.5, seed=1).samples
    many = measure(Audio(np.repeat(line, channels, axis=1), 48000))
    for name in FIELDS[:9]:
        assert getattr(many, name) == pytest.approx(getattr(one, name), abs=1e-9)
    gain_db = 10 * math.log10(meters.channel_weights(channels).sum())
    for name in ("loudness_lufs", "momentary_max_lufs", "short_term_max_lufs"):
        assert getattr(many, name) == pytest.approx(getattr(one, name) + gain_db, abs=1e-6)
    assert many.flat_runs == channels * one.flat_runs


@pytest.mark.parametrize("duration_s", [0.02, 0.35, 2.0, 5.0])
@pytest.mark.parametrize("channels", [1, 2])
def test_digital_silence(duration_s, channels):
    reading = measure(signals.silence(duration_s, channels=channels))
    for name in ("sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "active_dbfs", "needle_max_vu"):
        assert getattr(reading, name) == -math.inf
    assert reading.crest_db is reading.active_crest_db is reading.loudness_range_lu is None
    assert reading.loudness_lufs == reading.momentary_max_lufs == (-math.inf if duration_s >= 0.4 else None)
    assert reading.short_term_max_lufs == (-math.inf if duration_s >= 3.0 else None)
    assert reading.hover_vu == (-math.inf if duration_s >= 0.3 else None)
    assert (reading.activity, reading.dc_offset, reading.flat_runs) == (0.0, 0.0, 0)


def test_under_minus_90_dbfs_counts_as_silent_for_active_hover_and_activity():
    reading = measure(signals.tone(997, -90.5, 4.0))
    assert reading.active_dbfs == reading.hover_vu == -math.inf
    assert (reading.activity, reading.active_crest_db) == (0.0, None)
    assert reading.rms_dbfs == pytest.approx(-90.5, abs=1e-4)
    assert reading.sample_peak_dbfs == pytest.approx(-90.5, abs=1e-3)
    assert reading.crest_db == pytest.approx(3.01, abs=0.01)
    audible = measure(signals.tone(997, -89.5, 4.0))
    assert audible.active_dbfs == pytest.approx(-89.5, abs=1e-3)
    assert audible.activity == 1.0


@pytest.mark.parametrize(
    ("duration_s", "missing"),
    [
        (0.05, FIELDS[7:8] + FIELDS[9:13]),
        (0.2, FIELDS[7:8] + FIELDS[9:13]),
        (0.35, FIELDS[9:13]),
        (2.9, FIELDS[11:13]),
        (3.0, []),
    ],
)
def test_what_a_short_clip_leaves_undefined(duration_s, missing):
    reading = measure(signals.tone(997, -20.0, duration_s))
    assert [name for name in FIELDS if getattr(reading, name) is None] == missing
    if duration_s < 0.1:
        assert (reading.active_dbfs, reading.activity) == (reading.rms_dbfs, 1.0)


def test_a_single_frame_has_a_reading():
    reading = measure(Audio(np.array([[0.5, -0.25]]), 48000))
    assert reading.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-4)
    assert reading.dc_offset == 0.5
    assert reading.rms_dbfs == -math.inf


def test_samples_beyond_full_scale_are_measured():
    reading = measure(signals.tone(997, 12.0, 1.0))
    assert reading.sample_peak_dbfs == pytest.approx(12.0, abs=1e-3)
    assert reading.rms_dbfs == pytest.approx(12.0, abs=1e-6)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_never_reaches_a_meter(bad):
    samples = np.zeros(1000)
    samples[500] = bad
    with pytest.raises(GainlibError, match="frame 500"):
        measure(Audio(samples, 48000))


EACH = {
    meters.AverageMeter: lambda meter: meter.result(),
    meters.FlatRunMeter: lambda meter: meter.count(),
    meters.LoudnessMeter: lambda meter: meter.momentary().value.tolist(),
    meters.NeedleMeter: lambda meter: meter.series().value.tolist(),
    meters.QuasiPeakMeter: lambda meter: meter.series().value.tolist(),
    meters.TruePeakMeter: lambda meter: meter.magnitude(),
    all_meters: lambda meter: meter.result(),
}


@pytest.mark.parametrize("kind", EACH, ids=lambda kind: kind.__name__)
def test_a_block_of_another_shape_is_refused_and_leaves_the_meter_as_it_was(kind):
    samples = signals.pink_noise(-20.0, 0.6, channels=3).samples
    for channels, shape in MISFITS:
        meter, other = kind(48000, channels), kind(48000, channels)
        meter.push(samples[:9000, :channels])
        with pytest.raises(GainlibError, match=re.escape(f"a block of shape {shape}")) as told:
            meter.push(np.ones(shape))
        assert "(frames, " in str(told.value), "and which shape would do"
        meter.push(samples[9000:, :channels])
        other.push(samples[:, :channels])
        assert EACH[kind](meter) == EACH[kind](other)
    with pytest.raises(GainlibError, match="samples are int16; give float32 or float64"):
        kind(48000, 1).push(np.ones((64, 1), np.int16))


@pytest.mark.parametrize("kind", EACH, ids=lambda kind: kind.__name__)
def test_a_line_of_samples_is_mono(kind):
    """As for Audio, which takes shape (frames,) for one channel."""
    samples = signals.pink_noise(-20.0, 0.6).samples
    line, column = kind(48000, 1), kind(48000, 1)
    line.push(samples[:, 0])
    column.push(samples)
    assert EACH[kind](line) == EACH[kind](column)


@pytest.mark.parametrize("kind", [*EACH, meters.KFilter], ids=lambda kind: kind.__name__)
def test_a_meter_wants_a_rate_and_a_number_of_channels(kind):
    for rate_hz in (0, 44100.5, math.nan, True, "48000"):
        with pytest.raises(GainlibError, match="must be a positive whole number of Hz"):
            kind(rate_hz, 1)
    for channels in (0, 9, 1.5, True, None):
        with pytest.raises(GainlibError, match=f"a run of {channels!r} channels; give a whole number from 1 to 8"):
            kind(48000, channels)


def test_the_k_filter_refuses_a_block_of_another_shape():
    weigh = meters.KFilter(48000, 2)
    for shape in ((64, 1), (64,), (64, 3), (8, 2, 2)):
        with pytest.raises(GainlibError, match=re.escape(f"a block of shape {shape}")):
            weigh(np.ones(shape))


@pytest.mark.timed
def test_five_minutes_of_stereo_take_well_under_a_second(capsys):
    audio = signals.pink_noise(-20.0, 300.0, channels=2)

    def spent_s():
        spent, passed = time.process_time(), time.perf_counter()
        reading = measure(audio)
        spent, passed = time.process_time() - spent, time.perf_counter() - passed
        with capsys.disabled():
            print(f"\nevery meter over 5 min of stereo at 48 kHz: {spent:.2f} s of processor, {passed:.2f} s passed")
        assert reading.rms_dbfs == pytest.approx(-20.0, abs=1e-6)
        return spent

    assert_within(2.0, spent_s)
