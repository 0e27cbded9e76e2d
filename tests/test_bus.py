"""Who makes the bus peak, and the common offset: against naive sums, closed forms and a compiled loudness meter."""

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_oracle import LookAhead, Oracle, sessions

from gainlib.audio import Audio, GainlibError
from gainlib.meters import true_peak_dbtp
from gainlib.mix import common_offset, contributions
from gainlib.processors import HardClip
from gainlib.session import Group, Insert, Master, Remeter, Send, Session, Strip

RATE_HZ = 48000


def noise(seed, seconds=2.0, channels=2, amplitude=0.3):
    rng = np.random.default_rng(seed)
    samples = rng.normal(0, amplitude, (round(seconds * RATE_HZ), channels))
    return Audio(samples * (1 + np.sin(np.arange(len(samples)) / 3000))[:, np.newaxis], RATE_HZ)


def band(**changes):
    strips = [
        Strip("kick", noise(1, channels=1), fader_db=-3, to="drums", sends=Send("room", -6)),
        Strip("hats", noise(2), pan=0.3, to="drums", polarity=-1),
        Strip("bass", noise(3, channels=1, seconds=1.7), pan=-0.2, sends=Send("room", -9, "pre")),
        Strip("pad", noise(4), fader_db=2),
        Strip("rest", Audio(np.zeros(RATE_HZ), RATE_HZ)),
    ]
    groups = [Group("drums", trim_db=2, fader_db=-1, sends=Send("room", -12)), Group("room", post_trim_db=3, pan=0.4)]
    return Session(strips, groups, Master(trim_db=1, fader_db=-2)).with_(**changes)


def without(session, name):
    return session.with_(bus="float").with_(name, mute=True)


# ---------------------------------------------------------------------------------------------------- contributions


MOVES = {
    "as it is": lambda session: session,
    "other faders": lambda session: session.with_faders({"kick": -9.0, "pad": 4.0, "room": -3.0}),
    "a little over": lambda session: session.with_("bus", fader_db=-5.0),
    "a mute, a pan, fixed": lambda session: session.with_("hats", mute=True).with_("pad", pan=-1.0).with_(bus="fixed"),
    "a solo": lambda session: session.with_("bass", solo=True),
}


@pytest.mark.parametrize("move", MOVES)
def test_with_a_remeter_the_same_is_found_without_a_pass(move, monkeypatch):
    session = band().with_("rest", mute=True).with_("bus", fader_db=-14.0)
    moved, remeter = MOVES[move](session), Remeter(session)
    passed = contributions(moved, 6)
    monkeypatch.setattr("gainlib.session.trace.Trace.parts", None)  # a pass would fail
    found = contributions(moved, 6, remeter=remeter)
    for one, other in zip(found.peaks, passed.peaks, strict=True):
        assert (one.time_s, one.channel) == (other.time_s, other.channel)
        assert one.value == pytest.approx(other.value, abs=1e-7)
        assert one.strips == pytest.approx(other.strips, abs=1e-7)
    for one, other in zip((found.bus, *found.without.values()), (passed.bus, *passed.without.values()), strict=True):
        assert one.over_samples == other.over_samples
        assert one.sample_peak_dbfs == pytest.approx(other.sample_peak_dbfs, abs=1e-3)
        assert one.loudness_lufs == pytest.approx(other.loudness_lufs, abs=1e-3)
    assert found.without.keys() == passed.without.keys()


@pytest.mark.parametrize("changed", ["another trim", "a clipper", "far over", "silence", "a spike"])
def test_where_a_remeter_does_not_answer_the_bus_is_rendered(changed):
    session = band()
    remeter = Remeter(session)
    if changed == "another trim":
        session = session.with_("kick", trim_db=3.0)
    elif changed == "far over":
        session = session.with_("bus", fader_db=20.0)
    elif changed == "a clipper":
        session = session.with_("bus", inserts=(Insert(HardClip(-12.0)),))
    elif changed == "silence":
        session = session.with_faders(dict.fromkeys(["kick", "hats", "bass", "pad", "rest"], -np.inf))
        session = session.with_("bass", mute=True)
    else:
        spike = np.zeros(RATE_HZ)
        spike[[1000, 9000]] = 0.5, 0.01
        session = Session([Strip("spike", Audio(spike, RATE_HZ))])
        remeter = Remeter(session)
    assert contributions(session, remeter=remeter) == contributions(session)


def test_peaks_are_the_worst_instants_apart_from_each_other():
    session = band()
    bus = Oracle(session).bus()
    peaks = contributions(session).peaks
    assert len(peaks) == 10
    frames = [round(peak.time_s * RATE_HZ) for peak in peaks]
    assert all(frame / RATE_HZ == peak.time_s for frame, peak in zip(frames, peaks, strict=True))
    magnitudes = [abs(peak.value) for peak in peaks]
    assert magnitudes == sorted(magnitudes, reverse=True)
    assert magnitudes[0] == pytest.approx(np.abs(bus).max())
    for frame, peak in zip(frames, peaks, strict=True):
        assert peak.value == pytest.approx(bus[frame, peak.channel], abs=1e-12)
        assert abs(peak.value) == pytest.approx(np.abs(bus[max(0, frame - 24) : frame + 25]).max(), rel=0.5)
    gaps = np.diff(sorted(frames))
    assert gaps.min() >= 480
    # Nothing higher is left out: whatever lies 11 ms or more away from all of them is lower than the last.
    far = np.ones(len(bus), bool)
    for frame in frames:
        far[max(0, frame - 528) : frame + 529] = False
    assert np.abs(bus[far]).max() <= magnitudes[-1]


def test_values_are_what_each_strip_adds_and_sum_to_the_bus():
    session = band()
    alone = {
        strip.name: Oracle(session.with_(strips=[each.with_(mute=each is not strip) for each in session.strips])).bus()
        for strip in session.strips
    }
    for peak in contributions(session).peaks:
        frame = round(peak.time_s * RATE_HZ)
        assert list(peak.strips) == ["kick", "hats", "bass", "pad", "rest"]
        for name, value in peak.strips.items():
            assert value == pytest.approx(alone[name][frame, peak.channel], abs=1e-12)
        assert sum(peak.strips.values()) == pytest.approx(peak.value, abs=1e-12)
        assert peak.rest == pytest.approx(0, abs=1e-12)
        time_s, channel, value, strips = peak
        assert (time_s, channel, value, strips) == (peak.time_s, peak.channel, peak.value, peak.strips)


def loudness_by_library(samples):
    """Return the integrated loudness that libebur128 reads."""
    state = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ravel(samples), len(samples))
    return pyebur128.get_loudness_global(state)


def test_leave_one_out_equals_muting_and_measuring_elsewhere():
    session = band()
    found = contributions(session)
    assert list(found.without) == ["kick", "hats", "bass", "pad", "rest"]
    for name, figures in (*found.without.items(), (None, found.bus)):
        bus = Oracle(without(session, name) if name else session).bus()
        peak_dbfs, over_samples, loudness_lufs = figures
        assert peak_dbfs == pytest.approx(20 * np.log10(np.abs(bus).max()), abs=1e-9)
        assert over_samples == np.count_nonzero(np.abs(bus) > 1)
        assert loudness_lufs == pytest.approx(loudness_by_library(bus), abs=0.02)
    assert found.bus.over_samples > 100
    assert found.without["rest"] == found.bus


def test_a_fixed_bus_is_taken_apart_as_its_float_sum():
    assert contributions(band(bus="fixed")) == contributions(band())
    assert contributions(band(bus="fixed")).peaks[0].value ** 2 > 1


def test_muted_and_silenced_strips_have_nothing_in_the_bus():
    found = contributions(band().with_("pad", mute=True).with_("kick", solo=True).with_("bass", solo=True))
    assert {name: any(peak.strips[name] for peak in found.peaks) for name in found.without} == {
        "kick": True, "hats": False, "bass": True, "pad": False, "rest": False,
    }  # fmt: skip
    assert found.without["hats"] == found.without["pad"] == found.bus


@settings(max_examples=40)
@given(sessions(), st.integers(1, 5))
def test_any_session_is_taken_apart_as_muting_would(session, count):
    shadow = session.with_(bus="float")
    bus = shadow.render().bus.samples
    lacking = {strip.name: without(session, strip.name).render().bus.samples for strip in session.strips}
    found = contributions(session, count)
    assert len(found.peaks) <= count
    for peak in found.peaks:
        frame = round(peak.time_s * RATE_HZ)
        assert peak.value == pytest.approx(bus[frame, peak.channel], abs=1e-9)
        for name, value in peak.strips.items():
            assert value == pytest.approx((bus - lacking[name])[frame, peak.channel], abs=1e-9)
    for name, figures in found.without.items():
        peak = np.abs(lacking[name]).max()
        assert 10 ** (figures.sample_peak_dbfs / 20) == pytest.approx(peak, abs=1e-9)


def test_behind_a_clipped_group_the_rest_is_told():
    steady = Audio(np.full(RATE_HZ, 0.8), RATE_HZ)
    strips = [Strip(name, steady, pan=-1, to="g") for name in "ab"]
    found = contributions(Session(strips, [Group("g", inserts=(HardClip(), LookAhead(700)))]), 1)
    (peak,) = found.peaks
    # 0.8 + 0.8 is cut to 1; without either one it is 0.8, so each makes a change of 0.2 and 0.6 belongs to both.
    assert peak.value == pytest.approx(1)
    assert peak.strips == pytest.approx({"a": 0.2, "b": 0.2})
    assert peak.rest == pytest.approx(0.6)
    assert found.without["a"].sample_peak_dbfs == pytest.approx(20 * np.log10(0.8))


def test_silence_has_no_peaks_and_short_audio_no_loudness():
    found = contributions(Session([Strip("a", Audio(np.zeros(4800), RATE_HZ))]))
    assert found.peaks == ()
    assert found.bus.sample_peak_dbfs == -np.inf and found.bus.over_samples == 0
    assert found.bus.loudness_lufs is None


@pytest.mark.parametrize("count", [0, -1, 2.5, True, "ten"])
def test_counts_that_are_none_are_refused(count):
    with pytest.raises(GainlibError, match="give a whole number of peaks"):
        contributions(band(), count)


# ---------------------------------------------------------------------------------------------------- common offset


def moved(session, offset_db):
    return session.with_faders({strip.name: strip.fader_db + offset_db for strip in session.strips})


def plain(**changes):
    return band(**changes).with_("bass", sends=())


@pytest.mark.parametrize("target_dbtp", [-1.0, -6.0, -20.0])
@pytest.mark.parametrize("bus", ["float", "fixed"])
def test_the_offset_brings_the_bus_to_its_target(bus, target_dbtp):
    session = plain(bus=bus).with_("bus", trim_db=0, fader_db=0)
    offset_db = common_offset(session, target_dbtp)
    trace = moved(session, offset_db).render()
    assert true_peak_dbtp(trace.bus) == pytest.approx(target_dbtp, abs=1e-6)
    before, after = session.render(), trace
    for name in ("hats", "pad"):
        ratio = after.audio(f"{name}/out").samples / before.audio(f"{name}/out").samples
        np.testing.assert_allclose(20 * np.log10(ratio), offset_db, atol=1e-9)


def test_an_offset_read_from_the_clipped_bus_would_be_too_small():
    # A clipped sum no longer tells how far it was over: one pass on it leaves the bus above its target.
    session = plain(bus="fixed").with_("bus", trim_db=0, fader_db=0)
    assert true_peak_dbtp(session.with_(bus="float").render().bus) > 3
    naive_db = -6 - true_peak_dbtp(session.render().bus)
    assert true_peak_dbtp(moved(session, naive_db).render().bus) > -5
    assert common_offset(session) < naive_db - 1


def test_the_offset_is_the_distance_of_a_steady_sine():
    # A sine at the alignment level, −18 dBFS peak in one channel, stands 12 dB below −6 dBTP.
    tone = Audio(10 ** (-18 / 20) * np.sin(2 * np.pi * 997 / RATE_HZ * np.arange(RATE_HZ)), RATE_HZ)
    assert common_offset(Session([Strip("tone", tone, pan=1)])) == pytest.approx(12, abs=0.01)
    centred = Session([Strip("tone", tone)])
    assert common_offset(centred) == pytest.approx(12 + 3.01, abs=0.01)


def test_a_pre_fader_send_that_reaches_the_bus_is_searched_around():
    session = band().with_("bass", sends=Send("room", -24, "pre"))
    offset_db = common_offset(session, -6)
    assert true_peak_dbtp(moved(session, offset_db).render().bus) == pytest.approx(-6, abs=0.01)
    shift_db = -6 - true_peak_dbtp(session.render().bus)
    assert abs(offset_db - shift_db) > 0.2


def test_a_clipping_master_is_searched_around():
    session = plain(master=Master(inserts=Insert(HardClip(-1)), trim_db=6))
    offset_db = common_offset(session, -6)
    assert true_peak_dbtp(moved(session, offset_db).render().bus) == pytest.approx(-6, abs=0.01)
    assert -6 - true_peak_dbtp(session.render().bus) > offset_db + 3


def test_what_no_offset_can_reach_is_refused():
    with pytest.raises(GainlibError, match="the bus is silent"):
        common_offset(Session([Strip("a", noise(1), mute=True)]))
    ahead = Session([Strip("a", noise(1), fader_db=-90, to=(), sends=Send("g", 6, "pre"))], [Group("g")])
    with pytest.raises(GainlibError, match=r"stays above -6 dBTP.*ahead of the faders"):
        common_offset(ahead)
    with pytest.raises(GainlibError, match="stays below"):
        common_offset(plain(master=Master(inserts=Insert(HardClip(-20)))), -6)
    with pytest.raises(GainlibError, match="target_dbtp is nan"):
        common_offset(plain(), float("nan"))
