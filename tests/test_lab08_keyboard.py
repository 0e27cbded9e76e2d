"""Lab 08 as a page, from start to 100 % with the keyboard alone: no click, and no focus but what Tab brings."""

import pytest
from labhand import open_page, picture, said, typed

from gainlib.exercises import exercise

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_page("08-dynamics", tmp_path_factory.mktemp("lab08keys")) as hand:
        yield hand


def test_the_lab_is_done_by_keyboard_alone(lab):
    predict = lab.cell("predict")
    lab.tab_to(predict.get_by_role("radio").first)
    lab.press("Space", "ArrowDown")
    lab.settled()
    assert "You predict about 3 dB" in said(predict)
    bench = lab.cell("panel-dynamics")
    before = picture(bench)
    lab.tab_to(bench.get_by_role("slider", name="Drive"))
    lab.press(*["PageDown"] * 6)
    lab.settled()
    assert picture(bench) != before and "turns it down by" in bench.locator(".gl-desk-words").inner_text()
    lab.shot("lab08-bench")
    lab.push(bench.get_by_role("button", name="Undo"))
    assert picture(bench) == before
    lab.push(lab.cell("compare").get_by_role("button", name="Compare"))
    assert "As you predicted" in lab.cell("compare").inner_text()
    lab.shot("lab08-compare")
    answer_wrongly(lab)
    for number in range(1, 6):
        answer_by_keys(lab, number)
    lab.cell("exercise-3")
    lab.shot("lab08-exercise3")
    set_by_keys(lab)
    assert "16 of 16" in lab.cell("score").inner_text()
    lab.cell("score")
    lab.shot("lab08-score")
    assert lab.problems() == []


def answer_wrongly(lab):
    """Give the makeup the wrong way round and read its sentence."""
    asked, found = exercise("08-3"), lab.cell("exercise-3")
    slip = asked.slips[-1]
    lab.type_over(found.get_by_role("textbox").first, typed(slip.answer(lab.given("08-3"))))
    lab.press("Enter")
    lab.page.wait_for_timeout(300)
    lab.settled()
    assert slip.sentence in said(found), said(found)
    lab.shot("lab08-wrong")
    lab.push(found.get_by_role("button", name="New numbers"))  # a slip is not the end: other numbers, afresh


def answer_by_keys(lab, number):
    """Type the answer of an exercise into the fields of its desk and its own, Enter in the last one, or Check."""
    id = f"08-{number}"
    found, asked = lab.cell(f"exercise-{number}"), exercise(id)
    fields, place = found.get_by_role("textbox"), 0
    for value in asked.values(asked.solve(lab.given(id))):
        for number_of_it in value["desk"].values() if isinstance(value, dict) else [value]:
            lab.type_over(fields.nth(place), typed(number_of_it))
            lab.press("Enter")
            lab.settled()
            place += 1
    lab.push(found.get_by_role("button", name="Check"))
    points = f"{asked.points:.0f}"
    assert f"Right ({points} of {points} points)" in said(found), said(found)


def set_by_keys(lab):
    """Set the compressor by typing into its fields, then have it checked."""
    found, asked = lab.cell("exercise-6"), exercise("08-6")
    settings = asked.solve(lab.given("08-6"))["compressor"]
    for place, value in enumerate(settings.values()):
        lab.type_over(found.get_by_role("group", name="controls").get_by_role("textbox").nth(place), typed(value))
        lab.press("Enter")
        lab.settled()
    lab.push(found.get_by_role("button", name="Check"))
    lab.shot("lab08-exercise6")
    assert "Right (4 of 4 points)" in said(found), said(found)
