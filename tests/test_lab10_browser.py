"""Lab 10 under the hand in a real JupyterLab: predict, move, turn the pages, answer wrong and right, count points."""

import pytest
from labhand import open_lab, picture, said, typed

from gainlib.exercises import exercise

pytestmark = pytest.mark.browser
LABELS = {
    "fader_db": "Fader", "room_db": "Send, pre", "echo_db": "Send, post", "group_db": "Group",
    "parallel_db": "Parallel", "delay_ms": "Delay", "polarity": "Polarity",
}  # fmt: skip
SCREEN_PX = 595


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("10-routing", tmp_path_factory.mktemp("lab10")) as hand:
        hand.on_one_screen()
        yield hand


def put(lab, found, name, value):
    """Type a value into the field of a control."""
    text = {1.0: "normal", -1.0: "inverted"}[value] if name == "polarity" else typed(value)
    field = found.get_by_role("group", name="controls").get_by_role("textbox", name=f"{LABELS[name]} in ")
    field.fill(text)
    field.press("Enter")
    lab.settled()


def test_prediction_and_measurement_meet(lab):
    lab.cell("predict").get_by_role("radio").nth(2).check()
    lab.settled()
    assert "You predict hardly at all" in said(lab.cell("predict"))
    lab.cell("compare").get_by_role("button", name="Compare").click()
    lab.settled()
    assert "As you predicted" in lab.cell("compare").inner_text()


def test_every_desk_fits_one_screen(lab):
    """At 1280 × 720 with the side bars closed."""
    for name in ("panel-routing", "exercise-2", "exercise-4", "exercise-5", "exercise-6"):
        assert lab.cell(name).locator(".gl-desk").first.bounding_box()["height"] <= SCREEN_PX, name


def test_the_desk_follows_and_undoes(lab):
    found = lab.cell("panel-routing")
    first = picture(found)
    assert "The parallel path is closed" in found.locator(".gl-desk-words").inner_text()
    found.get_by_label("Parallel path", exact=True).select_option(label="open, polarity normal")
    lab.settled()
    assert "lowest notch is at 83 Hz" in found.locator(".gl-desk-words").inner_text() and picture(found) != first
    found.get_by_role("slider", name="Delay").focus()
    lab.press("Home")
    lab.settled()
    assert "+6.02 dB" in found.locator(".gl-desk-words").inner_text()
    for tab in ("Two paths that meet", "Comb"):
        found.get_by_text(tab, exact=True).click()
        lab.settled()
        lab.shot(f"lab10-{tab.split()[0].lower()}")
    for _ in range(2):
        found.get_by_role("button", name="Undo").click()
        lab.settled()
    assert "The parallel path is closed" in found.locator(".gl-desk-words").inner_text()


@pytest.mark.parametrize("number", [2, 4, 6])
def test_tasks_are_set_on_the_desk_wrong_and_right(lab, number):
    id = f"10-{number}"
    asked, found, given = exercise(id), lab.cell(f"exercise-{number}"), lab.given(id)
    slip = asked.slips[0]
    for name, value in slip.answer(given)["desk"].items():
        put(lab, found, name, value)
    assert slip.sentence.replace("**", "") in lab.check(found)
    for name, value in asked.solve(given)["desk"].items():
        put(lab, found, name, value)
    assert f"Right ({asked.points:.0f} of {asked.points:.0f} points)" in lab.check(found)
    lab.shot(f"lab10-exercise{number}")


@pytest.mark.parametrize("number", [1, 3])
def test_numbers_are_typed(lab, number):
    id = f"10-{number}"
    asked, found = exercise(id), lab.cell(f"exercise-{number}")
    for place, value in enumerate(asked.values(asked.solve(lab.given(id)))):
        found.get_by_role("textbox").nth(place).fill(typed(value))
    assert "Right" in lab.check(found)


def test_the_stems_are_read_and_judged(lab):
    asked, found, given = exercise("10-5"), lab.cell("exercise-5"), lab.given("10-5")
    first = picture(found)
    found.get_by_label("Stem", exact=True).select_option(label="toms")
    lab.settled()
    assert picture(found) != first
    before = 0
    for part, key in zip(asked.parts, asked.solve(given), strict=True):
        keys = [option.key for option in part.options_for(given)]
        found.get_by_role("radio").nth(before + keys.index(key)).check()
        before += len(keys)
    lab.settled()
    assert "Right (3 of 3 points)" in lab.check(found)


def test_the_score_is_full_and_the_page_had_no_trouble(lab):
    assert "19 of 19" in lab.cell("score").inner_text()
    assert lab.problems() == []
