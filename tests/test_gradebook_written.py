"""What a teacher gets: tables in the form a platform takes, totals, a line a case, what to talk about, feedback."""

import csv
import re

import pytest
from school import CLASS, Reading, Writer, id_of, run, write_list

from gainlib.exercises import exercise
from gainlib.exercises.gradebook import gradebook
from gainlib.exercises.gradebook.export import cases, feedback, page, slip_in_words, to_talk_about

ZOE, EMILIE = "Zoe", "=Émilie"


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """Émilie is right after a mistake that is recognised, Zoe makes it and stops, Karl has forged seven lines."""
    folder = tmp_path_factory.mktemp("records")
    emilie, zoe, karl = Writer(EMILIE), Writer(ZOE), Writer("karl")
    slip = exercise("05-1").slips[0]
    for writer in (emilie, zoe):
        writer.answer("05-1", slip.answer(writer.given("05-1")))
    emilie.do("05-1", "right").do("05-2", "hint")
    for _ in range(7):
        karl.answer("05-2", karl.wrong("05-2"), points=2.0)
    for writer in (emilie, zoe, karl):
        writer.save(folder, writer.learner.strip("="))
    return folder


@pytest.fixture(scope="module")
def book(records):
    return gradebook(records)


def test_the_wide_table_as_a_platform_takes_it(records, tmp_path):
    """Decimal comma, byte order mark, id and e-mail from the list; heading and names are no formulas and no dates."""
    listed = write_list(tmp_path, "ID;Name;E-mail\n007;=émilie;e@example.org\n8;zoe;z@example.org\n9;Karl;\n")
    extra = (
        "--wide",
        tmp_path / "w.csv",
        "--questions",
        tmp_path / "q.csv",
        "--decimal-comma",
        "--bom",
        "--class-list",
    )
    code = run("gradebook", records, "--csv", tmp_path / "m.csv", *extra, listed, "--zone", "Etc/GMT-2", "-q")
    assert code == 0 and (tmp_path / "w.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    rows = list(csv.DictReader((tmp_path / "w.csv").open(encoding="utf-8-sig", newline=""), delimiter=";"))
    assert [(row["name"], row["id"], row["e-mail"]) for row in rows] == [
        ("'=émilie", "007", "e@example.org"),
        ("Karl", "9", ""),
        ("zoe", "8", "z@example.org"),
    ]
    titled = {name.split()[0]: name for name in rows[0] if name.startswith("05-")}
    assert rows[0][titled["05-2"]] == "1,7" and rows[0]["total"] == "3,7" and rows[2]["total"] == "0"
    assert all(re.fullmatch(r"05-\d \S.* \(\d+\)", name) for name in titled.values())
    long = list(csv.DictReader((tmp_path / "m.csv").open(encoding="utf-8-sig", newline=""), delimiter=";"))
    times = {(row["learner"], id_of(row)): row["time"] for row in long}
    assert times["Zoe", "05-1"] == "2026-05-04T10:01:00+02:00", "08:01 UTC, two hours east"
    slips = {(row["learner"], id_of(row)): row["slips"] for row in long}
    assert slips["Zoe", "05-1"] == slips["'=Émilie", "05-1"] == exercise("05-1").slips[0].name
    asked = list(csv.DictReader((tmp_path / "q.csv").open(encoding="utf-8-sig", newline=""), delimiter=";"))
    own = [row for row in asked if row["id"] == "007" and id_of(row) == "05-2"]
    assert len(own) == len(exercise("05-2").parts) and sum(float(row["points"]) for row in own) == 2, "before the hint"


def test_a_line_a_case_totals_and_what_to_talk_about(book):
    [case] = cases(book)
    assert case.startswith("karl (7b): 05-2: stored points 2.0, marked 0.0 [") and len(book.disagreements) == 7
    text = page(book)
    read = Reading(text)
    assert text.count("stored points 2") == 1, "once on the whole page"
    names = [text_ for text_ in read.texts if text_ in (ZOE, EMILIE, "karl")]
    assert names[:3] == [EMILIE, "karl", ZOE] and "3.7" in read.texts, "sorted as a register, and added up"
    said = slip_in_words("05-1", exercise("05-1").slips[0].name)
    assert said in exercise("05-1").slips[0].sentence and f"{said} (2) " in " ".join(read.texts)
    [talk] = to_talk_about(book.of((CLASS, "zoe")))
    assert talk == f"05-1 {exercise('05-1').title} (1 try): {said}" and talk[:-1] in " ".join(read.texts)
    assert not to_talk_about(book.of((CLASS, EMILIE.casefold()))), "what is right in the end is left"
    [item] = [item for item in book.items if item.exercise == "05-1"]
    assert item.slips == ((exercise("05-1").slips[0].name, 2),) and item.tries == 1.5


def test_feedback_is_a_file_a_learner_and_names_nobody_else(records, book, tmp_path):
    assert run("gradebook", records, "--csv", tmp_path / "m.csv", "--feedback", tmp_path / "back", "-q") == 0
    files = sorted((tmp_path / "back").iterdir())
    assert {path.name for path in files} == {"7b karl.html", "7b Émilie.html", "7b Zoe.html"}
    for own in (ZOE, EMILIE, "karl"):
        [text] = [path.read_text("utf-8") for path in files if f"<h1><bdi>{own}</bdi>" in path.read_text("utf-8")]
        assert not [other for other in (ZOE, EMILIE, "karl") if other != own and other in text]
        read = Reading(text)
        assert read.seen.count("table") == read.seen.count("caption") and set(read.scopes) == {"col", "row"}
    right = feedback(book.of((CLASS, EMILIE.casefold())))
    assert "3.7 of" in right and "Worth another look" not in right
