"""``key`` and ``handout``: learners' own numbers with the right answers, on the screen and on paper."""

import argparse
import json
import subprocess
import sys
from collections.abc import Iterable

from gainlib.cli.output import check_lab, path_of, plain, screen_width, wrapped, wrong_use
from gainlib.exercises import Exercise, bank, fill
from gainlib.exercises.bank import lab_numbers
from gainlib.exercises.classfile import has_tag, new_secret, read_secret, with_tag
from gainlib.exercises.gradebook import collect, course_of, read_class_list
from gainlib.exercises.gradebook.rows import variant_code
from gainlib.exercises.sets import in_words, is_exam
from gainlib.words import number


def run_key(options: argparse.Namespace) -> int:
    """Print the key of every exercise asked for, or the class code to give out."""
    labs, secret, report = _labs_of_class(options), _class_secret(options), options.report
    if secret and not (options.learner or options.class_list):
        report.result["class_code"] = code = _code(options, options.class_code, secret)
        report.show([f"Learners type the class code {plain(code)}"])
        return 0
    learners = _everybody(options, secret)
    chosen = [each for each in bank() if options.lab in (None, each.lab) and options.exercise in (None, each.id)]
    if not chosen:
        known = ", ".join(lab_numbers())
        options.usage_error(f"there is no such exercise; there are labs {known}, and {bank()[0].id} is an exercise")
    chosen = [each for each in chosen if each.lab in labs]
    if not chosen:
        options.usage_error(f"nothing of that is in the labs asked for, {', '.join(labs)}")
    facts = []
    for learner, class_code in learners:
        for exercise in chosen:
            given = exercise.variant(learner, options.attempt, class_code)
            if report.as_json:
                facts.append({"learner": learner, **_facts(exercise, given)})
            else:
                report.show([*_key(exercise, given, learner, class_code, options.attempt), ""])
    if report.as_json:
        report.result["exercises"] = facts
    return 0


def run_handout(options: argparse.Namespace) -> int:
    """Draw the numbers here, have the pages written by a process of their own, and say what was written."""
    who, labs = _class(options)
    folder = path_of(options.out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        options.usage_error(f"{folder}: cannot be made ({problem.strerror or problem}); choose another folder")
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


# ---- who, and which labs ---------------------------------------------------------------------------------------------


def _labs_of_class(options):
    """Return the labs to print; a class file in place of the class code gives code, labs, exam, and a secret beside."""
    with wrong_use(options):
        course = course_of(path_of(options.class_code))[0] if options.class_code.strip() else None
    if course:
        options.class_code = course.code
        options.secret = options.secret or next(map(str, course.files[1:]), None)
    if options.exam:
        if not (course and course.exam):
            options.usage_error("--exam needs a class file with an [exam] in place of the class code")
        options.attempt = course.exam.numbers
        return (course.exam.lab,)
    return course.labs if course else lab_numbers()


def _class_secret(options) -> bytes | None:
    """Return the secret of the class, a new one where that is asked for; None where there is none."""
    if options.new_secret and not options.class_code.strip():
        options.usage_error("there is no class code; give one to make a secret for, such as AUTUMN-7")
    with wrong_use(options):
        if options.new_secret:
            options.secret = new_secret(path_of(options.new_secret))
        return read_secret(path_of(options.secret)) if options.secret else None


def _code(options, class_code, secret):
    """Return a class code as the learners typed it."""
    if secret is None and has_tag(class_code):
        options.usage_error(f"the key of {class_code} needs the secret of the class; add --secret and its class.secret")
    with wrong_use(options):
        return with_tag(class_code, secret) if secret else class_code


def _everybody(options, secret: bytes | None, more: Iterable = ()) -> list[tuple[str, str]]:
    """Return name and class code of everybody asked for, and of more."""
    found = [*more, *((learner, options.class_code) for learner in options.learner)]
    with wrong_use(options):
        listed = read_class_list(path_of(options.class_list)) if options.class_list else ()
    found += [(each.learner, options.class_code if each.class_code is None else each.class_code) for each in listed]
    if not found:
        options.usage_error("there is no learner; give names, or a list with --class-list")
    if not all(learner.strip() for learner, _ in found):
        options.usage_error("a learner's name is empty")
    return list(dict.fromkeys((learner, _code(options, code, secret)) for learner, code in found))


def _class(options):
    """Return name and class code of everybody who gets a sheet, and the labs."""
    place, found = path_of(options.class_code), []
    for lab in options.lab or ():
        check_lab(options, lab)
    named = options.learner or options.class_list
    with wrong_use(options):
        course, records = course_of(place) if options.class_code.strip() else (None, place)
        if course or (not named and options.class_code.strip() and place.exists()):
            options.class_code = str(course.path) if course else ""
            if not named and records.is_dir():
                people = collect(records).names().values()
                found = [(learner, code) for code, learner in people if course is None or course.is_for(code)]
            elif not named and course is None:
                options.class_list = str(place)
    labs = _labs_of_class(options)
    anybody = found or options.learner or options.class_list
    return (_everybody(options, _class_secret(options), found) if anybody else []), options.lab or labs


# ---- numbers and answers ---------------------------------------------------------------------------------------------


def _sheet(lab, options, learner, class_code):
    """Return a learner's numbers in a lab, and the right answers to them."""
    drawn, numbers = {}, "exam" if options.exam else f"numbers no. {options.attempt + 1}"
    for exercise in (each for each in bank() if each.lab == lab):
        given = exercise.variant(learner, options.attempt, class_code)
        # What is measured on a learner's own session in any order of work has no right answer of its own.
        free = exercise.series and not any(part.keyed for part in exercise.parts)
        drawn[exercise.id] = {"given": given, "answers": [] if free else _right_answers(exercise, given)}
    return {"learner": learner, "class_code": class_code, "numbers": numbers, "exercises": drawn}


def _key(exercise, given, learner, class_code, attempt):
    """Return the lines of one exercise."""
    which = "numbers of the exam" if is_exam({"attempt": attempt}) else f"numbers no. {attempt + 1}"
    who = f"{plain(learner)}, class {plain(class_code)}" if class_code.strip() else plain(learner)
    code = variant_code(learner, exercise.id, attempt, class_code)
    head = f"{exercise.id}  {exercise.title}  ({_points(exercise.points)})"
    own = "; ".join(f"{name} = {fill('{value}', {'value': value})}" for name, value in _own(given).items())
    return [
        head,
        "-" * min(len(head), screen_width()),
        *_wrapped(f"For {who}, {which}, code {code}", ""),
        *_wrapped(own, "Given       "),
        *_wrapped(exercise.statement_for(given), "Question    "),
        *(line for part in _answers(exercise, given) for line in _wrapped(part, "Answer      ")),
        *_wrapped(exercise.explain_for(given), "Derivation  "),
        *_wrapped(in_words(exercise), "Points      "),
        *_wrapped("; ".join(exercise.cites), "Sources     "),
    ]


def _facts(exercise, given):
    return {
        "exercise": exercise.id, "title": exercise.title, "points": exercise.points, "given": _own(given),
        "question": exercise.statement_for(given), "answers": list(_answers(exercise, given)),
        "derivation": exercise.explain_for(given), "sources": list(exercise.cites),
    }  # fmt: skip


def _own(given):
    return {name: value for name, value in given.items() if name not in ("exercise", "attempt")}


def _right_answers(exercise: Exercise, given: dict) -> list[str]:
    """Return the right answer to each part, in words."""
    entries = zip(exercise.parts, exercise.values(exercise.solve(given)), strict=True)
    return [part.show(part.read(entry, given), given) for part, entry in entries]


def _answers(exercise, given):
    """Yield a sentence a part: what is asked for, the right answer, what counts as right, and the points."""
    for part, shown in zip(exercise.parts, _right_answers(exercise, given), strict=True):
        label = f"{part.label_for(given)}: " if part.label else ""
        worth = f", {_points(part.points)}" if len(exercise.parts) > 1 else ""
        yield f"{label}{shown} [{part.band}{worth}]"


def _points(points):
    return f"{number(points)} point{'' if points == 1 else 's'}"


def _wrapped(text, label):
    """Return the paragraphs of a text, the label ahead of the first; Markdown's stars are left out."""
    paragraphs = [each for each in text.replace("**", "").split("\n") if each.strip()]
    rest = " " * len(label)
    return [line for k, each in enumerate(paragraphs) for line in wrapped(each, rest if k else label, rest)]
