"""Two questions from earlier labs: what is weak comes first, what is marked, what counts, and what is kept."""

import json
from pathlib import Path

import pytest
from school import Writer

from gainlib.exercises import Events, Number, bank, exercise, read_events, tally
from gainlib.exercises.bank import lab_numbers
from gainlib.exercises.gradebook import gradebook
from gainlib.exercises.sets import REVIEW
from gainlib.exercises.tally import in_place, to_review
from gainlib.notebook import Lab
from gainlib.notebook.ungraded import NEXT, OTHERS, SKIP

LABS = Path(__file__).resolve().parent.parent / "labs"
ASKED = [each for each in bank() if in_place(each)]


def ids(questions):
    """Return the exercises that are asked."""
    return [each.id for each, _ in questions]


def asked_of(*writers, lab="05", avoid=()):
    """Return what would be asked of anna before a lab."""
    lines = sorted((line for writer in writers for line in writer.lines), key=lambda line: line["time"])
    return ids(to_review(lines, "anna", "7b", lab, avoid))


def reviewed(writer, id, answer=None, attempt=REVIEW, lab="05"):
    """Write an answer to a question of a review; the right one if none is given."""
    right = exercise(id).solve(writer.given(id, attempt))
    entry = right if answer is None else answer
    return writer.event("review", lab=lab, exercise=id, attempt=attempt, answer=entry, given=writer.given(id, attempt))


# ---- what is asked ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", lab_numbers())
def test_every_lab_but_the_first_begins_with_it(number):
    [path] = LABS.glob(f"{number}-*.ipynb")
    cells = [cell["id"] for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]]
    assert (f"{number}-review" in cells) == (number != "00")
    assert number == "00" or cells.index(f"{number}-review") < cells.index(f"{number}-predict")


def test_what_is_asked_can_be_answered_in_place():
    assert len({each.lab for each in ASKED}) >= 8
    for each in ASKED:
        kinds = {part.kind for part in each.parts}
        assert kinds <= {"number", "choice", "multi", "order", "map"} and not each.series
        assert not any(part.read_off for part in each.parts)


def test_without_a_record_the_questions_come_from_the_lab_before():
    before = max(each.lab for each in ASKED if each.lab < "05")
    found = asked_of()
    assert len(found) == 2 and {id[:2] for id in found} == {before} and found == asked_of()
    assert {tuple(ids(to_review([], name, "", "05"))) for name in "abcdefghij"} != {tuple(found)}, (
        "drawn for each learner"
    )


def test_labs_that_were_not_tried_are_not_asked():
    writer = Writer("anna")
    writer.answer("00-1", writer.right("00-1"))
    writer.answer("00-2", writer.right("00-2"))
    assert {id[:2] for id in asked_of(writer, lab="09")} == {"00"}


def test_weak_comes_before_strong_and_long_ago_before_lately():
    writer = Writer("anna")
    for id in ("02-3", "00-1", "00-5"):
        writer.answer(id, writer.right(id))
    writer.answer("00-2", 12345.0)
    writer.event("hint", exercise="02-4", attempt=0, hint=1)
    writer.answer("02-4", writer.right("02-4"))
    assert asked_of(writer) == ["00-2", "02-4"], "wrong, then solved with a hint"
    for id in ("00-2", "02-4"):
        for attempt in (1, 2):
            writer.event("attempt", exercise=id, attempt=attempt)
            writer.answer(id, exercise(id).solve(writer.given(id, attempt)), attempt=attempt)
    found = asked_of(writer)
    assert not {"00-2", "02-4"} & set(found), "both are mastered by now"
    assert {id[:2] for id in found} == {"00", "02"}, "and rather from two labs"
    once = [id for id in ("02-3", "00-1", "00-5")]
    assert asked_of(writer, avoid=once[:1])[0] != once[0]


def test_what_was_asked_last_time_comes_last_and_a_wrong_review_makes_weak():
    writer = Writer("anna")
    for id in ("00-1", "00-2", "00-5", "02-3"):
        writer.answer(id, writer.right(id))
    reviewed(writer, "00-1", 0.0)
    reviewed(writer, "02-3")
    found = asked_of(writer, lab="06")
    assert not {"00-1", "02-3"} & set(found)
    reviewed(writer, found[0], lab="06")
    reviewed(writer, found[1], lab="06")
    assert asked_of(writer, lab="07")[0] == "00-1", "wrong last time it was asked"


def test_numbers_are_new_each_time():
    writer = Writer("anna")
    writer.answer("00-1", 1.0)
    assert [attempt for _, attempt in to_review(writer.lines, "anna", "7b", "05")][:1] == [REVIEW]
    reviewed(writer, "00-1", 2.0)
    found = dict((each.id, attempt) for each, attempt in to_review(writer.lines, "anna", "7b", "05"))
    assert found.get("00-1", REVIEW + 1) == REVIEW + 1
    assert writer.given("00-1", REVIEW)["attempt"] == REVIEW


# ---- what it counts for ----------------------------------------------------------------------------------------------


def test_it_earns_nothing_and_counts_towards_mastery(tmp_path):
    writer = Writer("anna")
    reviewed(writer, "00-1")
    score = tally(Events(tuple(writer.lines)), "anna", "7b").scores["00-1"]
    assert (score.points, score.state, score.tries, score.unaided, score.mastered) == (0.0, "unattempted", 0, 1, False)
    writer.answer("00-1", writer.right("00-1"))
    reviewed(writer, "00-2", 1.0)
    reviewed(writer, "00-2")
    writer.save(tmp_path)
    found = read_events(tmp_path)
    assert not found.damaged
    scores = tally(found, "anna", "7b").scores
    assert scores["00-1"].mastered and scores["00-1"].points == scores["00-1"].max_points
    assert scores["00-2"].unaided == 0, "only the first try is a recollection"
    rows = {row.exercise: row for row in gradebook(tmp_path).rows}
    assert rows["00-1"].mastered and rows["00-2"].points == 0


# ---- the box ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def lab(tmp_path):
    """Lab 05 of somebody who solved nothing of lab 00 and everything typed of lab 02."""
    for number, wrong in (("00", True), ("02", False)):
        lab = Lab(number, folder=tmp_path, learner="anna")
        for each in lab.learner.exercises.values():
            if in_place(each) and all(isinstance(part, Number) for part in each.parts):
                lab.answer(each.id, each.answer([1e6] * len(each.parts)) if wrong else each.solve(lab.given(each.id)))
        lab.learner.kept.flush()
    lab = Lab("05", folder=tmp_path, learner="anna")
    yield lab
    lab.learner.kept.flush()


def enter(box, answer):
    """Type an answer and press Check."""
    asked, _ = box.asked[box.at]
    for field, value in zip(box.turn.fields, asked.values(answer), strict=True):
        field.show(value)
    box.turn.check.click()


def right(box):
    """Return the right answer to the question on the page."""
    asked, attempt = box.asked[box.at]
    return asked.solve(asked.variant("anna", attempt))


def test_the_box_asks_one_after_the_other_and_stops_nobody(lab):
    box = lab.review()
    first = ids(box.asked)
    assert first[0][:2] == "00" and box.next.description == SKIP and "Question 1 of 2, from lab 00" in box._head.text
    enter(box, right(box))
    assert box.turn.said.text.startswith("✓ Right") and box.next.description == NEXT and box.turn.check.disabled
    assert box.turn.explain.layout.display is None
    box.next.click()
    assert "Question 2 of 2" in box._head.text and box.next.description == SKIP
    box.next.click()
    assert box.turn is None and "You answered 1 of 2" in box._head.text and box.next.description == OTHERS
    box.next.click()
    assert box.at == 0 and not set(ids(box.asked)) & set(first)
    assert lab.score().points == 0


def test_two_wrong_answers_bring_the_explanation(lab):
    box = lab.review()
    asked, attempt = box.asked[0]
    for count, answer in enumerate(("", "loud", 1e6, 1e6, 2e6), start=1):
        enter(box, asked.answer([answer] * len(asked.parts)))
        assert (box.turn.explain.layout.display is None) == (count == 5)
    kinds = [each["kind"] for each in lab.learner.review_answers(asked, attempt)]
    assert kinds == ["review"] * 4, "an empty one is not recorded"


def test_it_is_kept_over_a_reload(lab, tmp_path):
    box = lab.review()
    asked = ids(box.asked)
    box.turn.fields[0].show("5")
    lab.learner.kept.flush()
    again = Lab("05", folder=tmp_path, learner="anna").review()
    assert ids(again.asked) == asked and again.turn.fields[0].value() == "5"
    enter(again, right(again))
    again._learner.kept.flush()
    after = Lab("05", folder=tmp_path, learner="anna").review()
    assert after.turn.said.text.startswith("✓ Right") and after.next.description == NEXT
    after._learner.become("ben")
    assert {id[:2] for id in ids(after.asked)} == {"04"}


@pytest.mark.parametrize("kept", [7, {}, {"asked": [["05-5", 1]], "at": 0}, {"asked": [["99-1", REVIEW]], "at": 0}])
def test_what_does_not_fit_is_drawn_anew(lab, kept):
    lab.learner.kept.keep("review", kept)
    assert [attempt for _, attempt in lab.review().asked] == [REVIEW] * 2
