"""Worked examples: declared where a lab shows one, opened step by step, the last step the learner's, kept, printed."""

import json
from pathlib import Path

import pytest

from gainlib.audio import GainlibError
from gainlib.exercises import Number
from gainlib.exercises.bank import declared, lab_numbers
from gainlib.exercises.lab import Worked
from gainlib.notebook import Lab
from gainlib.notebook.ungraded import EXPLAINED_FROM

LABS = Path(__file__).resolve().parent.parent / "labs"
SHOWN = [number for number in lab_numbers() if declared(number).worked is not None]


@pytest.fixture
def lab(tmp_path):
    """Lab 00 of anna's."""
    lab = Lab("00", folder=tmp_path, learner="anna")
    yield lab
    lab.learner.kept.flush()


def ids_of(number):
    """Return the ids of a lab's cells, in order."""
    [path] = LABS.glob(f"{number}-*.ipynb")
    return [cell["id"] for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]]


@pytest.mark.parametrize("number", lab_numbers())
def test_a_lab_shows_its_worked_example_just_before_the_exercises(number):
    ids = ids_of(number)
    k = ids.index(f"{number}-exercises")
    before = [f"{number}-worked-text", f"{number}-worked"]
    assert (ids[k - 2 : k] == before) == (number in SHOWN)
    assert f"{number}-worked" in ids or number not in SHOWN


@pytest.mark.parametrize("number", SHOWN)
def test_the_steps_do_not_say_the_last_one(number):
    """What is left to the learner stands in no step, and its explanation ends the example."""
    worked = declared(number).worked
    printed = worked.last.show(worked.key, {})
    assert not any(printed in text for text in (worked.question, *worked.steps)), printed
    assert worked.judge(printed)[0] == "right"


def test_steps_open_one_after_the_other_and_the_last_is_the_learners(lab):
    example, worked = lab.worked(), lab.page.worked
    assert example.standing["steps"] == 0 and example._yours.layout.display == "none"
    for k in range(1, len(worked.steps) + 1):
        example.next.click()
        assert worked.steps[k - 1].split(".")[0] in example._newest.text and len(example._before.children) == k - 1
    assert example._row.layout.display == "none" and example._yours.layout.display is None
    field, turn = example.turn.fields[0], example.turn
    for answer, word in (("", "No answer yet"), ("loud", "? This cannot be read"), ("90", "✗ Not yet")):
        field.show(answer)
        turn.check.click()
        assert turn.said.text.startswith(word) and turn.explain.layout.display == "none"
    assert "too high" in turn.said.text
    field.show("60 min")
    turn.check.click()
    assert turn.said.text.startswith("✓ Right") and turn.explain.layout.display is None
    assert lab.score().points == 0, "it earns nothing"


def test_the_explanation_comes_after_two_wrong_tries(lab):
    example = lab.worked()
    for _ in lab.page.worked.steps:
        example.open_next()
    for count, answer in enumerate(("90", "90", "80"), start=1):
        example.turn.fields[0].show(answer)
        example.submit()
        told = example.turn.explain.layout.display is None
        assert told == (count == 3), "the same twice is one try"
    assert EXPLAINED_FROM == 2


def test_it_is_kept(lab, tmp_path):
    example = lab.worked()
    example.open_next()
    example.open_next()
    lab.learner.kept.flush()
    again = Lab("00", folder=tmp_path, learner="anna")
    assert again.worked().standing["steps"] == 2
    again.worked().open_next()
    again.worked().turn.fields[0].show("5")
    again.learner.kept.flush()
    assert Lab("00", folder=tmp_path, learner="anna").worked().turn.fields[0].value() == "5"
    again.learner.become("ben")
    assert again.worked().standing == {"steps": 0, "entry": "", "tries": []}


@pytest.mark.parametrize("kept", [7, {"steps": -3}, {"steps": 99, "entry": 5, "tries": "x"}, {"tries": [1, None]}])
def test_what_does_not_fit_is_dropped(lab, kept):
    lab.learner.kept.keep("worked", kept)
    example = lab.worked()
    assert 0 <= example.standing["steps"] <= 3 and example.standing["tries"] == []


def test_the_page_to_print_has_it_in_full(lab):
    page = lab.takeaway().write().read_text(encoding="utf-8")
    assert "A worked example" in page and "half of the 120 min: 60 min" in page


@pytest.mark.parametrize("change", [{"question": " "}, {"steps": ()}, {"steps": ("",)}, {"explain": ""}, {"key": "x"}])
def test_a_worked_example_that_is_none_is_refused(change):
    fields = {"question": "How much?", "steps": ("Add.",), "last": Number("Sum", "dB", tolerance=0.1), "key": 3.0}
    with pytest.raises(GainlibError):
        Worked(**{**fields, "explain": "1 + 2 = 3.", **change})
