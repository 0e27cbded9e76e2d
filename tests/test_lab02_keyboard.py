"""Lab 02 from start to 100 % with the keyboard alone: no click, and no focus but what Tab brings."""

import pytest
from labhand import open_lab, picture, said, sentence, typed

from gainlib.exercises import exercise

pytestmark = [pytest.mark.browser, pytest.mark.exhaustive]  # by day lab 08 stands for all


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("02-meters", tmp_path_factory.mktemp("lab02keys"), run=False) as hand:
        yield hand


def test_the_lab_is_done_by_keyboard_alone(lab):
    lab.run_all_by_keys()
    predict = lab.cell("predict")
    lab.tab_to(predict.get_by_role("radio").first)
    lab.press("Space", "ArrowDown", "ArrowDown")
    lab.settled()
    assert "You predict about −11 VU" in said(predict)
    bench = lab.cell("panel-meters")
    before = picture(bench)
    lab.tab_to(bench.get_by_role("slider", name="Burst"))
    lab.press("Home", *["ArrowLeft"] * 7)
    lab.settled()
    assert picture(bench) != before and "needle, highest −11.1 VU" in sentence(bench)
    lab.push(bench.get_by_role("button", name="Undo"))
    assert picture(bench) == before
    lab.push(lab.cell("compare").get_by_role("button", name="Compare"))
    assert "As you predicted" in lab.cell("compare").inner_text()
    for number in range(1, 7):
        answer_by_keys(lab, number)
    assert "15 of 15" in lab.cell("score").inner_text()
    lab.push(lab.cell("takeaway").get_by_role("button", name="Save the page"))
    assert "Saved" in lab.cell("takeaway").inner_text()
    lab.cell("score")
    lab.shot("lab02-keyboard")
    assert lab.problems() == []


def answer_by_keys(lab, number):
    """Type the answer of an exercise into its fields, Enter in the last one."""
    id = f"02-{number}"
    found, asked = lab.cell(f"exercise-{number}"), exercise(id)
    key = asked.values(asked.solve(lab.given(id)))
    for place, value in enumerate(key):
        lab.type_over(found.get_by_role("textbox").nth(place), typed(value))
    lab.press("Enter")
    lab.page.wait_for_timeout(300)
    lab.settled()
    points = f"{asked.points:.0f}"
    assert f"Right ({points} of {points} points)" in said(found), said(found)
