"""A lab under a hand in the browser: cells by name, feedback, and a keyboard that tabs from control to control."""

import contextlib
import json
import shutil
from pathlib import Path

from browser import LISTEN, SHOTS, TIMERS, at_rest, ended, opened, until
from reader import reading

from gainlib.exercises import Record, exercise
from gainlib.notebook import identity

LABS = Path(__file__).parent.parent / "labs"
INDEX = """(id) => { const cells = window.jupyterapp.shell.currentWidget.content.model.cells;
  for (let i = 0; i < cells.length; i++) if (cells.get(i).id === id) return i; return -1; }"""
BARS = "() => ![...document.querySelectorAll('.jupyter-widgets .progress')].some((bar) => bar.offsetParent)"
HASH = """async (image) => { for (let k = 0; k < 2; k++) await new Promise(requestAnimationFrame);
  return [...image.querySelectorAll('canvas')].map((canvas) => canvas.toDataURL()).join(' '); }"""
FOCUSED = """() => { const e = document.activeElement;
  return `${e.tagName} ${e.className} ${e.getAttribute('aria-label') || e.textContent.slice(0, 40)}`; }"""
MOST_TABS = 400


class LabHand:
    """One lab, open in a page.

    Parameters
    ----------
    page : browser.NotebookPage
        Where it is open.
    number : str
        Of the lab.
    """

    def __init__(self, page, number):
        self.notebook, self.page, self.number = page, page.page, number
        self.problems, self.shot, self.kernel, self.idle = page.problems, page.shot, page.kernel, page.idle

    def cell(self, name):
        """Return the cell called so, scrolled into the window."""
        index = self.page.evaluate(INDEX, f"{self.number}-{name}")
        assert index >= 0, name
        found = self.page.locator(".jp-Notebook .jp-Cell").nth(index)
        found.scroll_into_view_if_needed()
        return found

    def settled(self):
        """Wait until the work beside the hand is done: nothing is under way and no bar is shown."""
        self.idle()
        if not self.page.evaluate(BARS):
            until(self.page, BARS, "the bars of progress to go")
            self.idle()

    def on_one_screen(self):
        """Give it a window of 1280 × 720 with both side bars closed."""
        self.page.set_viewport_size({"width": 1280, "height": 720})
        self.page.evaluate("() => { const s = window.jupyterapp.shell; s.collapseLeft(); s.collapseRight(); }")
        self.settled()

    def check(self, found):
        """Have the answer in a part of the page checked and return what is said of it."""
        found.get_by_role("button", name="Check").click()
        self.settled()
        return said(found)

    def new_numbers(self, found):
        """Click the button that draws new numbers, and wait until the fields of the old ones have gone."""
        from playwright.sync_api import expect

        found.get_by_role("button", name="New numbers").click()
        self.settled()
        for field in found.get_by_role("textbox").all():
            expect(field).to_have_value("")

    def given(self, id):
        """Return the numbers on the desk for an exercise."""
        return json.loads(self.kernel(f"import json; print(json.dumps(lab.given('{id}')))"))

    # ---- the keyboard alone ----------------------------------------------------------------------------------------

    def press(self, *keys):
        """Press keys one after the other."""
        for key in keys:
            self.page.keyboard.press(key)

    def tab_to(self, target):
        """Press Tab until the target has the focus; no click, and no focus given from outside."""
        wanted = target.element_handle()
        for _ in range(MOST_TABS):
            if wanted.evaluate("(e) => document.activeElement === e"):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{MOST_TABS} times Tab did not reach it; the focus is on {self.page.evaluate(FOCUSED)}")

    def type_over(self, target, text):
        """Tab to a field and type a text in place of what it holds."""
        self.tab_to(target)
        self.press("ControlOrMeta+a")
        self.page.keyboard.type(text)

    def push(self, target):
        """Tab to a button and press it with the space bar."""
        self.tab_to(target)
        self.press("Space")
        self.settled()

    def run_all_by_keys(self):
        """Run all cells from the command palette."""
        self.press("ControlOrMeta+Shift+c")
        self.page.locator(".lm-CommandPalette-input").first.wait_for()
        self.page.keyboard.type("Run All Cells", delay=15)
        self.page.locator(".lm-CommandPalette-item.lm-mod-active", has_text="Run All Cells").first.wait_for()
        self.press("Enter")
        until(self.page, "() => document.querySelector('.gl-score table')", "the table of the score")
        self.settled()


class PageHand(LabHand):
    """A lab open as a page, under the same hand.

    Parameters
    ----------
    reader : reader.Reader
        Where it is open.
    number : str
        Of the lab.
    """

    def __init__(self, reader, number):
        self.reader, self.page, self.number = reader, reader.page, number

    def cell(self, name):
        """Return the part of the page called so, scrolled into the window."""
        found = self.reader.cell(f"{self.number}-{name}")
        found.scroll_into_view_if_needed()
        return found

    def idle(self):
        """Wait until nothing is under way."""
        at_rest(self.page)

    def given(self, id):
        """Return the numbers on the page for an exercise."""
        folder = self.reader.folder / "records"
        events = [each for each in Record(folder).events().events if each.get("exercise") == id]
        who = identity.kept(folder)
        attempt = max((each["attempt"] for each in events), default=0)
        return exercise(id).variant(who["learner"], attempt, who.get("class_code", ""))

    def shot(self, name):
        """Keep what the window shows; returns where."""
        path = SHOTS / f"{name}.png"
        self.page.screenshot(path=path)
        return path

    def problems(self):
        """Return the page's errors and the kernel's, but for what was asked of the hosts that are cut off."""
        return [*self.reader.errors, *self.page.evaluate("() => window.kernelErrors ?? []")]


def picture(found):
    """Return a hash of the first picture in a part of the page."""
    image = found.locator(".gl-image").first
    return ended(image, HASH, "two frames of a picture")


def sentence(found):
    """Return what stands under that picture, folded away or not."""
    return found.locator(".gl-sentence").first.text_content()


def said(found):
    """Return the last feedback in a part of the page."""
    return found.locator(".gl-said").last.inner_text()


def typed(value, digits=2):
    """Return a number as somebody types it in a country with decimal commas."""
    return f"{value:.{digits}f}".replace("-", "−").replace(".", ",")


@contextlib.contextmanager
def open_lab(name, folder, *, run=True):
    """Open a copy of a lab in a folder, its record beside it; yields a :class:`LabHand`."""
    shutil.copy(LABS / f"{name}.ipynb", folder)
    with opened(folder / f"{name}.ipynb") as page:
        hand = LabHand(page, name[:2])
        hand.folder = folder
        if run:
            page.run_all()
            hand.settled()
        yield hand


@contextlib.contextmanager
def open_page(name, folder):
    """Open a copy of a lab as a page, its record beside it; yields a :class:`PageHand`."""
    shutil.copy(LABS / f"{name}.ipynb", folder)
    with reading(folder) as reader:
        reader.page.add_init_script(TIMERS)
        reader.go(name).ready()
        reader.page.evaluate(LISTEN)
        yield PageHand(reader, name[:2])
