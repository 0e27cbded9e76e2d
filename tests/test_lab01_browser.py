"""Lab 01 under the hand in a real JupyterLab: move, type, answer wrong and right, count points."""

import pytest
from labhand import open_lab, picture, typed

from gainlib.exercises import exercise
from gainlib.labs.lab01 import GAINS, NAMES

pytestmark = [pytest.mark.browser, pytest.mark.exhaustive]
LABELS = {name: f"Gain, {at}" for name, at in zip(GAINS, NAMES, strict=True)} | {"gain_db": "Gain"}
SCREEN_PX = 595


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("01-decibels", tmp_path_factory.mktemp("lab01")) as hand:
        hand.on_one_screen()
        yield hand


def put(lab, found, values):
    """Type values into the fields of controls."""
    for name, value in values.items():
        field = found.get_by_role("group", name="controls").get_by_role("textbox", name=f"{LABELS[name]} in ")
        field.fill(typed(value))
        field.press("Enter")
        lab.settled()


def test_every_desk_fits_one_screen(lab):
    for name in ("panel-chain", "exercise-4", "exercise-6"):
        assert lab.cell(name).locator(".gl-desk").first.bounding_box()["height"] <= SCREEN_PX, name


def test_the_desk_follows_the_keys(lab):
    found = lab.cell("panel-chain")
    first, words = picture(found), found.locator(".gl-desk-words")
    assert "Out of the chain: −5.0 dBu" in words.inner_text()
    found.get_by_role("slider", name="Gain, bus amp").focus()
    for _ in range(9):
        lab.press("PageUp")
    lab.settled()
    assert "The bus amp clips" in words.inner_text() and picture(found) != first
    lab.press("Home")
    lab.settled()
    assert "Out of the chain: −5.0 dBu" in words.inner_text()
    found.get_by_text("In numbers", exact=True).click()
    lab.settled()
    assert "share of all noise" in found.inner_text()
    lab.shot("lab01-numbers")


@pytest.mark.parametrize("number", [1, 2, 3])
def test_numbers_are_typed(lab, number):
    asked, found = exercise(f"01-{number}"), lab.cell(f"exercise-{number}")
    for place, value in enumerate(asked.values(asked.solve(lab.given(asked.id)))):
        found.get_by_role("textbox").nth(place).fill(typed(value))
    assert "Right" in lab.check(found)


def test_a_tone_is_lined_up(lab):
    asked, found = exercise("01-4"), lab.cell("exercise-4")
    state, number = asked.solve(lab.given("01-4"))
    put(lab, found, state["desk"])
    found.get_by_role("textbox").last.fill(typed(number))
    assert "Right (3 of 3 points)" in lab.check(found)
    lab.shot("lab01-exercise4")


def test_levels_are_put_in_order(lab):
    asked, found, given = exercise("01-5"), lab.cell("exercise-5"), lab.given("01-5")
    texts = {option.key: option.text for option in asked.parts[0].options_for(given)}
    for place, key in enumerate(asked.solve(given)):
        found.get_by_role("combobox").nth(place).select_option(label=texts[key])
    lab.settled()
    assert "Right (2 of 2 points)" in lab.check(found)


def test_the_way_through_wrong_and_right(lab):
    asked, found, given = exercise("01-6"), lab.cell("exercise-6"), lab.given("01-6")
    put(lab, found, asked.slips[0].answer(given)["desk"])
    assert asked.slips[0].sentence in lab.check(found)
    put(lab, found, asked.solve(given)["desk"])
    assert "Right (5 of 5 points)" in lab.check(found)
    lab.shot("lab01-exercise6")


def test_the_score_is_full_and_the_page_had_no_trouble(lab):
    assert "16 of 16" in lab.cell("score").inner_text()
    assert lab.problems() == []
