"""What the pages of all labs do alike: keep a prediction, answer a mistake, give new numbers, and be taken away."""

import ast
import json
import re
from pathlib import Path

import pytest
from daily import daily
from labhand import LABS, open_lab, typed
from playwright.sync_api import expect

from gainlib.exercises import bank

pytestmark = pytest.mark.browser
ASKED = {
    each.lab: each for each in reversed(bank()) if [part.kind for part in each.parts] == ["number"]
}  # the first number each lab asks for; the capstone asks for none
NAMES = [path.stem for path in sorted(LABS.glob("[0-9][0-9]-*.ipynb")) if path.stem[:2] in ASKED]


@pytest.fixture(scope="module", params=[*daily(sorted(NAMES, key="02-meters".__ne__), 1)])
def lab(request, tmp_path_factory):
    with open_lab(request.param, tmp_path_factory.mktemp("lab")) as hand:
        yield hand


def choices(lab):
    """Return what a lab's prediction may be, from its notebook."""
    book = json.loads(next(LABS.glob(f"{lab.number}-*.ipynb")).read_text(encoding="utf-8"))
    source = next("".join(cell["source"]) for cell in book["cells"] if cell["id"] == f"{lab.number}-predict")
    _, *said = [ast.literal_eval(argument) for argument in ast.parse(source).body[0].value.args]
    return said


def shows(found, *texts):
    """Wait until all of these stand in a cell."""
    for text in texts:
        expect(found).to_contain_text(text, use_inner_text=True, timeout=30_000)


def test_a_prediction_is_kept_and_compared(lab):
    said, compare = choices(lab), lab.cell("compare")
    compare.get_by_role("button", name="Compare").click()
    shows(compare, "Predict first")
    expect(compare.locator("table")).to_have_count(0)
    for choice in said[:2]:  # another click is another prediction
        lab.cell("predict").get_by_text(choice, exact=True).click()
        shows(lab.cell("predict"), f"You predict {choice}")
    compare.get_by_role("button", name="Compare").click()
    shows(compare, re.compile("As you predicted|Not as predicted"))
    told = (f"You said {said[1]}; the meters say ", f"You said {said[1]}, and so do the meters.")
    assert any(words in " ".join(compare.inner_text().split()) for words in told)
    expect(compare.locator("table")).to_have_count(1)
    kept = [json.loads(line) for line in (lab.folder / "records" / "record.jsonl").read_text().splitlines()]
    found = [(each["choice"], each.get("locked", False)) for each in kept if each["kind"] == "prediction"]
    assert found == [(said[0], False), (said[1], False), (said[1], True)]
    shows(lab.cell("predict"), f"You predicted {said[1]}")
    expect(lab.cell("predict").get_by_role("radio").first).to_be_disabled()
    assert lab.problems() == []


def test_questions_from_earlier_labs_are_answered_or_skipped_by_keys(lab):
    box = lab.cell("review")
    shows(box, "Question 1 of 2")
    while not box.get_by_role("textbox").count():  # one to tick or to put in order
        box.get_by_role("button").last.click()
        lab.settled()
    for turn in (1, 2):
        for field in box.get_by_role("textbox").all():
            field.fill(f"{turn}23456")
        lab.page.keyboard.press("Enter")
        shows(box, "Not yet" if turn == 1 else "Why.")
        lab.settled()
    lab.tab_to(box.get_by_role("button", name="Next"))
    while not box.get_by_text("You answered 1 of 2").count():
        lab.page.keyboard.press("Enter")
        lab.settled()
    kinds = [json.loads(line)["kind"] for line in (lab.folder / "records" / "record.jsonl").read_text().splitlines()]
    assert kinds.count("review") == 2
    assert lab.problems() == []


def test_a_wrong_answer_is_met_by_its_sentence_and_new_numbers_bring_the_points(lab):
    asked = ASKED[lab.number]
    found, points = lab.cell(asked.id.replace(lab.number, "exercise")), f"{asked.points:.0f}"
    given = lab.given(asked.id)
    slip = next(slip for slip in asked.slips if slip.active(given))
    field = found.get_by_role("textbox")
    field.fill(typed(slip.answer(given), 4))
    field.press("Enter")
    shows(found, "Not yet", slip.sentence)
    lab.new_numbers(found)
    again = lab.given(asked.id)
    assert again != given and again["attempt"] == 1
    field.fill(typed(asked.solve(again), 4))
    found.get_by_role("button", name="Check").click()
    shows(found, f"Right ({points} of {points} points)")
    shows(lab.cell("score"), f"{points} of {sum(each.points for each in bank() if each.lab == lab.number):.0f}")
    assert lab.problems() == []


def test_the_page_to_take_away(lab):
    page = lab.cell("takeaway")
    with lab.page.expect_download() as coming:
        page.get_by_role("button", name="Save the page").click()
    shows(page, "Saved")
    (file,) = lab.folder.rglob("*.html")
    assert Path(coming.value.path()).read_bytes() == file.read_bytes()
    assert file.name in page.inner_text() and "<table" in file.read_text(encoding="utf-8")
    assert lab.problems() == []
