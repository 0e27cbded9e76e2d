"""The page in front of the labs in a real JupyterLab, by keyboard alone wherever a person can be without a mouse."""

import json
import re
import shutil
from datetime import date

import pytest
from browser import opened
from labhand import LABS, LabHand, said

from gainlib.exercises import Record, exercise

pytestmark = pytest.mark.browser
OTHERS = ("00-safe-listening", "05-mix-bus")
WHERE = """() => { const shown = window.jupyterapp.shell.currentWidget;
  const pane = shown.content.node.querySelector('.jp-WindowedPanel-outer');
  const cells = [...shown.content.node.querySelectorAll('.jp-Cell')], box = pane.getBoundingClientRect();
  const ids = Array.from({ length: shown.content.model.cells.length }, (_, k) => shown.content.model.cells.get(k).id);
  const seen = cells.findIndex((cell) => cell.getBoundingClientRect().bottom > box.top + 1);
  const inside = cells.map((cell, k) => [cell.getBoundingClientRect(), ids[k]])
    .filter(([place]) => place.bottom > box.top && place.top < box.bottom).map(([, id]) => id);
  return [shown.context.path, pane.scrollTop, inside, seen]; }"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """The index open and run, beside two labs, with a record of its own."""
    folder = tmp_path_factory.mktemp("labs")
    for name in ("index", *OTHERS):
        shutil.copy(LABS / f"{name}.ipynb", folder)
    with opened(folder / "index.ipynb") as page:
        hand = LabHand(page, "index")
        page.run_all()
        hand.settled()
        hand.folder = folder
        yield hand


def answer(desk, id, right=True):
    each = exercise(id)
    given = each.variant("anna", 0, "7b")
    value = each.solve(given) if right else each.slips[0].answer(given)
    Record(desk.folder / "records").answer("anna", id, 0, value, given, "7b")


def line_of(desk, number, *wanted):
    """Wait until a lab's line in the table has these words; returns it."""
    line = desk.cell("labs").locator("tbody tr", has_text=f"lab {number}")
    for words in wanted:
        line.filter(has_text=words).wait_for(timeout=15_000)
    return line.inner_text()


def test_it_runs_without_an_error_and_says_where_answers_are_kept(desk):
    assert desk.problems() == []
    text = desk.page.locator(".jp-Notebook").inner_text()
    assert "kept on this computer, and sent nowhere" in text and "leave your computer" not in text
    assert "begin lab 00" in text and "begin lab 05" in text


def test_a_name_by_keyboard(desk):
    found = desk.cell("who")
    desk.type_over(found.get_by_label("Name or number"), "anna")
    desk.type_over(found.get_by_label("Class code"), "7b")
    desk.push(found.get_by_role("button", name="Save my name"))
    assert "You are anna, class 7b in every lab" in said(found)
    kept = json.loads((desk.folder / "records" / "learner.json").read_text())
    assert (kept["learner"], kept["class_code"]) == ("anna", "7b")
    desk.type_over(found.get_by_label("Name or number"), " ")
    desk.push(found.get_by_role("button", name="Save my name"))
    assert "the name is empty" in said(found)
    desk.type_over(found.get_by_label("Name or number"), "anna")
    desk.push(found.get_by_role("button", name="Save my name"))
    assert desk.problems() == []


def test_the_table_counts_and_leads_back_to_where_one_stopped(desk):
    answer(desk, "05-1")
    answer(desk, "05-3", right=False)
    desk.push(desk.cell("labs").get_by_role("button", name="Count again"))
    assert "70" in line_of(desk, "05", "begun, 1 of 6 right", "3 of 17")
    desk.shot("index-labs")
    link = desk.cell("labs").get_by_role("link", name="resume lab 05 where you stopped")
    desk.tab_to(link)
    desk.press("Enter")
    desk.page.wait_for_function("() => window.jupyterapp.shell.currentWidget.context.path.endsWith('05-mix-bus.ipynb')")
    for _ in range(60):
        _, top, inside, _ = desk.page.evaluate(WHERE)
        if top > 0:
            break
        desk.page.wait_for_timeout(200)
    assert top > 0 and "05-exercise-3" in inside and "05-idea" not in inside
    desk.shot("index-resumed")


def test_coming_back_renews_the_table(desk):
    answer(desk, "05-2")
    desk.page.locator(".lm-DockPanel-tabBar .lm-TabBar-tab", has_text="index").click()
    line_of(desk, "05", "begun, 2 of 6 right", "5 of 17")
    assert desk.problems() == []


def download(desk):
    """Press the download button by keyboard; returns the file."""
    button = desk.cell("record").get_by_role("button", name="Hand in (download my record)")
    desk.tab_to(button)
    with desk.page.expect_download() as coming:
        desk.press("Enter")
    return coming.value


def choose(desk, cell, label, path):
    """Choose a file after pressing a button by keyboard.

    The browser is asked to hand the chooser over before the way there is tabbed: it takes the request up a while later,
    and a chooser that opened before that would be nobody's.
    """
    with desk.page.expect_file_chooser() as chooser:
        desk.tab_to(desk.cell(cell).get_by_label(label))
        desk.press("Space")
    chooser.value.set_files(path)


def upload(desk, path):
    choose(desk, "record", "Upload a record", path)
    desk.cell("record").get_by_text(path.name).or_(desk.cell("record").get_by_text("were new here")).first.wait_for()
    desk.settled()


def test_the_record_goes_out_is_erased_and_comes_in_again(desk, tmp_path):
    file = download(desk)
    assert file.suggested_filename == f"record-7b-anna-{date.today()}.jsonl"
    desk.cell("record").get_by_text(re.compile(r"3 answers, 5 of \d+ points, check value \w{4}-\w{4}-\w{4}")).wait_for()
    kept = tmp_path / file.suggested_filename
    file.save_as(kept)
    lines = [json.loads(line) for line in kept.read_text().splitlines()]
    assert [line["exercise"] for line in lines if line["kind"] == "answer"] == ["05-1", "05-3", "05-2"]
    found = desk.cell("record")
    desk.push(found.get_by_role("button", name="Erase my record"))
    assert "Not erased" in found.inner_text()
    desk.tab_to(found.get_by_label("Yes, erase everything I did"))
    desk.press("Space")
    desk.push(found.get_by_role("button", name="Erase my record"))
    assert f"{len(lines)} lines of anna are gone" in found.inner_text()
    assert Record(desk.folder / "records").events().of("anna", "7b").events == ()
    line_of(desk, "05", "begin lab 05")
    upload(desk, kept)
    assert "You are now anna, as in the file" in found.inner_text()
    line_of(desk, "05", "5 of 17")
    desk.cell("record")
    desk.shot("index-record")
    assert desk.problems() == []


def test_a_damaged_upload_is_refused_with_a_sentence(desk, tmp_path):
    before = (desk.folder / "records" / "record.jsonl").read_bytes()
    found, bad = desk.cell("record"), tmp_path / "holiday.jsonl"
    bad.write_bytes(b"\x89PNG\r\n\x1a\n and so on")
    upload(desk, bad)
    assert "Refused" in found.inner_text() and "holiday.jsonl is not a record" in found.inner_text()
    half = tmp_path / "half.jsonl"
    half.write_bytes(before[:-30])
    upload(desk, half)
    assert "half.jsonl is damaged" in found.inner_text() and "Nothing was taken" in found.inner_text()
    assert (desk.folder / "records" / "record.jsonl").read_bytes() == before
    desk.shot("index-refused")
    desk.push(found.get_by_role("button", name="Take the lines that can be read"))
    assert "were new here" in found.inner_text()
    assert desk.problems() == []


def test_a_class_file_brings_its_dates(desk, tmp_path):
    (tmp_path / "class.toml").write_text('name = "Levels"\ncode = "7b"\n[deadlines]\n05 = 2126-12-10\n')
    assert "due" not in desk.cell("labs").locator("thead").inner_text()
    desk.type_over(desk.cell("who").get_by_label("Class code"), "7b")  # from then on the file is asked for
    choose(desk, "who", "Or open the class file", tmp_path / "class.toml")
    line_of(desk, "05", "2126-12-10", "5 of 17")
    assert "Your class is Levels; below you see what is due when" in said(desk.cell("who"))
    desk.cell("labs")
    desk.shot("index-due")
    assert desk.problems() == []


def test_both_sides_sound_and_the_tone_stays_low(desk):
    player = desk.cell("sound").locator(".gl-player")
    desk.tab_to(player.get_by_role("button", name="Play"))
    desk.press("Enter")
    for _ in range(100):
        if player.evaluate("(node) => node.gainlib.playing()"):
            break
        desk.page.wait_for_timeout(50)
    for key, name in zip("4321", ("out of polarity", "both", "right", "left"), strict=True):
        desk.press(key)
        desk.idle()
        assert player.get_by_role("button", name=name, exact=True).get_attribute("aria-pressed") == "true"
    left, right = (player.evaluate("async (node) => (await node.gainlib.offline(0.3))")[k] for k in (0, 1))
    assert max(map(abs, left)) > 0.001 and max(map(abs, right)) == 0
    desk.press("Enter")
    desk.shot("index-sound")
    volume = desk.cell("tone").get_by_role("slider", name="Playback level")
    desk.tab_to(volume)
    desk.press(*["PageUp"] * 10)
    desk.idle()
    assert "true peak −20.0 dBTP" in desk.cell("tone").inner_text()
    assert (
        "Turn the amplifier or the headphones all the way down" in desk.page.locator(".jp-Notebook").first.inner_text()
    )
    assert desk.problems() == []


def test_a_word_is_found_by_keyboard(desk):
    found = desk.cell("glossary")
    desk.type_over(found.get_by_label("Find a word"), "needle")
    desk.idle()
    table = found.locator("table").inner_text()
    assert "VU" in table and "typical VU" in table and "phantom power" not in table
    desk.cell("glossary")
    desk.shot("index-glossary")
    desk.type_over(found.get_by_label("Find a word"), "xyzzy")
    desk.idle()
    assert "There is no such entry" in found.inner_text()
    assert desk.problems() == []
