"""Rendering: against a second, naive way, against closed forms, in any block size, within little memory."""

import shutil
import threading
import tracemalloc

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from session_oracle import LookAhead, Oracle, sessions

from gainlib.audio import Audio, AudioFile, GainlibError
from gainlib.meters import rms_dbfs, sample_peak_dbfs
from gainlib.processors import DCBlock, HardClip, Saturation
from gainlib.session import Group, Insert, Master, Send, Session, Strip, render

RATE_HZ = 48000


def sine(frequency_hz=1000, amplitude=1.0, phase=0.0, frames=4800):
    return Audio(amplitude * np.sin(2 * np.pi * frequency_hz / RATE_HZ * np.arange(frames) + phase), RATE_HZ)


def level(trace, node):
    return rms_dbfs(trace.audio(node))


# ---------------------------------------------------------------------------------------------- against a naive way


@settings(max_examples=100)
@given(sessions(solo=False))
def test_every_sum_and_tap_equals_the_naive_way(session):
    trace, naive = session.render(), Oracle(session)
    np.testing.assert_allclose(trace.bus.samples, naive.bus(), atol=1e-9)
    np.testing.assert_allclose(trace.audio("bus/in").samples, naive.total("bus"), atol=1e-9)
    for channel in (*session.strips, *session.groups):
        name = channel.name
        np.testing.assert_allclose(trace.audio(f"{name}/trim").samples, naive.trimmed(channel), atol=1e-9)
        np.testing.assert_allclose(trace.audio(f"{name}/post").samples, naive.post(channel), atol=1e-9)
        np.testing.assert_allclose(trace.audio(f"{name}/out").samples, naive.out(channel), atol=1e-9)
        for send in channel.sends:
            np.testing.assert_allclose(
                trace.audio(f"{name}/send {send.to}").samples, naive.send(channel, send), atol=1e-9
            )
    for group in session.groups:
        np.testing.assert_allclose(trace.audio(f"{group.name}/in").samples, naive.total(group.name), atol=1e-9)


def test_strips_side_by_side_add_up_as_one_after_the_other(monkeypatch):
    """To the last bit; and a run that is broken off leaves no thread."""
    noise = np.random.default_rng(1).uniform(-0.3, 0.3, (3, 9000, 2))
    strips = [Strip(str(k), Audio(each, RATE_HZ), inserts=(Saturation(),), pan=0.3 * k) for k, each in enumerate(noise)]
    session = Session([*strips, Strip("plain", sine())], [Group("bus 2", inserts=(Saturation(),))])
    buses = []
    for cores in (1, 2, 9):
        monkeypatch.setattr(render, "cores", lambda cores=cores: cores)
        buses.append(session.render(block_frames=500).bus.samples)
    assert np.array_equal(buses[0], buses[1]) and np.array_equal(buses[0], buses[2])
    before = threading.active_count()
    blocks = session.render().blocks("bus", 500)
    next(blocks)
    assert threading.active_count() > before
    blocks.close()
    broken = session.with_strip(strips[1].with_(audio=Broken(noise[1], RATE_HZ)))
    with pytest.raises(GainlibError, match="the disk is gone"):
        broken.render().levels(["bus"], ["rms"])
    assert threading.active_count() == before


class Broken(Audio):
    """Audio that ends with an error on the way."""

    def blocks(self, *arguments, **options):
        yield next(super().blocks(1000))
        raise GainlibError("the disk is gone")


@settings(max_examples=60)
@given(sessions(), st.integers(1, 120))
def test_block_size_changes_nothing(session, block_frames):
    whole, pieces = session.render(), session.render(block_frames=block_frames)
    one_go, blocks = whole.audios(whole.nodes), pieces.audios(pieces.nodes)
    for node in whole.nodes:
        np.testing.assert_allclose(blocks[node].samples, one_go[node].samples, rtol=0, atol=1e-12)


@settings(max_examples=40)
@given(sessions(), st.data())
def test_a_node_alone_equals_the_node_among_all(session, data):
    trace = session.render()
    node = data.draw(st.sampled_from(trace.nodes))
    alone = trace.audio(node)
    together = session.render().audios(trace.nodes)[node]
    # Gains in a row are multiplied first, so the last bits depend on which nodes in between are shown.
    np.testing.assert_allclose(alone.samples, together.samples, rtol=1e-13, atol=1e-15)
    assert (alone.frames, alone.rate_hz, alone.name) == (session.frames, RATE_HZ, node)
    assert alone.samples.dtype == np.float64


@settings(max_examples=40)
@given(sessions(), st.integers(1, 300))
def test_streamed_blocks_are_even_and_complete(session, block_frames):
    trace = session.render()
    pieces = list(trace.blocks("bus", block_frames))
    assert all(len(piece) == block_frames for piece in pieces[:-1])
    np.testing.assert_array_equal(np.concatenate(pieces), trace.bus.samples)


@settings(max_examples=60)
@given(sessions(linear=True))
def test_a_linear_session_is_the_sum_of_its_strips(session):
    total = np.zeros((session.frames, 2))
    for kept in session.strips:
        alone = [strip.with_(mute=strip.mute or strip is not kept) for strip in session.strips]
        total += session.with_(strips=alone).render().bus.samples
    np.testing.assert_allclose(session.render().bus.samples, total, atol=1e-9)


# -------------------------------------------------------------------------------------------- against closed forms


def test_two_equal_tracks_add_6_dB_and_two_unrelated_ones_3():
    # Handbook sums: 20·lg 2 = 6.0206 dB for equal signals, 10·lg 2 = 3.0103 dB for unrelated ones of equal level.
    same = Session([Strip(name, sine(), pan=-1) for name in "ab"]).render()
    other = Session([Strip("a", sine(), pan=-1), Strip("b", sine(phase=np.pi / 2), pan=-1)]).render()
    left = Session([Strip("a", sine(), pan=-1)]).render()
    assert level(same, "bus") - level(left, "bus") == pytest.approx(6.0206, abs=1e-3)
    assert level(other, "bus") - level(left, "bus") == pytest.approx(3.0103, abs=1e-3)


def test_opposite_polarity_nulls():
    session = Session([Strip("a", sine()), Strip("b", sine(), polarity=-1)])
    assert not session.render().bus.samples.any()


@pytest.mark.parametrize("count", [2, 16, 24, 32])
def test_n_unrelated_tracks_add_as_powers(count):
    # 10·lg N (handbook): 16 tracks 12.04 dB, 24 tracks 13.80, 32 tracks 15.05.
    strips = [Strip(str(k), sine(frequency_hz=100 * (k + 1)), pan=1) for k in range(count)]
    bus = level(Session(strips).render(), "bus")
    assert bus - level(Session(strips[:1]).render(), "bus") == pytest.approx(10 * np.log10(count), abs=1e-3)


def test_parallel_copy_needs_the_amplitude_sum_taken_off():
    # −20·lg(1 + 10^(−p/20)) brings the sum of a path and its copy p dB below back; p = 6 gives −3.53 dB (handbook).
    dry = Session([Strip("a", sine())])
    both = Session([Strip("a", sine(), sends=Send("copy", -6))], [Group("copy")], Master(fader_db=-3.53))
    assert level(both.render(), "bus") == pytest.approx(level(dry.render(), "bus"), abs=0.005)


def test_dc_block_is_first_order_at_5_Hz():
    # First-order high-pass: −3.01 dB at its corner, −0.17 dB two octaves above, τ = 1/(2π·5 Hz) = 31.8 ms.
    def gain_db(frequency_hz):
        strip = Strip("a", sine(frequency_hz, frames=10 * RATE_HZ), dc_block=True)
        tail = Session([strip]).render().audio("a/trim").samples[5 * RATE_HZ :]
        return 10 * np.log10(2 * np.mean(tail**2))

    assert gain_db(5) == pytest.approx(-3.0103, abs=0.01)
    assert gain_db(20) == pytest.approx(-10 * np.log10(1 + 1 / 16), abs=0.01)
    assert gain_db(1000) == pytest.approx(0, abs=0.001)
    offset = Session([Strip("a", Audio(np.full(RATE_HZ, 0.05), RATE_HZ), dc_block=True)]).render().audio("a/trim")
    assert offset.samples[round(RATE_HZ / (2 * np.pi * 5)), 0] / 0.05 == pytest.approx(np.exp(-1), abs=1e-3)
    assert abs(offset.samples[-1, 0]) < 1e-9
    assert DCBlock(5) == DCBlock() and DCBlock.linear


# ----------------------------------------------------------------------------------------------- order and routing


def test_the_order_of_a_strip_is_kept_node_by_node():
    strip = Strip(
        "a",
        Audio(np.full(10, -0.5), RATE_HZ),
        polarity=-1,
        trim_db=6,
        inserts=(Insert(HardClip(-6), in_db=3, out_db=2), Insert(HardClip(-40), in_db=9, out_db=9, bypass=True)),
        post_trim_db=1,
        fader_db=-2,
        pan=-1,
        sends=(Send("pre", -4, "pre"), Send("post", -4, "post")),
    )
    trace = Session([strip], [Group("pre", to=()), Group("post", to=())], Master(trim_db=-3, fader_db=-5)).render()

    def at(node):
        return trace.audio(node).samples[0, 0]

    def ratio(level_db):
        return 10 ** (level_db / 20)

    assert at("a/source") == -0.5
    assert at("a/trim") == pytest.approx(0.5 * ratio(6))
    assert at("a/insert 1/in") == pytest.approx(0.5 * ratio(9))
    assert at("a/insert 1/out") == pytest.approx(ratio(-6 + 2))
    assert at("a/insert 2/in") == at("a/insert 2/out") == at("a/insert 1/out")
    assert at("a/post") == pytest.approx(ratio(-6 + 2 + 1))
    assert at("a/out") == pytest.approx(ratio(-6 + 2 + 1 - 2))
    centre = np.sqrt(0.5)  # a send leaves ahead of the pan and arrives in the centre
    assert at("a/send pre") == pytest.approx(centre * ratio(-6 + 2 + 1 - 4))
    assert at("a/send post") == pytest.approx(centre * ratio(-6 + 2 + 1 - 2 - 4))
    assert at("pre/in") == at("a/send pre")
    assert at("bus/in") == at("a/out")
    assert at("bus/trim") == pytest.approx(at("bus/in") * ratio(-3))
    assert at("bus") == pytest.approx(at("bus/in") * ratio(-8))
    assert trace.nodes == (
        *("a/source", "a/trim", "a/insert 1/in", "a/insert 1/out", "a/insert 2/in", "a/insert 2/out", "a/post"),
        *("a/out", "a/send pre", "a/send post", "pre/in", "pre/trim", "pre/post", "pre/out"),
        *("post/in", "post/trim", "post/post", "post/out", "bus/in", "bus/trim", "bus"),
    )


def test_fixed_bus_clips_every_sum_ahead_of_its_trim():
    loud = [Strip(name, Audio(np.full(10, 0.9), RATE_HZ), pan=-1, to="group") for name in "ab"]
    groups = [Group("group", trim_db=-6, to=("bus",))]
    session = Session([*loud, Strip("c", Audio(np.full(10, 0.9), RATE_HZ), pan=-1)], groups, Master(trim_db=-6))
    floating, fixed = session.render(), session.with_(bus="fixed").render()
    assert floating.audio("group/in").samples[0, 0] == pytest.approx(1.8)
    assert fixed.audio("group/in").samples[0, 0] == 1.0
    half = 10 ** (-6 / 20)
    assert floating.bus.samples[0, 0] == pytest.approx((1.8 * half + 0.9) * half)
    assert fixed.audio("bus/in").samples[0, 0] == 1.0
    assert fixed.bus.samples[0, 0] == pytest.approx(half)
    assert sample_peak_dbfs(fixed.audio("a/out")) == pytest.approx(20 * np.log10(0.9))


def test_inserts_in_groups_and_master_work_on_their_sums():
    strips = [Strip(name, Audio(np.full(10, 0.4), RATE_HZ), pan=-1, to="g") for name in "ab"]
    session = Session(strips, [Group("g", inserts=HardClip(-6))], Master(inserts=Insert(HardClip(-12), in_db=-3)))
    trace = session.render()
    assert trace.audio("g/insert 1/in").samples[0, 0] == pytest.approx(0.8)
    assert trace.audio("g/out").samples[0, 0] == pytest.approx(10 ** (-6 / 20))
    assert trace.audio("bus/insert 1/in").samples[0, 0] == pytest.approx(10 ** (-9 / 20))
    assert trace.bus.samples[0, 0] == pytest.approx(10 ** (-12 / 20))


def test_lines_of_different_delay_meet_in_time():
    pulse = np.zeros(1000)
    pulse[500] = 1
    audio = Audio(pulse, RATE_HZ)
    session = Session(
        [Strip("dry", audio), Strip("held", audio, inserts=LookAhead(333), to="g")],
        [Group("g", inserts=LookAhead(150))],
        Master(inserts=LookAhead(77)),
    )
    for block_frames in (64, 16384):
        bus = session.render(block_frames).bus.samples
        assert np.flatnonzero(bus[:, 0]).tolist() == [500]
        assert bus[500, 0] == pytest.approx(2 * np.sqrt(0.5))


def test_mute_silences_both_taps_and_nothing_ahead():
    strip = Strip("a", sine(), sends=(Send("pre", 0, "pre"), Send("post")), mute=True)
    trace = Session([strip], [Group("pre"), Group("post")]).render()
    assert trace.audio("a/trim").samples.any()
    for node in ("a/post", "a/out", "a/send pre", "a/send post", "pre/in", "bus"):
        assert not trace.audio(node).samples.any(), node


def test_solo_keeps_groups_and_returns_open():
    strips = [
        Strip("a", sine(400), to="g", sends=Send("room")),
        Strip("b", sine(600), to="g", sends=Send("room", tap="pre")),
        Strip("c", sine(800)),
    ]
    session = Session(strips, [Group("g"), Group("room")])
    solo = session.with_("a", solo=True).render()
    alone = session.with_("b", mute=True).with_("c", mute=True).render()
    np.testing.assert_array_equal(solo.bus.samples, alone.bus.samples)
    for node in ("b/post", "b/out", "b/send room", "c/out"):
        assert not solo.audio(node).samples.any(), node
    both = session.with_("a", solo=True).with_("c", solo=True).render()
    np.testing.assert_array_equal(both.bus.samples, session.with_("b", mute=True).render().bus.samples)
    assert not session.with_("a", solo=True, mute=True).render().bus.samples.any()


def test_a_soloed_return_is_heard_with_its_feeds_and_without_the_dry_ways():
    strips = [Strip("a", sine(400), sends=Send("room", -3)), Strip("b", sine(600), to="g")]
    groups = [Group("g", sends=Send("room", -6)), Group("room"), Group("cue", to=())]
    trace = Session(strips, groups).with_("room", solo=True).render()
    np.testing.assert_array_equal(trace.audio("bus/in").samples, trace.audio("room/out").samples)
    assert trace.audio("a/send room").samples.any() and trace.audio("g/send room").samples.any()
    assert not trace.audio("a/out").samples.any()


def test_unequal_lengths_are_padded_and_noted():
    session = Session([Strip("long", sine(frames=4800)), Strip("short", sine(frames=2400))])
    trace = session.render()
    assert trace.frames == 4800
    assert trace.notes == ("'short' ends 0.050 s (2400 frames) ahead of the longest strip; it is padded with silence",)
    assert trace.audio("short/source").frames == 4800
    assert not trace.audio("short/source").samples[2400:].any()
    assert Session([Strip("long", sine())]).render().notes == ()


@pytest.mark.parametrize(
    ("node", "words"),
    [
        ("kick/uot", "did you mean 'kick/out'"),
        ("bus/out", "did you mean 'bus"),
        ("kik/post", "did you mean 'kick/post'"),
    ],
)
def test_an_unknown_node_is_answered_with_the_nearest(node, words):
    trace = Session([Strip("kick", sine())]).render()
    for ask in (trace.audio, trace.reading, trace.blocks):
        with pytest.raises(GainlibError, match=words):
            ask(node)


def test_readings_are_the_meters_of_the_node():
    trace = Session([Strip("kick", sine(frames=RATE_HZ), pan=-1, fader_db=-3)]).render()
    reading = trace.reading("kick/out")
    assert reading.sample_peak_dbfs == pytest.approx(-3, abs=1e-3)
    # A 0 dBFS sine in one channel of two: the channels' powers are averaged, 10·lg ½ = −3.01 dB (handbook).
    assert reading.rms_dbfs == pytest.approx(-3 - 3.0103, abs=1e-3)
    assert trace.readings(["kick/out"])["kick/out"] == reading
    assert set(trace.readings()) == set(trace.nodes)


def test_many_stems_from_files_need_little_memory(tmp_path):
    frames = 5 * RATE_HZ
    samples = np.random.default_rng(1).uniform(-0.1, 0.1, (frames, 2))
    soundfile.write(tmp_path / "0.wav", samples, RATE_HZ, "PCM_24")
    for k in range(1, 48):
        shutil.copy(tmp_path / "0.wav", tmp_path / f"{k}.wav")
    session = Session([Strip(str(k), AudioFile(tmp_path / f"{k}.wav")) for k in range(48)])
    tracemalloc.start()
    bus = session.render().bus
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    np.testing.assert_allclose(bus.samples, 48 * samples, atol=1e-4)
    held = 48 * samples.nbytes
    assert peak < held / 4, f"{peak / 1e6:.0f} MB while all stems together are {held / 1e6:.0f} MB"
