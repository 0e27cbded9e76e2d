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
    box = {"reference_dbfs": -12, "name": "opto", "in_db": 2}
    kick = chained({"kick": {"Black Box": box, "fader_db": -3, "output_trim_db": 1.5, "pan": 0.5}})[0].strip("kick")
    assert kick.inserts == (Insert(BlackBox(-12.0, "opto"), in_db=2.0),)
    assert (kick.fader_db, kick.post_trim_db, kick.pan) == (-3.0, 1.5, 0.5)


def test_names_of_the_version_before_are_read_with_a_word():
    old = {
        "kick": {"level-dependent": {"reference_dbfs": -12, "name": "level-dependent"}, "post_trim_db": 2},
        "Bass": ["Tape", "Level-Dependent"],
        "*": {"group": "unseen"},
    }
    new = {
        "kick": {"black box": {"reference_dbfs": -12, "name": "level-dependent"}, "output_trim_db": 2},
        "Bass": ["Tape", "black box"],
        "*": {"group": "unseen"},
    }
    groups = {"unseen": [{"Unseen": {}}]}
    session, notes = chained(old, groups=groups)
    assert session == chained(new, groups={"unseen": ["black box"]})[0].with_(strips=session.strips)
    assert [to_builtins(strip.inserts) for strip in session.strips] == [
        to_builtins(strip.inserts) for strip in chained(new, groups=groups)[0].strips
    ]
    assert session.strip("kick").post_trim_db == 2.0 and session.strip("vocal lead").to == ("unseen",)
    assert [note.partition(" now;")[0] for note in notes] == [
        "the chains file: level-dependent is called black box",
        "the chains file: post_trim_db is called output_trim_db",
        "the chains file: Level-Dependent is called black box",
        "the chains file: Unseen is called black box",
    ]
    assert chained(new, groups={"unseen": []})[1] == ()


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
        ({"kick": {"black box": {"name": 3}}}, {}, "name: expected str"),
        ({"kick": {"black box": {"name": "two\nlines"}}}, {}, "letters on one line"),
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


def test_a_nest_without_end_is_refused():
    with pytest.raises(GainlibError, match="processor 1: this is"):
        chained({"kick": json.loads("[" * 400 + "]" * 400)})


def test_a_byte_order_mark_is_no_obstacle():
    session = Session([Strip("kick", tone())])
    assert apply_chains(session, b'\xef\xbb\xbf{"stems": {"kick": "Tape"}}')[0].strip("kick").inserts[0].kind == "Tape"


# ---- the black box --------------------------------------------------------------------------------------------------


def test_a_black_box_passes_everything_and_survives_json():
    audio = tone()
    assert np.array_equal(BlackBox(-12.0).process(audio).samples, audio.samples)
    insert = Insert(BlackBox(-12.0, "opto on the desk"), in_db=1.0)
    assert from_builtins(Insert, to_builtins(insert)) == insert
    with pytest.raises(GainlibError, match="reference_dbfs is 99"):
        BlackBox(99)


def test_a_black_box_is_fed_and_its_output_left_to_the_ear():
    time_s = np.arange(48000) / 48000
    audio = Audio(0.1 * np.sin(2 * np.pi * 220 * time_s), 48000)  # −20 dBFS, sine-referred
    session = Session([Strip("bass", audio)])
    boxes = ["black box", {"black box": {"reference_dbfs": -12, "name": "opto"}}]
    result = plan(apply_chains(session, json.dumps({"stems": {"bass": boxes}}))[0])
    moved = {move.control: move.after_db for move in result.moves}
    assert moved["trim"] == pytest.approx(2.0, abs=0.01)
    assert (moved["insert 2 in"], moved["insert 2 out"]) == (
        pytest.approx(6.0, abs=0.01),
        pytest.approx(-6.0, abs=0.01),
    )
    said = [warning for warning in result.warnings if "by ear" in warning and "measure it" in warning]
    assert [warning.partition(";")[0] for warning in said] == [
        "bass: processor 1 is a black box", "bass: processor 2 is the black box “opto”",
    ]  # fmt: skip
    assert not [check for check in result.verification.checks if "bypass" in check.name]
    assert result.verification.passed
