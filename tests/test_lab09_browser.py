"""Lab 09 done by hand in a real JupyterLab: a fader in mm dragged and keyed, gain moved, answers wrong and right."""

import re

import pytest
from labhand import open_lab, picture, said, typed

from gainlib.exercises import exercise
from gainlib.labs import lab09
from gainlib.session import FaderLaw
from gainlib.session.fader import steep_mm

pytestmark = [pytest.mark.browser, pytest.mark.exhaustive]


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    with open_lab("09-faders", tmp_path_factory.mktemp("lab09")) as hand:
        yield hand


def sentence(found):
    """Return what the first picture in a part of the page says to a screen reader, its title left out."""
    return found.locator(".gl-image").first.get_attribute("aria-label").partition(". ")[2]


def panel(lab, name):
    """Return a panel, back at its start."""
    found = lab.cell(f"panel-{name}")
    found.get_by_role("button", name="Back to start").first.click()
    found.get_by_role("button", name="Yes, back to start").click()
    lab.settled()
    return found


def enter(lab, found, name, text):
    """Type a value into the field of a fader, and let it settle."""
    field = found.get_by_role("textbox", name=re.compile(f"^{name}"))
    field.fill(text)
    field.press("Enter")
    lab.settled()


def test_everything_runs_and_nothing_is_graded_yet(lab):
    assert lab.problems() == []
    assert "0 of 14" in lab.cell("score").inner_text()
    assert not re.search(r"\b(NaN|undefined|null|None)\b", lab.page.locator(".jp-Notebook").inner_text())
    for image in lab.page.locator(".jp-Notebook .gl-picture").all():
        assert len(image.locator("[role=img]").get_attribute("aria-label")) > 40
        assert image.locator("figcaption").text_content().endswith(".")
        assert image.locator("table").count() >= 1
    for slider in lab.page.locator(".jp-Notebook [role=slider], .jp-Notebook input[type=range]").all():
        name = slider.evaluate("(e) => e.getAttribute('aria-label') || (e.labels[0] && e.labels[0].innerText) || ''")
        assert name.strip() or slider.get_attribute("aria-labelledby")
    lab.cell("idea")
    lab.shot("lab09-idea")


def test_a_dragged_fader_moves_the_picture_at_once_and_the_words_on_release(lab):
    found = panel(lab, "travel")
    before, words = picture(found), sentence(found)
    assert "is at 53.1 mm, −12.0 dB" in words
    handle = found.get_by_role("slider", name="fader")
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    lab.page.mouse.move(x, y)
    lab.page.mouse.down()
    for step in range(12):
        lab.page.mouse.move(x - 2 * step, y)
        lab.page.wait_for_timeout(16)
    lab.idle()
    assert picture(found) != before and sentence(found) == words
    lab.shot("lab09-drag")
    lab.page.mouse.up()
    lab.settled()
    level = float(handle.get_attribute("aria-valuenow"))
    law = FaderLaw()
    assert -60 < level < -15
    stands = f"is at {law.mm_at(level):.1f} mm, {level:.1f} dB".replace("-", "−")
    assert stands in sentence(found) and f"worth {law.db_per_mm(level):.2f} dB" in sentence(found)
    assert handle.get_attribute("aria-valuetext").startswith(f"{law.mm_at(level):.1f} mm")
    lab.shot("lab09-travel")
    assert lab.problems() == []


def test_keys_exponent_hits_and_undo(lab):
    found = panel(lab, "travel")
    start = picture(found)
    found.get_by_role("slider", name="fader").focus()
    lab.press("Home")
    lab.page.wait_for_timeout(400)
    lab.settled()
    assert "is at 75.0 mm, 0.0 dB" in sentence(found) and "worth 0.46 dB" in sentence(found)
    found.get_by_role("slider", name="Exponent k").focus()
    lab.press("PageDown", "PageDown")
    lab.page.wait_for_timeout(400)
    lab.settled()
    assert "Below 26.1 mm" in sentence(found) and "worth 0.35 dB" in sentence(found), "8.686·3, over 75 mm"
    hits = picture(found)
    found.get_by_role("button", name="Try 60 more moves").click()
    lab.settled()
    assert picture(found) != hits
    found.get_by_role("button", name="Undo").first.click()
    lab.settled()
    assert picture(found) == hits, "the hits can be taken back as well"
    found.get_by_role("button", name="Undo").first.click()
    lab.settled()
    assert "Below 34.7 mm" in sentence(found) and "is at 75.0 mm" in sentence(found)
    enter(lab, found, "fader", "37,5")
    assert "is at 37.5 mm, −24.1 dB" in sentence(found), "80·log10(1/2) = −24.08"
    panel(lab, "travel")
    assert sentence(found).startswith("The fader is at 53.1 mm") and start
    assert lab.problems() == []


def test_the_same_two_millimetres_are_heard(lab):
    found = panel(lab, "travel")
    assert "from 0.0 dB by −0.94 dB, from −40.0 dB by −3.06 dB" in said(found)
    player = found.locator(".gl-player")
    player.scroll_into_view_if_needed()
    assert "not matched here, because the difference in level is the lesson" in player.inner_text()
    player.get_by_role("button", name="Play").click()
    lab.page.wait_for_timeout(1200)
    button = player.get_by_role("button", name="2 mm at −40.0 dB")
    button.click()
    lab.idle()
    assert button.get_attribute("aria-pressed") == "true"
    lab.shot("lab09-listen")
    player.get_by_role("button", name="Stop").click()
    assert lab.problems() == []


def test_gain_moves_to_the_output_trim_and_only_the_cue_goes_along(lab):
    found = panel(lab, "strip")
    start = float(found.get_by_role("slider", name="fader").get_attribute("aria-valuenow"))
    enter(lab, found, "fader", "75")
    lifted = f"{-start:+.1f} dB"
    assert f"cue send, ahead of the fader unchanged; effect send, behind it {lifted}; at the bus {lifted}" in sentence(
        found
    )
    panel(lab, "strip")
    found.get_by_role("combobox", name="Keep the level").select_option("1")
    before = picture(found)
    enter(lab, found, "fader", "75")
    cut = f"{start:.1f} dB".replace("-", "−")
    assert picture(found) != before
    assert f"cue send, ahead of the fader {cut}; effect send, behind it unchanged; at the bus unchanged" in sentence(
        found
    )
    assert "into the processor unchanged" in sentence(found)
    assert float(found.get_by_role("slider", name="Output trim").input_value()) == start
    enter(lab, found, "Cue send", typed(-14 - start, 1))
    assert "cue send, ahead of the fader unchanged" in sentence(found)
    found.get_by_role("button", name="Undo").first.scroll_into_view_if_needed()
    lab.shot("lab09-strip")
    panel(lab, "strip")
    assert lab.problems() == []


def test_faders_brought_to_unity_with_and_without_their_sends(lab):
    found, given = lab.cell("exercise-5"), lab.given("09-5")
    answer = lab09.handed_over(given)
    lab.page.wait_for_timeout(200)
    for stem in lab09.far_stems(given):
        faders, trims = (found.get_by_role("group", name=name) for name in ("Faders", "Output trims"))
        for group, control in ((faders, "fader_db"), (trims, "post_trim_db")):
            field = group.get_by_role("textbox", name=re.compile(f"^{stem},"))
            field.fill(typed(answer[stem][control], 1))
            field.press("Enter")
    lab.settled()
    assert "All faders are within 3 dB of unity. Every level at the bus is unchanged. Moved: " in sentence(found)
    lab.shot("lab09-exercise5-trap")
    found.get_by_role("button", name="Check").click()
    lab.settled()
    assert exercise("09-5").slips[0].sentence in said(found) and "aim for at most 0.05 dB" in said(found)
    for kind in ("cue", "effect"):
        fields = answer[given[kind]]
        enter(lab, found, f"{kind.capitalize()} send of", typed(fields[f"send {kind} level_db"], 1))
    assert "Both sends are unchanged." in sentence(found)
    found.get_by_role("button", name="Check").click()
    lab.settled()
    assert "Right (4 of 4 points)" in said(found)
    found.get_by_role("button", name="Check").scroll_into_view_if_needed()
    lab.shot("lab09-exercise5")
    assert lab.problems() == []


def test_a_fader_of_ones_own_is_measured(lab):
    found = lab.cell("exercise-6")
    points = found.get_by_role("textbox", name="mm and dB")
    points.fill("0 −∞\n12 −62\nthirty −34")
    points.blur()
    lab.settled()
    assert "Line 3, “thirty −34”" in found.inner_text()
    lab.shot("lab09-points-wrong")
    own = {"mm": [0, 12, 20, 30, 45, 60, 80, 100], "db": ["-inf", -62.0, -45.5, -31.5, -18.0, -7.5, 2.0, 10.0]}
    points.fill("0 −∞\n12 −62\n20 −45,5\n30 −31,5\n45 −18\n60 −7,5\n80 2\n100 10")
    points.blur()
    lab.settled()
    assert "7 points with a finite gain" in found.inner_text()
    fit = lab09.MEASURED_LAW.fit({"own": own}, {})
    for name, value in (("k", fit.exponent), ("x₀", fit.unity_mm)):
        field = found.get_by_role("textbox", name=re.compile(f"^{name} in"))
        field.press("ControlOrMeta+a")
        lab.page.keyboard.type(typed(value, 2))
        lab.press("Enter")
    lab.settled()
    misfit = float(re.search(r"Misfit ([\d.]+) dB", found.inner_text()).group(1))
    assert misfit == pytest.approx(fit.misfit_db, abs=0.02)
    found.get_by_role("textbox", name="One millimetre").fill(typed(20 * fit.exponent, 1))
    found.get_by_role("button", name="Check").click()
    lab.settled()
    assert "Partly right (2 of 3 points)" in said(found) and exercise("09-6").slips[2].sentence in said(found)
    lab.shot("lab09-exercise6")
    assert lab.problems() == []


def test_the_whole_lab_by_keys_alone(tmp_path):
    """Run from the command palette, then Tab, arrows, Space and typing only: no click, no focus given from outside."""
    with open_lab("09-faders", tmp_path, run=False) as lab:
        lab.run_all_by_keys()
        lab.tab_to(lab.cell("predict").get_by_role("radio").first)
        lab.press("ArrowDown")
        lab.settled()
        assert "You predict about 3 dB" in said(lab.cell("predict"))
        travel = lab.cell("panel-travel")
        lab.tab_to(travel.get_by_role("slider", name="fader"))
        lab.press(*["PageDown"] * 6, "ArrowDown")
        lab.page.wait_for_timeout(400)
        lab.settled()
        assert "−18.1 dB" in sentence(travel)
        strip = lab.cell("panel-strip")
        lab.tab_to(strip.get_by_role("combobox", name="Keep the level"))
        lab.press("ArrowDown")
        lab.settled()
        lab.tab_to(strip.get_by_role("slider", name="Output trim"))
        lab.press("PageDown", "PageDown")
        lab.page.wait_for_timeout(400)
        lab.settled()
        assert "at the bus unchanged" in sentence(strip)
        for number in (1, 2, 3, 4):
            found, asked = lab.cell(f"exercise-{number}"), exercise(f"09-{number}")
            key = asked.solve(lab.given(asked.id))
            for place, value in enumerate(key["desk"].values() if number == 3 else [key]):
                field = found.get_by_role("textbox").nth(place) if number == 3 else found.get_by_role("textbox").last
                lab.type_over(field, typed(value, 3))
                lab.press("Enter")
                lab.settled()
            lab.push(found.get_by_role("button", name="Check"))
            assert said(found).startswith("✓ Right")
        eight_faders_by_keys(lab)
        a_measured_fader_by_keys(lab)
        assert "14 of 14" in lab.cell("score").inner_text()
        lab.shot("lab09-all-by-keys")
        lab.push(lab.cell("takeaway").get_by_role("button", name="Save the page"))
        assert "Saved" in lab.cell("takeaway").inner_text()
        assert lab.problems() == []


def eight_faders_by_keys(lab):
    """Type every fader, then every post trim, then both sends, in the order in which Tab meets them."""
    found, given = lab.cell("exercise-5"), lab.given("09-5")
    answer = lab09.handed_over(given)
    for name, control in (("Faders", "fader_db"), ("Output trims", "post_trim_db")):
        group = found.get_by_role("group", name=name, exact=True)
        for stem in lab09.far_stems(given):
            field = group.get_by_role("textbox", name=re.compile(f"^{stem},"))
            lab.type_over(field, typed(answer[stem][control], 1))
            lab.press("Enter")
    for kind in ("cue", "effect"):
        stem = given[kind]
        lab.type_over(
            found.get_by_role("textbox", name=re.compile(f"^{kind.capitalize()} send of")),
            typed(answer[stem][f"send {kind} level_db"], 1),
        )
        lab.press("Enter")
    lab.settled()
    lab.push(found.get_by_role("button", name="Check"))
    assert "Right (4 of 4 points)" in said(found), sentence(found)


def a_measured_fader_by_keys(lab):
    """Move the law's two sliders by arrows and page keys until it lies on the points."""
    found, given = lab.cell("exercise-6"), lab.given("09-6")
    fit = lab09.MEASURED_LAW.fit(None, given)
    for name, start, goal, page in (("k", 2.0, fit.exponent, 0.1), ("x₀", 50.0, fit.unity_mm, 2.0)):
        lab.tab_to(found.get_by_role("slider", name=name))
        turns = round((goal - start) / page)
        lab.press(*["PageUp" if turns > 0 else "PageDown"] * abs(turns))
    lab.page.wait_for_timeout(400)
    lab.settled()
    lab.type_over(found.get_by_role("textbox", name="One millimetre"), typed(steep_mm(fit.exponent), 1))
    lab.push(found.get_by_role("button", name="Check"))
    assert "Right (3 of 3 points)" in said(found)
