"""Labs 04 and 11 under the hand in a real JupyterLab: desks on one screen, a file to take, answers wrong and right."""

import pytest
from daily import rest
from labhand import HASH, open_lab, said, typed

from gainlib.exercises import exercise

pytestmark = pytest.mark.browser
SCREEN_PX = 610
DESKS = {
    "04-word-length": ("panel-rounds", "exercise-1", "exercise-3"),
    "11-delivery": ("panel-delivery", *(f"exercise-{k}" for k in (1, 2, 3, 5, 6))),
}
FILES = {"04-word-length": "rounds-programme.wav", "11-delivery": "master.wav"}
TASKS = {"04-word-length": 3, "11-delivery": 6}
NAMES = {"down_db": "A, down by", "rounds": "B, rounds", "bits": "C, word", "gain_db": "Gain", "ceiling_db": "Ceiling"}
WORDS = {("bits", 16.0): "16 bit", ("bits", 24.0): "24 bit", ("dither", 1.0): "triangular", ("dither", 0.0): "none"}


@pytest.fixture(scope="module", params=[rest("04-word-length"), rest("11-delivery")])
def lab(request, tmp_path_factory):
    with open_lab(request.param, tmp_path_factory.mktemp("lab")) as hand:
        hand.on_one_screen()
        hand.name = request.param
        yield hand


def put(lab, found, name, value):
    """Type a value into the field of a control."""
    label = {"bits": "Word", "dither": "Dither"}.get(name) if lab.number == "11" else None
    text = WORDS[name, value] if label else typed(value)
    field = found.get_by_role("group", name="controls").get_by_role("textbox", name=f"{label or NAMES[name]} in ")
    field.fill(text)
    field.press("Enter")
    lab.settled()


def test_every_desk_fits_one_screen(lab):
    for name in DESKS[lab.name]:
        assert lab.cell(name).locator(".gl-desk").first.bounding_box()["height"] <= SCREEN_PX, name


def test_every_tab_shows_a_picture_and_the_file_comes(lab):
    found = lab.cell(DESKS[lab.name][0])
    shown = found.locator(".gl-image:visible")
    seen = {shown.evaluate(HASH)}
    for tab in found.locator(".gl-tab").all()[1:3]:
        tab.click()
        lab.settled()
        seen.add(shown.evaluate(HASH))
    assert len(seen) == 3
    with lab.page.expect_download() as download:
        found.get_by_role("button", name="Download the").click()
    assert download.value.suggested_filename == FILES[lab.name]


def test_a_task_is_set_on_the_desk_wrong_and_right(lab):
    number = TASKS[lab.name]
    id = f"{lab.number}-{number}"
    asked, found, given = exercise(id), lab.cell(f"exercise-{number}"), lab.given(id)
    right = asked.solve(given)["desk"]
    wrong = right | ({"down_db": 1.0} if lab.number == "04" else {"ceiling_db": 0.0, "gain_db": right["gain_db"] - 3})
    for answer, words in ((wrong, "too low"), (right, f"Right ({asked.points:.0f} of {asked.points:.0f} points)")):
        for name, value in answer.items():
            put(lab, found, name, value)
        found.get_by_role("button", name="Check").click()
        lab.settled()
        assert words in said(found)
    assert lab.problems() == []
