"""The labs as pages, with every host cut off but the server: text at once, panels by themselves, ways home and on."""

import json
import re
import shutil

import nbformat
import pytest
from browser import opened, write_notebook
from daily import rest
from labhand import BARS, LABS, typed
from playwright.sync_api import expect
from reader import reading

from gainlib.exercises import Record, bank, exercise

pytestmark = pytest.mark.browser
NAMES = ("index", "02-meters", "05-mix-bus", "06-linear")
LAB_POINTS = sum(each.points for each in bank() if each.lab == "05")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    for name in NAMES:
        shutil.copy(LABS / f"{name}.ipynb", folder)
    return folder


@pytest.fixture(scope="module")
def reader(folder):
    """Lab 05, open."""
    with reading(folder) as reader:
        yield reader.go("05-mix-bus")


def test_the_text_is_there_before_any_panel(reader):
    page = reader.page
    expect(page.get_by_role("heading", level=1)).to_have_text("Lab 05 · Summing and the mix bus")
    assert "Getting the panel ready … (1 of" in page.locator("#wb-progress").inner_text()
    text = page.locator("main").inner_text()
    for cell in nbformat.read(LABS / "05-mix-bus.ipynb", as_version=4).cells[1:]:
        if cell.cell_type == "markdown":
            for heading in re.findall(r"(?m)^##+ (.+)$", cell.source):
                assert heading in text
    assert "Run All" not in text and "$" not in text
    assert reader.cell("05-idea").locator("math").count() == 4
    assert reader.cell("05-idea").locator("math").last.bounding_box()["height"] > 15


def test_panels_come_by_themselves(reader):
    reader.ready()
    page = reader.page
    assert page.locator(".wb-wait").count() == 0 and page.locator("#wb-progress").inner_text() == ""
    assert page.locator(".wb-failure").count() == 0
    picture = reader.cell("05-panel-bus").locator(".gl-image").first
    assert picture.locator("canvas").last.evaluate("(canvas) => canvas.width") > 300
    for each in bank():
        if each.lab == "05":
            expect(reader.cell(each.id.replace("05", "05-exercise"))).to_contain_text(each.title)
    assert len(reader.kernels()) <= reader.found + 2  # its own, and the one that waits for the next page


def test_a_fader_moves(reader):
    found = reader.cell("05-panel-bus")
    said = found.locator(".gl-desk-words").first
    before = said.inner_text()
    slider = found.get_by_role("slider", name=re.compile("^10 backing")).first
    slider.focus()
    for _ in range(5):
        reader.page.keyboard.press("PageDown")
    expect(slider).to_have_attribute("aria-valuenow", "-5")
    expect(said).not_to_have_text(before, timeout=30_000)


def test_an_answer_counts_at_the_head_of_the_page(reader):
    who = json.loads((reader.folder / "records" / "learner.json").read_text(encoding="utf-8"))
    asked, found, page = exercise("05-1"), reader.cell("05-exercise-1"), reader.page
    value = asked.solve(asked.variant(who["learner"], 0, who["class_code"]))
    found.get_by_role("textbox").fill(typed(value[0] if isinstance(value, list) else value, 4))
    found.get_by_role("button", name="Check").click()
    expect(found).to_contain_text(f"Right ({asked.points:.0f} of {asked.points:.0f} points)", timeout=30_000)
    points = f"{who['learner']} · {asked.points:.0f} of {LAB_POINTS:.0f} points"
    expect(page.locator("#wb-standing")).to_have_text(points)
    expect(page.get_by_role("link", name="Exercise 1, right")).to_have_text("1 ✓")
    expect(page.locator("#wb-done")).to_have_text("1 of 6 right")


def test_nothing_is_lost_and_nothing_jumps_on_the_next_visit(reader):
    unchecked = reader.cell("05-exercise-2").get_by_role("textbox").first
    unchecked.fill("−7,5")
    reader.page.wait_for_timeout(1000)  # within which everything is kept
    reader.page.wait_for_function(BARS, timeout=60_000)  # a bar of progress takes a line of its own
    reader.page.reload()
    reader.page.wait_for_selector("h1")
    at_once = reader.heights()
    reader.ready()
    expect(reader.page.locator("#wb-done")).to_have_text("1 of 6 right")
    moved = {id: (at_once[id], height) for id, height in reader.heights().items() if abs(height - at_once[id]) > 2}
    assert moved == {}
    expect(reader.cell("05-exercise-1")).to_contain_text("Right (")
    expect(unchecked).to_have_value("−7,5")
    slider = reader.cell("05-panel-bus").get_by_role("slider", name=re.compile("^10 backing")).first
    expect(slider).to_have_attribute("aria-valuenow", "-5")


def test_it_leads_home_and_back_to_where_one_stopped(reader):
    page, was = reader.page, json.loads((reader.folder / "records" / "learner.json").read_text(encoding="utf-8"))
    page.get_by_role("link", name="All labs").first.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Levels from microphone to master")
    reader.ready()
    line = reader.cell("index-labs").locator("tbody tr", has_text="Summing")
    expect(line).to_contain_text("begun, 1 of 6 right")
    asked = exercise("02-1")
    given = asked.variant("anna", 0, "")
    page.get_by_label("Name or number").fill("anna")
    page.get_by_role("button", name="Save my name").click()
    expect(line).to_contain_text("not begun", timeout=30_000)
    Record(reader.folder / "records").answer("anna", "02-1", 0, asked.solve(given), given, "")
    page.get_by_role("button", name="Count again").click()
    expect(reader.cell("index-labs")).to_contain_text("begun, 1 of 6 right", timeout=30_000)
    expect(page.locator("#wb-standing")).to_contain_text("anna · 0 of")
    page.get_by_label("Name or number").fill(was["learner"])
    page.get_by_role("button", name="Save my name").click()
    line.get_by_role("link", name="resume lab 05 where you stopped").click()
    page.wait_for_url("**/05-mix-bus.ipynb#cell-id=05-exercise-2")
    reader.ready()
    expect(reader.cell("05-exercise-2")).to_be_in_viewport(ratio=0.5)
    page.get_by_role("link", name="Lab 06").first.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Lab 06")
    page.get_by_role("link", name="Lab 05").first.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Lab 05")
    page.get_by_role("link", name="Open as a notebook").click()
    page.wait_for_url("**/lab/tree/**/05-mix-bus.ipynb*")
    page.wait_for_selector(".jp-Notebook .jp-MarkdownOutput")
    expect(page.locator(".jp-Notebook:visible")).to_contain_text("Run All Cells")


def test_what_was_left_is_ended_and_nothing_came_from_elsewhere(reader):
    for _ in range(100):
        if len(reader.kernels()) <= reader.found + 2:
            break
        reader.page.wait_for_timeout(100)
    assert len(reader.kernels()) <= reader.found + 2  # the notebook's, and one ahead for the next page
    assert reader.outside() == []
    assert reader.errors == []


@pytest.mark.parametrize("width", [320, rest(1280)])
def test_the_index_by_night_and_on_a_small_screen(folder, width):
    look = {"viewport": {"width": width, "height": 720}, "color_scheme": "dark"}
    with reading(folder, **look) as reader:
        reader.go("index").ready()
        assert reader.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        ground = reader.page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert max(map(int, re.findall(r"\d+", ground))) < 60
        expect(reader.page.locator(".wb-failure")).to_have_count(0)
        assert reader.outside() == [] and reader.errors == []
        reader.page.screenshot(path=str(LABS.parent / "tests" / "shots" / f"index-page-{width}.png"))


def test_a_cell_that_fails_says_so_in_a_sentence(tmp_path):
    label = "import ipywidgets\nipywidgets.Label('still here')"
    empty = "from gainlib.audio import GainlibError\nraise GainlibError('the bus is empty; add a strip')"
    path = write_notebook(tmp_path / "faulty.ipynb", "lab = None", "lab.panel('bus')", label)
    write_notebook(tmp_path / "unset.ipynb", empty, "lab.panel('bus')", label)
    with reading(path.parent) as reader:
        reader.go("faulty").ready()
        expect(reader.cell("cell-2")).to_contain_text("Something here failed (AttributeError")
        expect(reader.cell("cell-3")).to_contain_text("still here")
        assert "Traceback" not in reader.page.locator("main").inner_text()
        reader.go("unset").ready()
        expect(reader.cell("cell-1")).to_have_text("the bus is empty; add a strip")
        expect(reader.cell("cell-2")).to_have_text(re.compile("Not shown, because the page could not be set up"))
        expect(reader.cell("cell-3")).to_have_text("")
        assert reader.page.locator("#wb-progress").inner_text() == ""


def test_a_page_whose_kernel_has_gone_says_what_to_do(tmp_path):
    path = write_notebook(tmp_path / "gone.ipynb", "import ipywidgets\nipywidgets.Label('here')")
    with reading(path.parent) as reader:
        reader.go("gone").ready()
        expect(reader.page.get_by_role("alert")).to_have_count(0)
        reader.page.evaluate("window.jupyterapp.widgetManager.kernel.restart()")
        expect(reader.page.get_by_role("alert")).to_contain_text("Load the page again", timeout=30_000)


def test_an_address_that_leads_nowhere_has_a_way_home(folder):
    with reading(folder) as reader:
        reader.go("no-such-lab")
        expect(reader.page.get_by_role("heading", level=1)).to_have_text("This page cannot be shown")
        expect(reader.page.get_by_role("link", name="all labs")).to_have_attribute("href", re.compile("index.ipynb$"))
        assert reader.outside() == []


def test_a_notebook_that_was_run_and_saved_is_as_it_was(folder):
    path = folder / "06-linear.ipynb"
    before = path.read_bytes()
    with opened(path) as notebook:
        notebook.run_all()
        stood = path.stat().st_mtime_ns
        notebook.command("docmanager:save")
        assert path.stat().st_mtime_ns != stood
        assert path.read_bytes() == before == (LABS / path.name).read_bytes()
        assert notebook.problems() == []
