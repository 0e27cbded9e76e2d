"""Levels at a strip's taps without rendering, against rendering; and what hangs ahead of the fader."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gainlib.audio import Audio, GainlibError
from gainlib.processors import Saturation
from gainlib.session import Group, Insert, Send, Session, Strip, TapLevels

RATE = 48000
gains = st.floats(-30, 10)


def _session():
    rng = np.random.default_rng(5)
    loud, wide = rng.normal(0, 0.2, (RATE // 4, 1)), rng.normal(0, 0.1, (RATE // 4, 2))
    strips = (
        Strip(
            "voice",
            Audio(loud, RATE),
            trim_db=6,
            inserts=(Insert(Saturation(), 3, -3),),
            pan=0.3,
            sends=(Send("cue", -6, "pre"), Send("room", -12, "post")),
        ),
        Strip("pad", Audio(wide, RATE), post_trim_db=2, fader_db=-20, pan=-0.5),
    )
    return Session(strips, (Group("cue", to=()), Group("room")))


SESSION = _session()
TAPS = TapLevels(SESSION)


@settings(max_examples=25)
@given(gains, gains, gains, gains, gains)
def test_levels_equal_those_of_a_rendered_session(fader, trim, cue, room, other):
    sends = (Send("cue", cue, "pre"), Send("room", room, "post"))
    moved = SESSION.with_("voice", fader_db=fader, post_trim_db=trim, sends=sends).with_("pad", fader_db=other)
    readings = moved.render().readings(TAPS.nodes)
    for node, level in TAPS.read(moved).items():
        assert level == pytest.approx(readings[node].rms_dbfs, abs=1e-6), node


def test_what_a_trim_behind_the_inserts_moves():
    """Gain handed from the fader to the output trim: nothing ahead moves, the bus keeps, only the pre send goes."""
    before = TAPS.read(SESSION.with_("voice", fader_db=-24))
    after = TAPS.read(SESSION.with_("voice", fader_db=0, post_trim_db=-24))
    moved = {node: after[node] - level for node, level in before.items()}
    assert {node: round(by, 9) for node, by in moved.items() if abs(by) > 1e-9} == {
        "voice/post": -24.0,
        "voice/send cue": -24.0,
    }


def test_a_closed_fader_is_silent():
    levels = TAPS.read(SESSION.with_("voice", fader_db=-math.inf))
    assert levels["voice/out"] == levels["voice/send room"] == -math.inf
    assert levels["voice/send cue"] > -60


@pytest.mark.parametrize(
    "change",
    [
        lambda session: session.with_("voice", trim_db=0),
        lambda session: session.with_("voice", pan=0),
        lambda session: session.with_("voice", inserts=()),
        lambda session: session.with_(pan_law_db=-6.0),
    ],
)
def test_other_changes_have_to_be_rendered(change):
    with pytest.raises(GainlibError, match="render the session instead"):
        TAPS.read(change(SESSION))
