"""Lab 12 in a real JupyterLab: a strip under the hand, practice and back, and the whole capstone from start to 100 %.

On the way each refusal is met on the page: a fault missed, a drive off by 3 dB, a bypass unmatched, one fader moved, a
clipped bus.
"""

import re

import capstone_page as typing
import pytest
from labhand import open_lab, picture, said, sentence
from playwright.sync_api import expect

from gainlib.exercises import exercise
from gainlib.exercises.capstone import assignment

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("12-capstone", tmp_path_factory.mktemp("lab12")) as hand:
        hand.on_one_screen()
        yield hand


def panel(lab):
    """Return the panel, everything back at its start, the first strip under the hand."""
    found = lab.cell("panel-session")
    found.get_by_role("button", name="Strip", exact=True).click()
    found.get_by_role("button", name="Back to start").click()
    found.get_by_role("button", name="Yes, back to start").click()
    choose(lab, found, typing.TARGETS[0])
    return found


def choose(lab, found, name):
    """Choose a strip, and let it be measured."""
    found.get_by_role("combobox", name="Strip or group").select_option(name)
    typing.settled(lab, found)


def enter(found, control, text):
    """Type a value into a field of the panel."""
    line = typing.field(found, control)
    line.fill(text)
    line.press("Enter")


def check(lab, number):
    """Press Check in a task and return what is said."""
    found = lab.cell(f"exercise-{number}")
    found.get_by_role("button", name="Check").click()
    lab.settled()
    return said(found)


def test_everything_runs_and_nothing_is_graded_yet(lab):
    assert lab.problems() == []
    score = lab.cell("score").inner_text()
    assert "0 of 100" in score and "not passed yet" in score
    assert not re.search(r"\b(NaN|undefined|null|None)\b", lab.page.locator(".jp-Notebook").inner_text())
    for image in lab.page.locator(".jp-Notebook .gl-picture").all():
        assert len(image.locator("[role=img]").get_attribute("aria-label")) > 40
        assert image.locator("figcaption").text_content().endswith(".")
        assert image.locator("table").count() >= 1
    names = [box.inner_text() for box in lab.cell("exercise-1").locator("label").all()]
    assert lab.cell("exercise-1").get_by_role("checkbox", name="05 bass: too hot").count() == 1, names[:3]


@pytest.mark.exhaustive
def test_a_dragged_trim_moves_the_picture_and_the_words_follow_on_release(lab):
    found = panel(lab)
    choose(lab, found, "08 pad")
    before, said_before = picture(found), typing.words(found)
    handle = found.get_by_role("slider", name="Trim", exact=True)
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    lab.page.mouse.move(x, y)
    lab.page.mouse.down()
    for step in range(10):
        lab.page.mouse.move(x - 4 * step, y)
        lab.page.wait_for_timeout(16)
    lab.idle()
    assert picture(found) != before and typing.words(found) == said_before
    lab.page.mouse.up()
    typing.settled(lab, found)
    assert typing.words(found) != said_before
    lab.shot("lab12-drag")
    choose(lab, found, "05 bass")
    found.get_by_role("button", name="Undo").click()
    typing.settled(lab, found)
    assert typing.words(found) == said_before, "Undo goes back to the strip it belongs to"
    assert "08 pad" in found.get_by_role("combobox", name="Strip or group").evaluate("(e) => e.selectedOptions[0].text")
    assert "highest at" in sentence(found) and lab.problems() == []


@pytest.mark.exhaustive
def test_desk_and_tasks_fit_the_window_and_no_control_moves(lab):
    found = panel(lab)
    desk = found.locator(".gl-desk").first
    handle = found.get_by_role("slider", name="Trim", exact=True)
    place = handle.bounding_box()["y"] - desk.bounding_box()["y"]
    found.get_by_role("button", name="Listen to this strip").click()
    typing.settled(lab, found)
    found.get_by_role("button", name="Another session").click()
    lab.idle()
    assert abs(handle.bounding_box()["y"] - desk.bounding_box()["y"] - place) < 3
    found.locator(".gl-question").get_by_role("button", name="No", exact=True).click()
    for tab in ("Strip in numbers", "All strips", "Mix", "Mix in numbers", "Bus", "Strip"):
        found.get_by_role("button", name=tab, exact=True).click()
        typing.settled(lab, found)
        assert desk.bounding_box()["height"] <= 595, tab
        assert abs(handle.bounding_box()["y"] - desk.bounding_box()["y"] - place) < 3, tab
    task = lab.cell("exercise-1")
    task.get_by_role("button", name="Measure the stems").click()
    typing.settled(lab, task)
    assert task.get_by_role("table", name="The stems as they arrive").locator("tbody tr").count() == 11
    assert task.get_by_role("table", name="The retakes").locator("tbody tr").count() == 4
    lab.shot("lab12-stems")
    for number in (1, 2, 6):
        assert lab.cell(f"exercise-{number}").locator(".gl-desk").first.bounding_box()["height"] <= 595
    boxes = lab.cell("exercise-2")
    answers = [box.bounding_box()["y"] for box in boxes.locator(".gl-grid select").all()]
    tester = boxes.get_by_role("slider", name="Sine in").bounding_box()["y"]
    assert len(answers) > 20 and max(abs(y - tester) for y in answers) < 400
    lab.shot("lab12-boxes")


def test_the_mix_is_measured_and_heard(lab):
    found = panel(lab)
    found.get_by_role("button", name="Mix in numbers").click()
    typing.settled(lab, found)
    assert found.get_by_role("table", name="The mix against the one you found").locator("tbody tr").count() == 12
    assert "farthest from its old balance" in typing.words(found)
    lab.shot("lab12-mix")
    found.get_by_role("button", name="Listen to the mix").click()
    typing.settled(lab, found)
    player = found.locator(".gl-player")
    assert player.get_by_role("button", name="as found").count() == 1
    player.get_by_role("button", name="Play").first.click()
    expect(player).to_contain_text("Matched in loudness", timeout=60_000)
    for tab in ("Strip", "Mix", "Mix in numbers"):
        found.get_by_role("button", name=tab, exact=True).click()
        typing.settled(lab, found)
        assert found.locator(".gl-desk").first.bounding_box()["height"] <= 595, f"{tab}, with the player at work"
    lab.shot("lab12-listen")
    player.get_by_role("button", name="Stop").first.click()
    assert lab.problems() == []


@pytest.mark.exhaustive
def test_practice_is_another_session_with_free_hints(lab):
    found = panel(lab)
    seed = lab.given("12-1")["seed"]
    found.get_by_role("radio", name="practice").check()
    typing.settled(lab, found)
    assert lab.given("12-1")["seed"] != seed
    task = lab.cell("exercise-3")
    assert "practice session no. 1" in task.inner_text()
    for k in (1, 2, 3):
        task.get_by_role("button", name=f"Hint {k} of 3").click()
        lab.settled()
    assert "No more hints" in task.inner_text() and "Hint 3." in task.inner_text()
    found = lab.cell("panel-session")
    found.get_by_role("radio", name="a run that counts").check()
    typing.settled(lab, found)
    assert lab.given("12-1")["seed"] == seed
    assert "Hint 1 of 1" in lab.cell("exercise-3").inner_text()
    assert "Hint 1." not in lab.cell("exercise-3").inner_text()
    assert lab.problems() == []


@pytest.mark.exhaustive
def test_the_capstone_from_start_to_100_percent(lab):
    found, given = panel(lab), lab.given("12-3")
    report_with_one_missed(lab, given)
    mark_boxes(lab, given)
    for target, moves in typing.moves(given).items():
        found = lab.cell("panel-session")
        choose(lab, found, target)
        for control, value in moves:
            enter(found, control, typing.typed(value))
        typing.settled(lab, found)
    lab.shot("lab12-solved")
    drive_off_and_unmatched(lab, given)
    one_fader_and_a_clipped_bus(lab, given)
    export_and_sheet(lab)
    score = lab.cell("score").inner_text()
    assert "100 of 100" in score and "passed with distinction" in score
    lab.shot("lab12-score")
    assert lab.problems() == []


def report_with_one_missed(lab, given):
    """Tick all but one, read the sentence, tick the last."""
    task, ticks = lab.cell("exercise-1"), typing.report(given)
    for stem, words in ticks[:-2]:
        task.get_by_role("checkbox", name=f"{stem}: {words}").check()
    for name, words in typing.retakes(lab.given("12-1")):
        task.get_by_role("combobox", name=name, exact=True).select_option(words)
    last, silent = ticks[-2:]
    task.get_by_role("checkbox", name=f"{silent[0]}: {silent[1]}").check()
    lab.settled()
    assert re.search(r"Partly right.*missed 1 and ticked 0 too many", check(lab, 1), re.DOTALL)
    lab.shot("lab12-missed")
    task.get_by_role("checkbox", name=f"{last[0]}: {last[1]}").check()
    lab.settled()
    assert "Right (20 of 20 points)" in check(lab, 1)


def mark_boxes(lab, given):
    """Choose for every box."""
    task = lab.cell("exercise-2")
    for name, kind in assignment.kinds(given).items():
        task.get_by_role("combobox", name=name, exact=True).select_option(kind)
    lab.settled()
    assert "Right (10 of 10 points)" in check(lab, 2)


def off_by(lab, target, moves):
    """Put some controls of a strip off by so much, from where the reference has them; returns how to put them back."""
    wanted = typing.reference.controls(lab.given("12-3"))[target]

    def place(off):
        found = lab.cell("panel-session")
        choose(lab, found, target)
        for control, by in moves:
            enter(found, control, typing.typed(wanted[control] + off * by))
        typing.settled(lab, found)

    place(1.0)
    return lambda: place(0.0)


def last_box(given):
    """Return a strip with a box that cares, and the last such box in it."""
    for strip in assignment.session(given).strips:
        boxes = [k for k, box in enumerate(strip.inserts, 1) if not box.processor.linear]
        if boxes:
            return strip.name, boxes[-1]
    raise AssertionError("no strip cares about its level")


def drive_off_and_unmatched(lab, given):
    """Feed a box 3 dB too hot, then leave one unmatched, and read both sentences."""
    target, box = last_box(given)
    put_back = off_by(lab, target, [(f"insert {box} in_db", 3.0)])
    assert re.search(rf"Partly right.*{target}, box {box}: .* at its input.*3\.0 dB too hot", check(lab, 3), re.DOTALL)
    lab.shot("lab12-drive-off")
    put_back()
    put_back = off_by(lab, target, [(f"insert {box} out_db", 0.6)])
    assert re.search(rf"{target}, box {box} is 0\.\d\d dB louder than its bypass", check(lab, 3))
    put_back()
    assert "Right (25 of 25 points)" in check(lab, 3)


def one_fader_and_a_clipped_bus(lab, given):
    """Move one fader, then lift the mix until it clips, and read both sentences."""
    put_back = off_by(lab, "08 pad", [("fader_db", 1.0)])
    louder = re.search(
        r"Partly right.*Pad is (\d\.\d\d) dB louder against the rest of the mix", check(lab, 4), re.DOTALL
    )
    assert float(louder[1]) == pytest.approx(1.0, abs=0.02), "all is typed in hundredths"
    assert exercise("12-4").slips[0].sentence in check(lab, 4)
    lab.shot("lab12-one-fader")
    put_back()
    assert "Right (20 of 20 points)" in check(lab, 4)
    put_back = off_by(lab, "drums", [("post_trim_db", 12.0)])
    assert re.search(r"Not yet.*It clips: \d+ samples are over full scale", check(lab, 5), re.DOTALL)
    lab.shot("lab12-clipped")
    put_back()


def export_and_sheet(lab):
    """Export, have it checked, fill the ten cells."""
    task = lab.cell("exercise-5")
    assert "not exported anything yet" in check(lab, 5)
    task.get_by_role("button", name="Export mix and stems").click()
    typing.settled(lab, task)
    assert "Exported" in task.inner_text()
    assert "Right (15 of 15 points)" in check(lab, 5)
    lab.shot("lab12-export")
    task = lab.cell("exercise-6")
    for place, text in enumerate(typing.cells(lab.given("12-6"))):
        task.get_by_role("textbox").nth(place).fill(text)
    task.get_by_role("textbox").last.press("Tab")
    lab.settled()
    assert "Right (10 of 10 points)" in check(lab, 6)
    lab.shot("lab12-sheet")
