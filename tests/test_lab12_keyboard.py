"""Lab 12 with the keyboard alone, from start to 100 %: no click, and no focus but what Tab brings."""

import capstone_page as typing
import pytest
from labhand import FOCUSED, MOST_TABS, open_lab, picture, said

from gainlib.exercises import exercise
from gainlib.exercises.capstone import assignment

pytestmark = [pytest.mark.browser, pytest.mark.exhaustive]  # by day lab 08 stands for all


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("12-capstone", tmp_path_factory.mktemp("lab12keys"), run=False) as hand:
        yield hand


def back_to(lab, target):
    """Press Shift and Tab until the target has the focus."""
    wanted = target.element_handle()
    for _ in range(MOST_TABS):
        if wanted.evaluate("(e) => document.activeElement === e"):
            return
        lab.press("Shift+Tab")
    raise AssertionError(f"the focus is on {lab.page.evaluate(FOCUSED)}")


def test_the_lab_is_done_by_keyboard_alone(lab):
    lab.run_all_by_keys()
    lab.tab_to(lab.cell("predict").get_by_role("radio").first)
    lab.press("Space", "ArrowDown")
    lab.settled()
    assert "You predict by less than 4 dB" in said(lab.cell("predict"))
    panel, given = lab.cell("panel-session"), lab.given("12-3")
    typing.settled(lab, panel)
    stage_by_keys(lab, panel, given)
    back_to(lab, panel.get_by_role("button", name="Mix in numbers"))
    lab.press("Space")
    typing.settled(lab, panel)
    assert "against the rest" in panel.get_by_role("table", name="The mix against the one you found").inner_text()
    lab.push(lab.cell("compare").get_by_role("button", name="Compare"))
    report_by_keys(lab, given)
    boxes_by_keys(lab, given)
    for number in (3, 4):
        assert "Right" in checked(lab, number)
    export_by_keys(lab)
    sheet_by_keys(lab)
    assert "100 of 100" in lab.cell("score").inner_text()
    lab.shot("lab12-keys-score")
    assert lab.problems() == []


def stage_by_keys(lab, panel, given):
    """Go through strips and groups with the arrow keys of the list, and type every value."""
    for target, moves in typing.moves(given).items():
        chooser = panel.get_by_role("combobox", name="Strip or group")
        if target == typing.TARGETS[0]:
            lab.tab_to(chooser)
        else:
            back_to(lab, chooser)
            lab.press("ArrowDown")
        typing.settled(lab, panel)
        assert chooser.evaluate("(e) => e.selectedOptions[0].text") == target
        before = picture(panel)
        for control, value in moves:
            lab.type_over(typing.field(panel, control), typing.typed(value))
            lab.press("Enter")
        typing.settled(lab, panel)
        if moves and target not in assignment.GROUPS:
            assert picture(panel) != before, target


def checked(lab, number):
    """Press Check in a task and return what is said."""
    task = lab.cell(f"exercise-{number}")
    lab.push(task.get_by_role("button", name="Check"))
    return said(task)


def report_by_keys(lab, given):
    """Tick the report, one short at first."""
    task, ticks = lab.cell("exercise-1"), typing.report(given)
    for stem, words in ticks[1:]:
        lab.tab_to(task.get_by_role("checkbox", name=f"{stem}: {words}"))
        lab.press("Space")
    for name, words in typing.retakes(lab.given("12-1")):
        lab.tab_to(task.get_by_role("combobox", name=name, exact=True))
        lab.page.keyboard.type(words)
    lab.settled()
    assert "missed 1 and ticked 0 too many" in checked(lab, 1)
    first = task.get_by_role("checkbox", name=f"{ticks[0][0]}: {ticks[0][1]}")
    back_to(lab, first)
    lab.press("Space")
    lab.settled()
    assert "Right (20 of 20 points)" in checked(lab, 1)


def boxes_by_keys(lab, given):
    """Choose for every box by the first letter."""
    task = lab.cell("exercise-2")
    for name, kind in assignment.kinds(given).items():
        lab.tab_to(task.get_by_role("combobox", name=name, exact=True))
        lab.press(kind[0])
    lab.settled()
    assert "Right (10 of 10 points)" in checked(lab, 2)


def export_by_keys(lab):
    """Export, and have it checked."""
    task = lab.cell("exercise-5")
    lab.push(task.get_by_role("button", name="Export mix and stems"))
    typing.settled(lab, task)
    assert "Right (15 of 15 points)" in checked(lab, 5)


def sheet_by_keys(lab):
    """Fill the cells, the first of them wrong, read the sentence, then put it right."""
    task, texts = lab.cell("exercise-6"), typing.cells(lab.given("12-6"))
    fields = task.get_by_role("textbox")
    for place, text in enumerate(texts):
        lab.type_over(fields.nth(place), text if place else "0,5")
    lab.press("Tab")
    lab.settled()
    assert "9 of 10 cells" in checked(lab, 6) and "too high" in said(task)
    back_to(lab, fields.first)
    lab.press("ControlOrMeta+a")
    lab.page.keyboard.type(texts[0])
    lab.press("Tab")
    lab.settled()
    assert f"Right ({exercise('12-6').points:.0f} of 10 points)" in checked(lab, 6)
