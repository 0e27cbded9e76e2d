"""The remeter gives what measuring the rendered bus gives, whatever moves.

The other side of every comparison is the long way: render the whole session and measure its bus. That the long way is
right is checked against standards in the tests of meters and sessions.
"""

import re

import numpy as np
import pytest

from gainlib.audio import Audio, AudioFile, GainlibError, write
from gainlib.meters import measure
from gainlib.processors import Delay, Filter, HardClip, Reverb
from gainlib.session import BusReading, Group, Insert, Master, Remeter, Send, Session, Strip

LEVELS = (
    "sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "loudness_lufs", "momentary_max_lufs", "short_term_max_lufs",
)  # fmt: skip
MOVES_EACH = 112  # times the nine sessions below: 1,000 moves and a few


def stem(seed, frames, channels, rate_hz=48000):
    """Return a made-up stem: a swelling tone, noise bursts, a little offset."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(frames)[:, np.newaxis] / rate_hz
    tone = np.sin(2 * np.pi * rng.uniform(40, 4000) * time_s + rng.uniform(0, 6, channels))
    swell = np.sin(2 * np.pi * rng.uniform(0.2, 3) * time_s + rng.uniform(0, 6)) ** 2
    burst = rng.standard_normal((frames, channels)) * (np.sin(2 * np.pi * rng.uniform(1, 4) * time_s) > 0.9)
    samples = 0.3 * tone * swell + 0.08 * burst + rng.uniform(-0.01, 0.01)
    return Audio(samples.astype(np.float32 if seed % 2 else np.float64), rate_hz)


def strips(count, frames, rate_hz=48000, **common):
    """Return strips of mixed widths and lengths at different settings."""
    rng = np.random.default_rng(count)
    return tuple(
        Strip(
            f"s{k}",
            stem(k, frames - 37 * k, 1 + k % 2, rate_hz),
            polarity=-1 if k % 3 == 2 else 1,
            trim_db=float(rng.uniform(-6, 6)),
            fader_db=float(rng.uniform(-12, 3)),
            pan=float(rng.uniform(-1, 1)),
            **common,
        )
        for k in range(count)
    )


def sessions():
    """Return sessions of every kind the remeter answers for, by name."""
    some = strips(5, 160000)
    sent = tuple(strip.with_(sends=(Send("cue", -6.0, "pre"), Send("echo", -9.0))) for strip in some[:2])
    grouped = tuple(strip.with_(to=("inner",)) for strip in some[2:4])
    groups = (
        Group("inner", trim_db=-2, fader_db=1.5, pan=0.3, to=("outer",)),
        Group("outer", post_trim_db=3, fader_db=-4),
        Group("cue", to=()),
        Group("echo", fader_db=-3, pan=-0.5),
    )
    filtered = (
        Group("inner", inserts=(Insert(Filter("peaking", 900.0, 1.0, 6.0), out_db=-2.0),), to=("outer",)),
        Group("outer", inserts=(Insert(Delay(0.0021)),), fader_db=-4),
        Group("cue", to=()),
        Group("echo", inserts=(Insert(Reverb(0.3, -6.0, dry=False)),), fader_db=-3, pan=-0.5),
    )
    master = Master(trim_db=-2, inserts=(Insert(Filter("lowshelf", 200.0, 0.7, -4.0)),), fader_db=1)
    clipped = strips(3, 100000, inserts=(Insert(HardClip(-15.0), out_db=2.0),), dc_block=True)
    return {
        "strips": Session(some, master=Master(trim_db=-1.5, fader_db=-2)),
        "groups and sends": Session((*sent, *grouped, some[4]), groups),
        "linear inserts behind the faders": Session((*sent, *grouped, some[4]), filtered, master),
        "linear pan law": Session(strips(4, 150000), pan_law_db=-6.0),
        "44.1 kHz": Session(strips(4, 140001, 44100)),
        "rate without whole hops": Session(strips(3, 45000, 11025)),
        "inserts ahead of the fader": Session(clipped),
        "soloed": Session(tuple(strip.with_(solo=strip.name in ("s1", "s2")) for strip in strips(4, 145000))),
        "short": Session(strips(3, 30011)),
    }


@pytest.fixture(scope="module")
def grouped():
    """Return a remeter of a session with groups."""
    return Remeter(sessions()["groups and sends"])


def random_move(session, rng):
    """Return arguments of ``read`` and the session they stand for."""
    names = [*session.names]
    some = rng.choice(names, size=int(rng.choice([1, 1, 2, len(names)])), replace=False)
    faders = {str(name): float(rng.choice([rng.uniform(-30, 10), -np.inf], p=[0.9, 0.1])) for name in some}
    pan = {str(rng.choice(names)): float(rng.uniform(-1, 1))} if rng.random() < 0.3 else {}
    mute = (str(rng.choice(names)),) if rng.random() < 0.2 else ()
    trim_db = float(rng.uniform(-12, 6)) if rng.random() < 0.3 else 0.0
    moved = session.with_faders(faders).with_("bus", trim_db=session.master.trim_db + trim_db)
    for name, value in pan.items():
        moved = moved.with_(name, pan=value)
    for name in mute:
        moved = moved.with_(name, mute=True)
    return {"faders": faders, "pan": pan, "mute": mute, "master_trim_db": trim_db}, moved


def assert_same(reading, wanted):
    for level in LEVELS:
        expected = getattr(wanted, level)
        if expected is None or expected == -np.inf:
            assert getattr(reading, level) == expected, level
        else:
            assert getattr(reading, level) == pytest.approx(expected, abs=0.001), level


@pytest.mark.parametrize("kind", sessions())
def test_equals_measuring_the_rendered_bus(kind):
    session, rng = sessions()[kind], np.random.default_rng(7)
    remeter = Remeter(session)
    assert_same(remeter.read(), measure(session.render().bus))
    for _ in range(MOVES_EACH):
        arguments, moved = random_move(session, rng)
        reading = remeter.read(**arguments)
        assert not reading.rendered
        assert_same(reading, measure(moved.render().bus))


def test_a_reading_depends_on_nothing_read_before():
    session, rng = sessions()["strips"], np.random.default_rng(3)
    used = Remeter(session)
    for _ in range(60):
        used.read(**random_move(session, rng)[0])
    for _ in range(5):
        arguments = random_move(session, rng)[0]
        assert_same(used.read(**arguments), Remeter(session).read(**arguments))


def test_a_new_anchor_changes_no_reading(monkeypatch):
    session, rng = sessions()["groups and sends"], np.random.default_rng(4)
    plain = Remeter(session)
    monkeypatch.setattr("gainlib.session.remeter._OF_MEMORY", 0.0)
    renewed = Remeter(session)
    for _ in range(10):
        arguments = random_move(session, rng)[0]
        assert_same(renewed.read(**arguments), plain.read(**arguments))


def test_steady_tones_end_the_search(monkeypatch):
    """Every block of a steady tone all but reaches its peak; still only a few are summed."""
    time_s = np.arange(480000)[:, np.newaxis] / 48000
    tones = [Strip(f"{hz} Hz", Audio(0.2 * np.sin(2 * np.pi * hz * time_s), 48000)) for hz in (110, 997, 3001, 12000)]
    session = Session(tones)
    remeter, summed = Remeter(session), []
    survey = remeter._reader.survey
    sums_at = survey.sums_at
    monkeypatch.setattr(survey, "sums_at", lambda *given: summed.append(len(given[1])) or sums_at(*given))
    for solo in (["110 Hz"], ["997 Hz"], ["12000 Hz"]):
        summed.clear()
        reading = remeter.read(solo=solo)
        alone = Session([strip for strip in tones if strip.name in solo])
        assert_same(reading, measure(alone.render().bus))
        assert sum(summed) < 0.02 * len(time_s) / 32 * 2, solo


def test_one_mute_reads_no_short_hops(monkeypatch):
    """What a move of one fader needs of the short hops is in memory, but for the few that hold the maximum."""
    session = sessions()["strips"]
    remeter, read = Remeter(session), []
    for products in remeter._reader.survey.products:
        table = products.fine
        plain = table.read
        monkeypatch.setattr(table, "read", lambda first, count, plain=plain: read.append(count) or plain(first, count))
    remeter.read(mute=["s1"])
    assert 0 < len(read) <= 64


def test_renders_and_says_so_where_a_processor_sits_behind_the_faders():
    session = sessions()["strips"].with_("bus", inserts=(Insert(HardClip(-12.0)),))
    reading = Remeter(session).read({"s0": 3.0})
    assert "hard clip" in reading.rendered
    assert_same(reading, measure(session.with_faders({"s0": 3.0}).render().bus))


def test_a_fixed_bus_is_read_at_once_until_it_clips():
    session = sessions()["strips"].with_(bus="fixed")
    remeter = Remeter(session)
    quiet, loud = remeter.read(dict.fromkeys(session.names, -20.0)), remeter.read(dict.fromkeys(session.names, 12.0))
    assert not quiet.rendered and "clips" in loud.rendered
    for reading, fader_db in ((quiet, -20.0), (loud, 12.0)):
        assert_same(reading, measure(session.with_faders(dict.fromkeys(session.names, fader_db)).render().bus))


def test_solo_and_silence():
    session = sessions()["strips"]
    remeter = Remeter(session)
    assert_same(remeter.read(solo=["s1"]), measure(session.with_("s1", solo=True).render().bus))
    silent = remeter.read(dict.fromkeys(session.names, -np.inf))
    assert (silent.sample_peak_dbfs, silent.true_peak_dbtp, silent.rms_dbfs, silent.loudness_lufs) == (-np.inf,) * 4
    assert silent.peak_time_s is None


def test_all_faders_together_shift_every_level():
    session = sessions()["strips"]
    before, remeter = Remeter(session).read(), Remeter(session)
    after = remeter.read({strip.name: strip.fader_db - 7.3 for strip in session.strips})
    for level in ("sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "momentary_max_lufs", "short_term_max_lufs"):
        assert getattr(after, level) == pytest.approx(getattr(before, level) - 7.3, abs=1e-6)


def test_the_peak_is_where_it_says():
    session = sessions()["strips"]
    reading = Remeter(session).read({"s1": 4.0})
    samples = session.with_faders({"s1": 4.0}).render().bus.samples
    frame = round(reading.peak_time_s * 48000)
    near = np.abs(samples[max(frame - 2, 0) : frame + 3]).max()
    assert 20 * np.log10(near) > reading.true_peak_dbtp - 1.0


def test_the_worst_instant_and_who_is_in_it():
    session = sessions()["linear inserts behind the faders"].with_("s1", fader_db=4.0)
    (worst,) = Remeter(session).at(session).instants(1, 0.01)
    trace = session.render()
    frame = round(worst.time_s * 48000)
    assert worst.value == pytest.approx(trace.bus.samples[frame, worst.channel], abs=1e-6)
    for name, share in worst.strips.items():
        without = session.with_(name, mute=True).render().bus.samples[frame, worst.channel]
        assert share == pytest.approx(worst.value - without, abs=1e-6), name


def test_the_worst_instant_stays_while_anchors_change(monkeypatch):
    """An anchor taken after a search must not be put in the place of the one the search leaned on."""
    session, taken = sessions()["strips"].with_("bus", trim_db=0.0, fader_db=0.0), []
    remeter = Remeter(session)
    renew = remeter._reader.survey.renew_anchor
    monkeypatch.setattr(remeter._reader.survey, "renew_anchor", lambda *given: taken.append(1) or renew(*given))
    monkeypatch.setattr(remeter._reader, "patience", lambda: 200.0)
    for step in range(40):
        move = {"s1": 4.0 - 0.3 * step, "s2": 0.2 * step}
        moved = session.with_faders(move)
        peak = remeter._reader.peak(remeter.at(moved)._gains)
        sum_there = remeter._reader.survey.sums_at(peak.side, np.array([peak.block]), peak.mix)
        before, start = remeter._reader.survey.interpolator.before, peak.block * 32
        bus = moved.render().bus.samples[start : start + 32, peak.side]
        assert sum_there[before : before + len(bus), 0] == pytest.approx(bus, abs=1e-6), step
        again = remeter._reader.peak(remeter.at(moved)._gains)
        frame = remeter._reader.peak_frame(again)
        worst = remeter._instant(remeter.at(moved)._gains, 1.0, frame, again.side)
        assert worst.value == pytest.approx(moved.render().bus.samples[frame, again.side])
    assert taken


def test_files_are_read_where_they_lie(tmp_path):
    some = strips(3, 100000)
    files = []
    for strip in some:
        write(tmp_path / f"{strip.name}.wav", strip.audio, "FLOAT")
        files.append(strip.with_(audio=AudioFile(tmp_path / f"{strip.name}.wav")))
    move = {"s1": -3.0, "s2": 2.0}
    assert_same(Remeter(Session(tuple(files))).read(move), Remeter(Session(some)).read(move))


def test_unknown_names_are_refused():
    with pytest.raises(GainlibError, match="'s1'"):
        Remeter(sessions()["short"]).read({"s11": 0.0})


@pytest.mark.parametrize(
    ("move", "told"),
    [
        ({"faders": {"s1": np.nan}}, "strip 's1': fader_db is nan"),
        ({"faders": {"s1": np.inf}}, "strip 's1': fader_db is inf"),
        ({"faders": {"s1": 7000}}, "strip 's1': fader_db is 7000 dB"),
        ({"faders": {"s1": "0"}}, "strip 's1': fader_db is '0'"),
        ({"faders": {"s1": None}}, "strip 's1': fader_db is None"),
        ({"faders": {"s1": [0.0, 1.0]}}, "strip 's1': fader_db is"),
        ({"faders": [0.0]}, "faders is"),
        ({"pan": {"s1": 2}}, "strip 's1': pan is 2"),
        ({"pan": {"s1": np.nan}}, "strip 's1': pan is nan"),
        ({"pan": {"outer": -1.5}}, "group 'outer': pan is -1.5"),
        ({"faders": {"outer": 10**400}}, "group 'outer': fader_db is beyond"),
        ({"master_trim_db": np.nan}, "master_trim_db is nan"),
        ({"master_trim_db": 7000}, "master_trim_db is 7000 dB"),
        ({"master_trim_db": "0"}, "master_trim_db is '0'"),
        ({"mute": 1}, "mute is 1"),
        ({"mute": [["s1"]]}, "mute is"),
        ({"solo": None}, "solo is None"),
    ],
)
def test_values_that_no_control_takes_are_refused(grouped, move, told):
    with pytest.raises(GainlibError, match=re.escape(told)):
        grouped.read(**move)


def test_one_name_may_stand_without_brackets(grouped):
    assert grouped.read(mute="s1") == grouped.read(mute=["s1"]) != grouped.read()
    assert grouped.read(solo="s1") == grouped.read(solo=["s1"]) != grouped.read()


def test_a_bus_reading_is_the_reading_of_any_node(grouped):
    session = sessions()["groups and sends"]
    at_node = session.render().levels(["bus"], ("sample_peak", "true_peak", "rms", "loudness"))["bus"]
    assert type(grouped.read()) is type(at_node) is BusReading
    assert_same(grouped.read(), at_node)
