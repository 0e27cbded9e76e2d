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
    for number in (2, 3, 1, 4, 5, 6):  # as they stand on the page
        answer_by_keys(lab, number)
    assert "15 of 15" in lab.cell("score").inner_text()
    lab.push(lab.cell("takeaway").get_by_role("button", name="Save the page"))
    assert "Saved" in lab.cell("takeaway").inner_text()
    lab.cell("score")
    lab.shot("lab02-keyboard")
    assert lab.problems() == []


LABELS = {
    "drums_db": "Drums in dB", "gain_db": "ain in dB", "sine_db": "Sine, gain in dB", "square_db": "Square, gain in dB",
    "triangle_db": "Triangle, gain in dB", "burst_ms": "Burst in ms",
}  # fmt: skip


def answer_by_keys(lab, number):
    """Type the answer of an exercise into the fields of its desk and check, or into its own, Enter in the last one."""
    id = f"02-{number}"
    found, asked = lab.cell(f"exercise-{number}"), exercise(id)
    key = asked.solve(lab.given(id))
    if isinstance(key, dict):
        for name, value in key["desk"].items():
            lab.type_over(found.get_by_role("textbox", name=LABELS[name]), typed(value))
            lab.press("Enter")
        lab.settled()
        lab.push(found.get_by_role("button", name="Check"))
    else:
        values, fields = asked.values(key), found.get_by_role("textbox")
        for place, value in enumerate(values, start=fields.count() - len(values)):
            lab.type_over(fields.nth(place), typed(value))
        lab.press("Enter")
    lab.page.wait_for_timeout(300)
    lab.settled()
    points = f"{asked.points:.0f}"
    assert f"Right ({points} of {points} points)" in said(found), said(found)
