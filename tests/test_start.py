"""Setting up and starting: the right Python, nothing done twice, a page served, requirement files anyone can use."""

import importlib
import json
import os
import re
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import psutil
import pytest
from pace import assert_within

ROOT = Path(__file__).resolve().parent.parent
BINDER = ROOT / "binder"
TESTED = ("requirements", "requirements-test", "requirements-nbgrader", "hub/requirements")


@pytest.fixture
def start(monkeypatch):
    """The module start.py."""
    monkeypatch.syspath_prepend(str(BINDER))
    return importlib.import_module("start")


@pytest.fixture
def workbook(start):
    """The module workbook.py."""
    return importlib.import_module("workbook")


@pytest.fixture
def elsewhere(workbook, monkeypatch, tmp_path):
    """A copy of what set-up reads, with every command noted instead of run."""
    for folder in ("binder", "gainlib"):
        (tmp_path / folder).mkdir()
    for name in ("requirements.txt", "requirements-test.txt", "prepare.py"):
        (tmp_path / "binder" / name).write_bytes((BINDER / name).read_bytes())
    (tmp_path / "pyproject.toml").write_bytes((ROOT / "pyproject.toml").read_bytes())
    (tmp_path / "gainlib" / "kernels_meters.py").write_text("loops = 1\n", encoding="utf-8")
    python = tmp_path / ".venv" / "bin" / "python"
    python.parent.mkdir(parents=True)
    places = {"ROOT": tmp_path, "BINDER": tmp_path / "binder", "VENV": tmp_path / ".venv", "PYTHON": python}
    places |= {"STAMP": tmp_path / ".venv" / "workbook.json", "LABS": tmp_path / "labs"}
    for name, value in places.items():
        monkeypatch.setattr(workbook, name, value)
    done = []
    monkeypatch.setattr(workbook, "_venv_python", lambda: ("3.11", True))
    monkeypatch.setattr(workbook, "_make_venv", lambda: done.append("venv"))
    monkeypatch.setattr(workbook, "_pip", lambda file: done.append(file.name))
    finished = subprocess.CompletedProcess([], 0)
    monkeypatch.setattr(workbook.subprocess, "run", lambda *a, **k: (done.append("prepare"), finished)[1])
    return tmp_path, done


# ---- the Python it runs on -------------------------------------------------------------------------------------------


def test_this_python_will_do(start):
    """The tests run on a Python that start.py accepts."""
    assert start.unfit() == ""


@pytest.mark.parametrize("version", [(2, 7, 18), (3, 10, 13), (3, 14, 0)])
def test_other_versions_are_named(start, monkeypatch, version):
    """The sentence says which Python ran and which would do."""
    monkeypatch.setattr(start.sys, "version_info", version)
    monkeypatch.setattr(start, "is_fit", lambda command: False)
    said = start.main([])
    assert "Python " + ".".join(map(str, version[:2])) in said
    assert "3.11, 3.12 or 3.13" in said and "Install one" in said


def test_a_python_that_cannot_make_environments_is_told_apart(start, monkeypatch):
    """Debian splits venv from Python; the sentence names the package."""
    monkeypatch.setitem(sys.modules, "ensurepip", None)
    assert "python3-venv" in start.unfit()


def test_another_python_is_found_and_tried(start):
    """A candidate is started before it is trusted."""
    assert start.is_fit([sys.executable])
    assert not start.is_fit([str(ROOT / "no-such-python")])
    assert not start.is_fit([sys.executable, "-c", "raise SystemExit(9)"])
    assert any("3.12" in " ".join(command) for command in start.candidates())


def test_a_very_old_python_can_read_it():
    """No syntax that Python 2.7 or 3.4 lacks: no f-string, no annotation, no unpacking into a list."""
    import ast

    text = (BINDER / "start.py").read_text(encoding="utf-8")
    tree = ast.parse(text)
    new = (ast.JoinedStr, ast.AnnAssign, ast.NamedExpr, ast.Match, ast.AsyncFunctionDef, ast.Nonlocal)
    assert not [node for node in ast.walk(tree) if isinstance(node, new)]
    stars = [
        e for n in ast.walk(tree) if isinstance(n, ast.List | ast.Tuple) for e in n.elts if isinstance(e, ast.Starred)
    ]
    assert not stars
    assert text.isascii()


# ---- nothing twice ---------------------------------------------------------------------------------------------------


def test_only_what_changed_is_done_again(workbook, elsewhere):
    """The first time everything, then nothing, then what the changed file asks for."""
    folder, done = elsewhere
    run, tests = "requirements.txt", "requirements-test.txt"

    def again(**options):
        done.clear()
        workbook.set_up(**options)
        return list(done)

    assert again() == [run, "prepare"]
    assert again() == []
    assert again(for_tests=True) == [tests]
    assert again(for_tests=True) == []
    with (folder / "binder" / run).open("a", encoding="utf-8") as file:
        file.write("# changed\n")
    assert again(for_tests=True)[:2] == [run, tests]
    (folder / "gainlib" / "kernels_meters.py").write_text("loops = 2\n", encoding="utf-8")
    assert again() == ["prepare"]


def test_a_moved_folder_goes_on_without_a_network(workbook, elsewhere):
    """Nothing is fetched or taken away; only where the library lies is written anew."""
    folder, done = elsewhere
    workbook.set_up()
    stamp = json.loads(workbook.STAMP.read_text(encoding="utf-8"))
    workbook.STAMP.write_text(json.dumps(stamp | {"root": "somewhere else"}), encoding="utf-8")
    packages = workbook.VENV / ("Lib" if os.name == "nt" else "lib/python3.11") / "site-packages"
    packages.mkdir(parents=True)
    for _ in range(2):
        done.clear()
        workbook.set_up()
        assert done == []
    assert (packages / "workbook.pth").read_text(encoding="utf-8") == f"{folder}\n"


def test_a_broken_stamp_is_no_stamp(workbook, elsewhere):
    """Half a file counts as nothing done; the packages are looked at again."""
    _, done = elsewhere
    workbook.STAMP.write_text('{"root": ', encoding="utf-8")
    workbook.set_up()
    assert done == ["requirements.txt", "prepare"]


def test_a_failed_preparation_is_tried_again(workbook, elsewhere, monkeypatch):
    """The labs open all the same, and the next start compiles once more."""
    failed = subprocess.CompletedProcess([], 1)
    monkeypatch.setattr(workbook.subprocess, "run", lambda *a, **k: failed)
    workbook.set_up()
    assert "kernels" not in json.loads(workbook.STAMP.read_text(encoding="utf-8"))


# ---- the labs back as shipped ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("answer", "runs"), [("", 0), ("n", 0), ("y", 1), (" Yes ", 1)])
def test_the_labs_are_brought_back_after_a_question(workbook, monkeypatch, answer, runs, capsys):
    """Nothing happens unless the answer is yes."""
    done = []
    monkeypatch.setattr(workbook, "set_up", lambda: None)
    monkeypatch.setattr("builtins.input", lambda asked: answer)
    finished = subprocess.CompletedProcess([], 0)
    monkeypatch.setattr(workbook.subprocess, "run", lambda command, **_: (done.append(command[1:]), finished)[1])
    assert workbook.main(["restore"]) == 0
    assert done == [["-m", "gainlib.notebook.shipped", "restore"]] * runs
    assert ("Nothing was changed" in capsys.readouterr().out) is (runs == 0)


# ---- requirement files -----------------------------------------------------------------------------------------------


def pins(name):
    """Return {package: set of pinned versions} of a requirement file."""
    found = {}
    for line in (BINDER / f"{name}.txt").read_text(encoding="utf-8").splitlines():
        if line != "-e .":
            package, version = re.fullmatch(r"([a-z0-9.-]+)==([^\s;]+)(?: ; .+)?", line).groups()
            found.setdefault(package, set()).add(version)
    return found


@pytest.mark.parametrize("name", TESTED)
def test_every_requirement_is_pinned(name):
    """Exact versions and conditions, nothing else; the project itself comes last where it is wanted."""
    text = (BINDER / f"{name}.txt").read_text(encoding="utf-8")
    assert len(pins(name)) > 40
    assert (text.splitlines()[-1] == "-e .") is (name == "requirements")


def test_what_is_asked_for_is_pinned():
    """Each name of an .in file, and each dependency of the package, has its version."""
    for name in TESTED:
        asked = re.findall(r"(?m)^([a-z][\w-]*)", (BINDER / f"{name}.in").read_text(encoding="utf-8"))
        assert set(asked) <= set(pins(name))
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = {re.match(r"[\w-]+", line)[0] for line in project["dependencies"]}
    assert named <= set(pins("requirements"))
    named = {re.match(r"[\w-]+", line)[0] for line in project["optional-dependencies"]["test"]}
    assert named <= set(pins("requirements-test"))


def test_the_two_lists_agree():
    """The tests run on the versions the workbook runs on."""
    run, tests = pins("requirements"), pins("requirements-test")
    assert {name: (run[name], tests[name]) for name in run.keys() & tests.keys() if run[name] != tests[name]} == {}


def test_binder_builds_on_a_python_that_will_do(start):
    """Binder's own default is too old."""
    kind, version = (BINDER / "runtime.txt").read_text(encoding="utf-8").strip().split("-")
    assert kind == "python" and tuple(map(int, version.split("."))) in start.VERSIONS


# ---- the page --------------------------------------------------------------------------------------------------------


@pytest.mark.timed
@pytest.mark.skipif(not (ROOT / ".venv" / "workbook.json").exists(), reason="not set up by binder/start.py")
def test_a_later_start_serves_the_labs(tmp_path):
    """No more than 5 s of work until the page is there, and nothing is left when it is stopped."""
    assert_within(5, lambda: worked_until_served_s(tmp_path))


def worked_until_served_s(tmp_path):
    """Start, look at the page, stop; return the working time, not the clock: other tests run beside this one."""
    own = {f"JUPYTER_{name}_DIR": str(tmp_path / name) for name in ("CONFIG", "DATA", "RUNTIME")}
    options = ["--no-browser", "--ServerApp.port=0", "--IdentityProvider.token=workbook"]
    log = tmp_path / "log"
    with log.open("w", encoding="utf-8") as stream:
        command = [sys.executable, str(BINDER / "start.py"), *options]
        process = psutil.Popen(command, stdout=stream, stderr=stream, env=os.environ | own)
    try:
        page, worked_s = wait_for_page(process, log)
        assert "Levels from microphone to master" in page and "page.js" in page
    finally:
        family = [*process.children(recursive=True), process]
        process.terminate()
        _, alive = psutil.wait_procs(family, timeout=15)
        for leftover in alive:
            leftover.kill()
    assert alive == []
    return worked_s


def wait_for_page(process, log):
    """Return the index as a page once it is served, and the processor time spent so far."""
    end = time.monotonic() + 180
    while time.monotonic() < end and process.poll() is None:
        address = re.search(r"http://127\.0\.0\.1:\d+/voila/\S*", log.read_text(encoding="utf-8"))
        if address:
            page = address[0].split("?")[0] + "?token=workbook"
            with urllib.request.urlopen(page, timeout=30) as answer:
                text = answer.read().decode()
            times = process.cpu_times()
            return text, times.user + times.system + times.children_user + times.children_system
        time.sleep(0.1)
    raise AssertionError(log.read_text(encoding="utf-8"))


def test_a_file_stays_on_one_worker(request):
    """Groups hold only while pytest-xdist can write them into a test's name."""
    assert not request.config.getoption("loadgroup", False) or request.node.nodeid.endswith("@test_start")
