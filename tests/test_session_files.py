"""Folders of stems and session JSON: there and back, and the sentence for everything that can be wrong."""

import json
import os
import shutil
import sys
import types
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from locks import lock
from session_oracle import LookAhead, sessions

from gainlib.audio import Audio, AudioFile, GainlibError
from gainlib.processors import DCBlock, HardClip
from gainlib.session import (
    Group,
    Insert,
    Master,
    ReferencedAudio,
    Send,
    Session,
    Strip,
    files,
    from_json,
    open_folder,
    register_source,
    to_json,
)
from gainlib.session.files import from_builtins, strips_of_folder, to_builtins


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("stems")
    rng = np.random.default_rng(5)
    for name, channels in (("kick", 1), ("Bass", 1), ("pad", 2)):
        soundfile.write(path / f"{name}.wav", rng.uniform(-0.5, 0.5, (480, channels)), 48000, "PCM_24")
    return path


def song(folder):
    return Session(
        (
            Strip("kick", AudioFile(folder / "kick.wav"), polarity=-1, dc_block=True, to=("drums", "bus")),
            Strip("pad", AudioFile(folder / "pad.wav"), fader_db=-np.inf, sends=Send("room", -9.25, "pre"), to=()),
        ),
        (Group("drums", inserts=Insert(HardClip(-0.5), 3, -3, True)), Group("room", trim_db=1 / 3)),
        Master(-1, (Insert(DCBlock(7)),), -2),
        pan_law_db=-4.5,
        bus="fixed",
        name="song · 1",
        finished=True,
    )


# ------------------------------------------------------------------------------------------------- there and back


def test_json_holds_every_field_under_its_name(folder):
    data = json.loads(song(folder).to_json(folder))
    assert data["format"] == 1
    assert data["bus"] == "fixed" and data["finished"] is True and data["pan_law_db"] == -4.5
    kick, pad = data["strips"]
    assert kick["audio"] == {"file": "kick.wav", "sha256": AudioFile(folder / "kick.wav").sha256}
    assert pad["fader_db"] == "-inf"
    assert pad["sends"] == [{"to": "room", "level_db": -9.25, "tap": "pre"}]
    assert data["groups"][0]["inserts"] == [
        {"processor": {"type": "HardClip", "ceiling_dbfs": -0.5}, "in_db": 3.0, "out_db": -3.0, "bypass": True}
    ]
    assert set(kick) == {field for field in Strip.__dataclass_fields__}


def test_json_there_and_back(folder):
    session = song(folder)
    assert Session.from_json(session.to_json(folder), folder) == session
    assert from_json(to_json(session)) == session
    assert from_json(to_json(session).encode(), folder) == session


def _plain(session):
    """Return the session without what tests add to the processors."""

    def kept(inserts):
        return tuple(insert for insert in inserts if not isinstance(insert.processor, LookAhead))

    return session.with_(
        strips=[each.with_(inserts=kept(each.inserts)) for each in session.strips],
        groups=[each.with_(inserts=kept(each.inserts)) for each in session.groups],
        master=session.master.with_(inserts=kept(session.master.inserts)),
    )


@settings(max_examples=60)
@given(session=sessions(), files=st.data())
def test_any_session_there_and_back(folder, session, files):
    stems = [AudioFile(path) for path in sorted(folder.iterdir())]
    session = _plain(session)
    session = session.with_(strips=[each.with_(audio=files.draw(st.sampled_from(stems))) for each in session.strips])
    text = session.to_json(folder)
    assert from_json(text, folder) == session
    assert from_json(text, folder).to_json(folder) == text


def test_left_out_fields_take_their_defaults(folder):
    text = '{"strips": [{"name": "kick", "audio": {"file": "kick.wav"}, "fader_db": -3}]}'
    assert from_json(text, folder) == Session((Strip("kick", AudioFile(folder / "kick.wav"), fader_db=-3),))


def test_what_lies_beside_the_folder_of_a_session_moves_along_with_it(folder, tmp_path):
    for place in ("here", "there"):
        (tmp_path / place / "sheets").mkdir(parents=True)
        shutil.copytree(folder, tmp_path / place / "stems")
    text = Session([Strip("kick", AudioFile(tmp_path / "here" / "stems" / "kick.wav"))]).to_json(
        tmp_path / "here" / "sheets"
    )
    assert json.loads(text)["strips"][0]["audio"]["file"] == "../stems/kick.wav"
    moved = from_json(text, tmp_path / "there" / "sheets")
    assert moved.strips[0].audio.path == tmp_path / "there" / "stems" / "kick.wav"


def test_a_moved_folder_is_found_by_name(folder, tmp_path):
    text = song(folder).to_json()
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    moved = from_json(text.replace(folder.as_posix(), "Z:\\\\old\\\\place"), tmp_path)
    assert moved.strip("kick").audio.path == tmp_path / "kick.wav"


def test_parts_there_and_back():
    for part in (Master(-1, HardClip(-2), -np.inf), Send("room", -3), Insert(DCBlock()), Group("g", to=("a", "b"))):
        plain = to_builtins(part)
        assert from_builtins(type(part), json.loads(json.dumps(plain, allow_nan=False))) == part


# --------------------------------------------------------------------------------------------------------- refused


def test_bare_samples_are_refused():
    session = Session((Strip("kick", Audio(np.zeros(10), 48000)),))
    with pytest.raises(GainlibError, match=r"strip 'kick'.*write the stem first"):
        session.to_json()


def test_a_processor_no_file_could_name_is_refused(folder):
    session = song(folder).with_("kick", inserts=LookAhead())
    with pytest.raises(GainlibError, match="no processor is named 'LookAhead'"):
        session.to_json()


def edited(folder, edit):
    data = json.loads(song(folder).to_json(folder))
    edit(data)
    return json.dumps(data)


def _put(*path):
    *way, key, value = path

    def edit(data):
        for step in way:
            data = data[step]
        data[key] = value

    return edit


WRONG = [
    (_put("strips", 0, "fadr_db", 0), r"session\.strips\[0\]: no 'fadr_db' here; did you mean 'fader_db'"),
    (_put("nmae", ""), r"session: no 'nmae' here; did you mean 'name'"),
    (_put("strips", 1, "sends", 0, "tp", "pre"), r"session\.strips\[1\]\.sends\[0\]: no 'tp' here; did you mean 't"),
    (_put("master", "fader", 0), r"session\.master: no 'fader' here; did you mean 'fader_db'"),
    (_put("strips", 0, "fader_db", "loud"), r"session\.strips\[0\]\.fader_db: expected float, got str"),
    (_put("strips", 0, "name", "-inf/"), "holds a '/'"),
    (_put("strips", 0, "mute", 1), r"strips\[0\]\.mute: expected bool, got int"),
    (_put("strips", 0, "polarity", 1.5), r"strips\[0\]\.polarity: expected int, got float"),
    (_put("strips", 0, "polarity", 2), "'kick': polarity is 2"),
    (_put("strips", 0, "to", "bus"), r"strips\[0\]\.to: expected array, got str"),
    (_put("strips", 0, "to", ["drum"]), "did you mean 'drums'"),
    (_put("groups", 0, "pan", None), r"groups\[0\]\.pan: expected float, got null"),
    (_put("groups", 0, "inserts", 0, "processor", "type", "HardClp"), "'HardClp'; did you mean 'HardClip'"),
    (_put("groups", 0, "inserts", 0, "processor", {}), "no processor is named ''"),
    (_put("groups", 0, "inserts", 0, "processor", {"type": []}), r"no processor is named '\[\]'; there is "),
    (
        _put("groups", 0, "inserts", 0, "processor", "ceiling_dbfs", "0"),
        r"groups\[0\]\.inserts\[0\]\.processor\.ceiling_dbfs: expected float",
    ),
    (
        _put("groups", 0, "inserts", 0, "processor", "ceilin_dbfs", 0),
        r"processor: no 'ceilin_dbfs' here; did you mean 'ceiling_dbfs'",
    ),
    (lambda data: data["strips"][0].pop("name"), r"session\.strips\[0\]: object missing required field name"),
    (lambda data: data.pop("strips"), "session: object missing required field strips"),
    (_put("format", 2), "format 2; this release reads format 1"),
    (_put("bus", "int"), "'float' or 'fixed'"),
    (_put("strips", 0, "audio", {"tape": 1}), r"strip 'kick': the audio reference \{'tape': 1\} has no known kind"),
    (_put("strips", 0, "audio", "sha", ""), "strip 'kick': audio has no 'sha'; did you mean 'sha256'"),
    (_put("strips", 0, "audio", "file", 3), "strip 'kick': audio is .*; file and sha256 are text"),
    (_put("strips", 0, "audio", "file", "kik.wav"), "strip 'kick': the file 'kik.wav' is not there; put it into"),
    (_put("strips", 0, "audio", "sha256", "0" * 64), "'kick'.*not the file this session was saved with"),
]


@pytest.mark.parametrize(("edit", "words"), WRONG, ids=[words[:40] for _, words in WRONG])
def test_wrong_json_is_refused_with_its_place(folder, edit, words):
    with pytest.raises(GainlibError, match=words):
        from_json(edited(folder, edit), folder)


@pytest.mark.parametrize("text", ["", "{", "[]", "3", '"kick"', "\x00", b"\xff"])
def test_what_is_no_session_is_refused(text):
    with pytest.raises(GainlibError, match=r"not JSON|a session is a JSON object"):
        from_json(text)


# ------------------------------------------------------------------------------------------------------ references


def test_referenced_audio_is_made_again_by_its_room():
    made = []

    def resolve(reference):
        made.append(reference)
        samples = np.random.default_rng(reference["seed"]).uniform(-1, 1, 48)
        return ReferencedAudio(samples, 48000, "noise", reference)

    register_source("noise", resolve)
    reference = {"noise": "white", "seed": 7}
    session = Session((Strip("hiss", resolve(reference), pan=-1),))
    assert json.loads(session.to_json())["strips"][0]["audio"] == reference
    again = from_json(session.to_json())
    assert again == session and hash(again) == hash(session)
    assert made[-1] == reference
    np.testing.assert_array_equal(again.render().bus.samples, session.render().bus.samples)
    assert resolve({"noise": "white", "seed": 8}) != resolve(reference)


def test_changed_samples_drop_the_reference():
    audio = ReferencedAudio(np.zeros(48), 48000, "noise", {"noise": 1})
    with pytest.raises(GainlibError, match="write the stem first"):
        Session((Strip("hiss", audio.with_samples(np.ones(48))),)).to_json()


def test_a_listed_room_is_imported_when_its_kind_is_met(monkeypatch):
    room = types.ModuleType("attic")
    monkeypatch.setitem(files.ROOMS, "attic", "attic")
    text = '{"strips": [{"name": "a", "audio": {"attic": 1}}]}'
    with pytest.raises(ModuleNotFoundError):
        from_json(text)
    monkeypatch.setitem(sys.modules, "attic", room)
    with pytest.raises(GainlibError, match="strip 'a': nothing makes audio of the kind 'attic'"):
        from_json(text)
    register_source("attic", lambda reference: ReferencedAudio(np.zeros(4), 48000, "", reference))
    assert from_json(text).strip("a").audio.reference == {"attic": 1}


def test_file_references_cannot_be_taken_over():
    with pytest.raises(GainlibError, match="choose another kind"):
        register_source("file", lambda reference: None)


# --------------------------------------------------------------------------------------------------------- folders


def test_open_folder_takes_every_visible_audio_file_in_order(tmp_path):
    for name in ("b.wav", "A.flac", "c.aiff", ".hidden.wav", "bus.wav", "pad.wav", "pad.flac"):
        soundfile.write(tmp_path / name, np.zeros(480), 48000)
    (tmp_path / "notes.txt").write_text("read me")
    (tmp_path / "deeper").mkdir()
    soundfile.write(tmp_path / "deeper" / "d.wav", np.zeros(480), 48000)
    (tmp_path / "folder.wav").mkdir()
    session = open_folder(tmp_path)
    assert session.names == ("A", "b", "bus.wav", "c", "pad.flac", "pad.wav")
    assert session.name == tmp_path.name
    assert all(isinstance(strip.audio, AudioFile) for strip in session.strips)
    assert from_json(session.to_json(tmp_path), tmp_path) == session
    assert open_folder(str(tmp_path)) == session


def test_files_that_would_share_a_name_keep_their_suffix(tmp_path):
    for name in ("kick.wav", "kick.flac", "kick.wav.wav", " .wav"):
        soundfile.write(tmp_path / name, np.zeros(480), 48000)
    assert open_folder(tmp_path).names == (" .wav", "kick.flac", "kick.wav", "kick.wav.wav")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="only Unix has pipes with a name")
def test_what_cannot_be_opened_is_named_and_not_left_out(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(480), 48000)
    (tmp_path / "b.wav").symlink_to(tmp_path / "gone.wav")
    os.mkfifo(tmp_path / "c.wav")
    with pytest.raises(GainlibError, match=r"b\.wav: is a link to .*gone\.wav, which is not there"):
        open_folder(tmp_path)
    unreadable = []
    assert [strip.name for strip in strips_of_folder(tmp_path, unreadable=unreadable)] == ["a"]
    assert [Path(sentence.split(": ")[0]).name for sentence in unreadable] == ["b.wav", "c.wav"]


def test_a_folder_that_is_locked_is_said_to_be(tmp_path, monkeypatch):
    lock(monkeypatch, tmp_path)
    for folder in (tmp_path, tmp_path / "sub"):
        with pytest.raises(GainlibError, match=r"cannot be read \(Permission denied\); check its permissions"):
            open_folder(folder)


def test_a_session_file_that_is_no_session(tmp_path, monkeypatch):
    for text in ("[" * 100_000, '{"strips": ' + "[" * 100_000, "[" * 600 + "]" * 600):
        with pytest.raises(GainlibError, match=r"nested deeper than a session|is a JSON object"):
            from_json(text)
    for depth in range(100, 1000, 50):
        with pytest.raises(GainlibError):
            from_json('{"strips": ' + "[" * depth + "]" * depth + "}")
    with pytest.raises(GainlibError, match="this is not JSON"):
        from_json('"\ud800"')
    named = '{"strips": [{"name": "a", "audio": {"file": "%s.wav"}}]}'
    for name, reason in (("x" * 300, r"cannot be reached \(File name too long\)"), ("gone", "is not there")):
        with pytest.raises(GainlibError, match=rf"strip 'a': the file '{name}.wav' {reason}; put it into"):
            from_json(named % name, tmp_path)
    lock(monkeypatch, tmp_path)
    with pytest.raises(GainlibError, match=r"'x.wav' cannot be reached \(Permission denied\)"):
        from_json(named % "x", tmp_path)


def test_empty_and_missing_folders_are_refused(tmp_path):
    (tmp_path / "notes.txt").write_text("read me")
    with pytest.raises(GainlibError, match=r"holds no audio file; .*\.wav"):
        open_folder(tmp_path)
    with pytest.raises(GainlibError, match="is no folder"):
        open_folder(tmp_path / "gone")
    with pytest.raises(GainlibError, match="is no folder"):
        open_folder(tmp_path / "notes.txt")


def test_folder_with_mixed_rates_or_many_channels_is_refused_by_name(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.zeros(480), 48000)
    soundfile.write(tmp_path / "b.wav", np.zeros(480), 44100)
    with pytest.raises(GainlibError, match="'b' is at 44100 Hz, the other strips at 48000 Hz"):
        open_folder(tmp_path)
    soundfile.write(tmp_path / "b.wav", np.zeros((480, 6)), 48000)
    with pytest.raises(GainlibError, match="'b': 6 channels"):
        open_folder(tmp_path)
