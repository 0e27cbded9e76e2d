"""Lab 07 from start to 100 % with the keyboard alone, the listening test from its readings."""

import re

import pytest
from labhand import open_lab, picture, said, sentence, typed

from gainlib.exercises import bypass as runs
from gainlib.exercises import exercise
from gainlib.labs.lab07 import GAINS_DB, NAME, walked

pytestmark = [pytest.mark.browser, pytest.mark.exhaustive]  # by day lab 08 stands for all


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("07-working-range", tmp_path_factory.mktemp("lab07keys"), run=False) as hand:
        yield hand


def test_the_lab_is_done_by_keyboard_alone(lab):
    lab.run_all_by_keys()
    predict = lab.cell("predict")
    lab.tab_to(predict.get_by_role("radio").first)
    lab.press("Space", "ArrowDown", "ArrowDown")
    lab.settled()
    assert "You predict about 11 %" in said(predict)
    bench = lab.cell("panel-drive")
    before = picture(bench)
    lab.tab_to(bench.get_by_role("slider", name="Trim"))
    lab.press(*["PageUp"] * 6)
    lab.page.wait_for_timeout(400)
    lab.settled()
    assert picture(bench) != before and "A sine of −12.0 dBFS" in sentence(bench)
    lab.push(bench.get_by_role("button", name="Undo"))
    assert "A sine of −18.0 dBFS" in sentence(bench)
    lab.push(lab.cell("compare").get_by_role("button", name="Compare"))
    assert "As you predicted" in lab.cell("compare").inner_text()
    for number in (1, 2, 3):
        found, asked = lab.cell(f"exercise-{number}"), exercise(f"07-{number}")
        key = asked.solve(lab.given(asked.id))
        lab.type_over(found.get_by_role("textbox").first, typed(key["desk"]["out_db"] if number == 3 else key, 4))
        lab.press("Enter")
        lab.settled()
        lab.push(found.get_by_role("button", name="Check"))
        assert "✓ Right" in said(found), said(found)
    stages_by_keys(lab)
    readings_by_keys(lab)
    limits_by_keys(lab)
    assert "17 of 17" in lab.cell("score").inner_text()
    lab.push(lab.cell("takeaway").get_by_role("button", name="Save the page"))
    assert "Saved" in lab.cell("takeaway").inner_text()
    lab.cell("score")
    lab.shot("lab07-keyboard")
    assert lab.problems() == []


def stages_by_keys(lab):
    """Type all eight gains in the order in which Tab meets them."""
    found, given = lab.cell("exercise-4"), lab.given("07-4")
    for name, value in walked(given)[NAME].items():
        lab.type_over(found.get_by_role("textbox", name=re.compile(f"^{GAINS_DB[name]}")), typed(value))
        lab.press("Enter")
    lab.settled()
    lab.push(found.get_by_role("button", name="Check"))
    assert "Right (4 of 4 points)" in said(found), said(found)


def readings_by_keys(lab):
    """Switch both runs to their readings, tick, choose, check."""
    found, given = lab.cell("exercise-5"), lab.given("07-5")
    for place, trials in (
        (0, runs.trials_in_which("louder", "A")(given)),
        (1, runs.trials_in_which("order", "B")(given)),
    ):
        part = found.locator(".gl-field").filter(has_text=f"Run {place + 1}:").first
        lab.tab_to(part.get_by_role("radio").first)
        lab.press("ArrowDown")
        lab.settled()
        for trial in trials:
            lab.tab_to(part.get_by_role("checkbox", name=f"trial {trial}", exact=True))
            lab.press("Space")
    verdict = runs.allowed(given["other"], 1)
    for label, order, key in (("What the eight", "meanings", "level"), ("What the data", "verdicts", verdict)):
        pick(lab, found.locator(".gl-field").filter(has_text=label).first, given[order].index(key))
    lab.push(found.get_by_role("button", name="Check"))
    assert "Right (4 of 4 points)" in said(found), said(found)


def limits_by_keys(lab):
    """Type both trims and choose the rule."""
    found, asked = lab.cell("exercise-6"), exercise("07-6")
    *trims, rule = asked.solve(lab.given("07-6"))
    for place, trim in enumerate(trims):
        lab.type_over(found.get_by_role("textbox").nth(place), typed(trim, 1))
    pick(lab, found.locator(".gl-field").nth(2), ("average", "peak").index(rule))
    lab.push(found.get_by_role("button", name="Check"))
    assert "Right (3 of 3 points)" in said(found), said(found)


def pick(lab, field, place):
    """Choose the option at a place of a group of radio buttons."""
    lab.tab_to(field.get_by_role("radio").first)
    lab.press("Space", *["ArrowDown"] * place)
    lab.settled()
