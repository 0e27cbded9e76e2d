"""Records that the system refuses: a sentence that says what would do, in labs as on the command line."""

import os

import numpy as np
import pytest
from locks import lock
from school import Writer, rows_of, run

from gainlib.audio import Audio, GainlibError, write
from gainlib.exercises import Record
from gainlib.notebook import Lab, identity

OWN = "set GAINLIB_RECORDS to a folder of your own"


def test_a_lab_whose_records_folder_takes_no_file(tmp_path, monkeypatch):
    lock(monkeypatch, tmp_path)
    with pytest.raises(GainlibError, match=rf"learner\.json cannot be written \(Permission denied\); {OWN}"):
        Lab("05", folder=tmp_path)
    with pytest.raises(GainlibError, match=rf"learner\.json cannot be written \(Permission denied\); {OWN}"):
        Lab("05", folder=tmp_path / "deeper")


def test_a_lab_whose_records_folder_is_a_file(tmp_path):
    (tmp_path / "records").write_text("a note")
    with pytest.raises(GainlibError, match=rf"cannot be written \(.*records is a file\); {OWN}"):
        Lab("05", folder=tmp_path / "records")
    with pytest.raises(GainlibError, match=rf"cannot be written \(Not a directory\); {OWN}"):
        Lab("05", folder=tmp_path / "records" / "deeper")
    assert (tmp_path / "records").read_text() == "a note"


def test_a_name_that_cannot_be_kept_leaves_no_half(tmp_path, monkeypatch):
    identity.keep(tmp_path, "anna", "7b")

    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(GainlibError, match=OWN):
        identity.keep(tmp_path, "ben", "7b")
    assert identity.kept(tmp_path) == {"learner": "anna", "class_code": "7b"}
    assert [path.name for path in tmp_path.iterdir()] == [identity.WHO_FILE]


def test_a_record_that_may_not_be_touched(tmp_path, monkeypatch):
    """The folder is one's own, the file in it is not."""
    record = Record(tmp_path)
    record.answer("anna", "05-1", 0, "1")
    lock(monkeypatch, record.path)
    steps = (
        record.events,
        lambda: record.answer("anna", "05-1", 0, "2"),
        lambda: record.merge(b""),
        lambda: record.erase("anna"),
    )
    for step in steps:
        with pytest.raises(GainlibError, match=rf"record\.jsonl cannot be written \(Permission denied\); {OWN}"):
            step()
    monkeypatch.undo()
    assert len(record.events().events) == 1, "the lock was given back each time"


def test_a_gradebook_of_a_locked_folder(tmp_path, monkeypatch, capsys):
    (tmp_path / "class").mkdir()
    lock(monkeypatch, tmp_path / "class")
    assert run("gradebook", tmp_path / "class" / "deeper", "--csv", tmp_path / "m.csv", "-q") == 1
    assert "deeper: cannot be read (Permission denied); check the permissions" in capsys.readouterr().err
    assert run("gradebook", tmp_path / "class", "--csv", tmp_path / "m.csv", "-q") == 1
    assert "class: cannot be read (Permission denied); the folder is skipped" in capsys.readouterr().err


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="only Unix has pipes with a name")
def test_a_locked_folder_among_records_is_named_and_the_rest_counts(tmp_path, monkeypatch, capsys):
    for name in ("anna", "ben"):
        Writer(name).do("05-1", "right").save(tmp_path / "class" / name)
    os.mkfifo(tmp_path / "class" / "pipe.jsonl")
    (tmp_path / "class" / "gone.jsonl").symlink_to(tmp_path / "nothing")
    lock(monkeypatch, tmp_path / "class" / "ben")
    assert run("gradebook", tmp_path / "class", "--csv", tmp_path / "m.csv", "-q") == 1
    said = capsys.readouterr().err.splitlines()
    assert {line.removeprefix(f"{tmp_path}/class/") for line in said} == {
        "ben: cannot be read (Permission denied); the folder is skipped",
        "pipe.jsonl: is no ordinary file; it is skipped",
        "gone.jsonl: cannot be read (No such file or directory); the file is skipped",
    }
    assert {row["learner"] for row in rows_of(tmp_path / "m.csv")} == {"anna"}


def test_marks_are_shown_where_they_cannot_be_written(tmp_path, monkeypatch, capsys):
    Writer("anna").do("05-1", "right").save(tmp_path / "class")
    (tmp_path / "shut").mkdir()
    lock(monkeypatch, tmp_path / "shut")
    words = ("--csv", tmp_path / "shut" / "m.csv", "--html", tmp_path / "m.html", "-q")
    assert run("gradebook", tmp_path / "class", *words) == 1
    out, err = capsys.readouterr()
    assert "anna" in out and "m.csv: cannot be written (Permission denied)" in err
    assert (tmp_path / "m.html").exists()


def test_a_measure_of_locked_places(tmp_path, monkeypatch, capsys):
    lock(monkeypatch, tmp_path)
    for path, advice in ((tmp_path, "check its permissions"), (tmp_path / "a.wav", "check the permissions")):
        assert run("measure", path, "-q") == 1
        out, err = capsys.readouterr()
        assert out == "" and "cannot be read (Permission denied)" in err and advice in err


def test_levels_are_shown_where_they_cannot_be_written(tmp_path, monkeypatch, capsys):
    write(tmp_path / "a.wav", Audio(np.full(4800, 0.1), 48000))
    (tmp_path / "shut").mkdir()
    lock(monkeypatch, tmp_path / "shut")
    assert run("measure", tmp_path / "a.wav", "--csv", tmp_path / "shut" / "a.csv", "-q") == 1
    out, err = capsys.readouterr()
    assert "a.wav" in out and err.endswith("a.csv: cannot be written (Permission denied); choose another folder\n")
