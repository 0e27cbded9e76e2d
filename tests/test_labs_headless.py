"""Every lab from start to end without a page: untouched it gives 0 points and no error, solved it gives all of them."""

import json
import re
from itertools import chain, count
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
START = "import time; begun = time.process_time()"
STOP = "print('SETUP', time.process_time() - begun)"
SETUP_S = 3.0


def pytest_generate_tests(metafunc):
    """Give each test all labs; an empty folder gives no test, and the first test below fails."""
    if "path" in metafunc.fixturenames:
        metafunc.parametrize("path", LABS, ids=[path.stem for path in LABS])


def run(path, folder, monkeypatch, *more, whole=True):
    """Run a notebook, or it up to its set-up cell, which is timed, and further cells; returns it as it was left."""
    monkeypatch.setenv("GAINLIB_RECORDS", str(folder))
    book = nbformat.read(path, as_version=4)
    first = next(index for index, cell in enumerate(book.cells) if cell.cell_type == "code")
    book.cells[first : first + 1] = [code(START), book.cells[first], code(STOP)]
    book.cells = [*book.cells[: None if whole else first + 3], *map(code, more)]
    nbclient.NotebookClient(book, timeout=300, kernel_name="python3").execute()
    return book


def code(source):
    """Return a code cell."""
    return nbformat.v4.new_code_cell(source)


def printed(book):
    """Join what the cells of a notebook printed."""
    outputs = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    return "".join(output["text"] for output in outputs if output.get("name") == "stdout")


def setup_s(book):
    """Return how long the set-up cell worked."""
    return float(re.search(r"SETUP (\S+)", printed(book)).group(1))


def failures(book):
    """List what a run left on the error channel or on stderr: a callback that fails raises in no cell."""
    outputs = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    return [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]


def score(book):
    """Return points, possible points and percent, as the lab's own sheet has them."""
    return json.loads(re.search(r"SCORE (\[.*\])", printed(book)).group(1))


def exercises(path):
    """Return the ids of a lab's exercises."""
    return [each.id for each in bank() if each.lab == path.stem[:2]]


def test_there_is_a_notebook_for_every_lab_of_the_bank():
    assert sorted({each.lab for each in bank()}) == [path.stem[:2] for path in LABS]


def test_untouched_gives_nothing_and_no_error_and_set_up_is_quick(path, tmp_path, monkeypatch):
    book = run(path, tmp_path, monkeypatch, SCORE)
    assert failures(book) == []
    runs = chain([book], (run(path, tmp_path, monkeypatch, whole=False) for _ in count()))
    assert_within(SETUP_S, lambda: setup_s(next(runs)))
    points, possible, percent = score(book)
    assert points == 0 and percent == 0
    assert possible == sum(each.points for each in bank() if each.lab == path.stem[:2])


def test_solved_gives_everything(path, tmp_path, monkeypatch):
    book = run(path, tmp_path, monkeypatch, SOLVE.format(ids=exercises(path)), SCORE)
    assert failures(book) == []
    assert printed(book).count(" right") == len(exercises(path))
    assert score(book)[2] == pytest.approx(100)
    kinds = [json.loads(line)["kind"] for line in (tmp_path / "record.jsonl").read_text().splitlines()]
    assert kinds.count("answer") == len(exercises(path)) and kinds[0] == "start"


def test_every_exercise_stands_in_its_notebook(path):
    source = "\n".join(cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code")
    assert re.findall(r'lab\.exercise\("(.+?)"\)', source) == exercises(path)


def test_the_notebook_is_as_long_as_a_lesson_wants(path):
    """20 to 30 cells, 500 to 900 words without the page to take away, the idea in at most 150."""
    cells = nbformat.read(path, as_version=4).cells
    texts = {cell.id: len(re.findall(r"\w[\w’'.\-]*", cell.source)) for cell in cells if cell.cell_type == "markdown"}
    texts.pop(f"{path.stem[:2]}-takeaway-text")
    assert 20 <= len(cells) <= 30
    assert 500 <= sum(texts.values()) <= 900
    assert texts[f"{path.stem[:2]}-idea"] <= 150
    assert "Run All Cells" in cells[0].source.splitlines()[0]
