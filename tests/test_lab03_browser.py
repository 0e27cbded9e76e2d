"""Lab 03 under the hand in a real JupyterLab: move, turn, type, answer wrong and right, count points."""

import pytest
from labhand import open_lab, picture, typed

from gainlib.exercises import exercise
from gainlib.labs.lab03 import TAKES

pytestmark = [pytest.mark.browser, pytest.mark.exhaustive]
LABELS = {"gain_db": "Preamp gain", "pad_db": "Pad"}
SCREEN_PX = 595


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("03-recording-level", tmp_path_factory.mktemp("lab03")) as hand:
        hand.on_one_screen()
        yield hand


def put(lab, found, values):
    """Type values into the fields of controls."""
    for name, value in values.items():
        field = found.get_by_role("group", name="controls").get_by_role("textbox", name=f"{LABELS[name]} in ")
        field.fill(typed(value) if name == "gain_db" or value else "none")
        field.press("Enter")
        lab.settled()


def test_every_desk_fits_one_screen(lab):
    for name in ("panel-recording", "exercise-2", "exercise-4", "exercise-5", "exercise-6"):
        assert lab.cell(name).locator(".gl-desk").first.bounding_box()["height"] <= SCREEN_PX, name


def test_the_desk_follows_the_keys(lab):
    found = lab.cell("panel-recording")
    first, words = picture(found), found.locator(".gl-desk-words")
    assert "66.1 dB as rendered" in words.inner_text()
    found.get_by_role("slider", name="Preamp gain").focus()
    for _ in range(7):  # 55 dB
        lab.press("PageUp")
    lab.settled()
    assert "The converter clips" in words.inner_text() and picture(found) != first
    found.get_by_text("What gain buys", exact=True).click()
    lab.settled()
    lab.shot("lab03-trade")


@pytest.mark.parametrize("number", [1, 2, 3])
def test_numbers_are_typed(lab, number):
    asked, found = exercise(f"03-{number}"), lab.cell(f"exercise-{number}")
    for place, value in enumerate(asked.values(asked.solve(lab.given(asked.id)))):
        found.get_by_role("textbox").nth(place).fill(typed(value))
    assert "Right" in lab.check(found)


def test_the_knee_is_found(lab):
    asked, found = exercise("03-4"), lab.cell("exercise-4")
    number, state = asked.solve(lab.given("03-4"))
    put(lab, found, state["desk"])
    found.get_by_role("textbox", name="All noise").fill(typed(number))
    assert "Right (3 of 3 points)" in lab.check(found)


def test_takes_are_turned_through_and_judged(lab):
    asked, found, given = exercise("03-5"), lab.cell("exercise-5"), lab.given("03-5")
    seen = set()
    for letter in TAKES:
        found.get_by_label("Take", exact=True).select_option(label=f"take {letter.upper()}")
        lab.settled()
        seen.add(picture(found))
    assert len(seen) == len(TAKES)
    lab.shot("lab03-exercise5")
    texts = {option.key: option.text for option in asked.parts[0].options_for(given)}
    for letter, kind in asked.solve(given).items():
        found.get_by_label(f"take {letter.upper()}", exact=True).select_option(label=texts[kind])
    lab.settled()
    assert "Right (4 of 4 points)" in lab.check(found)


def test_the_take_is_performed_wrong_and_right(lab):
    asked, found, given = exercise("03-6"), lab.cell("exercise-6"), lab.given("03-6")
    put(lab, found, asked.slips[0].answer(given)["desk"])
    assert asked.slips[0].sentence in lab.check(found)
    put(lab, found, asked.solve(given)["desk"])
    assert "Right (5 of 5 points)" in lab.check(found)
    lab.shot("lab03-exercise6")


def test_the_score_is_full_and_the_page_had_no_trouble(lab):
    assert "16 of 16" in lab.cell("score").inner_text()
    assert lab.problems() == []
