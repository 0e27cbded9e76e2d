"""``handout``: what a class gets on paper, and its teacher: hand-outs, answer sheets, their key, lesson plans."""

import argparse
import json
import subprocess
import sys
from pathlib import Path

from gainlib.cli import Verb
from gainlib.cli.key import attempt_number, class_secret, everybody, labs_of_class, right_answers
from gainlib.cli.output import path_of

DESCRIPTION = """\
Write what a lab needs on paper, as pages that need no other file and fit A4 and Letter: a hand-out (idea, picture of
the desk, worked example, tasks, what to take away), a lesson plan, and for a class answer sheets with each learner's
own numbers and one key to all of them. Print them from a browser.

CLASS is a class file or a folder with one (its labs, and whoever has handed in), a list of learners (one a line, or a
table with the columns learner and class), a folder of records, or a class code followed by the learners.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare who, which labs, and where to."""
    parser.add_argument(
        "class_code", metavar="CLASS", help='class file, class list, folder, or class code, "" for none'
    )
    learners = parser.add_argument(
        "learner", metavar="LEARNER", nargs="+", default=[], help="names, after a class code"
    )
    learners.required = False
    parser.add_argument("--class-list", metavar="F", help="everybody on this list")
    parser.add_argument("--secret", metavar="F", help="the class.secret of the class, or the folder it lies in")
    parser.set_defaults(new_secret=None)
    parser.add_argument(
        "--lab", metavar="NN", action="append", help="this lab, such as 05; give it again for more (default: all)"
    )
    parser.add_argument(
        "--attempt", metavar="N", type=attempt_number, default=0,
        help="which set of numbers: 0 for the first (default), 1 for the second, …",
    )  # fmt: skip
    parser.add_argument("--exam", action="store_true", help="the lab and the numbers of the exam in the class file")
    parser.add_argument("--out", metavar="DIR", default="handouts", help="write into this folder (handouts)")


def run(options: argparse.Namespace) -> int:
    """Draw the numbers here, have the pages written by a process of their own, and say what was written."""
    who, labs = _class(options)
    folder = _folder(options)
    wanted = json.dumps({lab: [_sheet(lab, options, *each) for each in who] for lab in labs})
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


def _sheet(lab, options, learner, class_code):
    """Return a learner's numbers in a lab, and the right answers to them."""
    from gainlib.exercises import bank

    drawn, numbers = {}, "exam" if options.exam else f"numbers no. {options.attempt + 1}"
    for exercise in (each for each in bank() if each.lab == lab):
        given = exercise.variant(learner, options.attempt, class_code)
        # What is measured on a learner's own session in any order of work has no right answer of its own.
        free = exercise.series and not any(part.keyed for part in exercise.parts)
        drawn[exercise.id] = {"given": given, "answers": [] if free else right_answers(exercise, given)}
    return {"learner": learner, "class_code": class_code, "numbers": numbers, "exercises": drawn}


def _class(options):
    """Return name and class code of everybody, and the labs."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.bank import lab_numbers
    from gainlib.exercises.classfile import course_of
    from gainlib.exercises.gradebook import collect

    known, place, found = lab_numbers(), path_of(options.class_code), []
    for lab in options.lab or ():
        if lab not in known:
            options.usage_error(f"there is no lab {lab!r}; there are {', '.join(known)}")
    named = options.learner or options.class_list
    try:
        course, records = course_of(place) if options.class_code.strip() else (None, place)
        if course or (not named and options.class_code.strip() and place.exists()):
            options.class_code = str(course.path) if course else ""
            if not named and records.is_dir():
                people = collect(records).names().values()
                found = [(learner, code) for code, learner in people if course is None or course.is_for(code)]
            elif not named and course is None:
                options.class_list = str(place)
    except GainlibError as error:
        options.usage_error(str(error))
    labs = labs_of_class(options)
    anybody = found or options.learner or options.class_list
    return (everybody(options, class_secret(options), found) if anybody else []), options.lab or labs


def _folder(options):
    folder = path_of(options.out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        options.usage_error(f"{folder}: cannot be made ({problem.strerror or problem}); choose another folder")
    return Path(folder)


VERBS = (Verb("handout", "write hand-outs, answer sheets, key and lesson plans", DESCRIPTION, arguments, run),)
