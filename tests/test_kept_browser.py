"""Lab 05 after its kernel was killed and its page loaded anew: what was moved and typed stands there again."""

import os
import signal
import subprocess
import sys

import pytest
from labhand import open_lab, sentence
from playwright.sync_api import expect

pytestmark = pytest.mark.browser
NAME = "05-mix-bus"
OTHER = """
from gainlib.notebook import Lab
Lab("05").panel("bus").mixers["faders_db"].set_values({"01 kick": -11.1})
"""


def test_moves_and_letters_outlive_the_kernel(tmp_path):
    with open_lab(NAME, tmp_path) as lab:
        desk, form = lab.cell("panel-bus"), lab.cell("exercise-1")
        kick = desk.get_by_role("textbox", name="01 kick")
        kick.fill("-7.3")
        kick.press("Enter")
        lab.settled()
        told, typed = sentence(desk), form.get_by_role("textbox").first
        shown = kick.input_value()
        typed.press_sequentially("−3,1")  # no Enter, no Check, and the field is not left
        lab.page.wait_for_timeout(1000)
        assert not lab.problems()

        os.kill(int(lab.kernel("import os; print(os.getpid())")), signal.SIGKILL)
        lab.notebook.open(tmp_path / f"{NAME}.ipynb").run_all()
        lab.settled()
        desk, form = lab.cell("panel-bus"), lab.cell("exercise-1")
        expect(desk.get_by_role("textbox", name="01 kick")).to_have_value(shown)
        assert "7.3" in shown and sentence(desk) == told
        expect(form.get_by_role("textbox").first).to_have_value("−3,1")
        lab.shot("kept-05")


def test_a_second_tab_hears_of_a_move_and_takes_it_over(tmp_path):
    with open_lab(NAME, tmp_path) as lab:
        desk = lab.cell("panel-bus")
        where = os.environ | {"GAINLIB_RECORDS": str(tmp_path / "records")}
        subprocess.run([sys.executable, "-c", OTHER], env=where, check=True)
        question = desk.get_by_role("button", name="Take over the other tab")
        expect(question).to_be_visible(timeout=10_000)
        lab.shot("kept-newer")
        question.click()
        lab.settled()
        kick = desk.get_by_role("textbox", name="01 kick")
        expect(kick).to_have_value("−11.1")
        expect(question).to_be_hidden()
