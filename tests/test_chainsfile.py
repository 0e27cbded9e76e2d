"""The chains file: short and long forms, names and patterns, and what is said of what is not understood."""

import json
import math
import re
from itertools import permutations

import numpy as np
import pytest

from gainlib.audio import Audio, GainlibError
from gainlib.demo import demo_session
from gainlib.mix import apply_chains, plan
from gainlib.mix.chainsfile import chains_text
from gainlib.mix.chainsformer import JSON
from gainlib.processors import BlackBox, Compressor, HardClip, Saturation
from gainlib.session import Insert, Send, Session, Strip
from gainlib.session.files import from_builtins, to_builtins


def tone():
    """Return a tenth of a second of something."""
    return Audio(0.2 * np.sin(np.arange(4800) * 0.03), 48000)


def stems():
    return Session([Strip(name, tone()) for name in ("kick", "Bass", "vocal lead", "Gitarre é")])


def chained(entries, **more):
    """Return the session with a file of the version before, and its notes but the one about its form."""
    session, (form, *notes) = apply_chains(stems(), json.dumps({"stems": entries, **more}))
    assert form == JSON
    return session, tuple(notes)


# ---- the file of today -----------------------------------------------------------------------------------------------


def test_a_song_goes_into_a_file_and_comes_back_byte_for_byte():
    song = demo_session(1, True, "spread", chains=True)
    song = song.with_("01 kick", inserts=[*song.strip("01 kick").inserts, Insert(BlackBox(-12.0, 'op"to'), in_db=0.1)])
    song = song.with_("02 snare", fader_db=-math.inf, to=("drums", "bus"), mute=True, polarity=-1, dc_block=True)
    song = song.with_(bus="fixed", pan_law_db=-4.5).with_("bus", fader_db=-1.0 / 3.0)
    text = chains_text(song)
    fresh = Session([Strip(each.name, each.audio) for each in reversed(song.strips)], name=song.name)
    back, notes = apply_chains(fresh, text)
    assert (back, notes, chains_text(back)) == (song, (), text)
    assert apply_chains(back.with_("01 kick", trim_db=7.0), text)[0] == song
    assert not any(each.kind in text for strip in song.strips for each in strip.inserts)


@pytest.mark.parametrize("attack_s", [0.0123, 1 / 3, 1e-7, 0.1 + 0.2, 12.0])
def test_times_in_milliseconds_come_back_exactly(attack_s):
    song = stems().with_("kick", inserts=[Compressor(attack_s=attack_s)])
    assert apply_chains(stems(), chains_text(song))[0].strip("kick").inserts == song.strip("kick").inserts


def test_what_a_person_writes_is_read_with_groups_made_by_naming_them():
    text = """
        pan-law = -4.5
        [stems."vocal lead"]
        inserts = ["Hard clip", {box = "compressor", attack = 2.5, gain-out = -1, bypass = true}]
        sends = {cue = {level = -6, tap = "pre"}}
        [stems.KICK]
        group = "drums"
        [stems."*"]
        input-trim = -3
        [groups.drums]
        fader = -2
    """
    session, notes = apply_chains(stems(), text)
    assert [strip.name for strip in session.strips] == ["kick", "Bass", "vocal lead", "Gitarre é"]
    assert session.strip("vocal lead").inserts == (Insert(HardClip()), Insert(Compressor(attack_s=0.0025), 0, -1, True))
    assert session.strip("vocal lead").sends == (Send("cue", -6.0, "pre"),)
    assert session.strip("kick").to == ("drums",) and session.strip("Bass").trim_db == -3.0
    assert (session.group("drums").fader_db, session.group("cue").fader_db, session.pan_law_db) == (-2.0, 0.0, -4.5)
    assert notes == ("the chains file: made the group cue, which no section describes",)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[stems.kick]\nfader = -3\n[stems.kik]\n", "line 3: stem 'kik': no stem is named so; did you mean 'kick'?"),
        ("[stems.kick]\nfader = 'loud'", "line 1: strip 'kick': fader is 'loud'; give a number"),
        ("[stems.kick]\nfader = 250", "line 1: strip 'kick': fader is 250 dB; give a level up to +200 dB"),
        ("[stems.kick]\nfadr = 0", "line 1: stem 'kick': there is no 'fadr' here; did you mean 'fader'?"),
        ("[stems.kick]\nfader_db = 0", "there is no 'fader_db' here; did you mean 'fader'?"),
        ("\n[stems.Bass]\ninserts = ['tepe']", "line 2: stem 'Bass', box 1: there is no box 'tepe'; did you mean 't"),
        ("[stems.kick]\ninserts = [{box = 'gate', hold = -1}]", "box 1 (gate): hold is -1 ms; give a finite"),
        ("[stems.kick]\ninserts = [{box = 'limiter', lookahead = 2000}]", "2000 ms; give a number from 0 ms to 1000"),
        ("[stems.kick]\ninserts = [{box = 'gate', hold = 'long'}]", 'hold is "long"; give a number of ms'),
        ("[stems.kick]\ninserts = [{box = 'filter', kind = 'low'}]", 'kind is "low"; there is highpass, lowpass'),
        ("[stems.kick]\ninserts = [{box = 'tape', drve = 1}]", "there is no 'drve' here; did you mean 'drive'?"),
        ("[stems.kick]\ninserts = [3]", "box 1: this is 3; give"),
        (f"[stems.kick]\ninserts = [{{box = 'gate', hold = 1{'0' * 400}}}]", "give a number of ms"),
        ("[stems.kick]\nfader = 1979-05-27", "fader is datetime.date(1979, 5, 27); give a number"),
        ("[[stems.kick]]\nfader = 0", "give a section, such as [stems.kick]"),
        ("[stems.kick]\nmute = 1", "mute is 1; it is true or false"),
        ("[stems.kick]\nleave-out = 'yes'", 'leave-out is "yes"; it is true or false'),
        ("[stems.kick]\ngroup = 3", "group is 3; give a name"),
        ("[stems.kick]\nsends = {echo = 'soft'}", "send to 'echo' is \"soft\"; give a number of dB"),
        ("[stems.kick]\nsends = {echo = {level = -3, tap = 'mid'}}", "tap is 'mid'; it is 'pre' or 'post'"),
        ("[stems.kick]\nsends = {Bass = -3}", "line 1: strip 'kick' goes to 'Bass', which is a strip"),
        ("[stems.kick]\nfader = -3 dB", "the chains file is not TOML: expected newline"),
        ("[stem.kick]", "there is no 'stem' here; did you mean 'stems'?"),
        ("stems = 3", "stems: this is 3; give a section"),
        ("whole = 1", "whole is 1; it is true or false"),
        ("[groups.a]\ngroup = 'b'\n[groups.b]\ngroup = 'a'", "loop"),
    ],
)  # fmt: skip
def test_what_a_person_writes_wrongly_is_said_with_line_strip_and_value(text, said):
    with pytest.raises(GainlibError, match=re.escape(said)) as error:
        apply_chains(stems(), text)
    assert "_db" not in str(error.value).replace("'fader_db'", "")


WRONG = (
    ("[stems.kick]\nfader = 250", "strip 'kick': fader is 250 dB"),
    ("[stems.Bass]\ninserts = [\n  'gate',\n  {box = 'gate', hold = -1},\n]", "stem 'Bass', box 2 (gate): hold is -1"),
    ("[groups.keys]\nmute = 1", "group 'keys': mute is 1"),
    ("[stems.kik]", "stem 'kik': no stem is named so"),
    ("[groups.a]\ngroup = 'b'\n[groups.b]\ngroup = 'a'", "loop"),
    ("[master]\nfader = 'loud'", "fader is 'loud'"),
)


@pytest.mark.parametrize(("first", "second"), list(permutations(WRONG, 2)))
def test_of_two_mistakes_the_first_in_the_file_is_told(first, second):
    """Sections in any order, and settings whose kind is looked at before others' size."""
    with pytest.raises(GainlibError, match=re.escape(first[1])):
        apply_chains(stems(), f"{first[0]}\n{second[0]}")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[stems.kick]\npan = 7\nfader = 250\nmute = 1", "pan is 7"),
        ("[stems.kick]\nmute = 1\nfader = 250\npan = 7", "mute is 1"),
        ("pan-law = 'x'\nwhole = 1\n[stem.kick]", "pan"),
        ("whole = 1\npan-law = 'x'\n[stem.kick]", "whole is 1"),
        ("[stems.'*']\nleave-out = true\n[stems.kick]\nfadr = 0", "no 'fadr'"),
        ("[stems.kick]\nfader = 250\n[stems.Bass]\nfader = -3 dB", "not TOML"),
    ],
)
def test_the_first_of_a_section_and_what_only_the_whole_can_tell(text, said):
    with pytest.raises(GainlibError, match=said):
        apply_chains(stems(), text)


# ---- that of the version before --------------------------------------------------------------------------------------


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
    ("entries", "more", "said"),
    [
        ({"kik": "linear"}, {}, "stem 'kik': no stem is named so; did you mean 'kick'"),
        ({"kick": ["Saturatoin"]}, {}, "'Saturatoin'; did you mean 'saturation'"),
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
def test_what_is_not_understood_is_said_with_its_place_and_the_nearest_name(entries, more, said):
    with pytest.raises(GainlibError, match=said):
        chained(entries, **more)


@pytest.mark.parametrize("text", ["", "{", "[]", "3", "[" * 3000, b"\xff\xfe{}", '{"stems": {"kick": {"pan": NaN}}}'])
def test_what_is_no_chains_file_is_said(text):
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
