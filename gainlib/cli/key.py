"""``key``: the teacher's key for one learner or several, with numbers, answers and derivations."""

import argparse
from collections.abc import Iterable
from typing import TYPE_CHECKING

from gainlib.cli import Verb
from gainlib.cli.output import path_of, plain, screen_width, wrapped

if TYPE_CHECKING:
    from gainlib.exercises import Exercise

DESCRIPTION = """\
Print the teacher's key for one learner or several: the numbers each has, the question, the right answer with what
counts as right, and the derivation. --class-list takes everybody on a list, as "gradebook" reads it. Names are compared
without regard to case; "" stands for no class code.

--new-secret writes a class secret into a folder of your own and prints the class code that learners then type; with
--secret and no learner it is printed again. Their numbers are drawn from that code, and their key needs the secret.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare who, which lab, and which set of numbers."""
    parser.add_argument(
        "class_code", metavar="CLASS", help='class code as the learner typed it, "" for none; or the class file'
    )
    who = "names or numbers as the learners typed them; none with --class-list"
    learners = parser.add_argument("learner", metavar="LEARNER", nargs="+", default=[], help=who)
    learners.required = False  # with "*" instead, Python 3.11 takes no names after an option that follows CLASS
    parser.add_argument(
        "--class-list", metavar="F", help="everybody on this list; their class stands in it, or is CLASS"
    )
    parser.add_argument("--secret", metavar="F", help="the class.secret of the class, or the folder it lies in")
    parser.add_argument("--new-secret", metavar="DIR", help="write a new class.secret into DIR, where no learner reads")
    parser.add_argument("--lab", metavar="NN", help="this lab only, such as 05")
    parser.add_argument("--exercise", metavar="NN-K", help="this exercise only, such as 05-3")
    parser.add_argument("--exam", action="store_true", help="the numbers of the exam that the class file names")
    parser.add_argument(
        "--attempt", metavar="N", type=attempt_number, default=0,
        help="which set of numbers: 0 for the first (default), 1 after asking for new ones once, …",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Print the key of every exercise asked for, or the class code to give out."""
    labs = labs_of_class(options)
    secret = class_secret(options)
    if secret and not (options.learner or options.class_list):
        code = _code(options, options.class_code, secret)
        options.report.result["class_code"] = code
        options.report.show([f"Learners type the class code {plain(code)}"])
        return 0
    learners, chosen = everybody(options, secret), [each for each in _chosen(options) if each.lab in labs]
    if not chosen:
        options.usage_error(f"nothing of that is in the labs asked for, {', '.join(labs)}")
    facts = []
    for learner, class_code in learners:
        who = learner, class_code, options.attempt
        for exercise in chosen:
            options.report.show([*_key(exercise, *who), ""])
        if options.report.as_json:
            facts += [{"learner": learner, **_facts(exercise, *who)} for exercise in chosen]
    if options.report.as_json:
        options.report.result["exercises"] = facts
    return 0


def labs_of_class(options: argparse.Namespace) -> tuple[str, ...]:
    """Return the labs to print; a class file in place of the class code gives code, labs, exam, and a secret beside."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.bank import lab_numbers
    from gainlib.exercises.classfile import course_of

    try:
        course = course_of(path_of(options.class_code))[0] if options.class_code.strip() else None
    except GainlibError as error:
        options.usage_error(str(error))
    if course:
        options.class_code = course.code
        options.secret = options.secret or next(map(str, course.files[1:]), None)
    if options.exam:
        if not (course and course.exam):
            options.usage_error("--exam needs a class file with an [exam] in place of the class code")
        options.attempt = course.exam.numbers
        return (course.exam.lab,)
    return course.labs if course else lab_numbers()


def class_secret(options: argparse.Namespace) -> bytes | None:
    """Return the secret of the class, a new one where that is asked for; None where there is none."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.classfile import new_secret, read_secret

    if options.new_secret and not options.class_code.strip():
        options.usage_error("there is no class code; give one to make a secret for, such as AUTUMN-7")
    try:
        if options.new_secret:
            options.secret = new_secret(path_of(options.new_secret))
        return read_secret(path_of(options.secret)) if options.secret else None
    except GainlibError as error:
        options.usage_error(str(error))


def _code(options, class_code, secret):
    """Return a class code as the learners typed it."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.classfile import has_tag, with_tag

    if secret is None and has_tag(class_code):
        options.usage_error(f"the key of {class_code} needs the secret of the class; add --secret and its class.secret")
    try:
        return with_tag(class_code, secret) if secret else class_code
    except GainlibError as error:
        options.usage_error(str(error))


def everybody(options: argparse.Namespace, secret: bytes | None, more: Iterable = ()) -> list[tuple[str, str]]:
    """Return name and class code of everybody asked for, and of more."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.gradebook import read_class_list

    found = [*more, *((learner, options.class_code) for learner in options.learner)]
    try:
        listed = read_class_list(path_of(options.class_list)) if options.class_list else ()
    except GainlibError as error:
        options.usage_error(str(error))
    found += [(each.learner, options.class_code if each.class_code is None else each.class_code) for each in listed]
    if not found:
        options.usage_error("there is no learner; give names, or a list with --class-list")
    if not all(learner.strip() for learner, _ in found):
        options.usage_error("a learner's name is empty")
    return list(dict.fromkeys((learner, _code(options, code, secret)) for learner, code in found))


def attempt_number(text: str) -> int:
    """Return which set of numbers is meant."""
    if not text.isascii() or not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is not a set of numbers; give 0 for the first, 1 for the second, …")
    return int(text)


def _chosen(options):
    from gainlib.exercises import bank

    chosen = [each for each in bank() if options.lab in (None, each.lab) and options.exercise in (None, each.id)]
    if not chosen:
        labs = ", ".join(sorted({each.lab for each in bank()}))
        options.usage_error(f"there is no such exercise; there are labs {labs}, and {bank()[0].id} is an exercise")
    return chosen


def _key(exercise, learner, class_code, attempt):
    """Return the lines of one exercise."""
    from gainlib.exercises.gradebook.rows import variant_code
    from gainlib.exercises.sets import in_words, is_exam

    which = "numbers of the exam" if is_exam({"attempt": attempt}) else f"numbers no. {attempt + 1}"
    given = exercise.variant(learner, attempt, class_code)
    who = f"{plain(learner)}, class {plain(class_code)}" if class_code.strip() else plain(learner)
    code = variant_code(learner, exercise.id, attempt, class_code)
    head = f"{exercise.id}  {exercise.title}  ({_points(exercise.points)})"
    return [
        head,
        "-" * min(len(head), screen_width()),
        *_wrapped(f"For {who}, {which}, code {code}", ""),
        *_wrapped(_numbers(given), "Given       "),
        *_wrapped(exercise.statement_for(given), "Question    "),
        *(line for part in _answers(exercise, given) for line in _wrapped(part, "Answer      ")),
        *_wrapped(exercise.explain_for(given), "Derivation  "),
        *_wrapped(in_words(exercise), "Points      "),
        *_wrapped("; ".join(exercise.cites), "Sources     "),
    ]


def _facts(exercise, learner, class_code, attempt):
    given = exercise.variant(learner, attempt, class_code)
    own = {name: value for name, value in given.items() if name not in ("exercise", "attempt")}
    return {
        "exercise": exercise.id, "title": exercise.title, "points": exercise.points, "given": own,
        "question": exercise.statement_for(given), "answers": list(_answers(exercise, given)),
        "derivation": exercise.explain_for(given), "sources": list(exercise.cites),
    }  # fmt: skip


def _numbers(given):
    from gainlib.exercises.text import fill

    own = {name: value for name, value in given.items() if name not in ("exercise", "attempt")}
    return "; ".join(f"{name} = {fill('{value}', {'value': value})}" for name, value in own.items())


def right_answers(exercise: "Exercise", given: dict) -> list[str]:
    """Return the right answer to each part, in words."""
    entries = zip(exercise.parts, exercise.values(exercise.solve(given)), strict=True)
    return [part.show(part.read(entry, given), given) for part, entry in entries]


def _answers(exercise, given):
    """Return a sentence a part: what is asked for, the right answer, what counts as right, and the points."""
    for part, shown in zip(exercise.parts, right_answers(exercise, given), strict=True):
        label = f"{part.label_for(given)}: " if part.label else ""
        worth = f", {_points(part.points)}" if len(exercise.parts) > 1 else ""
        yield f"{label}{shown} [{part.band}{worth}]"


def _points(points):
    from gainlib.levels.printing import number

    return f"{number(points)} point{'' if points == 1 else 's'}"


def _wrapped(text, label):
    """Return the paragraphs of a text, the label ahead of the first; Markdown's stars are left out."""
    paragraphs = [each for each in text.replace("**", "").split("\n") if each.strip()]
    rest = " " * len(label)
    return [line for k, each in enumerate(paragraphs) for line in wrapped(each, rest if k else label, rest)]


VERBS = (Verb("key", "print the right answers of learners", DESCRIPTION, arguments, run),)
