"""``handout``: what a class gets on paper, and its teacher: hand-outs, answer sheets, their key, lesson plans."""

import argparse
import json
import subprocess
import sys
from pathlib import Path

from gainlib.cli import Verb
from gainlib.cli.key import answers, attempt_number, everybody
from gainlib.cli.output import path_of

DESCRIPTION = """\
Write what a lab needs on paper, as pages that need no other file and fit A4 and Letter: a hand-out (idea, picture of the
desk, worked example, tasks, what to take away), a lesson plan, and for a class answer sheets with each learner's own
numbers and one key to all of them. Print them from a browser.

CLASS is a class file or a folder with one, a list of learners (one a line, or a table with the columns learner and
class), a folder of records, or a class code followed by the learners, as for "key".
"""
_CLASS_FILE = "class.toml"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare who, which labs, and where to."""
    parser.add_argument("class_code", metavar="CLASS", help='class file, class list, folder, or class code, "" for none')
    learners = parser.add_argument("learner", metavar="LEARNER", nargs="+", default=[], help="names, after a class code")
    learners.required = False
    parser.add_argument("--class-list", metavar="F", help="everybody on this list")
    parser.add_argument(
        "--lab", metavar="NN", action="append", help="this lab, such as 05; give it again for more (default: all)"
    )
    parser.add_argument(
        "--attempt", metavar="N", type=attempt_number, default=0,
        help="which set of numbers: 0 for the first (default), 1 for the second, …",
    )  # fmt: skip
    parser.add_argument("--out", metavar="DIR", default="handouts", help="write into this folder (handouts)")


def run(options: argparse.Namespace) -> int:
    """Draw the numbers here, have the pages written by a process of their own, and say what was written."""
    who, labs = _class(options)
    folder = _folder(options)
    wanted = json.dumps({lab: [_sheet(lab, options.attempt, *each) for each in who] for lab in labs})
    # The pages need pictures, and the command line runs without them.
    command = [sys.executable, "-m", "gainlib.notebook.handouts", str(folder)]
    done = subprocess.run(command, input=wanted, stdout=subprocess.PIPE, text=True, encoding="utf-8", check=False)
    written = options.report.result["written"] = done.stdout.splitlines()
    options.report.show([*written, f"{len(written)} pages are in {folder}. Print them from a browser."])
    if not who:
        options.report.problem("No learner is known, so there are no answer sheets and no key; name them, or a list.")
    if done.returncode:
        options.report.problem(f"Not all pages of labs {', '.join(labs)} were written.")
    return 1 if done.returncode or not who else 0


def _sheet(lab, attempt, learner, class_code):
    """Return a learner's numbers in a lab, and the right answers to them."""
    from gainlib.exercises import bank

    drawn = {}
    for exercise in (each for each in bank() if each.lab == lab):
        given = exercise.variant(learner, attempt, class_code)
        # What is measured on a learner's own session in any order of work has no right answer of its own.
        free = exercise.series and not any(part.keyed for part in exercise.parts)
        drawn[exercise.id] = {"given": given, "answers": [] if free else answers(exercise, given, bands=False)}
    return {"learner": learner, "class_code": class_code, "attempt": attempt, "exercises": drawn}


def _class(options):
    """Return name and class code of everybody, and the labs."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.bank import lab_numbers
    from gainlib.exercises.gradebook import collect, read_class_list

    known, place = lab_numbers(), path_of(options.class_code)
    labs = options.lab or known
    for lab in labs:
        if lab not in known:
            options.usage_error(f"there is no lab {lab!r}; there are {', '.join(known)}")
    if not options.class_code.strip() or options.learner or not place.exists():
        return (everybody(options) if options.learner or options.class_list else []), labs
    try:
        if place.is_dir():
            return list(collect(place).names().values()), labs
        options.class_code, options.class_list = "", options.class_code
        return everybody(options), labs
    except GainlibError as error:
        options.usage_error(str(error))


def _folder(options):
    folder = path_of(options.out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        options.usage_error(f"{folder}: cannot be made ({problem.strerror or problem}); choose another folder")
    return Path(folder)


VERBS = (Verb("handout", "write hand-outs, answer sheets, key and lesson plans", DESCRIPTION, arguments, run),)
