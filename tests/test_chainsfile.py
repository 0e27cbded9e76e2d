"""The chains file: short and long forms, names and patterns, and what is said of what is not understood."""

import json
import math

import numpy as np
import pytest

from gainlib.audio import Audio, GainlibError
from gainlib.mix import apply_chains, plan
from gainlib.processors import BlackBox, Saturation
from gainlib.session import Insert, Send, Session, Strip
from gainlib.session.files import from_builtins, to_builtins


def tone():
    """Return a tenth of a second of something."""
    return Audio(0.2 * np.sin(np.arange(4800) * 0.03), 48000)


def chained(stems, **more):
    names = ("kick", "Bass", "vocal lead", "Gitarre é")
    session = Session([Strip(name, tone()) for name in names])
    return apply_chains(session, json.dumps({"stems": stems, **more}))


def test_short_and_long_forms_of_a_chain_say_the_same():
    forms = ("Saturation", ["Saturation"], {"Saturation": {}}, {"chain": "saturation"}, {"chain": [{"Saturation": {}}]})
    chains = [chained({"kick": form})[0].strip("kick").inserts for form in forms]
    assert chains == [(Insert(Saturation()),)] * len(forms)
    assert chained({"kick": "linear"})[0].strip("kick").inserts == ()
    boxes = chained({"kick": {"level-dependent": {"reference_dbfs": -12, "in_db": 2}, "fader_db": -3, "pan": 0.5}})[0]
    assert boxes.strip("kick").inserts == (Insert(BlackBox(-12.0), in_db=2.0),)
    assert (boxes.strip("kick").fader_db, boxes.strip("kick").pan) == (-3.0, 0.5)


def test_a_name_goes_before_a_pattern_and_a_pattern_before_later_ones():
    session, notes = chained({"*": "Tape", "vocal*": "Saturation", "KICK": "linear", "Gitarre e\u0301": "HardClip"})
    assert [[insert.kind for insert in strip.inserts] for strip in session.strips] == [
        [],
        ["Tape"],
        ["Tape"],
        ["HardClip"],
    ]
    assert notes == ()
    _, notes = chained({"tom*": "linear", "kick": "linear"})
    assert "'tom*'" in notes[0] and "Bass, vocal lead, Gitarre é" in notes[1]


def test_groups_sends_and_the_master():
    session, _ = chained(
        {"kick": {"group": "drums", "sends": {"cue": {"level_db": "-inf", "tap": "pre"}}}, "*": {"sends": {"cue": -6}}},
        groups={"drums": ["Compressor"], "cue": {"group": []}},
        master={"chain": ["Limiter"], "trim_db": -1},
        pan_law_db=-4.5,
        finished=True,
    )
    assert session.strip("kick").to == ("drums",) and session.group("cue").to == ()
    assert session.strip("kick").sends == (Send("cue", -math.inf, "pre"),)
    assert session.master.inserts[0].kind == "Limiter" and session.pan_law_db == -4.5 and session.finished


@pytest.mark.parametrize(
    ("stems", "more", "said"),
    [
        ({"kik": "linear"}, {}, "no stem is named 'kik'; did you mean 'kick'"),
        ({"kick": ["Saturatoin"]}, {}, "'Saturatoin'; did you mean 'Saturation'"),
        ({"kick": "liner"}, {}, "'liner'; did you mean 'linear'"),
        ({"kick": {"Saturation": {"drve": 1}}}, {}, "'drve' here; did you mean 'drive'"),
        ({"kick": {"Saturation": {"drive": "hot"}}}, {}, r"processor 1 \(Saturation\): drive: expected float"),
        ({"kick": {"fader": -3}}, {}, "'fader' here; did you mean 'fader_db'"),
        ({"kick": {"fader_db": "loud"}}, {}, "fader_db is 'loud'"),
        ({"kick": {"sends": {"echo": -3}}}, {"groups": {"ecko": {}}}, "did you mean 'ecko'"),
        ({"kick": {"Saturation": {}, "Tape": {}}}, {}, 'go into "chain"'),
        ({"kick": [3]}, {}, "processor 1: this is 3"),
        ({"kick": {"leave_out": 1}}, {}, "leave_out is 1"),
        ({"*": {"leave_out": True}}, {}, "leaves out every stem"),
        ({"kick": {"sends": [3]}}, {}, "sends"),
        ([], {}, "stems"),
        ({}, {"gropus": {}}, "did you mean 'groups'"),
        ({}, {"groups": {"a": {"group": "b"}, "b": {"group": "a"}}}, "loop"),
        ({}, {"master": {"pan": 1}}, "'pan' here"),
    ],
)
def test_what_is_not_understood_is_said_with_its_place_and_the_nearest_name(stems, more, said):
    with pytest.raises(GainlibError, match=said):
        chained(stems, **more)


@pytest.mark.parametrize("text", ["", "{", "[]", "3", "[" * 3000, b"\xff\xfe{}", '{"stems": {"kick": {"pan": NaN}}}'])
def test_what_is_no_json_is_said(text):
    with pytest.raises(GainlibError, match="chains file"):
        apply_chains(Session([Strip("kick", tone())]), text)


def test_a_byte_order_mark_is_no_obstacle():
    session = Session([Strip("kick", tone())])
    assert apply_chains(session, b'\xef\xbb\xbf{"stems": {"kick": "Tape"}}')[0].strip("kick").inserts[0].kind == "Tape"


# ---- the box that nobody can see into --------------------------------------------------------------------------------


def test_an_unseen_box_passes_everything_and_survives_json():
    audio = tone()
    assert np.array_equal(BlackBox(-12.0).process(audio).samples, audio.samples)
    insert = Insert(BlackBox(-12.0), in_db=1.0)
    assert from_builtins(Insert, to_builtins(insert)) == insert
    with pytest.raises(GainlibError, match="reference_dbfs is 99"):
        BlackBox(99)


def test_an_unseen_box_is_fed_and_its_output_left_to_the_ear():
    time_s = np.arange(48000) / 48000
    audio = Audio(0.1 * np.sin(2 * np.pi * 220 * time_s), 48000)  # −20 dBFS, sine-referred
    session = Session([Strip("bass", audio)])
    boxes = ["level-dependent", {"level-dependent": {"reference_dbfs": -12}}]
    result = plan(apply_chains(session, json.dumps({"stems": {"bass": boxes}}))[0])
    moved = {move.control: move.after_db for move in result.moves}
    assert moved["trim"] == pytest.approx(2.0, abs=0.01)
    assert (moved["insert 2 in"], moved["insert 2 out"]) == (
        pytest.approx(6.0, abs=0.01),
        pytest.approx(-6.0, abs=0.01),
    )
    said = [warning for warning in result.warnings if "by ear" in warning and "measure it" in warning]
    assert [warning.partition(" is a box")[0] for warning in said] == ["bass: processor 1", "bass: processor 2"]
    assert not [check for check in result.verification.checks if "bypass" in check.name]
    assert result.verification.passed
