"""A session's controls as an answer: found, put in place, read back."""

import json

import numpy as np
import pytest

from gainlib.audio import Audio, GainlibError
from gainlib.exercises.practical import answer_from, applied, controls_of
from gainlib.exercises.refrain import refrain
from gainlib.exercises.text import Unreadable
from gainlib.processors import HardClip
from gainlib.session import Group, Insert, Master, Send, Session, Strip

NAMES = (
    *("trim_db", "post_trim_db", "fader_db", "pan"),
    *("insert 1 in_db", "insert 1 out_db", "insert 1 ceiling_dbfs", "send cue level_db"),
)


def session(audio=None):
    """Return a session with an insert, a send, a group and a master chain."""
    source = audio or refrain("01 kick")
    clip = Insert(HardClip(-1.0), in_db=2.0, out_db=-2.0)
    strip = Strip("kick", source, trim_db=1.0, inserts=(clip,), fader_db=-5.0, sends=(Send("cue", -3.0, "pre"),))
    return Session((strip,), groups=(Group("cue", fader_db=-1.0),), master=Master(inserts=(clip,)))


def test_controls_start_where_the_session_has_them():
    found = {(each.target, each.name): each.start for each in controls_of(session(), NAMES)}
    assert found == {
        ("kick", "trim_db"): 1.0,
        ("kick", "post_trim_db"): 0.0,
        ("kick", "fader_db"): -5.0,
        ("kick", "pan"): 0.0,
        ("kick", "insert 1 in_db"): 2.0,
        ("kick", "insert 1 out_db"): -2.0,
        ("kick", "insert 1 ceiling_dbfs"): -1.0,
        ("kick", "send cue level_db"): -3.0,
        ("cue", "trim_db"): 0.0,
        ("cue", "post_trim_db"): 0.0,
        ("cue", "fader_db"): -1.0,
        ("cue", "pan"): 0.0,
        ("master", "trim_db"): 0.0,
        ("master", "fader_db"): 0.0,
        ("master", "insert 1 in_db"): 2.0,
        ("master", "insert 1 out_db"): -2.0,
        ("master", "insert 1 ceiling_dbfs"): -1.0,
    }
    assert [each.label for each in controls_of(session(), ["fader_db"], ["kick", "master"])] == [
        "kick fader",
        "master fader",
    ]
    assert all(each.low <= each.start <= each.high for each in controls_of(session(), NAMES))
    assert not controls_of(session(), ["insert 2 in_db", "send bus level_db", "no_such"])


def test_every_control_can_be_placed_and_read_back():
    controls = controls_of(session(), NAMES)
    answer = {}
    for place, each in enumerate(controls):
        answer.setdefault(each.target, {})[each.name] = round(each.start - 0.01 * (place + 1), 2)
    moved = applied(session(), answer)
    assert {(e.target, e.name): e.start for e in controls_of(moved, NAMES)} == {
        (target, name): value for target, fields in answer.items() for name, value in fields.items()
    }
    assert moved.strip("kick").inserts[0].processor == HardClip(answer["kick"]["insert 1 ceiling_dbfs"])
    assert answer_from(json.loads(moved.to_json()), session(), controls) == answer


def test_what_was_not_to_be_moved_is_refused():
    controls = controls_of(session(), ["fader_db"])
    moved = session().with_("kick", fader_db=-9.0)
    assert answer_from(json.loads(moved.to_json()), session(), controls)["kick"] == {"fader_db": -9.0}
    for other in (moved.with_("kick", trim_db=0.0), moved.with_("cue", mute=True), moved.with_(pan_law_db=0)):
        with pytest.raises(Unreadable, match=r"another session, or more was changed than you may move here \(fader\)"):
            answer_from(json.loads(other.to_json()), session(), controls)
    with pytest.raises(Unreadable, match="cannot be marked here"):
        answer_from({"strips": [{"name": "kick"}]}, session(), controls)
    with pytest.raises(Unreadable, match="cannot be marked here: the session has no strip or group 'kick'"):
        renamed = session().with_(strips=(session().strips[0].with_(name="boom"),))
        answer_from(json.loads(renamed.to_json()), session(), controls)


def test_an_unknown_target_is_a_mistake_of_the_declaration():
    with pytest.raises(GainlibError, match="no strip or group 'bell'"):
        controls_of(session(Audio(np.zeros(48), 48000)), ["fader_db"], ["bell"])
