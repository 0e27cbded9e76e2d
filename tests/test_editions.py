"""An exercise that is asked or answered in another way than it was: old answers keep what they earned."""

from dataclasses import replace
from importlib import import_module

import pytest
from school import Writer

from gainlib.exercises import Before, Events, Number, bank, exercise
from gainlib.exercises.bank import edition_now, in_edition
from gainlib.exercises.gradebook import gradebook
from gainlib.notebook.learner import LearnerSession

counting, result = (import_module(f"gainlib.exercises.{name}") for name in ("tally", "gradebook.result"))
WAS = exercise("02-5")


def doubled(given):
    """Return twice what was asked for."""
    return 2 * WAS.solve(given)


NOW = replace(
    WAS, edition=2, before=Before(WAS.parts, WAS.solve), parts=(Number("Twice", "dBFS", tolerance=0.1, points=4),),
    solve=doubled, slips=(), guard=False,
)  # fmt: skip


@pytest.fixture
def changed(monkeypatch):
    """Put a second edition in the place of an exercise."""
    exercises = tuple(NOW if each.id == NOW.id else each for each in bank())
    _forget()
    for module in (counting, result):
        monkeypatch.setattr(module, "bank", lambda: exercises)
        monkeypatch.setattr(module, "exercise", lambda id: {each.id: each for each in exercises}[id])
    yield
    _forget()


def _forget():
    counting.marked.cache_clear()
    counting.numbers.cache_clear()


def score(*writers):
    """Return what the lines of some writers earn in the exercise."""
    lines = tuple(line for writer in writers for line in writer.lines)
    return counting.tally(Events(lines), "anna", "7b").scores[NOW.id]


@pytest.mark.parametrize("rule", [None, 2])
def test_an_earlier_answer_keeps_its_share_of_the_points(changed, rule):
    old = Writer("anna", rule=rule)
    old.event("hint", exercise=NOW.id, attempt=0, hint=1)
    old.answer(NOW.id, WAS.solve(old.given(NOW.id)))
    found = score(old)
    assert (found.state, found.points, found.max_points, found.former) == ("right", pytest.approx(0.85 * 4), 4, 1)


def test_the_better_of_the_editions_counts_and_tries_add_up(changed):
    old, new = Writer("anna"), Writer("anna", day=5)
    old.answer(NOW.id, 12.0)
    new.event("answer", exercise=NOW.id, attempt=0, answer=doubled(old.given(NOW.id)), edition=2)
    found = score(old, new)
    assert (found.points, found.answers, found.former, found.unaided) == (4, 2, 1, 1)
    new.event("answer", exercise=NOW.id, attempt=0, answer=WAS.solve(old.given(NOW.id)), edition=2)
    assert score(old, new).points == 4 and score(new).former == 0


def test_an_answer_to_the_earlier_question_is_none_to_the_new_one(changed):
    new = Writer("anna")
    new.event("answer", exercise=NOW.id, attempt=0, answer=WAS.solve(new.given(NOW.id)), edition=2)
    assert score(new).state == "wrong"


def test_the_gradebook_says_so(changed, tmp_path):
    old = Writer("anna")
    old.answer(NOW.id, WAS.solve(old.given(NOW.id)))
    old.save(tmp_path)
    [row] = [row for row in gradebook(tmp_path).rows if row.exercise == NOW.id]
    assert row.points == 4 and "1 answer is to an earlier edition of the exercise" in row.notes[0]


def test_a_page_begins_afresh_with_a_new_edition(tmp_path):
    desk = LearnerSession("05", tmp_path, "anna")
    desk.answer(WAS, 12.0)
    desk.new_numbers(WAS)
    assert desk.attempt(WAS) == 1 and desk.attempt(NOW) == 0 and not desk.answers(NOW)


def test_lines_carry_the_edition_and_unknown_ids_are_of_the_first(tmp_path):
    desk = LearnerSession("05", tmp_path, "anna")
    desk.answer(WAS, 12.0)
    assert desk.record.events().events[-1]["edition"] == edition_now(WAS.id)
    assert edition_now("05-99") == edition_now("nothing") == 1


def test_an_edition_before_a_mere_redraw_is_marked_as_now():
    assert in_edition(replace(WAS, edition=3), 1).parts == WAS.parts
    assert in_edition(NOW, 1).solve is WAS.solve and in_edition(NOW, 2) is NOW
