"""For every reader: axe-core over pages and hand-outs by day and by night, narrow windows, colours of the reader's own.

The rules are those that axe-core (Deque Systems) has for WCAG 2.2, levels A and AA.
"""

import shutil
from importlib.resources import files

import pytest
from browser import headless
from daily import daily
from labhand import LABS
from reader import reading

from gainlib.exercises import Record, bank, exercise
from gainlib.exercises.gradebook import gradebook, write_feedback, write_html
from gainlib.mix import plan, sheet_of
from gainlib.mix.sheet_files import page
from gainlib.notebook import Lab
from gainlib.notebook import handouts as printed
from gainlib.notebook.sheets import TakeAway
from gainlib.processors import Compressor
from gainlib.session import Insert, Session, Strip
from gainlib.signals import tone

pytestmark = pytest.mark.browser
FIRST = ("05-mix-bus", "index")
NAMES = (*FIRST, *sorted({path.stem for path in LABS.glob("*.ipynb")} - set(FIRST)))
AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
VIOLATIONS = """async () => {
  const rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];
  const { violations, passes } = await axe.run(document, { runOnly: rules });
  if (!passes.length) throw new Error("nothing was looked at");
  const told = ({ id, nodes }) => nodes.map(({ target, html }) => `${id}: ${target} ${html.slice(0, 120)}`);
  return violations.flatMap(told);
}"""
SMALL = """() => {
  const small = (each) => {
    const [{ width, height }, more] = [each.getBoundingClientRect(), getComputedStyle(each, "::before")];
    const [across, down] = [parseFloat(more.width) || 0, parseFloat(more.height) || 0];
    return width > 0 && (Math.max(width, across) < 24 || Math.max(height, down) < 23.5);
  };
  const targets = document.querySelectorAll("main :is(button, select, summary, input[type=range], [role=slider])");
  return [...targets].filter(small).map((each) => each.outerHTML.slice(0, 120));
}"""
CUT = """(width) => [...document.querySelectorAll("main *")].filter((each) => {
  const { right, width: own } = each.getBoundingClientRect();
  const held = (one) => ["auto", "scroll"].includes(getComputedStyle(one).overflowX);
  for (let one = each; one; one = one.parentElement) if (held(one)) return false;
  return own > 1 && right > width + 1;
}).map((each) => each.outerHTML.slice(0, 120))"""


CUT_TABLES = """() => [...document.querySelectorAll(".gl-desk table:not(.gl-numbers *)")].filter((table) => {
  const { right, width } = table.getBoundingClientRect();
  for (let one = table.parentElement; one.closest(".gl-desk"); one = one.parentElement)
    if (width && right > one.getBoundingClientRect().right + 1) return true;
  return false;
}).map((each) => each.outerHTML.slice(0, 160))"""


@pytest.fixture(scope="module", params=[*daily(NAMES, 1)])
def visit(request, tmp_path_factory):
    """A page whose panels have all come, and what took another height than was kept for it."""
    folder = tmp_path_factory.mktemp("access")
    shutil.copy(LABS / f"{request.param}.ipynb", folder)
    with reading(folder) as reader:
        reader.go(request.param).page.wait_for_selector("footer")
        kept = reader.heights()
        reader.ready().page.evaluate(AXE)
        # What is asked again is drawn by lot, and a number of the learner's own may take some lines more or less.
        filled = {id: height for id, height in reader.heights().items() if not id.endswith("-review")}
        yield reader.page, {id: (kept[id], height) for id, height in filled.items() if abs(height - kept[id]) > 85}


@pytest.fixture
def shown(visit):
    return visit[0]


def test_nothing_jumps_on_a_first_visit(visit):
    """The heights are in the notebook's metadata, in pixels."""
    assert visit[1] == {}


@pytest.mark.parametrize("colours", ["light", "dark"])
def test_no_rule_of_wcag_is_broken(shown, colours):
    shown.emulate_media(color_scheme=colours)
    shown.wait_for_function("document.getAnimations().every((each) => each.playState !== 'running')")
    assert shown.evaluate(VIOLATIONS) == []


def test_targets_are_24_pixels_wide_and_high(shown):
    assert shown.evaluate(SMALL) == []


def test_no_table_of_a_desk_is_cut(shown):
    assert shown.evaluate(CUT_TABLES) == []


@pytest.mark.parametrize("width", [640, 320])
def test_a_narrow_window_cuts_nothing(shown, width):
    """640 pixels are what 1280 are at 200 %, 320 what they are at 400 %: WCAG 1.4.4 and 1.4.10."""
    shown.set_viewport_size({"width": width, "height": 720})
    try:
        shown.wait_for_function("document.documentElement.scrollWidth <= innerWidth")
        assert shown.evaluate(CUT, width) == []
    finally:
        shown.set_viewport_size({"width": 1280, "height": 720})


def test_what_is_chosen_is_seen_in_colours_of_the_readers_own(shown):
    shown.emulate_media(forced_colors="active")
    try:
        for chosen in shown.locator("main button[aria-pressed=true]:visible").all():
            assert chosen.evaluate("(each) => getComputedStyle(each).outlineStyle") == "solid"
    finally:
        shown.emulate_media(forced_colors="none")


def handouts(folder):
    """Write every page that leaves the workbook: those to print of all labs, gradebook, feedback, sheets of a mix."""
    for number in sorted({each.lab for each in bank()}):
        lab = Lab(number, folder=folder, learner="anna")
        TakeAway(lab.learner, lab.page).write()
    names = {each.id: each.variant("anna") for each in bank() if each.lab == "05"}
    drawn = {id: {"given": given, "answers": ["8 dB"] * len(exercise(id).parts)} for id, given in names.items()}
    sheet = {"learner": "anna", "class_code": "", "numbers": "numbers no. 1", "exercises": drawn}
    pages = {"plan": printed.lesson_plan("05")}
    pages |= {"answers": printed.answer_sheets("05", [sheet]), "key": printed.key("05", [sheet])}
    for name, text in pages.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    answered = exercise("05-3")
    given = answered.variant("anna", 0, "")
    Record(folder).answer("anna", "05-3", 0, answered.solve(given), given, "")
    book = gradebook(folder)
    write_html(folder / "gradebook.html", book)
    assert write_feedback(folder, book) == 1
    session = Session([Strip(f"{k} flute", tone(440.0, -20.0, 1.0), inserts=(Insert(Compressor()),)) for k in range(3)])
    (folder / "sheet.html").write_text(page(sheet_of(session, plan(session))), encoding="utf-8")
    return sorted(folder.glob("*.html"))


def test_no_hand_out_breaks_a_rule(tmp_path, monkeypatch):
    pictures = printed._pictures("00", "exposure", printed.NOBODY)
    monkeypatch.setattr(printed, "_pictures", lambda *_: pictures)  # to a rule one is like another
    written = handouts(tmp_path)
    assert len(written) == len({each.lab for each in bank()}) + 6
    assert {"gradebook", "anna"} < {path.stem for path in written}
    with headless() as browser:
        view = browser.new_page()
        for path in written:
            view.goto(path.as_uri())
            view.evaluate(AXE)
            assert view.evaluate(VIOLATIONS) == [], path.name
            if path.stem in ("gradebook", "anna"):
                view.emulate_media(color_scheme="dark")
                dark, said = view.evaluate("getComputedStyle(document.body).backgroundColor"), view.evaluate(VIOLATIONS)
                assert (dark != "rgb(255, 255, 255)", said) == (True, []), path.name
                view.emulate_media(color_scheme="light")
