"""Labs as assignments of nbgrader; with --all its own commands take one round, in an environment beside this one."""

import csv
import json
import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

import nbformat
import pytest
from labhand import LABS
from school import Writer, run

from gainlib.audio import GainlibError
from gainlib.exercises import bank
from gainlib.exercises.gradebook import gradebook
from gainlib.exercises.gradebook import nbgrader as nbgrader_module
from gainlib.exercises.gradebook.nbgrader import SETTINGS, TAG, points

ROOT = LABS.parent
LAB = "05"
NOTEBOOK = f"{next(LABS.glob(f'{LAB}-*.ipynb')).name}"
PLANS = {
    "anna": {"05-1": "right", "05-2": "three hints", "05-3": "partly", "05-6": "hint"},
    "Ben Ö": {"05-1": "wrong", "05-2": "second try", "05-3": "hint"},
    "cleo": {"05-1": "new numbers", "05-2": "junk", "05-3": "right", "05-6": "right"},
}


def written(learner):
    """Return what one learner did."""
    writer = Writer(learner)
    for id, plan in PLANS[learner].items():
        writer.do(id, plan)
    return writer


def test_an_assignment_is_the_lab_with_a_hidden_test_for_each_exercise(tmp_path, capsys):
    assert run("nbgrader", tmp_path / "course") == 0
    books = sorted((tmp_path / "course" / "source").glob("lab-*/*.ipynb"))
    assert [path.name for path in books] == [path.name for path in sorted(LABS.glob("[0-9][0-9]-*.ipynb"))]
    for path in books:
        book, shipped = (nbformat.read(each, as_version=4) for each in (path, LABS / path.name))
        nbformat.validate(book)
        own, tests = book.cells[: len(shipped.cells)], book.cells[len(shipped.cells) :]
        assert [cell.id for cell in own] == [cell.id for cell in shipped.cells]
        assert all((TAG in cell.metadata.get("tags", ())) is (cell.cell_type == "code") for cell in own)
        assert sum(f'Lab("{path.name[:2]}", folder="record")' in cell.source for cell in own) == 1
        assert not any(".ipynb)" in cell.source for cell in own)
        asked = {each.id: each.points for each in bank() if each.lab == path.name[:2]}
        graded = {cell.metadata.nbgrader["grade_id"]: cell.metadata.nbgrader["points"] for cell in tests}
        assert graded == {f"points-{id}": most for id, most in asked.items()}
    books[0].write_text("{}")
    (tmp_path / "course" / "nbgrader_config.py").write_text("c = get_config()\n")
    capsys.readouterr()
    assert run("nbgrader", tmp_path / "course", "--lab", LAB) == 0
    assert SETTINGS.splitlines()[-1] in capsys.readouterr().out, "what a teacher's own settings lack is told"
    assert run("nbgrader", tmp_path / "course", "--lab", "00") == 1 and books[0].read_text() == "{}"
    assert "differs; remove it, or give another --assignment" in capsys.readouterr().err
    assert run("nbgrader", tmp_path / "course", "--assignment", "sums") == 2
    capsys.readouterr()
    assert run("nbgrader", tmp_path / "course", "--lab", LAB, "--json") == 0
    assert json.loads(capsys.readouterr().out)["result"] == {"written": [f"source/lab-{LAB}/{NOTEBOOK}"]}


def test_points_are_those_of_the_one_whose_folder_it_is(tmp_path):
    folder = tmp_path / "anna" / "lab-05"
    folder.mkdir(parents=True)
    assert points("05-1", folder) == 0.0
    for name, learners in {"anna": PLANS, "s17": ["anna"], "s18": PLANS}.items():
        place = tmp_path / name / "sums" / "record"
        place.mkdir(parents=True)
        (place / "record.jsonl").write_text("".join(Writer(each).do("05-2", "three hints").text() for each in learners))
    assert points("05-2", tmp_path / "anna" / "sums") == points("05-2", tmp_path / "s17" / "sums") == pytest.approx(1.1)
    before = Writer("learner-1c42", class_code="")
    before.event("start", lab="05")
    before.do("05-2", "right")
    opened = Writer("ben")
    opened.event("start", lab="05")
    with (tmp_path / "s17" / "sums" / "record" / "record.jsonl").open("a") as file:
        file.write(before.text() + opened.text())
    nbgrader_module._marked.cache_clear()
    assert points("05-2", tmp_path / "s17" / "sums") == pytest.approx(1.1), "given before there was a name"
    with pytest.raises(GainlibError, match=r"answers of anna \(7b\), Ben Ö \(7b\), cleo .* none is called s18"):
        points("05-2", tmp_path / "s18" / "sums")


@pytest.fixture
def nbgrader(tmp_path):
    """Return what runs nbgrader in an environment that sees this one and the workbook."""
    place = tmp_path / "environment"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", place], check=True)
    there = sysconfig.get_path("purelib", "venv", {"base": str(place), "platbase": str(place)})
    Path(there, "beside.pth").write_text(f"{sysconfig.get_path('purelib')}\n{ROOT}\n", encoding="utf-8")
    python = place / ("Scripts" if os.name == "nt" else "bin") / "python"
    wanted = ROOT / "binder" / "requirements-nbgrader.txt"
    command = [sys.executable, "-m", "pip", "--python", python, "install", "-q", "-r", wanted]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.fail(f"nbgrader could not be installed, which takes a network: {done.stderr[-600:]}")

    def nbgrader(*words, of="course"):
        there = os.environ | {"PATH": f"{python.parent}{os.pathsep}{os.environ['PATH']}"}
        command = [python, "-m", "nbgrader", *words]
        found = subprocess.run(command, cwd=tmp_path / of, env=there, capture_output=True, text=True, check=False)
        assert found.returncode == 0, found.stderr[-4000:]

    return nbgrader


@pytest.mark.exhaustive
def test_the_round_of_nbgrader_ends_at_our_points(nbgrader, tmp_path):
    """Made, released, fetched, handed in with the record, graded, exported; parts of points, and a record left out."""
    course, desk, exchange = (tmp_path / name for name in ("course", "desk", "exchange"))
    submitted = course / "submitted"
    for folder in (desk, exchange):
        folder.mkdir()
    exchange.chmod(0o777)
    way = (f"--Exchange.root={exchange}", "--course=levels")
    assert run("nbgrader", course, "--lab", LAB, "--assignment", "sums") == 0
    nbgrader("generate_assignment", "sums")
    nbgrader("release_assignment", "sums", *way)
    released = nbformat.read(course / "release" / "sums" / NOTEBOOK, as_version=4)
    assert "HIDDEN" not in (text := json.dumps(released)) and "points(" not in text
    nbgrader("fetch_assignment", "sums", *way, of="desk")
    written("anna").save(desk / "sums" / "record", "record")
    nbgrader("submit", "sums", *way, of="desk")
    nbgrader("collect", "sums", *way)
    (account,) = (each.name for each in submitted.iterdir())
    for learner in ("Ben Ö", "cleo", "dora"):
        shutil.copytree(course / "release" / "sums", submitted / learner / "sums")
        if learner in PLANS:
            written(learner).save(submitted / learner / "sums" / "record", "record")
    nbgrader("autograde", "sums")
    nbgrader("export", "--to", "grades.csv")
    with (course / "grades.csv").open(encoding="utf-8", newline="") as file:
        told = {row["student_id"]: (float(row["raw_score"]), float(row["max_score"])) for row in csv.DictReader(file)}
    ours = {"anna": 0.0, "Ben Ö": 0.0, "cleo": 0.0, "dora": 0.0}
    for row in gradebook(submitted, lab=LAB).rows:
        ours[row.learner] += row.points
    ours[account] = ours.pop("anna")
    most = sum(each.points for each in bank() if each.lab == LAB)
    assert told == {learner: (pytest.approx(points, abs=1e-12), most) for learner, points in ours.items()}
    assert len(set(ours.values())) == 4 and any(points % 1 for points in ours.values())
