"""The parts of a session: what they accept, how they change, what they refuse and in which words."""

import dataclasses
import math

import numpy as np
import pytest

from gainlib.audio import Audio, GainlibError
from gainlib.processors import HardClip
from gainlib.session import Group, Insert, Master, Send, Session, Strip

MONO = Audio(np.zeros(48), 48000)
STEREO = Audio(np.zeros((48, 2)), 48000)


def pair(**changes):
    return Session(
        (Strip("kick", MONO, to="drums"), Strip("bass", STEREO, sends=Send("room", -12))),
        (Group("drums"), Group("room")),
        **changes,
    )


def test_defaults_are_unity_and_bus():
    strip = Strip("kick", MONO)
    assert (strip.polarity, strip.dc_block, strip.trim_db, strip.post_trim_db, strip.fader_db) == (1, False, 0, 0, 0)
    assert (strip.inserts, strip.pan, strip.mute, strip.solo, strip.sends) == ((), 0, False, False, ())
    assert strip.to == ("bus",)
    session = Session((strip,))
    assert (session.groups, session.pan_law_db, session.bus, session.name) == ((), -3.0, "float", "")
    assert session.master == Master(trim_db=0, inserts=(), fader_db=0)
    assert session.finished is False
    assert Send("room") == Send("room", 0, "post")
    assert Insert(HardClip()) == Insert(HardClip(0), in_db=0, out_db=0, bypass=False)


def test_sessions_compare_and_hash_as_plain_data():
    assert pair() == pair()
    assert hash(pair()) == hash(pair())
    assert pair() != pair().with_("kick", fader_db=-0.1)
    assert pair(bus="fixed") != pair()


def test_everything_is_frozen():
    for part in (pair(), pair().strips[0], pair().groups[0], pair().master, Send("room"), Insert(HardClip())):
        with pytest.raises(dataclasses.FrozenInstanceError):
            part.name = "other"


def test_short_forms_become_tuples():
    strip = Strip("kick", MONO, inserts=HardClip(), sends=[Send("room")], to="bus")
    assert strip.inserts == (Insert(HardClip()),)
    assert strip.sends == (Send("room"),)
    assert strip.to == ("bus",)
    assert Strip("kick", MONO, inserts=[HardClip(-1), Insert(HardClip())]).inserts[0].processor == HardClip(-1)


def test_with_changes_one_part_and_nothing_else():
    session = pair()
    moved = session.with_("kick", fader_db=-3, pan=0.5).with_("drums", trim_db=2).with_("bus", fader_db=-6)
    assert moved.strip("kick") == session.strip("kick").with_(fader_db=-3, pan=0.5)
    assert moved.group("drums").trim_db == 2
    assert moved.master == Master(fader_db=-6)
    assert moved.strip("bass") is session.strip("bass")
    assert session == pair()
    assert session.with_(bus="fixed", name="song").name == "song"


def test_with_strip_replaces_or_appends():
    session = pair()
    assert session.with_strip(Strip("kick", STEREO)).strips[0].audio is STEREO
    assert session.with_strip(Strip("pad", STEREO)).names == ("kick", "bass", "pad", "drums", "room")
    assert session.with_group(Group("drums", fader_db=-1)).groups[0].fader_db == -1


def test_with_faders_moves_strips_groups_and_master():
    moved = pair().with_faders({"kick": -1, "room": -2, "bus": -3})
    assert (moved.strips[0].fader_db, moved.groups[1].fader_db, moved.master.fader_db) == (-1, -2, -3)
    with pytest.raises(GainlibError, match="did you mean 'room'"):
        pair().with_faders({"roon": 0})


def test_minus_infinity_is_a_level():
    assert Strip("kick", MONO, fader_db=-math.inf, trim_db=-math.inf).fader_db == -math.inf


REFUSED = [
    (lambda: Strip("a/b", MONO), "holds a '/'"),
    (lambda: Strip("bus", MONO), "taken by the sum"),
    (lambda: Strip("", MONO), "give it a name"),
    (lambda: Strip(3, MONO), "give it a name"),
    (lambda: Group("bus"), "taken by the sum"),
    (lambda: Strip("kick", np.zeros(48)), "'kick': audio is a ndarray; give an Audio or an AudioFile"),
    (lambda: Strip("hall", Audio(np.zeros((48, 6)), 48000)), "'hall': 6 channels; a strip takes mono or stereo"),
    (lambda: Strip("kick", MONO, polarity=0), "'kick': polarity is 0"),
    (lambda: Strip("kick", MONO, polarity=True), "polarity is True"),
    (lambda: Strip("kick", MONO, fader_db=math.nan), "'kick': fader_db is nan"),
    (lambda: Strip("kick", MONO, trim_db=math.inf), "'kick': trim_db is inf"),
    (lambda: Strip("kick", MONO, fader_db=7000), "'kick': fader_db is 7000 dB; give a level up to .200 dB"),
    (lambda: Strip("kick", MONO, trim_db=200.1), "'kick': trim_db is 200.1 dB"),
    (lambda: Strip("kick", MONO, pan=10**400), "'kick': pan is beyond all floating-point numbers"),
    (lambda: Strip("kick", MONO, fader_db=np.zeros(2)), "'kick': fader_db is array"),
    (lambda: Master(trim_db=7000), "master: trim_db is 7000 dB"),
    (lambda: Send("room", 7000), "'room': level_db is 7000 dB"),
    (lambda: Insert(HardClip(), out_db=7000), "HardClip: out_db is 7000 dB"),
    (lambda: Strip("kick", MONO, fader_db="0"), "'kick': fader_db is '0'; give a number"),
    (lambda: Strip("kick", MONO, fader_db=None), "fader_db is None"),
    (lambda: Strip("kick", MONO, pan=1.01), "pan is 1.01; it runs from −1"),
    (lambda: Strip("kick", MONO, pan=math.nan), "pan is nan"),
    (lambda: Strip("kick", MONO, mute=1), "mute is 1; it is True or False"),
    (lambda: Strip("kick", MONO, dc_block="yes"), "dc_block is 'yes'"),
    (lambda: Strip("kick", MONO, to=("bus", "bus")), "'kick': to names 'bus' twice"),
    (lambda: Strip("kick", MONO, sends=(Send("a"), Send("a", tap="pre"))), "'kick': sends names 'a' twice"),
    (lambda: Strip("kick", MONO, inserts=("clip",)), "'kick': inserts is"),
    (lambda: Strip("kick", MONO, to=3), "'kick': to is 3"),
    (lambda: Send("room", tap="mid"), "'room': tap is 'mid'; it is 'pre' or 'post'"),
    (lambda: Send(None), "name of a group"),
    (lambda: Send("room", math.nan), "level_db is nan"),
    (lambda: Insert("clip"), "give a processor"),
    (lambda: Insert(HardClip(), bypass=0), "HardClip: bypass is 0"),
    (lambda: Master(fader_db=math.inf), "master: fader_db is inf"),
    (lambda: pair(bus="int"), "'float' or 'fixed'"),
    (lambda: pair(pan_law_db=-2.5), "there is 0, −3, −4.5 and −6"),
    (lambda: pair(master=None), "give a Master"),
    (lambda: pair(finished=None), "finished is None"),
    (lambda: Session(MONO), "session: strips is"),
    (lambda: pair().with_strip(Strip("drums", MONO)), "two strips or groups are named 'drums'"),
    (lambda: pair().with_("kick", to="drum"), "'kick' goes to 'drum', which does not exist; did you mean 'drums'"),
    (lambda: pair().with_("bass", sends=Send("rooom")), "'bass' goes to 'rooom'.*did you mean 'room'"),
    (lambda: pair().with_("kick", to="bass"), "'kick' goes to 'bass', which is a strip"),
    (lambda: pair().with_("drums", to="drums"), "loop: drums → drums"),
    (lambda: pair().with_("kik", fader_db=0), "named 'kik'; did you mean 'kick'"),
    (lambda: pair().with_("kick", fadr_db=0), "Strip has no 'fadr_db'; did you mean 'fader_db'"),
    (lambda: pair().with_("bus", pan=0), "Master has no 'pan'"),
    (lambda: pair().with_(bos="fixed"), "Session has no 'bos'; did you mean 'bus'"),
    (lambda: pair().strip("kcik"), "no strip is named 'kcik'; did you mean 'kick'"),
    (lambda: pair().group("drum"), "no group is named 'drum'; did you mean 'drums'"),
    (lambda: Session(()).render(), "no strips"),
    (lambda: HardClip(math.nan), "ceiling_dbfs is nan"),
]


@pytest.mark.parametrize("frames", [-5, 0, 1.5, "9", True])
def test_blocks_have_one_frame_or_more(frames):
    with pytest.raises(GainlibError, match=f"block_frames is {frames!r}; give a whole number from 1 up"):
        pair().render(frames)
    with pytest.raises(GainlibError, match=f"block_frames is {frames!r}; give a whole number from 1 up"):
        pair().render().blocks("bus", frames)


def test_the_highest_gains_still_render():
    """A control at its end is absurd, but a whole row of such gains stays a number."""
    strip = Strip("kick", Audio(np.full(480, 0.5), 48000), trim_db=200, post_trim_db=200, fader_db=200)
    session = Session([strip], master=Master(trim_db=200, fader_db=200))
    assert session.render().reading("bus").sample_peak_dbfs == pytest.approx(1000 - 6.0206 - 3.0103, abs=1e-3)


@pytest.mark.parametrize(("make", "words"), REFUSED, ids=[words[:40] for _, words in REFUSED])
def test_refusals_name_the_value_and_the_place(make, words):
    with pytest.raises(GainlibError, match=words):
        make()


def test_a_loop_is_named_from_group_to_group():
    groups = (Group("a", to="b"), Group("b", sends=Send("c"), to=()), Group("c", to="a"))
    with pytest.raises(GainlibError, match=r"loop: (a → b → c → a|b → c → a → b|c → a → b → c);"):
        Session((Strip("kick", MONO),), groups)


def test_unequal_rates_are_named():
    strips = (Strip("kick", MONO), Strip("bass", Audio(np.zeros(48), 44100)))
    with pytest.raises(GainlibError, match="'bass' is at 44100 Hz, the other strips at 48000 Hz"):
        Session(strips)
