"""``labs`` and ``nbgrader``: the labs opened in JupyterLab, and written as assignments of nbgrader."""

import argparse
import subprocess
import sys
from pathlib import Path

from gainlib.cli.output import check_lab, path_of


def run_labs(options: argparse.Namespace) -> int:
    """Start JupyterLab on the index of the labs and wait for its end."""
    folder = _labs_folder(options.report)
    if folder is None:
        return 1
    index = folder / "index.ipynb"
    place = index if index.exists() else folder
    options.report.result["opened"] = place.name
    server = subprocess.Popen([sys.executable, "-m", "jupyter", "lab", str(place), *options.rest], stdout=sys.stderr)
    while True:
        try:
            return 1 if server.wait() else 0
        except KeyboardInterrupt:
            continue  # JupyterLab got it as well and asks whether it is meant


def _labs_folder(report):
    """Find the labs: beside the package, where a copy of the project has them, or in the working folder."""
    for parent in (Path(__file__).resolve().parents[2], Path.cwd()):
        if any((parent / "labs").glob("*.ipynb")):
            return parent / "labs"
    report.problem("There is no folder labs with notebooks here; start this in the project's own folder.")
    return None


def run_nbgrader(options: argparse.Namespace) -> int:
    """Write the assignments, and say where."""
    from gainlib.exercises.bank import lab_numbers  # labs has to start at once
    from gainlib.exercises.gradebook.nbgrader import SETTINGS, write_assignment

    course, labs = path_of(options.course), lab_numbers() if options.lab is None else [options.lab]
    for lab in labs:
        check_lab(options, lab)
    if options.assignment and not options.lab:
        options.usage_error("--assignment names one assignment; give its --lab")
    if options.assignment and set(options.assignment) & set("/\\+"):
        options.usage_error(f"{options.assignment!r} is not a name that nbgrader takes; leave out / \\ and +")
    folder = _labs_folder(options.report)
    if folder is None:
        return 1
    own = course / "nbgrader_config.py"
    before = own.read_text(encoding="utf-8", errors="replace") if own.is_file() else SETTINGS
    written = []
    for lab in labs:
        notebook = next(folder.glob(f"{lab}-*.ipynb"))
        written.append(write_assignment(course, notebook, lab, options.assignment or f"lab-{lab}"))
    options.report.result["written"] = [each.relative_to(course).as_posix() for each in written]
    options.report.show([str(each) for each in written])
    missing = [line for line in SETTINGS.splitlines()[1:] if line.split(" = ")[0] not in before]
    if missing:
        options.report.show(["", f"{own.name} is yours and stays as it is; add to it:", *missing])
    return 0
