"""Every lab from start to end without a page: untouched it gives 0 points and no error, solved it gives all of them."""

import json
import re
import subprocess
import sys
from pathlib import Path

import nbclient
import nbformat
import pytest
from pace import assert_within

from gainlib.exercises import bank

LABS = sorted((Path(__file__).parent.parent / "labs").glob("[0-9][0-9]-*.ipynb"))
SCORE = "import json; sheet = lab.score(); print('SCORE', json.dumps([sheet.points, sheet.max_points, sheet.percent]))"
SOLVE = """
from gainlib.exercises import exercise
for id in {ids}:
    verdict = lab.answer(id, exercise(id).solve(lab.given(id)))
    print(id, verdict.state)
    assert verdict.state == "right", verdict.feedback
"""
# processor time: a wall clock would tell how busy the machine is
SET_UP = "import time, ipykernel.kernelapp; begun = time.process_time()\n{cell}\nprint(time.process_time() - begun)"
SET_UP_S = 3.0


def pytest_generate_tests(metafunc):
    """Give each test all labs; an empty folder gives no test, and the first test below fails."""
    for name in {"path", "run"} & set(metafunc.fixturenames):
        metafunc.parametrize(name, LABS, ids=[path.stem for path in LABS], indirect=name == "run", scope="module")


@pytest.fixture(scope="module")
def run(request, tmp_path_factory):
    """A lab's path, its notebook as a run left it that solved everything behind the last cell, and its record."""
    folder = tmp_path_factory.mktemp(request.param.stem)
    book = nbformat.read(request.param, as_version=4)
    book.cells += map(nbformat.v4.new_code_cell, (SCORE, SOLVE.format(ids=exercises(request.param)), SCORE))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("GAINLIB_RECORDS", str(folder))
        nbclient.NotebookClient(book, timeout=300, kernel_name="python3").execute()
    return request.param, book, folder / "record.jsonl"


def printed(book):
    """Join what the cells of a notebook printed."""
    outputs = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    return "".join(output["text"] for output in outputs if output.get("name") == "stdout")


def failures(book):
    """List what a run left on the error channel or on stderr: a callback that fails raises in no cell."""
    outputs = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    return [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]


def scores(book):
    """Return points, possible points and percent, as the lab's own sheet has them: untouched, and solved."""
    untouched, solved = re.findall(r"SCORE (\[.*\])", printed(book))
    return json.loads(untouched), json.loads(solved)


def exercises(path):
    """Return the ids of a lab's exercises."""
    return [each.id for each in bank() if each.lab == path.stem[:2]]


def test_there_is_a_notebook_for_every_lab_of_the_bank():
    assert sorted({each.lab for each in bank()}) == [path.stem[:2] for path in LABS]


def test_untouched_gives_nothing_and_no_error(run):
    path, book, _ = run
    assert failures(book) == []
    points, possible, percent = scores(book)[0]
    assert points == 0 and percent == 0
    assert possible == sum(each.points for each in bank() if each.lab == path.stem[:2])


def test_solved_gives_everything(run):
    path, book, record = run
    assert printed(book).count(" right") == len(exercises(path))
    assert scores(book)[1][2] == pytest.approx(100)
    kinds = [json.loads(line)["kind"] for line in record.read_text().splitlines()]
    assert kinds.count("answer") == len(exercises(path)) and kinds[0] == "start"


@pytest.mark.timed
def test_set_up_is_quick(path, tmp_path, monkeypatch):
    """In a fresh process that has what a kernel has before its first cell."""
    monkeypatch.setenv("GAINLIB_RECORDS", str(tmp_path))
    cell = next(cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code")
    command = [sys.executable, "-c", SET_UP.format(cell=cell.source)]
    assert_within(SET_UP_S, lambda: float(subprocess.run(command, capture_output=True, text=True, check=True).stdout))


def test_every_exercise_stands_in_its_notebook(path):
    """Once; the easy ones come first, whatever their numbers."""
    source = "\n".join(cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code")
    assert sorted(re.findall(r'lab\.exercise\("(.+?)"\)', source)) == exercises(path)


def test_the_notebook_is_as_long_as_a_lesson_wants(path):
    """20 to 34 cells, 500 to 900 words without the page to take away and how to run it, the idea in at most 150."""
    cells = nbformat.read(path, as_version=4).cells
    texts = {cell.id: len(re.findall(r"\w[\w’'.\-]*", cell.source)) for cell in cells if cell.cell_type == "markdown"}
    for name in ("run", "takeaway-text"):
        texts.pop(f"{path.stem[:2]}-{name}")
    assert 20 <= len(cells) <= 34
    assert 500 <= sum(texts.values()) <= 900
    assert texts[f"{path.stem[:2]}-idea"] <= 150
    assert "Run All Cells" in cells[0].source.splitlines()[0]
