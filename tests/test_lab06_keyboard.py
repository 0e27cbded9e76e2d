"""Lab 06 from start to 100 % with the keyboard alone: no click, and no focus but what Tab brings."""

import pytest
from labhand import open_lab, picture, said, sentence, typed

from gainlib.exercises import exercise
from gainlib.labs.lab06 import residual_db

pytestmark = [pytest.mark.browser, pytest.mark.exhaustive]  # by day lab 08 stands for all


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("06-linear", tmp_path_factory.mktemp("lab06keys"), run=False) as hand:
        yield hand


def test_the_lab_is_done_by_keyboard_alone(lab):
    lab.run_all_by_keys()
    predict = lab.cell("predict")
    lab.tab_to(predict.get_by_role("radio").first)
    lab.press("Space", "ArrowDown", "ArrowDown")
    lab.settled()
    assert "You predict three" in said(predict)
    bench = lab.cell("panel-boxes")
    assert bench.locator(".gl-desk").bounding_box()["height"] <= 595, "1280 × 720 leaves a notebook 599 px"
    before = picture(bench)
    lab.tab_to(bench.get_by_role("slider", name="Sine in"))
    lab.press("End")
    lab.settled()
    assert picture(bench) != before and "Fed +12 dBFS" in sentence(bench)
    lab.shot("lab06-bench")
    lab.push(bench.get_by_role("button", name="Undo"))
    assert picture(bench) == before
    lab.push(lab.cell("compare").get_by_role("button", name="Compare"))
    assert "As you predicted" in lab.cell("compare").inner_text()
    sort_by_keys(lab)
    lab.shot("lab06-sorted")
    refuse_by_keys(lab)
    for number in (2, 3, 4):
        type_by_keys(lab, number)
    tick_by_keys(lab)
    type_by_keys(lab, 6)
    lab.cell("exercise-2")
    lab.shot("lab06-residual")
    assert "15 of 15" in lab.cell("score").inner_text()
    lab.shot("lab06-keyboard")
    assert lab.problems() == []


def sort_by_keys(lab):
    """Choose the kind of every box from its list, then check."""
    found, asked = lab.cell("exercise-1"), exercise("06-1")
    given = lab.given("06-1")
    kinds = [option.key for option in asked.parts[0].options_for(given)]
    lists = found.locator(".widget-dropdown select")
    for place, kind in enumerate(asked.solve(given).values()):
        lab.tab_to(lists.nth(place))
        lab.press("Home", *["ArrowDown"] * (kinds.index(kind) + 1))
        lab.settled()  # the keys come faster than any hand, and the last of them would pass the button on its way
    check(lab, found, asked)


def tick_by_keys(lab):
    """Tick what a trim may cross, then check."""
    found, asked = lab.cell("exercise-5"), exercise("06-5")
    given = lab.given("06-5")
    for name in asked.solve(given):
        lab.tab_to(found.get_by_role("checkbox").nth(given["across"].index(name)))
        lab.press("Space")
    check(lab, found, asked)


def check(lab, found, asked):
    """Press the button that checks, and expect full points."""
    lab.push(found.get_by_role("button", name="Check"))
    points = f"{asked.points:.0f}"
    assert f"Right ({points} of {points} points)" in said(found), said(found)


def refuse_by_keys(lab):
    """Give the usual wrong answer, read the sentence that is made for it, and take new numbers."""
    found = lab.cell("exercise-2")
    wrong = residual_db(lab.given("06-2"), 0.0, 0.0)
    lab.type_over(found.get_by_role("textbox").last, typed(wrong))
    lab.press("Enter")
    lab.page.wait_for_timeout(300)
    lab.settled()
    assert "Undo the gain before you subtract" in said(found)
    lab.push(found.get_by_role("button", name="New numbers"))


def type_by_keys(lab, number):
    """Type the answer into its field, which comes after those of a desk, Enter to check."""
    found, asked = lab.cell(f"exercise-{number}"), exercise(f"06-{number}")
    lab.type_over(found.get_by_role("textbox").last, typed(asked.solve(lab.given(f"06-{number}"))))
    lab.press("Enter")
    lab.page.wait_for_timeout(300)
    lab.settled()
    points = f"{asked.points:.0f}"
    assert f"Right ({points} of {points} points)" in said(found), said(found)
