"""Lab 07 done by hand in a real JupyterLab: drive by mouse and keys, matched and not, answers wrong and right."""

import re

import pytest
from labhand import open_lab, picture, said, sentence, typed

from gainlib.exercises import bypass as runs
from gainlib.exercises import exercise
from gainlib.labs.lab07 import GAINS_DB, NAME, walked

pytestmark = pytest.mark.browser
PLAYING = "(node) => node.gainlib.playing()"
POINTS = "17"


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("07-working-range", tmp_path_factory.mktemp("lab07")) as hand:
        yield hand


def bench(lab):
    """Return the panel, back at its start."""
    found = lab.cell("panel-drive")
    found.get_by_role("button", name="Back to start").first.click()
    found.get_by_role("button", name="Yes, back to start").click()
    lab.settled()
    return found


def choose(lab, found, setting, text):
    found.get_by_role("combobox", name=setting).select_option(text)
    lab.settled()


def told(found):
    """Return what the panel says of the setting and of the whole stem."""
    return found.locator(".gl-desk-words .gl-said").all_inner_texts()


def test_drive_match_and_listen_stand_on_one_screen(lab):
    """1280 × 720 leaves a notebook 599 px between its bars."""
    from playwright.sync_api import expect

    found = bench(lab)
    lab.page.set_viewport_size({"width": 1280, "height": 720})
    lab.page.evaluate("() => window.jupyterapp.shell.collapseLeft()")
    lab.idle()
    desks = [("panel-drive", found.locator(".gl-desk")), ("exercise-4", lab.cell("exercise-4").locator(".gl-desk"))]
    for name, desk in desks:
        assert desk.bounding_box()["height"] <= 595, name
    choose(lab, found, "Stem", "snare")
    choose(lab, found, "Box", "tape-like stage")
    found.get_by_role("slider", name="Trim").focus()
    before = found.get_by_role("button", name="Play").bounding_box()
    lab.press("End")
    lab.page.wait_for_timeout(400)
    lab.settled()
    words = found.locator(".gl-desk-words")
    expect(words).to_contain_text("cuts them", timeout=60_000)  # the longest words there are
    assert words.evaluate("(e) => e.scrollHeight - e.clientHeight") <= 0
    assert found.get_by_role("button", name="Play").bounding_box() == before
    lab.shot("lab07-longest")


def test_everything_runs_and_nothing_is_graded_yet(lab):
    assert lab.problems() == []
    assert f"0 of {POINTS}" in lab.cell("score").inner_text()
    assert not re.search(r"\b(NaN|undefined|null|None)\b", lab.page.locator(".jp-Notebook").inner_text())
    for image in lab.page.locator(".jp-Notebook .gl-picture").all():
        assert len(image.locator("[role=img]").get_attribute("aria-label")) > 40
        assert image.locator("figcaption").text_content().endswith(".")
        assert image.locator("table").count() >= 1
    for name in ("start", "idea", "panel-drive-text", "panel-drive", "mistakes"):
        lab.cell(name)
        lab.page.wait_for_timeout(200)
        lab.shot(f"lab07-{name}")


@pytest.mark.exhaustive
def test_a_dragged_trim_moves_the_picture_at_once_and_the_words_on_release(lab):
    found = bench(lab)
    before, words = picture(found), sentence(found)
    assert "inside the working range" in words
    handle = found.get_by_role("slider", name="Trim")
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    lab.page.mouse.move(x, y)
    lab.page.mouse.down()
    for step in range(12):
        lab.page.mouse.move(x + step * box["width"] / 30, y)
        lab.page.wait_for_timeout(16)
    lab.idle()
    assert picture(found) != before and sentence(found) == words
    lab.shot("lab07-drag")
    lab.page.mouse.up()
    lab.settled()
    assert "above the working range" in sentence(found) and "above its working range" in told(found)[0]
    assert lab.problems() == []


@pytest.mark.exhaustive
def test_fed_three_ways_distortion_rises_and_the_fundamental_sags(lab):
    found = bench(lab)
    trim = found.get_by_role("slider", name="Trim")
    for keys, level, thd, gain in (
        (["PageDown"] * 12, "−30.0", "0.065 %", "0.0 dB"),
        (["Home"], "−18.0", "1.00 %", "−0.3 dB"),
        (["PageUp"] * 12, "−6.0", "11.1 %", "−3.1 dB"),
    ):
        trim.focus()
        lab.press(*keys)
        lab.page.wait_for_timeout(400)
        lab.settled()
        assert f"A sine of {level} dBFS: THD {thd}, gain {gain}" in sentence(found)
        readings = found.locator(".gl-desk-side .gl-table").inner_text()
        assert f"{level} dBFS" in readings and thd in readings and gain in readings
        assert "active is as loud as bypass" in told(found)[0] and "Matched in loudness" in found.inner_text()
    trim.focus()
    lab.press("ArrowLeft", "ArrowLeft")
    lab.page.wait_for_timeout(400)
    assert found.get_by_role("textbox", name="Trim in dB").input_value() == "+11.8"
    lab.shot("lab07-hot")
    choose(lab, found, "Box", "high-pass filter")
    assert "THD under 0.001 %, gain 0.0 dB; it has no working range" in sentence(found)
    assert "works alike at every level" in told(found)[0]
    lab.shot("lab07-filter")
    assert lab.problems() == []


def test_matched_and_not_matched_are_heard(lab):
    found = bench(lab)
    player = found.locator(".gl-player")
    player.scroll_into_view_if_needed()
    player.get_by_role("button", name="Play").click()
    lab.page.wait_for_timeout(1200)
    assert player.evaluate(PLAYING)
    player.get_by_role("button", name="active", exact=True).click()
    lab.idle()
    choose(lab, found, "Match", "off, by hand")
    assert "not matched here" in player.inner_text() and "softer than bypass" in told(found)[0]
    player.scroll_into_view_if_needed()
    lab.shot("lab07-listen")
    player.get_by_role("button", name="Stop").click()
    lab.idle()
    assert lab.problems() == []


def test_three_stages_first_unmatched_then_right(lab):
    found, asked = lab.cell("exercise-4"), exercise("07-4")
    given = lab.given("07-4")
    before = picture(found)
    for answer, expected in (
        (walked(given, match="none"), asked.slips[0].sentence),
        (asked.solve(given), "Right"),
    ):
        for name, value in answer[NAME].items():
            field = found.get_by_role("textbox", name=re.compile(f"^{GAINS_DB[name]}"))
            field.fill(typed(value))
            field.press("Enter")
        lab.settled()
        found.get_by_role("button", name="Check").click()
        lab.settled()
        assert expected in said(found), said(found)
    assert picture(found) != before
    found.locator(".gl-image").first.scroll_into_view_if_needed()
    lab.shot("lab07-stages")
    found.get_by_role("button", name="Check").scroll_into_view_if_needed()
    lab.shot("lab07-stages-said")
    assert lab.problems() == []


@pytest.mark.exhaustive
def test_a_run_by_hand_and_the_conclusion_that_fits_it(lab):
    """Picks in turn: whatever they score, only the verdict that goes with the score is right."""
    found, given = lab.cell("exercise-5"), lab.given("07-5")
    for pick in "AB" * 4:
        found.get_by_role("button", name=f"I like {pick} better").click()
        lab.idle()
    player = found.locator(".gl-player").last
    player.get_by_role("button", name="Play").click()
    lab.settled()
    for pick in given["order"]:
        player.get_by_role("button", name="X", exact=True).click()
        found.get_by_role("button", name=f"X matches {pick}").click()
        lab.idle()
    player.get_by_role("button", name="Stop").click()
    lab.settled()
    found.get_by_text(runs.MEANINGS["tone"], exact=True).click()
    found.get_by_text(runs.VERDICTS[runs.BETTER], exact=True).click()
    found.get_by_role("button", name="Check").click()
    lab.settled()
    sentences = [slip.sentence for slip in exercise("07-5").slips]
    assert sentences[0] in said(found) and sentences[2] in said(found)
    lab.shot("lab07-runs-wrong")
    found.get_by_text(runs.MEANINGS["level"], exact=True).click()
    found.get_by_text(runs.VERDICTS[runs.SHOWN], exact=True).click()
    found.get_by_role("button", name="Check").click()
    lab.settled()
    assert "Right (2 of 4 points)" in said(found), said(found)
    assert "only the first try earns points" in said(found)
    lab.cell("exercise-5")
    lab.shot("lab07-runs")
    assert lab.problems() == []
