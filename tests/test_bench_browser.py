"""The bench in a real JupyterLab: a folder of stems by mouse, the demo by keyboard alone, an upload, a stop."""

import json
import re
import shutil
from pathlib import Path

import pytest
from browser import opened
from labhand import LabHand, picture, typed
from playwright.sync_api import expect
from stemfolder import make

from gainlib.mix import checkup
from gainlib.mix.guesses import FAULTS, FIGURES
from gainlib.session.files import strips_of_folder

pytestmark = pytest.mark.browser
NOTEBOOK = Path(__file__).parent.parent / "labs" / "bench.ipynb"
AT_REST = "() => !document.querySelector('.gl-bench [data-state=busy]')"
LONG_MS = 90_000
# what reaches beyond its panel, but for tables, which scroll by themselves
WIDER = """(cell) => { const right = (node) => node.getBoundingClientRect().right;
  return [...cell.querySelectorAll('.gl-form')].flatMap((form) => [...form.querySelectorAll('*')]
    .filter((e) => e.offsetParent && !e.closest('table') && right(e) > right(form) + 1)
    .map((e) => `${e.tagName} ${e.className} ${e.innerText.slice(0, 30)}`)); }"""
NARROW = {"width": 400, "height": 900}


class BenchHand(LabHand):
    """The bench under a hand."""

    def __init__(self, page, folder):
        super().__init__(page, "bench")
        self.folder = folder

    def settled(self):
        """Wait until the work that was begun is done."""
        super().settled()
        if not self.page.evaluate(AT_REST):
            self.page.wait_for_function(AT_REST, timeout=LONG_MS)
            super().settled()

    def button(self, step, name):
        """Return a button of a step."""
        return self.cell(step).get_by_role("button", name=name, exact=True).first

    def click(self, step, name):
        """Press a button with the mouse and wait for what it does."""
        self.settled()
        self.button(step, name).click()
        self.page.wait_for_timeout(150)
        self.settled()

    def fill(self, step, label, text):
        """Type into a field with the mouse's help, and leave it."""
        field = self.cell(step).get_by_label(label)
        field.click()
        field.fill(text)
        field.press("Tab")
        self.settled()

    def from_the_top(self, step):
        """Bring the upper edge of a step to the upper edge of the window."""
        self.cell(step).evaluate("(cell) => cell.scrollIntoView()")

    def says(self, step, *texts):
        """Wait until one of a step's lines says all of these."""
        self.cell(step)
        for text in texts:
            line = self.cell(step).locator(".gl-said", has_text=text)
            expect(line.first).to_be_visible(timeout=LONG_MS)


@pytest.fixture
def bench(tmp_path):
    """The bench open in a page and run, its own folder and a folder of stems beside it."""
    folder = tmp_path / "place"
    folder.mkdir()
    shutil.copy(NOTEBOOK, folder)
    with opened(folder / NOTEBOOK.name, height=1200) as page:
        page.run_all()
        hand = BenchHand(page, folder)
        hand.settled()
        yield hand


def test_a_folder_goes_over_the_bench_by_mouse(bench, tmp_path):
    stems, chains = make(tmp_path / "My Song é")
    bench.fill("open", "Folder, or a saved song", f'"{tmp_path / "nowhere"}"')
    bench.click("open", "Open")
    bench.says("open", "Not done", "is no folder")
    bench.fill("open", "Folder, or a saved song", f'"{stems}"')
    bench.click("open", "Open")
    bench.says("open", "6 stems, 48000 Hz")
    bench.click("checks", "Check the stems")
    bench.says("checks", "6 stems:")
    assert "% of full scale" in bench.cell("checks").inner_text()
    table = bench.cell("chains").locator(".gl-channels")
    table.get_by_label("tick kick").click()
    table.get_by_label("tick tom 1").click(modifiers=["Shift"])  # everything between them as well
    bench.fill("chains", "all ticked: goes to", "drums")
    bench.says("chains", "kick, tom 1: goes to drums")
    assert table.get_by_label("tom 1: goes to").input_value() == "drums"
    table.get_by_role("button", name="chain of kick").click()
    bench.settled()
    bench.click("chains", "Add the box")
    bench.says("chains", "kick: black box, built for −18.0 dBFS")
    bench.fill("chains", "built for an average of", "−20,5")
    bench.says("chains", "built for −20.5 dBFS")
    bench.fill("chains", "Chains file", str(chains))
    bench.click("chains", "Read the chains file")
    bench.says("chains", "stems go through something")
    bench.shot("bench-chains")

    bench.click("balance", "Measure the bus")
    bench.says("balance", "true peak")
    before = picture(bench.cell("balance"))
    handle = bench.cell("balance").get_by_role("slider", name="bass").first
    box = handle.bounding_box()
    bench.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    bench.page.mouse.down()
    bench.page.mouse.move(box["x"] - 60, box["y"] + box["height"] / 2, steps=8)
    bench.page.mouse.up()
    bench.settled()
    assert picture(bench.cell("balance")) != before
    bench.shot("bench-balance")

    bench.click("plan", "Plan")
    bench.says("plan", "a full render keeps all")
    assert "after the last processor" in bench.cell("plan").text_content()
    bench.shot("bench-plan")
    bench.click("listen", "Make both ready")
    bench.says("listen", "matched in loudness")
    expect(bench.cell("listen").get_by_role("button", name="after")).to_be_visible()
    bench.shot("bench-listen")
    bench.click("take", "Write the sheets")
    bench.says("take", "plan.html, plan.csv, levels.csv, hand-off.txt, session.json")
    bench.click("take", "Write the stems")
    bench.says("take", "6 originals were compared and are unchanged")
    bench.shot("bench-take")
    assert {path.name for path in tmp_path.glob("My Song é *")} == {"My Song é sheets", "My Song é staged"}
    assert bench.problems() == []
    text = bench.page.locator(".jp-Notebook").inner_text()
    assert not re.search(r"\b(NaN|undefined|null|None)\b", text)


@pytest.mark.exhaustive
def test_levels_and_faults_are_guessed_before_the_check_by_mouse(bench, tmp_path):
    stems, _ = make(tmp_path / "My Song é")
    measured = {stem.name: stem for stem in checkup(strips_of_folder(stems))}
    bench.fill("open", "Folder, or a saved song", str(stems))
    bench.click("open", "Open")
    for place, name in enumerate(("kick", "bass", "tom 1"), 1):
        bench.cell("guess").get_by_label(f"Stem {place}:").select_option(name)
        for figure in FIGURES:
            value = getattr(measured[name].reading, figure.key) + 2.0
            bench.fill("guess", f"{figure.name.capitalize()} {place} ({figure.unit}):", typed(value, 1))
    bench.fill("guess", "Active level 2 (dBFS):", "loud")
    bench.click("guess", "Compare the levels")
    bench.says("guess", "Active level 2: “loud” cannot be read; enter a number in dBFS.")
    bench.fill("guess", "Active level 2 (dBFS):", "−60")
    bench.click("guess", "Compare the levels")
    bench.says("guess", "On target", "active level 2 of 3, crest factor 3 of 3, loudness 3 of 3")
    expect(bench.cell("guess").get_by_text("✓ On target")).to_be_visible()
    assert "% of full scale" not in bench.cell("checks").inner_text()
    bench.from_the_top("guess")
    bench.shot("bench-guess-levels")

    for name, fault in (("vocal", "DC"), ("vocal", "noisy"), ("hat", "duplicate")):
        bench.cell("guess").get_by_label("Stem with a fault:").select_option(name)
        bench.cell("guess").get_by_label("Fault:", exact=True).select_option(f"{fault}: {FAULTS[fault]}")
        bench.click("guess", "Put it on my list")
    bench.click("guess", "Take off hat: duplicate")
    bench.says("guess", "2 faults on your list")
    bench.click("guess", "Compare the lists")
    bench.says("guess", "1 on both lists", "0 of 6 looked at")
    assert "no steady floor between" in bench.cell("guess").inner_text()
    assert "% of full scale" in bench.cell("checks").inner_text()
    bench.cell("guess").get_by_text("What is wrong with your stems?").evaluate("(e) => e.scrollIntoView()")
    bench.shot("bench-guess-faults")
    for box in bench.cell("guess").get_by_role("checkbox", name="Looked at:").all():
        box.check()
        bench.settled()
    bench.says("guess", "All looked at")
    bench.notebook.command("application:toggle-left-area")
    bench.page.set_viewport_size(NARROW)
    bench.page.wait_for_timeout(500)
    bench.from_the_top("guess")
    bench.shot("bench-guess-narrow")
    assert bench.cell("guess").evaluate(WIDER) == []
    assert bench.problems() == []


@pytest.mark.exhaustive
def test_the_demo_goes_over_the_bench_by_keyboard_alone(bench):
    def push(step, name):
        bench.settled()
        bench.tab_to(bench.button(step, name))
        bench.press("Space")
        bench.page.wait_for_timeout(150)
        bench.settled()

    push("open", "Use the demo stems")
    bench.says("open", "Demo song in A minor: 11 stems")
    for place in (1, 2, 3):
        for label, text in (("Active level", "−20,5"), ("Crest factor", "12"), ("Loudness", "−25 LUFS")):
            bench.type_over(bench.cell("guess").get_by_label(f"{label} {place} ("), text)
    bench.press("Tab")
    push("guess", "Compare the levels")
    bench.says("guess", "Not on target yet")
    bench.tab_to(bench.cell("guess").get_by_label("Fault:", exact=True))
    bench.page.keyboard.type("dual")
    push("guess", "Put it on my list")
    bench.says("guess", "1 fault on your list")
    push("guess", "Compare the lists")
    bench.says("guess", "0 of 16 looked at")
    bench.tab_to(bench.cell("guess").get_by_role("checkbox", name="Looked at:").first)
    bench.press("Space")
    bench.settled()
    bench.says("guess", "1 of 16 looked at")
    push("checks", "Check the stems")
    bench.says("checks", "11 stems:")
    bench.shot("bench-checks")
    focused = "document.activeElement.getAttribute('aria-label')"
    bench.tab_to(bench.cell("chains").get_by_label("01 kick: input trim"))
    bench.press("ArrowDown", "ArrowDown")
    bench.page.keyboard.type("−1,5")
    bench.press("Enter")
    bench.says("chains", "03 overheads: input trim −1.5")
    assert bench.page.evaluate(focused) == "03 overheads: input trim (dB)"
    bench.tab_to(bench.cell("chains").get_by_role("button", name="chain of 03 overheads"))
    bench.press("Enter")
    bench.settled()
    push("chains", "Add the box")
    bench.says("chains", "03 overheads: filter → black box, built for −18.0 dBFS")
    bench.type_over(bench.cell("chains").get_by_label("built for an average of"), "−24")
    bench.press("Tab")
    bench.settled()
    bench.says("chains", "built for −24.0 dBFS")

    push("balance", "Measure the bus")
    bench.says("balance", "every move is rendered")
    before = picture(bench.cell("balance"))
    bench.tab_to(bench.cell("balance").get_by_role("slider", name="09 lead vocal").first)
    bench.press("PageDown", "PageDown", "ArrowDown")
    bench.settled()
    if "press Measure again after a move" in bench.cell("balance").inner_text():  # where measuring takes its time
        push("balance", "Measure the bus")
    assert picture(bench.cell("balance")) != before
    faders = json.loads(bench.kernel("import json; print(json.dumps(bench.balance().faders.as_dict()))"))
    assert faders["09 lead vocal"] == pytest.approx(4.0 - 2.1)
    assert bench.kernel("print(bench.song.session.strip('09 lead vocal').fader_db)") == "1.9"

    bench.type_over(bench.cell("plan").get_by_label("True peak of the bus"), "−8 dBTP")
    bench.press("Tab")
    push("plan", "Plan")
    bench.says("plan", "(target −8.05 to −8.00): kept")
    push("listen", "Make both ready")
    bench.says("listen", "matched in loudness")
    push("take", "Write the sheets")
    bench.says("take", "hand-off.txt")
    assert (bench.folder / "bench" / "Demo song in A minor sheets" / "plan.html").is_file()
    push("take", "Save the song")
    bench.says("take", "Demo song in A minor song.json")
    assert bench.problems() == []


def test_stems_are_uploaded_and_a_plan_is_stopped(bench, tmp_path):
    stems, _ = make(tmp_path / "elsewhere", **{})
    files = sorted(str(path) for path in stems.iterdir())
    bench.cell("open").locator("input[type=file]").set_input_files([*files, str(NOTEBOOK)])
    bench.says("open", "6 files", "bench.ipynb is neither a sound file")
    (folder,) = (bench.folder / "bench" / "uploads").iterdir()
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
        path.name: path.read_bytes() for path in stems.iterdir()
    }
    bench.click("open", "Use the demo stems")
    bench.button("plan", "Plan").click()
    stop = bench.cell("plan").get_by_role("button", name="Stop")
    expect(stop).to_be_visible(timeout=30_000)
    bench.button("checks", "Check the stems").click()
    bench.says("checks", "the bench is busy (Planning)")
    stop.click()
    bench.says("plan", "Stopped", "nothing half-done is left")
    assert bench.kernel("print(bench.song.plan)") == "None"
    bench.shot("bench-stopped")
    bench.click("checks", "Check the stems")
    bench.says("checks", "11 stems:")
    assert bench.problems() == []
