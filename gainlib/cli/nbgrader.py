"""``nbgrader``: labs as assignments of nbgrader."""

import argparse

from gainlib.cli import Verb
from gainlib.cli.labs import labs_folder
from gainlib.cli.output import path_of

DESCRIPTION = """\
Write labs as assignments of nbgrader: COURSE/source/ASSIGNMENT holds the lab's notebook with a hidden test for each
exercise, which gives the points that "gradebook" gives, part of them too. The record lies beside the notebook and is
handed in with it. Go on with nbgrader generate_assignment; it needs this workbook installed beside it.

COURSE/nbgrader_config.py is written where there is none. Whose record it is nbgrader cannot tell: let "gradebook" read
the folder of what was submitted too, it names copies.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the folder, the lab and what the assignment is called."""
    parser.add_argument("course", metavar="COURSE", help="the folder of the course")
    parser.add_argument("--lab", metavar="NN", help="this lab only, such as 05")
    parser.add_argument("--assignment", metavar="NAME", help="what the assignment of --lab is called (lab-NN)")


def run(options: argparse.Namespace) -> int:
    """Write, and say where."""
    from gainlib.exercises import bank
    from gainlib.exercises.gradebook.nbgrader import SETTINGS, write_assignment

    course, folder = path_of(options.course), labs_folder()
    labs = sorted({each.lab for each in bank() if options.lab in (None, each.lab)})
    if not labs:
        options.usage_error(f"there is no lab {options.lab!r}; there are {', '.join(sorted({e.lab for e in bank()}))}")
    if options.assignment and not options.lab:
        options.usage_error("--assignment names one assignment; give its --lab")
    if options.assignment and set(options.assignment) & set("/\\+"):
        options.usage_error(f"{options.assignment!r} is not a name that nbgrader takes; leave out / \\ and +")
    if folder is None:
        options.report.problem("There is no folder labs with notebooks here; start this in the project's own folder.")
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


VERBS = (Verb("nbgrader", "write labs as assignments of nbgrader", DESCRIPTION, arguments, run),)
