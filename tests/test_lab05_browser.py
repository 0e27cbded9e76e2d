"""Lab 05 done by hand in a real JupyterLab: run, predict, drag, key, listen, answer wrong and right, count points."""

import json
import re
import shutil
from math import log10
from pathlib import Path

import numpy as np
import pytest
from browser import headless, jupyterlab, notebook_page
from playwright.sync_api import expect

from gainlib.demo import demo_session
from gainlib.exercises import exercise
from gainlib.labs import lab05
from gainlib.notebook.identity import WHO_FILE

pytestmark = pytest.mark.browser
NOTEBOOK = Path(__file__).parent.parent / "labs" / "05-mix-bus.ipynb"
BYTES = """async (image) => { for (let k = 0; k < 2; k++) await new Promise(requestAnimationFrame);
  return [...image.querySelectorAll('canvas')].map((canvas) => canvas.toDataURL()).join(' '); }"""


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """The lab, open in a page and run, with a record of its own."""
    folder = tmp_path_factory.mktemp("lab05")
    shutil.copy(NOTEBOOK, folder)
    (folder / "records").mkdir()
    (folder / "records" / WHO_FILE).write_text('{"learner": "anna", "class_code": "7b"}')  # the same numbers every time
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("GAINLIB_RECORDS", str(folder / "records"))
        with (
            jupyterlab(folder) as server,
            headless() as browser,
            notebook_page(server, browser, folder / NOTEBOOK.name) as page,
        ):
            page.run_all()
            settled(page)
            yield page


def cell(lab, name):
    """Return the cell of that id, scrolled into the window."""
    index = lab.page.evaluate(
        """(id) => { const cells = window.jupyterapp.shell.currentWidget.content.model.cells;
          for (let i = 0; i < cells.length; i++) if (cells.get(i).id === id) return i; return -1; }""",
        f"05-{name}",
    )
    assert index >= 0, name
    found = lab.page.locator(".jp-Notebook .jp-Cell").nth(index)
    found.scroll_into_view_if_needed()
    return found


def settled(lab):
    """Wait until the work beside the hand is done and the kernel has answered."""
    lab.page.wait_for_timeout(400)  # keys this close together are one gesture
    lab.idle()
    lab.page.wait_for_function("() => !document.querySelector('[data-state=busy]')", timeout=60_000)
    lab.idle()


def panel(lab):
    """Return the bus panel, back at its start."""
    found = cell(lab, "panel-bus")
    found.get_by_role("button", name="Back to start").first.click()
    found.get_by_role("button", name="Yes, back to start").click()
    settled(lab)
    return found


def picture(found):
    """Return a hash of the picture that follows the hand."""
    return found.locator(".gl-image").first.evaluate(BYTES)


def sentence(found):
    """Return what that picture says to a screen reader."""
    return found.locator(".gl-image").first.get_attribute("aria-label")


def given(lab, id):
    """Return the numbers on the desk for an exercise."""
    return json.loads(lab.kernel(f"import json; print(json.dumps(lab.given('{id}')))"))


def peak_text(session):
    """Return the sample peak of a session's bus as the page writes it, from the rendered samples alone."""
    level = 20 * log10(np.abs(session.render().bus.samples).max())
    return f"sample peak {level:+.1f} dBFS".replace("-", "−")


def says(found, *texts):
    """Wait until the last live region to be seen in a cell says all of these."""
    for text in texts:
        expect(found.locator(".gl-said:visible").last).to_contain_text(text, use_inner_text=True, timeout=30_000)


def shows(found, *texts):
    """Wait until all of these stand in a cell."""
    for text in texts:
        expect(found).to_contain_text(text, use_inner_text=True, timeout=30_000)


def test_everything_runs_and_nothing_is_graded_yet(lab):
    assert lab.problems() == []
    assert "0 of 17" in cell(lab, "score").inner_text()
    text = lab.page.locator(".jp-Notebook").inner_text()
    assert not re.search(r"\b(NaN|undefined|null|None)\b", text)
    assert "−30" in cell(lab, "safety").inner_text()
    lab.shot("lab05-top")


def test_every_picture_has_its_words_and_numbers(lab):
    panel(lab)
    for image in lab.page.locator(".jp-Notebook .gl-picture").all():
        assert len(image.locator("[role=img]").get_attribute("aria-label")) > 40
        assert image.locator("figcaption").text_content().endswith(".")
        assert image.locator("table").count() >= 1


def test_a_dragged_fader_moves_the_picture_at_once_and_the_tables_on_release(lab):
    found = panel(lab)
    assert peak_text(demo_session(1, True, "unity")) in sentence(found)
    before, count = picture(found), found.locator(".gl-desk-words .gl-said-text").first.inner_text()
    handle = found.get_by_role("slider", name="05 bass")
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    lab.page.mouse.move(x, y)
    lab.page.mouse.down()
    for step in range(15):
        lab.page.mouse.move(x - 2 * step, y)
        lab.page.wait_for_timeout(16)
    lab.idle()
    during = picture(found)
    assert during != before
    assert found.locator(".gl-desk-words .gl-said-text").first.inner_text() == count
    lab.shot("lab05-drag")
    lab.page.mouse.up()
    settled(lab)
    fader_db = float(handle.get_attribute("aria-valuenow"))
    assert -30 < fader_db < -5
    moved = demo_session(1, True, "unity").with_faders({"05 bass": fader_db})
    assert peak_text(moved) in sentence(found)
    over = int(np.count_nonzero(np.abs(moved.render().bus.samples) > 1))
    assert f"{over:,} samples leave the bus above full scale" in found.inner_text()
    assert lab.problems() == []
    lab.shot("lab05-released")


def test_keys_mute_undo_and_back_to_start(lab):
    found = panel(lab)
    start, handle = picture(found), found.get_by_role("slider", name="01 kick")
    handle.focus()
    for key, value in (("ArrowDown", -0.1), ("PageDown", -1.1), ("Home", 0.0), ("End", -140.0)):
        lab.page.keyboard.press(key)
        lab.idle()
        assert float(handle.get_attribute("aria-valuenow")) == pytest.approx(value)
    settled(lab)
    silent = demo_session(1, True, "unity").with_("01 kick", mute=True)
    assert peak_text(silent) in sentence(found)
    found.get_by_role("button", name="Undo").first.click()
    settled(lab)
    found.get_by_role("button", name="mute 01 kick").click()
    settled(lab)
    assert peak_text(silent) in sentence(found)
    panel(lab)
    assert picture(found) == start
    assert lab.problems() == []


def test_a_fixed_bus_cuts_ahead_of_the_master(lab):
    found = panel(lab)
    found.get_by_role("combobox", name="Bus").select_option("1")
    master = found.get_by_role("textbox", name="master")
    master.fill("-10")
    master.press("Enter")
    settled(lab)
    fixed = demo_session(1, True, "unity").with_(bus="fixed").with_("bus", fader_db=-10.0)
    shows(found, "The fixed-point bus has clipped")
    assert peak_text(fixed) in sentence(found) and "behind the cut" in sentence(found)
    assert "10 of the 10 worst peaks are cut off at full scale. The worst peak is 2.01 times" in sentence(found)
    lab.shot("lab05-fixed")
    panel(lab)
    assert "leave the bus above full scale" in found.inner_text()
    assert lab.problems() == []


def test_all_faders_together_and_listening_on_one_clock(lab):
    found = panel(lab)
    found.get_by_role("button", name="Link all").click()
    field = found.get_by_role("textbox", name="08 pad")
    field.fill("−12,1")
    field.press("Enter")
    settled(lab)
    assert "No sample leaves the bus above full scale." in found.inner_text()
    values = {handle.get_attribute("aria-valuenow") for handle in found.get_by_role("slider").all()[:11]}
    assert values == {"-12.1"}
    assert "true peak −6.1 dBTP" in sentence(found)
    player = found.locator(".gl-player")
    player.scroll_into_view_if_needed()
    player.get_by_role("button", name="Play").click()
    lab.page.wait_for_timeout(1500)
    for name in ("as you set it", "as found", "as you set it"):
        button = player.get_by_role("button", name=name)
        button.click()
        lab.idle()
        assert button.get_attribute("aria-pressed") == "true"
    assert "Matched in loudness" in player.inner_text()
    heard = player.evaluate("""async (node) => { const desk = node.gainlib;
      while (!desk.playing()) await new Promise((later) => setTimeout(later, 50));
      return desk.sound.hand.get('08 pad/fader_db'); }""")
    assert heard == -12.1, "the mix in the browser stands where the hand has put it"
    assert "LUFS" in player.inner_text()
    lab.shot("lab05-listen")
    player.get_by_role("button", name="Stop").click()
    found.get_by_role("button", name="Link all").click()
    assert lab.problems() == []


def test_what_cannot_be_read_costs_nothing_and_a_hint_says_its_price(lab):
    found = cell(lab, "exercise-2")
    found.get_by_role("textbox").fill("quite loud")
    found.get_by_role("button", name="Check").click()
    says(found, "you lose no points", "enter a number in dBFS")
    hint = found.get_by_role("button", name="Hint")
    assert "costs" in hint.get_attribute("title")
    hint.click()
    shows(found, "Identical signals add as amplitudes")
    numbers = given(lab, "05-2")
    found.get_by_role("textbox").fill(str(round(exercise("05-2").solve(numbers), 2)))
    found.get_by_role("button", name="Check").click()
    says(found, "You earn 1.7 of 2")
    assert lab.problems() == []


def test_the_mix_is_brought_down_by_hand(lab):
    found, numbers = cell(lab, "exercise-5"), given(lab, "05-5")
    found.get_by_role("slider", name="master").focus()
    lab.page.keyboard.press("PageDown")
    found.get_by_role("button", name="Check").click()
    says(found, "You moved only the master fader")
    found.get_by_role("button", name="Back to start").first.click()
    found.get_by_role("button", name="Yes, back to start").click()
    found.get_by_role("button", name="Link all").click()
    field = found.get_by_role("textbox", name="01 kick")
    field.fill(f"{numbers['faders_db'][0] + lab05.offset_db(numbers):.1f}")
    field.press("Enter")
    settled(lab)
    found.get_by_role("button", name="Check").click()
    says(found, "Right (4 of 4 points)")
    found.get_by_role("button", name="Check").scroll_into_view_if_needed()
    lab.shot("lab05-exercise5")
    assert lab.problems() == []


def test_the_loud_source_is_found_and_ticked(lab):
    found, numbers = cell(lab, "exercise-4"), given(lab, "05-4")
    stem, attenuation = exercise("05-4").solve(numbers)
    found.get_by_role("button", name=f"mute {stem}").click()
    settled(lab)
    assert "No sample leaves the bus above full scale." in found.inner_text()
    found.get_by_text(stem.partition(" ")[2], exact=True).last.click()
    found.get_by_role("textbox", name="Least attenuation").fill(str(attenuation))
    found.get_by_role("button", name="Check").click()
    says(found, "Right (4 of 4 points)")
    lab.shot("lab05-exercise4")
    assert lab.problems() == []


def test_boxes_are_ticked_and_points_add_up(lab):
    found, numbers = cell(lab, "exercise-6"), given(lab, "05-6")
    boxes = found.locator("input[type=checkbox]")
    for place, name in enumerate(numbers["set_ups"]):
        boxes.nth(place).set_checked(name in exercise("05-6").solve(numbers))
    found.get_by_role("button", name="Check").click()
    says(found, "Right (3 of 3 points)")
    lab.shot("lab05-exercise6")
    shows(cell(lab, "score"), "12.7 of 17")
    lab.shot("lab05-score")
    assert lab.problems() == []


def test_another_take(lab):
    found = panel(lab)
    found.get_by_role("button", name="Another take").click()
    settled(lab)
    assert peak_text(demo_session(1, "drawn", "unity")) in sentence(found)
    assert lab.problems() == []


def test_another_learner_gets_other_numbers_and_an_empty_sheet(lab):
    found = cell(lab, "title")
    old = given(lab, "05-2")
    found.get_by_role("textbox", name="Name").fill("Zoë Ångström")
    found.get_by_role("button", name="Save my name").click()
    says(found, "You work as Zoë Ångström")
    assert given(lab, "05-2") != old
    shows(cell(lab, "score"), "0 of 17")
    expect(cell(lab, "exercise-2").get_by_role("textbox")).to_have_value("")
    assert lab.problems() == []
