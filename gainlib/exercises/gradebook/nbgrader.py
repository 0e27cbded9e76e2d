"""A lab as an assignment of nbgrader: the lab's own cells, and behind them a hidden test for each exercise.

The notebook keeps its record in the folder it lies in, so both are handed in together. A hidden test marks that record
as the gradebook does and ends with the points as a number, which nbgrader takes for partial credit. The lab's own cells
bear a tag by which nbgrader passes over them when it grades: no panel is drawn for nobody.

Cell metadata: nbgrader's own, of its schema version 3 (read in nbgrader 0.9.6).
"""

import json
import re
from contextlib import redirect_stderr
from functools import lru_cache
from io import StringIO
from pathlib import Path

from gainlib.audio import GainlibError, write_whole
from gainlib.exercises.bank import bank, exercise
from gainlib.exercises.gradebook.lists import same_name
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.result import gradebook
from gainlib.exercises.variants import is_pseudonym

RECORD, TAG, TIMEOUT_S = "record", "workbook", 600
SETTINGS = f"""\
c = get_config()
c.Execute.timeout = {TIMEOUT_S}
c.Execute.skip_cells_with_tag = "{TAG}"
"""
_TEST = """\
# The points of exercise {id}, from the record that is handed in with this notebook.
### BEGIN HIDDEN TESTS
from gainlib.exercises.gradebook.nbgrader import points

points("{id}")
### END HIDDEN TESTS"""
_LINK = re.compile(r"\[([^\]]*)\]\([\w.-]+\.ipynb\)")


def assignment(notebook: dict, lab: str) -> dict:
    """Return the notebook of a lab as one that nbgrader can make an assignment of."""
    opening, cells = f'Lab("{lab}")', [_as_handed_out(cell) for cell in notebook["cells"]]
    found = [cell for cell in cells if cell["cell_type"] == "code" and opening in cell["source"]]
    if len(found) != 1:
        raise GainlibError(f"the notebook opens lab {lab} in {len(found)} cells; take the lab as it was shipped")
    found[0]["source"] = found[0]["source"].replace(opening, f'Lab("{lab}", folder="{RECORD}")')
    return {**notebook, "cells": [*cells, *(_test(each) for each in bank() if each.lab == lab)]}


def _as_handed_out(cell):
    """Return a cell of a lab with its tag, or without the links to what is not in the folder of the assignment."""
    source, metadata = "".join(cell["source"]), cell["metadata"]
    if cell["cell_type"] == "code":
        metadata = {**metadata, "tags": [*metadata.get("tags", ()), TAG]}
    return {**cell, "metadata": metadata, "source": _LINK.sub(r"\1", source)}


def _test(exercise):
    name = f"points-{exercise.id}"
    graded = {"grade": True, "solution": False, "locked": True, "task": False, "schema_version": 3}
    marks = {"grade_id": name, "points": exercise.points, "cell_type": "code"}
    look = {"deletable": False, "editable": False, "jupyter": {"source_hidden": True}}
    metadata = {**look, "nbgrader": {**graded, **marks}}
    empty = {"execution_count": None, "outputs": []}
    return {"cell_type": "code", "id": name, "metadata": metadata, "source": _TEST.format(id=exercise.id), **empty}


def write_assignment(course: str | Path, notebook: str | Path, lab: str, name: str) -> Path:
    """Write a lab into ``source/NAME`` of a course folder, and nbgrader's settings where there are none."""
    course, notebook = Path(course), Path(notebook)
    target = course / "source" / name / notebook.name
    try:
        text = json.dumps(assignment(json.loads(notebook.read_text(encoding="utf-8")), lab), indent=1) + "\n"
        if target.exists() and target.read_text(encoding="utf-8") != text:
            raise GainlibError(f"{target} is there already and differs; remove it, or give another --assignment")
        target.parent.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as problem:
        raise GainlibError(f"{target} was not made of {notebook.name}: {problem}") from None
    for path, content in ((target, text), (course / "nbgrader_config.py", SETTINGS)):
        if path == target or not path.exists():
            write_whole(path, content)
    return target


def points(id: str, folder: str | Path = ".") -> float:
    """Return what the record in the folder of an assignment earns in an exercise; 0 without one.

    Of several people in it the one counts whom nbgrader hands in for: the name of the folder above. What was answered
    before a name was given does not count beside what was answered under it.
    """
    folder = Path(folder).resolve()
    with redirect_stderr(StringIO()):  # nbgrader gives no points where anything is told there
        book = _marked(folder, exercise(id).lab)
    student = folder.parent.name
    answered = [who for who in book.names if any(row.counts for row in book.of(who))]
    named = [who for who in answered if not is_pseudonym(who[1])] or answered
    own = [who for who in named if who[1] == same_name(student)] or named
    if len({learner for _, learner in own}) > 1:
        told = ", ".join(shown_name(book.names[who]) for who in own)
        raise GainlibError(
            f"the record holds answers of {told}, and none is called {student}; keep one learner's lines"
        )
    best = max(own, key=lambda who: sum(row.points for row in book.of(who)), default=None)
    return next((row.points for row in book.rows if row.who == best and row.exercise == id), 0.0)


@lru_cache(maxsize=2)
def _marked(folder, lab):
    return gradebook(folder, lab=lab)
