"""Lab 02 done by hand in a real JupyterLab: settings by mouse and by keys, pictures, sound, answers wrong and right."""

import re

import pytest
from labhand import open_lab, picture, said, sentence, typed

from gainlib import signals
from gainlib.exercises import exercise
from gainlib.meters import integrated_lufs, vu_needle

pytestmark = [pytest.mark.browser, pytest.mark.exhaustive]


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("02-meters", tmp_path_factory.mktemp("lab02")) as hand:
        yield hand


def bench(lab):
    """Return the panel, back at its start."""
    found = lab.cell("panel-meters")
    found.get_by_role("button", name="Back to start").click()
    found.get_by_role("button", name="Yes, back to start").click()
    lab.settled()
    return found


def choose(lab, found, setting, text):
    found.get_by_role("combobox", name=setting).select_option(text)
    lab.settled()


def slide(lab, found, setting, *keys):
    found.get_by_role("slider", name=setting).focus()
    lab.press(*keys)
    lab.page.wait_for_timeout(300)
    lab.settled()


def test_everything_runs_and_nothing_is_graded_yet(lab):
    assert lab.problems() == []
    assert "0 of 15" in lab.cell("score").inner_text()
    assert not re.search(r"\b(NaN|undefined|null|None)\b", lab.page.locator(".jp-Notebook").inner_text())
    for image in lab.page.locator(".jp-Notebook .gl-picture").all():
        assert len(image.locator("[role=img]").get_attribute("aria-label")) > 40
        assert image.locator("figcaption").text_content().endswith(".")
    lab.cell("idea")
    lab.shot("lab02-idea")


def test_the_steady_tone_reads_what_the_standards_say(lab):
    """AES17: RMS and peak of a sine alike. IEC 60268-17: overshoot 1 to 1.5 %. BS.1770: 3.01 LU less in one channel."""
    text = sentence(bench(lab))
    assert "sample peak −18.0 dBFS, true peak −18.0 dBTP, RMS −18.0 dBFS" in text
    assert "needle, highest +0.1 VU" in text and "loudness −21.0 LUFS" in text
    lab.shot("lab02-panel")


def test_a_dragged_burst_moves_the_picture_at_once_and_the_words_on_release(lab):
    found = bench(lab)
    before, words = picture(found), sentence(found)
    handle = found.get_by_role("slider", name="Burst")
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    y = box["y"] + box["height"] / 2
    lab.page.mouse.move(box["x"] + box["width"] - 8, y)
    lab.page.mouse.down()
    for step in range(12):
        lab.page.mouse.move(box["x"] + box["width"] - 8 - step * box["width"] / 20, y)
        lab.page.wait_for_timeout(16)
    lab.idle()
    assert picture(found) != before
    assert sentence(found) == words
    lab.shot("lab02-drag")
    lab.page.mouse.up()
    lab.settled()
    assert sentence(found) != words and "a burst of" in said(found)
    assert lab.problems() == []


def test_keys_undo_and_back_to_start(lab):
    found = bench(lab)
    start = picture(found)
    slide(lab, found, "Burst", "Home", *["ArrowLeft"] * 7)
    needle = vu_needle(signals.burst(1000, -18, 0.05, before_s=0.5, after_s=2.0)).highest
    assert f"needle, highest {needle:.1f} VU".replace("-", "−") in sentence(found)
    assert "sample peak −18.0 dBFS" in sentence(found)
    slide(lab, found, "Highest", "PageUp", "ArrowRight")
    assert "sample peak −16.9 dBFS" in sentence(found)
    found.get_by_role("button", name="Undo").click()
    lab.settled()
    assert "sample peak −18.0 dBFS" in sentence(found) and "a burst of 50 ms" in said(found)
    bench(lab)
    assert picture(found) == start
    assert lab.problems() == []


def test_typed_values_and_words(lab):
    found = bench(lab)
    for name, typed_text, told in (
        ("Burst in ms", "300", "a burst of 300 ms"),
        ("Highest sample in dBFS", "−6,5", "a burst of 300 ms"),
        ("Burst in ms", "no end", "from end to end"),
    ):
        field = found.get_by_label(name, exact=True)
        field.fill(typed_text)
        field.press("Enter")
        lab.settled()
        assert told in said(found)
    assert "sample peak −6.5 dBFS" in sentence(found)
    around = found.get_by_role("combobox", name="Around it")
    assert around.is_disabled() and found.get_by_title("the signal has no end").count() == 1
    assert lab.problems() == []


def test_between_the_samples(lab):
    found = bench(lab)
    choose(lab, found, "Signal", "tone, 12 kHz")
    assert "true peak −15.0 dBTP" in sentence(found) and "3.0 dB above the highest sample" in sentence(found)
    lab.shot("lab02-between")
    assert lab.problems() == []


def test_gates_and_what_they_leave_out(lab):
    found = bench(lab)
    slide(lab, found, "Burst", "Home", "ArrowLeft")
    choose(lab, found, "Gates", "none")
    audio = signals.burst(1000, -18, 2.0, before_s=0.5, after_s=3.5)
    ungated = sentence(found)
    choose(lab, found, "Gates", "both, as in the standard")
    gated = f"loudness {integrated_lufs(audio):.1f} LUFS".replace("-", "−")
    assert gated in sentence(found) and gated not in ungated and "57 of 57 blocks count" in ungated
    choose(lab, found, "Around it", "the same 15 dB lower")
    assert "23 of 57 blocks count" in sentence(found)
    found.locator(".gl-controls").scroll_into_view_if_needed()
    lab.shot("lab02-gates")
    assert lab.problems() == []


def test_an_offset_and_another_alignment(lab):
    found = bench(lab)
    slide(lab, found, "Offset", "End")
    assert "RMS −18.0 dBFS" in sentence(found) and "sample peak −12.9 dBFS" in sentence(found)
    choose(lab, found, "0 VU is", "a sine at −16 dBFS")
    assert "needle, highest −1.9 VU" in sentence(found)
    assert lab.problems() == []


def test_what_is_heard_keeps_under_its_ceiling(lab):
    found = bench(lab)
    choose(lab, found, "Signal", "pink noise")
    player = found.locator(".gl-player")
    player.scroll_into_view_if_needed()
    assert "not matched here" in player.inner_text()
    player.get_by_role("button", name="Play").click()
    lab.page.wait_for_timeout(1200)
    player.get_by_role("button", name="steady tone").click()
    lab.idle()
    lab.shot("lab02-listen")
    player.get_by_role("button", name="Stop").click()
    lab.idle()
    loudest = lab.kernel(
        "import gc; from gainlib.notebook.desk import Desk; "
        "player = [each.player for each in gc.get_objects() if isinstance(each, Desk) and each.player][-1]; "
        "print(player.gains.true_peak_dbtp + player.gains.ceiling_db)"
    )
    assert float(loudest) <= -20.0 + 1e-6
    assert lab.problems() == []


def test_three_gains_and_a_part_of_the_points(lab):
    found, shapes = lab.cell("exercise-2"), exercise("02-2")
    gains = shapes.solve(lab.given("02-2"))["desk"]
    for name, value in (gains | {"triangle_db": gains["sine_db"]}).items():
        field = found.get_by_label(f"{name.removesuffix('_db').capitalize()}, gain in dB", exact=True)
        field.fill(typed(value))
        field.press("Enter")
        lab.settled()
    found.get_by_role("button", name="Check").click()
    lab.settled()
    assert "Partly right (2 of 3 points)" in said(found)
    found.get_by_role("button", name="Check").scroll_into_view_if_needed()
    lab.shot("lab02-exercise2")
    assert lab.problems() == []
