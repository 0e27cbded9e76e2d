"""The house keeps its own rules: arrows go down, screens stay upstairs, every public name is explained."""

import ast
import dataclasses
import functools
import importlib
import inspect
import os
import pkgutil
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from numpydoc.docscrape import ClassDoc, FunctionDoc
from numpydoc.validate import validate
from pace import assert_within

import gainlib

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ROOT / "gainlib"
SCREENS = {"IPython", "ipywidgets", "anywidget", "matplotlib"}
TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "labs", "gainlib", "tests", "media", "binder", "docs"}
BUILT = {"gainlib.egg-info", "records", "bench", "benchmarks-out"}
STARRED = (inspect.Parameter.VAR_POSITIONAL, inspect.Parameter.VAR_KEYWORD)
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def run_tool(name, *arguments):
    """Run a tool of this environment in the project's root and return (exit status, all it said)."""
    tool = shutil.which(name, path=str(Path(sys.executable).parent)) or name
    environment = os.environ | {"NO_COLOR": "1"}
    options = {"capture_output": True, "text": True, "encoding": "utf-8", "check": False}
    result = subprocess.run([tool, *arguments], cwd=ROOT, env=environment, **options)
    return result.returncode, result.stdout + result.stderr


def project_files():
    """List every file that belongs to the project: what git tracks or would track, in a download all but the built."""
    listing = ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    if (ROOT / ".git").exists() and shutil.which("git"):
        names = subprocess.run(listing, cwd=ROOT, capture_output=True, check=True).stdout.decode().split("\0")
        return [ROOT / name for name in names if name and (ROOT / name).is_file()]
    paths = [path for path in ROOT.rglob("*") if path.is_file()]
    inside = [(path, path.relative_to(ROOT).parts) for path in paths]
    return [path for path, parts in inside if not parts[0].startswith(".") and not BUILT & set(parts)]


def imports_of(path):
    """Yield the first part of every module a file imports, wherever in the file it does so."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.partition(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            yield node.module.partition(".")[0]
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "import_module" and node.args:
            yield str(getattr(node.args[0], "value", "")).partition(".")[0]


# ---- arrows and imports ----------------------------------------------------------------------------------------------


def test_import_contracts_hold():
    """The contracts stand in pyproject.toml and are checked by import-linter."""
    status, said = run_tool("lint-imports", "--no-logo")
    assert status == 0, said


def test_every_room_has_its_floor():
    """A room that no contract names could import whatever it likes."""
    rooms = {f"gainlib.{module.name}" for module in pkgutil.iter_modules(gainlib.__path__)}
    layers, screens = SETTINGS["tool"]["importlinter"]["contracts"][:2]
    floors = {name.strip() for layer in layers["layers"] for name in layer.split("|")}
    assert rooms - floors == set()
    assert rooms - set(screens["source_modules"]) == {"gainlib.notebook"}


def test_only_the_notebook_floor_imports_screens():
    """Also imports inside a function, which a module that wants to start quickly may use."""
    files = [path for path in ROOMS.rglob("*.py") if "notebook" not in path.relative_to(ROOMS).parts]
    assert len(files) > 20
    found = {str(path.relative_to(ROOT)): SCREENS & set(imports_of(path)) for path in files}
    assert {name: screens for name, screens in found.items() if screens} == {}


def test_no_layout_is_changed_that_others_may_have():
    """Widgets that look alike have one layout; ``widgets.look`` gives another one."""
    files = sorted((ROOMS / "notebook").rglob("*.py"))
    assert len(files) > 20
    nodes = ((path, node) for path in files for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    changed = [
        f"{path.name}:{node.lineno}"
        for path, node in nodes
        if isinstance(node, ast.Attribute)
        and isinstance(node.ctx, ast.Store)
        and getattr(node.value, "attr", "") in ("layout", "style")
    ]
    assert changed == []


@pytest.mark.timed
def test_importing_the_package_is_quick():
    """Under 0.3 s in a fresh process (the best of four), because nothing heavy is loaded."""
    heavy = ["numpy", "scipy", "numba", "soundfile", "matplotlib", "jupyterlab", "IPython"]
    clock = "import sys, time; start = time.perf_counter(); import gainlib; took = time.perf_counter() - start"
    tell = f"print(took, *[name for name in {heavy} if name in sys.modules])"

    def took_s():
        took, *loaded = run_tool(sys.executable, "-c", f"{clock}; {tell}")[1].split()
        assert loaded == []
        return float(took)

    assert_within(0.3, took_s)


# ---- style and docstrings --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "command", [("check", "--output-format=concise"), ("format", "--check")], ids=["lint", "format"]
)
def test_code_style(command):
    """Line length, imports, likely mistakes, a docstring on everything public, one format."""
    status, said = run_tool("ruff", *command, "gainlib", "tests", "binder")
    assert status == 0, said


def modules():
    """Name every module of the package."""
    found = pkgutil.walk_packages(gainlib.__path__, "gainlib.")
    return sorted(module.name for module in found if not module.name.endswith("__main__"))


def public_objects(name):
    """Yield (dotted name, object) of every function, class and method defined in a module."""
    module = importlib.import_module(name)
    for key, value in list(vars(module).items()):
        value = getattr(value, "py_func", value)  # a compiled loop keeps the function it came from
        if key.startswith("_") or getattr(value, "__module__", None) != name:
            continue
        if getattr(value, "__qualname__", None) != key:  # an object of a class from here is explained by its class
            continue
        yield f"{name}.{key}", value
        members = vars(value).items() if inspect.isclass(value) else ()
        for attribute, member in members:
            # A base class of another library may put generated methods into a subclass.
            is_own = inspect.isfunction(member) and member.__code__.co_filename == module.__file__
            if is_own and member.__qualname__ == f"{key}.{attribute}" and not attribute.startswith("_"):
                yield f"{name}.{key}.{attribute}", member


@functools.cache
def offered():
    """Return what the rooms offer by their own name, such as gainlib.meters.measure."""
    rooms = [
        importlib.import_module(f"gainlib.{room.name}") for room in pkgutil.iter_modules(gainlib.__path__) if room.ispkg
    ]
    values = [getattr(room, key) for room in rooms for key in dir(room) if not key.startswith("_")]
    return {id(getattr(value, "py_func", value)) for value in values}


def undocumented(value):
    """Name the arguments, or the fields a dataclass adds to those of its base, that a docstring leaves out."""
    scraped = ClassDoc(value) if inspect.isclass(value) else FunctionDoc(value)
    sections = ("Parameters", "Attributes") if inspect.isclass(value) else ("Parameters",)
    told = {name.strip() for section in sections for entry in scraped[section] for name in entry.name.split(",")}
    if dataclasses.is_dataclass(value):
        taken = {field.name for field in dataclasses.fields(value)} & set(inspect.get_annotations(value))
    else:
        taken = {name for name, kind in inspect.signature(value).parameters.items() if kind.kind not in STARRED}
    return sorted(name for name in taken - told - {"self"} if not name.startswith("_"))


def docstring_errors(dotted, value):
    """Check one docstring.

    Everything public has a summary, and the sections it has are true and complete. Among what a room offers, a
    dataclass explains its fields, and a function of several arguments explains them and what it returns; elsewhere,
    and where there is one argument, a sentence may do.
    """
    checks = {"GL05", "GL06", "GL07", "GL08", "SS01", "PR02", "PR10"}
    offers = id(value) in offered()
    several = inspect.isfunction(value) and len(inspect.signature(value).parameters) > 1
    if offers and several:
        checks.add("RT01")
    found = [f"{dotted}: {code} {text}" for code, text in validate(dotted)["errors"] if code in checks]
    has_section = re.search(r"^ *Parameters\n *-{3,}$", value.__doc__ or "", re.MULTILINE)
    if has_section or (offers and (several or dataclasses.is_dataclass(value))):
        found += [f"{dotted}: {name} is not explained" for name in undocumented(value)]
    return found


@pytest.mark.filterwarnings("ignore:Widget\\..* is deprecated")
@pytest.mark.parametrize("name", modules())
def test_docstrings_follow_numpydoc(name):
    """Numpydoc's own validation, as far as docstring_errors asks for it."""
    assert importlib.import_module(name).__doc__, f"{name} does not say what it holds"
    found = [error for dotted, value in public_objects(name) for error in docstring_errors(dotted, value)]
    assert found == [], "\n".join(found)


# ---- what lies in the folder -----------------------------------------------------------------------------------------


def test_the_top_level_holds_what_it_should():
    """Ten names and dot-files; everything else has a room."""
    names = {path.relative_to(ROOT).parts[0] for path in project_files()}
    assert {name for name in names if not name.startswith(".")} - TOP == set()
    assert {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "gainlib", "tests", "binder"} <= names


# Put together from pieces, so that this file does not hold what it looks for.
PLACES = {
    "a person's folder": r"(?<![\w.])/(?:home|Users)/\w" + r"|[A-Z]:\\{1,2}Users\\",
    "the administrator's folder": r"(?<![\w.])/ro" + r"ot/\w",
    "this very folder": re.escape(str(ROOT)) + r"\b" if len(ROOT.parts) > 2 else r"(?!)",
    "an index address": r"(?:extra-)?index" + r"-url\b|find" + r"-links\b|py" + r"pi\.org/simple|_INDEX" + r"_URL\b",
    "a secret": r"(?i)\b(?:api|access)[_-]?(?:key|token)\s*=\s*['\"]\w{12,}",
}


def test_no_file_tells_where_it_was_made():
    """No path of a machine and no address of a package index, in any text file of the project."""
    found = []
    for path in project_files():
        content = path.read_bytes()
        if b"\0" in content[:4096]:
            continue
        text = content.decode("utf-8")
        found += [f"{path.relative_to(ROOT)}: {what}" for what, regex in PLACES.items() if re.search(regex, text)]
    assert found == []


def test_the_patterns_find_what_they_are_for():
    """Each pattern recognises an example, or the test above would pass on anything."""
    slash = "/"
    examples = {
        "a person's folder": f"{slash}home{slash}kim",
        "the administrator's folder": f"{slash}root{slash}x",
        "this very folder": f"see {ROOT}",
        "an index address": "--index" + "-url x",
        "a secret": "api_key" + " = 'abcdefabcdefabcdef'",
    }
    assert {what for what, example in examples.items() if not re.search(PLACES[what], example)} == set()


def test_the_licence_covers_code_and_labs():
    """One file says both."""
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "MIT License" in text and "WITHOUT WARRANTY OF ANY KIND" in text
    assert "Creative Commons Attribution 4.0 International" in text and "labs/" in text and "media/" in text
