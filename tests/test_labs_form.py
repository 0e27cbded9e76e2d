"""The form of the notebooks: no logic in cells, readable ids, nothing left from a run, one player only."""

import ast
import json
import re
import statistics
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LABS = ROOT / "labs"
NOTEBOOKS = sorted(path for path in LABS.rglob("*.ipynb") if ".ipynb_checkpoints" not in path.parts)
STRIP = ("--verify", "--keep-id", "--extra-keys", "metadata.language_info")
LIMIT_BYTES = 200_000

# All that a cell may consist of: importing from the library, naming things, calling with plain values.
PLAIN = (ast.Module, ast.Import, ast.ImportFrom, ast.alias, ast.Expr, ast.Assign, ast.Call, ast.keyword, ast.Name)
PLAIN += (ast.Attribute, ast.Constant, ast.List, ast.Tuple, ast.Dict, ast.UnaryOp, ast.USub, ast.Load, ast.Store)

each_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def cells(path, kind=None):
    """Return the cells of a notebook, all or those of one kind, with their source as one text."""
    book = json.loads(path.read_text(encoding="utf-8"))
    joined = [cell | {"source": "".join(cell["source"])} for cell in book["cells"]]
    return [cell for cell in joined if kind in (None, cell["cell_type"])]


def more_than_plain(source):
    """Name what in a code cell goes beyond one library call after another."""
    try:
        tree = ast.parse(source)
    except SyntaxError as error:
        return [f"not plain Python: {error.text}"]
    found = [type(node).__name__ for node in ast.walk(tree) if not isinstance(node, PLAIN)]
    for node in ast.walk(tree):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or "."] if isinstance(node, ast.ImportFrom) else []
        found += [f"import {name}" for name in names if name.partition(".")[0] != "gainlib"]
    return found


def players(source):
    """Name every way past the one player that neither normalises nor clips."""
    return re.findall(r"<audio|<video|IPython|display\.Audio|\bAudio\(|sounddevice|simpleaudio|\.play\(", source)


def test_there_are_labs():
    """Once the folder holds anything, it holds a notebook; then the tests below have something to read."""
    content = [path for path in LABS.rglob("*") if path.is_file()] if LABS.exists() else []
    assert not content or NOTEBOOKS


@each_notebook
def test_nothing_is_left_from_a_run(path):
    """No output, no count; under 200 kB."""
    for cell in cells(path, "code"):
        assert cell["outputs"] == [] and cell["execution_count"] is None, cell["id"]
    assert path.stat().st_size < LIMIT_BYTES


def test_no_notebook_holds_a_version_of_somebodys_python():
    tool = [sys.executable, "-m", "nbstripout", *STRIP, *map(str, NOTEBOOKS)]
    result = subprocess.run(tool, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr


@each_notebook
def test_ids_are_readable_and_once_only(path):
    """Like 05-panel-bus: the lab, then what the cell is."""
    prefix = re.split(r"[-_]", path.stem)[0].lower()
    ids = [cell["id"] for cell in cells(path)]
    assert [name for name in ids if not re.fullmatch(rf"{prefix}(-[a-z0-9]+)+", name)] == []
    assert len(set(ids)) == len(ids)


@each_notebook
def test_no_logic_in_cells(path):
    """A cell calls the library; loops, definitions and formulas belong there, where they are tested."""
    found = {cell["id"]: more_than_plain(cell["source"]) for cell in cells(path, "code")}
    assert {name: what for name, what in found.items() if what} == {}


@each_notebook
def test_code_cells_are_short_and_collapsed(path):
    """Median of at most three lines, hidden until somebody wants to see them."""
    code = cells(path, "code")
    lines = [len([line for line in cell["source"].splitlines() if line.strip()]) for cell in code]
    assert statistics.median(lines or [0]) <= 3
    shown = [cell["id"] for cell in code if not cell["metadata"].get("jupyter", {}).get("source_hidden")]
    assert shown == []


@each_notebook
def test_no_cell_can_be_deleted_or_spoilt_by_accident(path):
    """A key of JupyterLab's deletes the chosen cell, an exercise with it."""
    loose = [cell["id"] for cell in cells(path) if cell["metadata"].get("deletable", True)]
    loose += [cell["id"] for cell in cells(path) if cell["metadata"].get("editable", True)]
    assert loose == []


@each_notebook
def test_what_is_only_for_the_notebook_comes_first(path):
    """How to run it, and the ways home and on: a page has both by itself."""
    first, *others = cells(path)
    assert first["id"].endswith("-run") and first["metadata"]["tags"] == ["notebook-only"]
    assert [cell["id"] for cell in others if cell["metadata"].get("tags")] == []
    labs = [book.name for book in NOTEBOOKS if book.name[0].isdigit()]
    k = labs.index(path.name) if path.name in labs else None
    beside = [] if k is None else labs[max(k - 1, 0) : k] + labs[k + 1 : k + 2]
    wanted = [] if path.stem == "index" else ["index.ipynb", *beside]
    assert re.findall(r"\]\(([^)]+)\)", first["source"]) == wanted


@each_notebook
def test_no_other_player(path):
    """A player that normalises would destroy the subject of the labs."""
    found = {cell["id"]: players(cell["source"]) for cell in cells(path)}
    assert {name: what for name, what in found.items() if what} == {}


def test_the_library_has_one_player():
    """Sound leaves through gainlib/notebook/listen and its script, nowhere else."""
    for path in (ROOT / "gainlib").rglob("*"):
        if path.suffix in (".py", ".js", ".css", ".html") and path.stem not in ("listen", "player"):
            text = path.read_text(encoding="utf-8")
            assert not re.search(r"<audio|display import .*\bAudio\b|display\.Audio|\bAudioContext\b", text), path


@pytest.mark.parametrize(
    "source",
    [
        *("def f(): pass", "for k in x: pass", "while x: pass", "class A: pass", "f(lambda: 0)", "[k for k in x]"),
        *("y = 10 * x", "y += 1", "f(1 < 2)", "x[0]", "if x: f()", "%matplotlib inline", "import numpy as np"),
    ],
)
def test_logic_is_recognised(source):
    """The check above refuses each of these."""
    assert more_than_plain(source)


def test_a_plain_cell_and_a_player_are_told_apart():
    """What the labs do is accepted, another player is not."""
    plain = 'from gainlib.notebook import Lab\nlab = Lab("05")\nlab.panel("bus", faders=[-3.0, 0], wide=True)'
    assert more_than_plain(plain) == [] and players(plain) == []
    assert players("from IPython.display import Audio\nAudio(x, rate=48000)")
    assert players('<audio src="x.wav" autoplay>')
