"""Faders, pictures and notices in a real JupyterLab: moved by mouse and keys, read as a screen reader would."""

import json

import numpy as np
import pytest

from gainlib.session import FaderLaw
from gainlib.words import level_text

pytestmark = pytest.mark.browser
NAMES = ("kick", "snare", "overheads", "toms", "bass", "guitar", "e-piano", "pad", "lead vocal", "backing", "shaker")
START = (-9, 2, 4, -8, -14, -7, 0, -19, 6, -15, float("-inf"))

FADERS = f"""
import numpy as np
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.controls import Faders
from gainlib.notebook.live import LiveFigure
from gainlib.words import level_text
names, inf = {NAMES!r}, float("inf")
faders = Faders(names, {START!r})
bars = figures.drawing("meters", figures.make_figure(840, 300).subplots(), names)
bars.update(faders.values_db, [level_text(db) for db in faders.values_db])
live = LiveFigure(bars.artists[0].axes.figure, [bars], title="Levels")
def show(change):
    bars.update(faders.values_db, [level_text(db) for db in faders.values_db])
    live.refresh()
def work():
    if faders.values_db[0] == -20:
        raise ZeroDivisionError("planted")
    live.settle()
panel = Panel(faders, live.widget)
faders.observe(panel.guarded(show), "values_db")
faders.observe(panel.guarded(lambda change: work()), "released")
panel
"""


@pytest.fixture(scope="module")
def board(open_notebook):
    return open_notebook("faders", FADERS)


@pytest.fixture
def faders(board):
    if board.page.locator(".gl-lock").get_attribute("aria-pressed") == "true":
        board.page.locator(".gl-lock").click()
    back_to_start(board)
    yield board
    assert board.problems() == []


def handle(board, name):
    return board.page.get_by_role("slider", name=name, exact=True)


def values(board):
    """What the kernel holds, once the page and the kernel agree."""
    for _ in range(100):
        held = json.loads(board.kernel("import json; print(json.dumps([str(v) for v in faders.values_db]))"))
        shown = board.page.locator("[role=slider]").evaluate_all("all => all.map(e => e.ariaValueNow)")
        if all(max(float(h), -140) == float(s) for h, s in zip(held, shown, strict=True)):
            return dict(zip(NAMES, map(float, held), strict=True))
        board.page.wait_for_timeout(30)
    raise AssertionError(f"the page shows {shown}, the kernel holds {held}")


def value(board, name):
    return values(board)[name]


def back_to_start(board):
    board.idle()  # a gesture that is not over yet would have the last word
    board.kernel(f"faders.set_values({START!r}); faders.mute = faders.solo = []".replace("-inf", "-float('inf')"))
    starts = [str(max(v, -140)) for v in START]
    wait_for(
        board,
        "([starts]) => [...document.querySelectorAll('[role=slider]')].every((e, k) => e.ariaValueNow === starts[k])",
        [s.removesuffix(".0") for s in starts],
    )
    values(board)


def wait_for(board, script, *args):
    board.page.wait_for_function(script, arg=list(args), timeout=5000)


def picture(board):
    return board.page.locator(".gl-image").get_attribute("data-drawn")


def test_every_row_has_a_name_a_role_and_its_value_in_words(faders):
    for name, start in zip(NAMES, START, strict=True):
        one = handle(faders, name)
        # WAI-ARIA 1.2, slider: valuenow within valuemin and valuemax; valuetext where the number is not the whole truth
        text = (
            "silent"
            if start == float("-inf")
            else f"{'+' if start > 0 else '−' if start < 0 else ''}{abs(start):.1f} dB"
        )
        assert one.get_attribute("aria-valuetext") == text
        low, now, high = (float(one.get_attribute(f"aria-value{k}")) for k in ("min", "now", "max"))
        assert low <= now <= high
        assert faders.page.get_by_role("textbox", name=f"{name}, gain in dB").count() == 1
        for kind in ("mute", "solo"):
            assert faders.page.get_by_role("button", name=f"{kind} {name}").get_attribute("aria-pressed") == "false"


def test_handles_stand_where_the_law_says(faders):
    law = FaderLaw()
    for name, start in zip(NAMES, START, strict=True):
        left = float(handle(faders, name).evaluate("e => e.style.left.replace('%', '')"))
        assert left == pytest.approx(100 * law.mm_at(start) / law.length_mm, abs=1e-3)


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        (["ArrowUp"], -8.9),
        (["ArrowRight", "ArrowRight"], -8.8),
        (["ArrowDown"], -9.1),
        (["ArrowLeft"], -9.1),
        (["PageUp"], -8.0),
        (["PageDown"], -10.0),
        (["Home"], 0.0),
        (["End"], float("-inf")),
        (["End", "ArrowUp"], -60.0),
    ],
)
def test_keys(faders, keys, expected):
    handle(faders, "kick").focus()
    for key in keys:
        faders.page.keyboard.press(key)
    assert value(faders, "kick") == pytest.approx(expected, abs=1e-9)
    assert faders.page.evaluate("document.activeElement.getAttribute('aria-label')") == "kick"  # not taken by the page


def test_focus_is_visible_and_tab_reaches_every_control(faders):
    handle(faders, "kick").focus()
    faders.page.keyboard.press("Tab")
    assert faders.page.evaluate("document.activeElement.getAttribute('aria-label')") == "kick, gain in dB"
    faders.page.keyboard.press("Tab")
    assert faders.page.evaluate("document.activeElement.getAttribute('aria-label')") == "mute snare"
    faders.page.keyboard.press("Shift+Tab")
    faders.page.keyboard.press("Shift+Tab")
    assert handle(faders, "kick").evaluate("e => getComputedStyle(e).outlineWidth") == "3px"


def test_the_mouse_drags_and_the_picture_follows_then_the_words(faders):
    before = picture(faders)
    box = handle(faders, "bass").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    faders.page.mouse.move(x, y)
    faders.page.mouse.down()
    assert value(faders, "bass") == -14  # taking hold moves nothing
    for step in range(1, 9):
        faders.page.mouse.move(x + 10 * step, y)
    wait_for(faders, "([old]) => document.querySelector('.gl-image').dataset.drawn !== old", before)
    sentence = faders.page.locator(".gl-sentence").inner_text()
    assert faders.kernel("print(faders.released)") == str(released := int(faders.kernel("print(faders.released)")))
    faders.page.mouse.up()
    now = value(faders, "bass")
    # 80 px further along the travel, by the law
    travel = faders.page.locator(".gl-path").nth(1).bounding_box()["width"]
    law = FaderLaw()
    expected = law.db_at(law.mm_at(-14) + 80 * law.length_mm / travel)
    assert now == pytest.approx(expected, abs=0.3) and now > -14
    assert int(faders.kernel("print(faders.released)")) == released + 1
    assert "bass −14.0 dB" in sentence, "the words follow when the hand lets go"
    faders.page.get_by_text(f"bass {level_text(now)},").wait_for()
    assert float(handle(faders, "bass").get_attribute("aria-valuenow")) == now


@pytest.mark.parametrize(
    ("typed", "expected"),
    [("-3.5", -3.5), ("−3,5 dB", -3.5), ("+2", 2.0), ("silent", float("-inf")), ("-12.25", -12.25)],
)
def test_a_value_can_be_typed(faders, typed, expected):
    field = faders.page.get_by_role("textbox", name="snare, gain in dB")
    field.fill(typed)
    field.press("Enter")
    assert value(faders, "snare") == expected
    shown = field.input_value()
    assert shown == {-3.5: "−3.5", 2.0: "+2.0", -12.25: "−12.25"}.get(expected, "silent")


@pytest.mark.parametrize(
    ("typed", "told"), [("loud", "“loud” is not a number"), ("12", "goes up to +10.0 dB; 12 is outside")]
)
def test_a_typed_value_that_cannot_be_is_refused_in_words(faders, typed, told):
    field = faders.page.get_by_role("textbox", name="snare, gain in dB")
    field.fill(typed)
    field.press("Enter")
    assert told in faders.page.locator(".gl-say").inner_text()
    assert field.get_attribute("aria-invalid") == "true"
    assert value(faders, "snare") == 2
    field.press("Escape")
    assert field.input_value() == "+2.0" and field.get_attribute("aria-invalid") is None


def test_lock_all_moves_all_by_the_same_and_stops_together(faders):
    faders.page.get_by_role("button", name="Link all").click()
    handle(faders, "pad").focus()
    faders.page.keyboard.press("PageDown")
    faders.page.keyboard.press("ArrowDown")
    moved = [values(faders)[name] for name in NAMES]
    assert moved[:-1] == pytest.approx([s - 1.1 for s in START[:-1]], abs=1e-6) and moved[-1] == float("-inf")
    faders.page.keyboard.press("Home")  # pad would need +20.1, the lead vocal has 5.1 left below the top
    top = [values(faders)[name] for name in NAMES]
    assert max(top) == pytest.approx(FaderLaw().top_db, abs=1e-3)
    assert np.diff(top[:-1]) == pytest.approx(np.diff(START[:-1]), abs=1e-3)  # the balance is kept
    assert "all stop here" in faders.page.locator(".gl-say").inner_text()
    faders.page.keyboard.press("End")
    assert "unlink to silence one" in faders.page.locator(".gl-say").inner_text()
    assert [values(faders)[name] for name in NAMES] == top


def test_mute_and_solo(faders):
    faders.page.get_by_role("button", name="mute kick").click()
    faders.page.get_by_role("button", name="solo bass").click()
    faders.idle()
    assert faders.kernel("print(faders.mute, faders.solo)") == "['kick'] ['bass']"
    quiet = faders.page.locator(".gl-row").evaluate_all("all => all.map(e => e.dataset.quiet)")
    assert quiet == [str(name != "bass").lower() for name in NAMES]


def test_eleven_rows_fit_a_narrow_notebook(faders):
    box = faders.page.locator(".gl-faders").bounding_box()
    assert box["width"] <= 900
    for name in NAMES:
        one = faders.page.get_by_role("textbox", name=f"{name}, gain in dB").bounding_box()
        assert one["x"] + one["width"] <= box["x"] + box["width"]
    for part in (".gl-faders", ".gl-rows"):
        assert faders.page.locator(part).evaluate("e => e.scrollWidth <= e.clientWidth"), part
    faders.page.locator(".gl-faders").scroll_into_view_if_needed()
    faders.shot("faders")


def test_the_picture_has_an_alternative_and_a_table(faders):
    image = faders.page.locator(".gl-image")
    assert image.get_attribute("aria-label").startswith("Levels. The meters: kick −9.0 dB, snare +2.0 dB")
    handle(faders, "lead vocal").focus()
    faders.page.keyboard.press("PageDown")
    wait_for(faders, "() => document.querySelector('.gl-image').ariaLabel.includes('lead vocal +5.0 dB')")
    faders.page.get_by_text("The same in numbers").click()
    rows = faders.page.locator(".gl-table tbody tr")
    assert rows.count() == len(NAMES)
    assert rows.nth(8).inner_text().split("\t") == ["lead vocal", "+5.0 dB"]
    faders.page.get_by_text("The same in numbers").click()


def test_the_browser_draws_what_matplotlib_would(faders):
    """The area of the bars, in their colour, is that of matplotlib's boxes; edges and words cover a part of it."""
    boxes = "boxes = [bars.artists[0].axes.transData.transform(p.vertices) for p in bars.artists[0].get_paths()]"
    area = float(faders.kernel(f"{boxes}; print(sum(np.prod(np.ptp(box, axis=0)) for box in boxes))"))
    shown = """(image) => { const canvas = image.querySelector('.gl-moving'), { width, height } = canvas;
      const { data } = canvas.getContext('2d').getImageData(0, 0, width, height);
      let count = 0;
      for (let k = 0; k < data.length; k += 4)
        count += data[k] === 0x56 && data[k + 1] === 0xb4 && data[k + 2] === 0xe9;
      return (count * 840 ** 2) / width ** 2; }"""
    assert 0.8 * area < faders.page.locator(".gl-image").evaluate(shown) < area


def test_a_failing_callback_is_read_in_the_panel_and_heard_on_the_kernels_channel(board):
    back_to_start(board)
    before = len(board.problems())
    field = board.page.get_by_role("textbox", name="kick, gain in dB")
    field.fill("-20")
    field.press("Enter")
    board.page.locator(".gl-failure").wait_for(state="visible")
    assert "ZeroDivisionError: planted" in board.page.locator(".gl-failure").inner_text()
    heard = board.problems()[before:]
    assert heard == ["kernel: ZeroDivisionError: planted"]
    board.page.evaluate("() => { window.kernelErrors.length = 0; }")  # what was planted is dealt with
    field.fill("-9")
    field.press("Enter")
    board.page.locator(".gl-failure").wait_for(state="hidden")


def test_a_panel_whose_kernel_is_gone_says_so_and_a_second_run_heals_it(open_notebook):
    page = open_notebook("gone", FADERS)
    assert not page.page.locator(".gl-kernel").is_visible()
    page.page.evaluate("() => window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel.restart()")
    page.page.locator(".gl-kernel").wait_for(state="visible")
    assert "Run All Cells" in page.page.locator(".gl-kernel").inner_text()
    assert "gl-stale" in page.page.locator(".gl-faders").get_attribute("class")
    page.page.wait_for_timeout(500)
    page.shot("kernel-gone")
    page.idle()
    page.run_all()
    assert page.page.locator(".gl-kernel").count() == 1 and not page.page.locator(".gl-kernel").is_visible()
    assert page.problems() == []


def test_a_kernel_that_dies_is_noticed_too(open_notebook):
    page = open_notebook("dies", FADERS)
    page.page.evaluate("() => window.jupyterapp.shell.currentWidget.context.sessionContext.shutdown()")
    page.page.locator(".gl-kernel").wait_for(state="visible")


def test_an_unguarded_failure_would_be_heard_and_a_fader_may_be_in_millimetres(open_notebook):
    page = open_notebook(
        "unguarded",
        "from gainlib.notebook.controls import Fader, Faders\nimport ipywidgets\nfaders = Faders(('a', 'b'))\n"
        "faders.observe(lambda change: 1 / 0, 'values_db')\n"
        "ipywidgets.VBox([faders, Fader('send', scale='mm')])",
    )
    assert page.page.get_by_role("slider", name="send").get_attribute("aria-valuetext") == "75.0 mm, 0.0 dB"
    field = page.page.get_by_role("textbox", name="send, position in mm")
    field.fill("37,5")
    field.press("Enter")
    # half of unity's travel by the fourth power: 80·lg ½ = −24.08 dB
    assert page.page.get_by_role("slider", name="send").get_attribute("aria-valuetext") == "37.5 mm, −24.08 dB"
    assert page.problems() == []
    page.page.get_by_role("slider", name="a", exact=True).press("ArrowUp")
    assert any("ZeroDivisionError" in problem for problem in page.problems())
