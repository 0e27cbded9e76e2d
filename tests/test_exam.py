"""An exam on the page of its lab: begun once, nothing told, ended by hand or the clock; the class file on the index."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from barepage import on_page
from school import run

from gainlib.audio import GainlibError
from gainlib.exercises import exercise, mark
from gainlib.exercises.gradebook import gradebook, read_class
from gainlib.exercises.sets import EXAM
from gainlib.notebook import Index, Lab
from gainlib.notebook.sheets import Clock

LABS = Path(__file__).parent.parent / "labs"
NOW = datetime.now(UTC)


def class_text(opens=NOW - timedelta(minutes=5), minutes=30):
    exam = f'[exam]\nlab = "01"\nopens = {opens.isoformat(timespec="seconds")}\nminutes = {minutes}\n'
    return f'name = "Levels"\ncode = "7b"\nlabs = ["01", "05"]\n[deadlines]\n05 = 2026-12-10\n{exam}'


def over(lab, box):
    """Let the time of the exam pass."""
    lab.learner.exam = replace(lab.learner.exam, ends=datetime.now(UTC) - timedelta(seconds=1))
    box.clock._handle_custom_msg({"over": True}, [])


@pytest.fixture
def lab(tmp_path):
    (tmp_path / "class.toml").write_text(class_text(), encoding="utf-8")
    return Lab("01", folder=tmp_path, learner="anna", class_code="7B")


def solve(lab, id):
    return exercise(id).solve(lab.given(id))


def test_an_exam_from_beginning_to_end(lab, tmp_path, capsys):
    box, form = lab.title().exam, lab.exercise("01-1")
    assert "The exam is open until" in box.said.text and form.check.disabled
    with pytest.raises(GainlibError, match="begin it at the head of the page"):
        lab.answer("01-1", 1.0)
    ordinary = lab.given("01-1")
    box.begin.click()
    assert lab.given("01-1")["attempt"] >= 50_000 and lab.given("01-1") != ordinary
    assert not form.check.disabled and 0 < box.clock.left_s <= 25 * 60
    hidden = [form.hint, form.again, form.solution]
    assert [each.layout.display for each in hidden] == ["none"] * 3
    (
        lab.learner.open_hint(form.exercise),
        lab.learner.show_solution(form.exercise),
        lab.learner.new_numbers(form.exercise),
    )
    for answer in (1.0, 2.0, 3.0, solve(lab, "01-1")):
        verdict = lab.answer("01-1", answer)
        assert (verdict.state, verdict.points, verdict.parts) == ("kept", 0, ())
        assert form.said.text.startswith("Your answer is kept") and not form._explain.value
    assert lab.answer("01-1", "loud").state == "invalid" and lab.score().points == 0
    lab.answer("01-1", solve(lab, "01-1"))

    again = Lab("01", folder=tmp_path, learner="anna", class_code="7b")
    assert again.learner.phase == "sitting", "a page that is opened again goes on with it"
    assert again.exercise("01-1").said.text.startswith("Your answer is kept")

    box.end.click()
    box.question.yes.click()
    assert "You have ended the exam" in box.said.text and form.check.disabled
    assert lab.given("01-1")["attempt"] >= 50_000, "it may be looked at"
    form.submit()
    with pytest.raises(GainlibError, match="you have ended the exam"):
        lab.answer("01-1", 1.0)
    over(lab, box)
    assert "The exam is over" in box.said.text and box.clock.left_s == 0
    assert lab.given("01-1") == ordinary and not form.check.disabled and form.hint.layout.display == ""
    assert lab.score().points == 0, "what it has earned the teacher tells"

    book = gradebook(tmp_path, course=read_class(tmp_path / "class.toml"))
    [row] = [row for row in book.rows if row.exercise == "01-1"]
    assert (row.points, row.tries, row.notes) == (row.max_points, 1, ())
    assert len(book.sittings) == 1 and ", 6 answers" in book.sittings[0]
    kinds = [each["kind"] for each in lab.learner.record.events().events]
    assert kinds.count("sitting") == 2 and not {"hint", "solution"} & set(kinds)
    capsys.readouterr()
    assert run("key", tmp_path / "class.toml", "anna", "--exam", "--exercise", "01-1") == 0
    assert row.variant in capsys.readouterr().out, "the key of the exam is for the same numbers"
    assert run("key", "7b", "anna", "--exam") == 2


def test_the_clock_ends_a_sitting_and_a_late_answer_is_kept(lab, tmp_path):
    box = lab.title().exam
    box.begin.click()
    lab.learner.exam = replace(lab.learner.exam, ends=datetime.now(UTC) - timedelta(seconds=1))
    lab.answer("01-1", solve(lab, "01-1"))
    assert lab.given("01-1")["attempt"] >= 50_000, "the page has not heard the clock yet"
    over(lab, box)
    assert lab.learner.phase == "" and lab.given("01-1")["attempt"] == 0
    steps = [each["step"] for each in lab.learner.record.events().events if each["kind"] == "sitting"]
    assert steps == ["begin", "end"]
    course = read_class(tmp_path / "class.toml")
    book = gradebook(tmp_path, course=replace(course, deadlines={"01": lab.learner.exam.ends}))
    assert [row.notes for row in book.rows if row.exercise == "01-1"] == [("late by 1 h; 0 of 2 by then",)]


def test_nobody_begins_without_a_name(lab, tmp_path):
    lab.learner.become("learner-0a1b", "7b")
    box = lab.title().exam
    box.begin.click()
    assert box.said.text.startswith("Not begun: Enter your name") and lab.learner.phase == "open"
    lab.learner.become("anna", "7b")
    box.update()
    assert box.said.text.startswith("Exam: The exam is open until")
    box.begin.click()
    assert lab.learner.phase == "sitting"


def test_the_blind_run_of_an_exam_is_the_first():
    """Later runs have to be better, and the number of the exam's set is large."""
    blind = exercise("00-4")
    given = blind.variant("anna", EXAM + 7, "7b")
    assert mark(blind, given, blind.solve(given)).state == "right"


@pytest.mark.browser
def test_the_clock_counts_down_and_says_so():
    clock, told = Clock(left_s=600.9, text="The exam ends in"), []
    clock.on_msg(lambda _widget, content, _buffers: told.append(content))
    with on_page(clock) as bare:
        face, root = (f"document.querySelector('{each}')" for each in ("[role=timer]", ".gl-clock"))
        shown = f"[{face}.textContent, {root}.hidden].join('|')"
        bare.wait(f"{shown} === 'The exam ends in 10:00|false'", 3)
        bare.wait("document.querySelector('[aria-live=polite]').textContent === 'The exam ends in 10 min'", 3)
        assert not told
        clock.left_s = 0.4
        bare.wait(f"{shown}.startsWith('The exam ends in 00:00')", 3)
        clock.text = "The exam is over in"
        bare.wait("window.outbox.length === 0", 3)
        clock.left_s = 0.0
        bare.wait(f"{shown}.endsWith('true')", 3)
    assert told == [{"over": True}]


def test_before_the_exam_a_lab_is_as_ever(tmp_path):
    (tmp_path / "class.toml").write_text(class_text(NOW + timedelta(hours=1)), encoding="utf-8")
    lab = Lab("01", folder=tmp_path, learner="anna", class_code="7b")
    box, form = lab.title().exam, lab.exercise("01-1")
    assert "Exam on" in box.said.text and 3000 < box.clock.left_s < 3600
    assert lab.answer("01-1", solve(lab, "01-1")).state == "right" and form.hint.layout.display == ""
    other = Lab("01", folder=tmp_path, learner="zoe", class_code="8a")
    assert other.learner.exam is None and other.title().exam.layout.display == "none", "of another class"


def test_the_class_file_is_opened_on_the_index(tmp_path):
    index = Index(folder=tmp_path)
    panel, table = index.who(), index.labs()
    assert "due" not in table.bundle()["text/html"]
    panel.open_class("class.toml", b"code = 7")
    assert panel.said.text.startswith("Not opened: class.toml: code is '7'") and not (tmp_path / "class.toml").exists()
    panel.open_class("class.toml", None)
    assert "too large" in panel.said.text
    panel.name.value = "anna"
    panel.open_class("autumn.toml", class_text().encode())
    assert (index.shelf.learner, index.shelf.class_code) == (
        "anna",
        "7b",
    ) and "Your class is **Levels**" in panel.said.text
    due = {lab.number: lab.due for lab in index.shelf.labs()}
    assert due["05"] == "2026-12-10" and due["01"].startswith("exam ") and not due["00"]
    assert "<span>2026-12-10</span>" in table.bundle()["text/html"]
    assert table.bundle()["text/html"].count("<span>not</span> <span>in</span> <span>your</span>") == 11
    (tmp_path / "class.toml").write_text("code = ", encoding="utf-8")
    index.update()
    assert "is no class file" in panel.said.text and "tell your teacher" in panel.said.text
    assert Lab("01", folder=tmp_path).learner.exam is None, "a lab opens all the same"


def test_class_files_in_the_course_folder(tmp_path, monkeypatch):
    (tmp_path / "labs").mkdir()
    (tmp_path / "class.toml").write_text(f'hand_in = "handed-in"\n{class_text()}', encoding="utf-8")
    monkeypatch.chdir(tmp_path / "labs")
    records = tmp_path / "records"
    assert Lab("01", folder=records).learner.class_code == "7b", "the only class there is"
    index = Index(folder=records, labs=LABS)
    panel = index.record()
    assert panel.hand_in.layout.display == "none", "the folder is not there"
    (tmp_path / "handed-in").mkdir()
    index.update()
    panel.hand_in.click()
    assert "the folder of your class. You may" in panel._about.value.replace("\n", " ") and "Receipt" in panel.said.text
    assert gradebook(tmp_path / "handed-in", course=read_class("../class.toml")).files == 1
    (tmp_path / "class-8a.toml").write_text('code = "8a"\n', encoding="utf-8")
    assert Lab("01", folder=tmp_path / "others").learner.class_code == ""
    (records / "class.toml").write_text('code = "7b"\n', encoding="utf-8")
    assert Lab("01", folder=records).learner.exam is not None, "what lies in the course folder is newer"
