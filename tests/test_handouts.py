"""What goes to paper: hand-outs, answer sheets and their key, lesson plans; the numbers on them, and that they fit."""

import json
import os
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import pytest
from browser import headless
from daily import daily
from labhand import LABS as NOTEBOOKS
from school import Writer
from scipy.stats import binom

import gainlib
from gainlib.__main__ import main
from gainlib.exercises import bank, exercise, mark
from gainlib.exercises.bank import lab_numbers
from gainlib.labs import lab02, lab03, lab05
from gainlib.notebook import Lab, handouts
from gainlib.notebook.assets import html_of
from gainlib.session.fader import FaderLaw

FIRST = ("00",)
PLANS = NOTEBOOKS / "plans"
LABS = (*FIRST, *sorted(set(lab_numbers()) - set(FIRST)))
CLASS = (("Åsa <Lind>", "7b"), ("Ben Okoro", "7b"), ("Maximiliane von Hohenstein-Wolkenburg", "8a"))
PAPERS = {"A4": 210.0, "Letter": 215.9}
MARGINS_MM, MM = 28.0, 96 / 25.4
HEADS = ("Times", "Demonstration", "Questions to ask", "What usually goes wrong")
TOO_WIDE = """(width) => [...document.querySelectorAll("main, main *")].filter(
  (each) => each.getBoundingClientRect().right > width + 1).map((each) => each.outerHTML.slice(0, 120))"""


def run(*words):
    """Run a verb and return how it ended."""
    try:
        return main([str(word) for word in words])
    except SystemExit as end:
        return end.code


DONE = SimpleNamespace(stdout="lab-09-page.html\n", returncode=0)
"""Stands in for the process that writes the pages."""


class Rows(HTMLParser):
    """Takes the rows of all tables out of a page, each as the text of its cells."""

    def __init__(self, page):
        super().__init__()
        self.rows, self.open = [], False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        """Begin a row or a cell."""
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")
            self.open = True

    def handle_endtag(self, tag):
        """Close a cell."""
        self.open = self.open and tag not in ("td", "th")

    def handle_data(self, data):
        """Take text into the cell that is open."""
        if self.open:
            self.rows[-1][-1] += data


@pytest.fixture(scope="module", params=[*daily(LABS, len(FIRST))])
def written(request, tmp_path_factory):
    """A lab's pages for a class of three, written in this process: number of the lab, and the folder."""
    folder = tmp_path_factory.mktemp("paper")
    into = pytest.MonkeyPatch()
    into.setattr("subprocess.run", lambda command, input, **_: written_here(Path(command[-1]), json.loads(input)))
    names = folder / "class.csv"
    names.write_text("learner,class\n" + "".join(f"{name},{code}\n" for name, code in CLASS), encoding="utf-8")
    try:
        assert run("handout", names, "--lab", request.param, "--out", folder / "out") == 0
    finally:
        into.undo()
    return request.param, folder / "out"


def written_here(folder, labs):
    """Write pages, and return what a process would have said."""
    told = [name for lab, sheets in labs.items() for name in handouts.write(folder, lab, sheets)]
    return SimpleNamespace(stdout="\n".join(map(str, told)), returncode=0)


def test_it_runs_in_a_process_of_its_own(tmp_path):
    """The command line draws the numbers, and another process the pages, from any folder; nothing else is left."""
    done = subprocess.run(
        [sys.executable, "-m", "gainlib", "handout", "7b", "Ada", "--lab", "09", "--out", "out", "--json"],
        cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(Path(gainlib.__file__).parents[1])},
        capture_output=True, text=True, encoding="utf-8", check=False,
    )  # fmt: skip
    names = [f"lab-09-{kind}.html" for kind in ("page", "plan", "answers", "key")]
    assert (done.returncode, json.loads(done.stdout)["result"]) == (0, {"written": names}), done.stderr
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(names)


def page(written, kind):
    """Return one of the pages."""
    lab, folder = written
    return (folder / f"lab-{lab}-{kind}.html").read_text(encoding="utf-8")


def test_each_learner_reads_the_numbers_of_the_desk(written, tmp_path):
    lab, _ = written
    sheets = page(written, "answers").split("<h1>")[1:]
    assert len(sheets) == len(CLASS)
    for (name, code), sheet in zip(CLASS, sheets, strict=True):
        desk = Lab(lab, folder=tmp_path, learner=name, class_code=code)
        for own in desk.learner.exercises.values():
            assert html_of(own.statement_for(desk.given(own.id))) in sheet, (name, own.id)
        desk.learner.kept.flush()


def test_what_the_key_says_is_marked_right_on_the_desk(written, tmp_path):
    """The learner's own answers are typed in as the key has them: numbers, and options by their words."""
    lab, _ = written
    tables = page(written, "key").split("<h2>")[1:]
    typed = 0
    for own, table in zip((each for each in bank() if each.lab == lab), tables, strict=True):
        assert table.startswith(f"{own.id} ")
        if "Measured on each learner’s own session" in table:
            continue
        rows = [row for row in Rows(table).rows if "," in row[0]][-len(CLASS) :]
        kinds = {part.kind for part in own.parts}
        for (name, code), row in zip(CLASS, rows, strict=True):
            assert row[0].strip() == f"{name}, {code}" and all(row)
            if kinds <= {"number", "choice"}:
                given = Lab(lab, folder=tmp_path, learner=name, class_code=code).given(own.id)
                answer = own.answer([cell.strip() for cell in row[-len(own.parts) :]])
                assert mark(own, given, answer).state == "right", (own.id, row)
                typed += 1
    assert typed or lab == "12"


@pytest.mark.browser
def test_every_page_fits_both_papers(written):
    """Nothing leaves the paper; a lesson plan is one page, a hand-out two sheets, and every learner begins a page."""
    lab, folder = written
    most = {"plan": 1, "page": 4, "answers": 4 * len(CLASS)}
    with headless() as browser:
        view = browser.new_page()
        view.emulate_media(media="print")
        for kind in ("page", "plan", "answers", "key"):
            view.goto((folder / f"lab-{lab}-{kind}.html").as_uri())
            for paper, width_mm in PAPERS.items():
                width = round((width_mm - MARGINS_MM) * MM)
                view.set_viewport_size({"width": width, "height": 900})
                assert view.evaluate(TOO_WIDE, width) == [], (kind, paper)
                pages = len(re.findall(rb"/Type\s*/Page\b", view.pdf(format=paper)))
                assert 1 <= pages <= most.get(kind, pages), (kind, paper, pages)
                assert kind != "answers" or pages >= len(CLASS)


# ---- what is on them, and for whom -----------------------------------------------------------------------------------


def test_a_hand_out_is_the_notebook_on_paper(written):
    lab, _ = written
    text, source = page(written, "page"), {each["id"]: each["source"] for each in handouts.cells(lab)}
    for name in ("idea", "mistakes"):
        assert str(handouts._html(source[name])) in text
    assert str(handouts._html(source["takeaway-text"])) in text
    assert text.count("<figure>") >= 1 and "A worked example" in text
    assert "href" not in text and "http" not in text.replace("http://www.w3.org/1998/Math/MathML", "")
    assert text.count('class="line"') >= 2 * len(re.findall(r"(?m)^\d\. ", source.get("panel-text", "1. ")))


@pytest.mark.parametrize("lab", lab_numbers())
def test_every_lab_has_a_lesson_plan(lab):
    plan = handouts.lesson_plan(lab)
    assert re.findall(r"<h2>(.*?)</h2>", plan) == list(HEADS)
    assert "amplifier down first" in plan and " min" in plan
    named = set(re.findall(rf"\b{lab}-\d\b", plan))
    assert named <= {each.id for each in bank()}, "an exercise that is none"


def test_whom_a_class_is_made_of(tmp_path, capsys, monkeypatch):
    """Names behind a code, or whoever has handed in; with nobody there is no sheet, and that is said."""
    asked = []
    monkeypatch.setattr("subprocess.run", lambda *_, input, **__: asked.append(input) or DONE)
    out = ("--lab", "09", "--out", tmp_path / "out")
    assert run("handout", "7b", "anna", "ben", *out) == 0
    assert asked[-1].count('"class_code": "7b"') == 2
    Writer("cleo", "8a").do("05-1", "right").save(tmp_path / "in")
    assert run("handout", tmp_path / "in", *out) == 0
    assert '"learner": "cleo", "class_code": "8a"' in asked[-1]
    (tmp_path / "class.toml").write_text('code = "8a"\nlabs = ["09", "11"]\nhand_in = "in"\n[exam]\nlab = "09"\n'
                                         "opens = 2026-12-12T09:00:00+01:00\nminutes = 60\n")  # fmt: skip
    assert run("handout", tmp_path, "--out", tmp_path / "out") == 0
    assert '{"09": [{"learner": "cleo", "class_code": "8a"' in asked[-1] and '"11": [{"learner": "cleo"' in asked[-1]
    assert run("handout", tmp_path / "class.toml", "dora", "--exam", "--out", tmp_path / "out") == 0
    assert '{"09": [{"learner": "dora", "class_code": "8a", "numbers": "exam"' in asked[-1] and '"11"' not in asked[-1]
    assert run("handout", "", *out) == 1
    assert "No learner is known" in capsys.readouterr().err and asked[-1] == '{"09": []}'
    assert run("handout", "7b", "anna", "--lab", "77") == 2
    assert "there is no lab '77'" in capsys.readouterr().err


def test_a_class_with_a_secret_needs_it(tmp_path, capsys, monkeypatch):
    """The key of such a class opens for the teacher alone, and its numbers are those that learners get."""
    assert run("key", "7b", "--new-secret", tmp_path) == 0
    code = capsys.readouterr().out.split()[-1]
    asked = []
    monkeypatch.setattr("subprocess.run", lambda *_, input, **__: asked.append(input) or DONE)
    out = ("--lab", "09", "--out", tmp_path / "out")
    assert run("handout", code, "anna", *out) == 2 and "needs the secret" in capsys.readouterr().err
    assert run("handout", "7b", "anna", *out, "--secret", tmp_path) == 0
    own = exercise("09-1")
    assert f'"x": {own.variant("anna", 0, code)["x"]}' in asked[-1]


def test_a_lab_without_a_plan_is_named(tmp_path, monkeypatch):
    """Whoever deletes a plan is told where to write another."""
    monkeypatch.setattr(handouts, "LABS", tmp_path)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "00-notes.ipynb").write_text('{"cells": []}')
    monkeypatch.setattr(handouts, "handout", lambda lab: f"<p>{lab}</p>")
    page, plan = handouts.write(tmp_path, "00", ())
    assert page == "lab-00-page.html" and str(plan).endswith("no lesson plan; write one in labs/plans/00.md")
    assert not (tmp_path / "lab-00-plan.html").exists()
    with pytest.raises(handouts.GainlibError, match="has no notebook"):
        handouts.cells("00")


def test_figures_in_lesson_plans_are_those_of_formulas_and_desks():
    """Chance: binomial tail, by scipy. Dose: 8 h at 85 dBA and half of it for each 3 dB more (NIOSH 98-126)."""
    plans = {path.stem: " ".join(path.read_text(encoding="utf-8").split()) for path in PLANS.glob("*.md")}
    seven, nine = (binom.sf(right - 1, 10, 0.5) for right in (7, 9))
    assert round(1 / seven) == 6 and "chance gets there in one run of six" in plans["00"]
    assert f"one run in {round(1 / nine)}" in plans["00"] and f"Multiply {nine:.3f} by five" in plans["00"]
    assert [8 / 2 ** ((level - 85) / 3) for level in (88, 100)] == [4, 0.25]
    assert "at 88 dBA four hours a day, at 100 dBA a quarter of an hour" in plans["00"]
    desk = lab03.recording()
    lower, highest = re.search(r"noise at ([\d, ]+) and (\d+) dB of gain", plans["03"]).groups()
    moved = [desk.at(desk.setting(gain_db=float(each), spl_db=74.0)) for each in (*lower.split(", "), highest)]
    found = [desk.read(run).way.signal_to_noise for run in moved]
    assert f"of gain: {', '.join(f'{each:.0f}' for each in found)} dB." in plans["03"]
    burst = lab02.meters().at(lab02.meters().setting(burst_ms=50.0))
    assert f"falls to −{-(lab02.needle_max_dbfs(burst) + 18):.0f} VU" in plans["02"]
    assert "the bus peaks 6 dB over" in plans["05"] and "peak at +6.0 dBFS" in lab05.compare()[1]
    law = FaderLaw()
    assert law.db_at(law.mm_at(-40)) - law.db_at(law.mm_at(-40) - 2) == pytest.approx(3, abs=0.1)
    assert "The second is a step of 3 dB" in plans["09"]
