"""The teacher's two lists, wrong use of the command line, and the key."""

import hmac
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from school import CLASS, Writer, run, write_list

from gainlib.audio import GainlibError
from gainlib.exercises import Record, bank, exercise
from gainlib.exercises.classfile import with_tag
from gainlib.exercises.gradebook import collect, gradebook, read_class_list, read_overrides, write_csv
from gainlib.notebook.learner import LearnerSession

LABS = Path(__file__).parents[1] / "labs"

# ---- the two lists ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("Müller, Jörg\nanna\n\n", "utf-8"),
        ('"Müller, Jörg"\nanna\n', "utf-8-sig"),
        ("name;mail\nMüller, Jörg;x\nanna;y\n", "cp1252"),
        ("nr\tLearner\n1\tMüller, Jörg\n2\tanna\n3\tanna\n", "utf-16"),
    ],
)
def test_class_lists_as_programs_write_them(tmp_path, text, encoding):
    listed = read_class_list(write_list(tmp_path, text, encoding), known={"müller, jörg"})
    assert [(each.learner, each.class_code) for each in listed] == [("Müller, Jörg", None), ("anna", None)]


def test_lists_that_are_none(tmp_path):
    with pytest.raises(GainlibError, match="names nobody"):
        read_class_list(write_list(tmp_path, "name\n\n"))
    with pytest.raises(GainlibError, match="the heading lacks learner"):
        read_class_list(write_list(tmp_path, "First name,Surname,E-mail\nAnna,Ek,a@example.org\n"))
    with pytest.raises(GainlibError, match="cannot be read"):
        read_class_list(tmp_path / "none.csv")
    with pytest.raises(GainlibError, match="lacks exercise, note"):
        read_overrides(write_list(tmp_path, "learner,points\nanna,1\n"))
    for text in ("{", "{}", "[1]"):
        path = tmp_path / "by hand.json"
        path.write_text(text)
        with pytest.raises(GainlibError, match=r"is not JSON|no list of overrides"):
            read_overrides(path)


def test_overrides_as_json(tmp_path):
    Writer("anna").do("05-1", "wrong").save(tmp_path / "r")
    Writer("anna", "8a").do("05-1", "wrong").save(tmp_path / "r", "other")
    path = tmp_path / "by hand.json"
    own = {"learner": "Anna", "class": "7B", "exercise": "05-1", "points": 1, "note": "first"}
    entries = [own, {**own, "points": 1.25, "note": "second thoughts"}, {**own, "points": True}, {**own, "class": None}]
    path.write_text(json.dumps(entries), encoding="utf-8")
    overrides, problems = read_overrides(path)
    assert problems == (f"{path}, entry 3: “True” is no number of points; the line is skipped",)
    book = gradebook(tmp_path / "r", overrides=overrides)
    assert book.problems == (f"{path}, entry 4: “Anna” is in two classes; name the class",)
    [row] = [row for row in book.rows if row.points]
    assert (row.class_code, row.points) == (CLASS, 1.25)
    assert row.notes == ("points by hand: 0 to 1, first", "points by hand: 1 to 1.25, second thoughts")


# ---- the command line ------------------------------------------------------------------------------------------------


def test_wrong_use(tmp_path, capsys):
    record = Writer("anna").do("05-1", "right").save(tmp_path)
    good = ("gradebook", tmp_path, "--csv", tmp_path / "m.csv")
    wrong = {
        ("gradebook", tmp_path): "--csv",
        (*good, "--class-list", tmp_path / "none.csv"): "none.csv: cannot be read",
        (*good, "--overrides", record): "lacks",
        ("gradebook", tmp_path, "--csv", record): "choose another name for --csv",
        ("gradebook", tmp_path, "--csv", tmp_path): "is a folder",
        (*good, "--html", tmp_path / "m.csv"): "choose another name for --html",
        (*good, "--html", tmp_path / "no" / "m.html"): "does not exist",
        (*good, "--lab", "77"): "there is no lab '77'",
        (*good, "--sets", "0"): "is not a count",
        ("key", "7b", " "): "name is empty",
        ("key", "7b"): "there is no learner",
        (*good, "--zone", "Moon/Base"): "is not a time zone",
        ("key", "7b", "anna", "--lab", "77"): "there is no such exercise",
        ("key", "7b", "anna", "--attempt", "-1"): "is not a set of numbers",
    }
    for arguments, reason in wrong.items():
        assert run(*arguments) == 2, arguments
        assert reason in capsys.readouterr().err, arguments
    assert not (tmp_path / "m.csv").exists() and record.exists()


def test_results_replace_and_records_stay(tmp_path):
    record = Writer("anna").do("05-1", "right").save(tmp_path / "r")
    before = record.read_bytes()
    for _ in range(2):
        assert run("gradebook", record, "--csv", tmp_path / "m.csv", "-q") == 0
    assert record.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["m.csv", "r"], "nothing half-written is left"
    with pytest.raises(GainlibError, match="does not exist"):
        write_csv(tmp_path / "no" / "m.csv", gradebook(record))
    assert collect(tmp_path / "r").names() == {(CLASS, "anna"): (CLASS, "anna")}


def test_it_runs_without_a_screen(tmp_path):
    """In a process of its own: done, and nothing that shows pictures or widgets was loaded."""
    Writer("anna").do("05-1", "right").save(tmp_path)
    screens = "{'IPython', 'ipywidgets', 'anywidget', 'matplotlib', 'gainlib.notebook'}"
    code = (
        "import sys; from gainlib.__main__ import main; "
        f"done = main(['gradebook', {str(tmp_path)!r}, '--csv', {str(tmp_path / 'm.csv')!r}]); "
        f"print(done, sorted({screens} & set(sys.modules)))"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8")
    assert result.stdout.splitlines()[-1] == "0 []", result.stderr


def test_the_key_is_the_learners_own(capsys, monkeypatch):
    """Numbers, question, answer with tolerance and points, derivation; for one name in any spelling."""
    monkeypatch.setenv("COLUMNS", "120")
    assert run("key", " 7B", "Jörg Müller", "--exercise", "05-1", "--attempt", 2) == 0
    said = capsys.readouterr().out
    own = exercise("05-1")
    given = own.variant("jörg müller", 2, CLASS)
    level = given["L"] + 10 * np.log10(given["N"])
    assert f"Bus level: {level:.2f} dBFS [± 0.1 dB]".replace("-", "−") in said and "(2 points)" in said
    assert own.statement_for(given) in " ".join(said.split()) and own.explain_for(given) in " ".join(said.split())
    assert "numbers no. 3" in said and f"N = {given['N']}" in said
    assert run("key", "7b", "JO\u0308RG MU\u0308LLER ", "--exercise", "05-1", "--attempt", 2) == 0
    again = capsys.readouterr().out
    assert again.splitlines()[3:] == said.splitlines()[3:]
    run("key", "", "Jörg Müller", "--exercise", "05-1", "--attempt", 2)
    assert capsys.readouterr().out.splitlines()[3:] != said.splitlines()[3:], "another class has other numbers"


def test_the_key_of_a_lab(capsys):
    """Every exercise of the lab with all parts; no answer of a learner is needed."""
    assert run("key", CLASS, "anna", "--lab", "05") == 0
    said = capsys.readouterr().out
    heads = re.findall(r"^(\d\d-\d)  .*\((\d+) points?\)$", said, re.MULTILINE)
    assert heads == [(each.id, f"{each.points:g}") for each in bank() if each.lab == "05"]
    assert said.count("Derivation") == said.count("Question") == len(heads) and "**" not in said


def test_the_key_of_several_is_whole(capsys, tmp_path):
    """Two by name and one from a list in one call; no option of an answer is cut short."""
    listed = write_list(tmp_path, "name,class\ncleo,8a\n")
    assert run("key", CLASS, "--class-list", listed, "--exercise", "05-6") == 0
    assert re.findall(r"For (\w+), class (\w+)", capsys.readouterr().out) == [("cleo", "8a")]
    assert run("key", CLASS, "--class-list", listed, "anna", "ben", "--exercise", "05-6") == 0
    said = capsys.readouterr().out
    assert re.findall(r"For (\w+), class (\w+)", said) == [("anna", CLASS), ("ben", CLASS), ("cleo", "8a")]
    assert run("key", CLASS, "anna", "--exercise", "00-4") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "so every count there came from guessing. [exact" in said, "88 letters, printed whole"


def test_the_key_of_a_class_with_a_secret_needs_it(capsys, tmp_path):
    """The secret is its owner's, is never printed and never replaced; numbers, list and key follow from the code."""
    folder, other = tmp_path / "class of" / "autumn", tmp_path / "spring"
    other.mkdir()
    assert run("key", "AUTUMN-7", "--new-secret", folder) == 0
    code = capsys.readouterr().out.split()[-1]
    path = folder / "class.secret"
    kept = path.read_text()
    assert os.name == "nt" or path.stat().st_mode & 0o777 == 0o600
    digest = hmac.new(bytes.fromhex(kept), b"autumn-7", "sha256").digest()
    signs = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # worked by hand: the lowest six digits to the base of 31, lowest first
    digits = [int.from_bytes(digest, "big") // 31**place % 31 for place in range(6)]
    assert code[:-2] == "AUTUMN-7+" + "".join(signs[digit] for digit in digits)
    assert run("key", "AUTUMN-7", "--new-secret", folder) == 2 and path.read_text() == kept
    assert run("key", "AUTUMN-7", "--new-secret", LABS) == 2 and not (LABS / "class.secret").exists()
    assert run("key", "", "--new-secret", other) == 2 and not list(other.iterdir())
    assert run("key", "AUTUMN-7", "--new-secret", other) == 0
    said = capsys.readouterr()
    assert kept.strip() not in said.out + said.err
    of_spring = said.out.split()[-1]
    one = "--exercise", "05-1"
    assert run("key", code, "anna", *one) == 2 and "needs the secret" in capsys.readouterr().err
    assert run("key", code, "anna", *one, "--secret", other) == 2
    assert run("key", f"{code[:-1]}0", "--secret", folder) == 2 and "has a wrong character" in capsys.readouterr().err
    (folder / "class.toml").write_text(f'code = "{code}"\nlabs = ["05"]\n')
    assert run("key", folder, "anna", *one) == 0 and f"class {code}" in capsys.readouterr().out, "the folder's file"
    assert run("key", folder, "anna", "--lab", "06") == 2 and "nothing of that" in capsys.readouterr().err
    assert run("key", "AUTUMN-7", "anna", *one, "--secret", tmp_path / "list.csv") == 2
    capsys.readouterr()
    assert run("key", "autumn-7", "--class-list", write_list(tmp_path, "anna\n"), *one, "--secret", path) == 0
    said = capsys.readouterr().out
    given = exercise("05-1").variant("anna", 0, code)
    assert f"N = {given['N']}; L = {given['L']:g}".replace("-", "−") in said
    assert all(given != exercise("05-1").variant("anna", 0, code) for code in ("AUTUMN-7", of_spring))
    Writer("anna", code).do("05-1", "right").save(tmp_path / "r")
    book = gradebook(tmp_path / "r", read_class_list(write_list(tmp_path, "name,class\nanna,AUTUMN-7\n")))
    assert (
        not book.nothing and not book.unlisted and [row.class_code for row in book.rows if row.points] == ["AUTUMN-7"]
    )


def test_a_sign_mistyped_in_a_class_code_is_noticed(tmp_path):
    code = with_tag("AUTUMN-7", bytes(32))
    session = LearnerSession("05", tmp_path, "anna")
    for wrong in (code[:-1], code + "2", code.replace("GG", "G0"), code[:-3] + code[-2] + code[-3] + code[-1]):
        with pytest.raises(GainlibError, match="has a wrong character"):
            session.become("anna", wrong)
    session.become("anna", code.lower())
    (tmp_path / "class.toml").write_text(f'code = "{code}"\n')
    session.become("otto", "autumn-7")
    assert session.class_code == code, "as the class file has it"
    for old in ("7b", "2026+1", "a+b"):
        session.become("anna", old)
    record = Record(tmp_path)
    record.start("ben", "05", "music+theory26")
    session.become("ben", "music+theory26")
