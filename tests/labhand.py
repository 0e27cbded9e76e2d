"""A lab under a hand in the browser: cells by name, feedback, and a keyboard that tabs from control to control."""

import contextlib
import json
import shutil
from pathlib import Path

from browser import opened

LABS = Path(__file__).parent.parent / "labs"
INDEX = """(id) => { const cells = window.jupyterapp.shell.currentWidget.content.model.cells;
  for (let i = 0; i < cells.length; i++) if (cells.get(i).id === id) return i; return -1; }"""
BARS = "() => ![...document.querySelectorAll('.jupyter-widgets .progress')].some((bar) => bar.offsetParent)"
HASH = """async (image) => { const data = await (await fetch(image.src)).arrayBuffer();
  const hash = await crypto.subtle.digest('SHA-1', data); return Array.from(new Uint8Array(hash)).join(); }"""
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
        self.page.wait_for_function(BARS, timeout=60_000)
        self.idle()

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
        self.page.wait_for_function("() => document.querySelector('.gl-score table')", timeout=60_000)
        self.settled()


def picture(found):
    """Return a hash of the first picture in a part of the page."""
    return found.locator(".gl-image").first.evaluate(HASH)


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
