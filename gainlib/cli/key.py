"""``key``: the teacher's key for one learner, with numbers, answers and derivations."""

import argparse
import textwrap

SUMMARY = "print the right answers of one learner"
DESCRIPTION = """\
Print the teacher's key for one learner: the numbers this learner has, the question, the right answer with what counts
as right, and the derivation. Names are compared without regard to case; "" stands for no class code.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare who, which lab, and which set of numbers."""
    parser.add_argument("class_code", metavar="CLASS", help='class code as the learner typed it, "" for none')
    parser.add_argument("learner", metavar="LEARNER", help="name or number as the learner typed it")
    parser.add_argument("--lab", metavar="NN", help="this lab only, such as 05")
    parser.add_argument("--exercise", metavar="NN-K", help="this exercise only, such as 05-3")
    parser.add_argument(
        "--attempt", metavar="N", type=_attempt, default=0,
        help="which set of numbers: 0 for the first (default), 1 after asking for new ones once, …",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Print the key of every exercise asked for."""
    from gainlib.cli.table import screen_width, show

    width = screen_width()
    for exercise in _chosen(options):
        show([*_key(exercise, options.learner, options.class_code, options.attempt, width), ""])
    return 0


def _attempt(text):
    if not text.isascii() or not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is no set of numbers; give 0 for the first, 1 for the second, …")
    return int(text)


def _chosen(options):
    from gainlib.exercises import bank

    if not options.learner.strip():
        options.usage_error("the learner's name is empty")
    chosen = [each for each in bank() if options.lab in (None, each.lab) and options.exercise in (None, each.id)]
    if not chosen:
        labs = ", ".join(sorted({each.lab for each in bank()}))
        options.usage_error(f"there is no such exercise; there are labs {labs}, and {bank()[0].id} is an exercise")
    return chosen


def _key(exercise, learner, class_code, attempt, width):
    """Return the lines of one exercise."""
    from gainlib.exercises.gradebook.rows import variant_code
    from gainlib.mix.sheet_csv import one_line

    given = exercise.variant(learner, attempt, class_code)
    who = f"{one_line(learner)}, class {one_line(class_code)}" if class_code.strip() else one_line(learner)
    code = variant_code(learner, exercise.id, attempt, class_code)
    head = f"{exercise.id}  {exercise.title}  ({_points(exercise.points)})"
    return [
        head,
        "-" * min(len(head), width),
        *_wrapped(f"For {who}, numbers no. {attempt + 1}, code {code}", "", width),
        *_wrapped(_numbers(given), "Given       ", width),
        *_wrapped(exercise.statement_for(given), "Question    ", width),
        *(line for part in _answers(exercise, given) for line in _wrapped(part, "Answer      ", width)),
        *_wrapped(exercise.explain_for(given), "Derivation  ", width),
        *_wrapped("; ".join(exercise.cites), "Sources     ", width),
    ]


def _numbers(given):
    from gainlib.exercises.text import fill

    own = {name: value for name, value in given.items() if name not in ("exercise", "attempt")}
    return "; ".join(f"{name} = {fill('{value}', {'value': value})}" for name, value in own.items())


def _answers(exercise, given):
    """Return a sentence a part: what is asked for, the right answer, what counts as right, and the points."""
    entries = zip(exercise.parts, exercise.values(exercise.solve(given)), strict=True)
    for part, entry in entries:
        label = f"{part.label_for(given)}: " if part.label else ""
        shown = part.show(part.read(entry, given), given)
        worth = f", {_points(part.points)}" if len(exercise.parts) > 1 else ""
        yield f"{label}{shown} [{part.band}{worth}]"


def _points(points):
    from gainlib.levels.printing import number

    return f"{number(points)} point{'' if points == 1 else 's'}"


def _wrapped(text, label, width):
    """Return the paragraphs of a text within the width, the label ahead of the first; Markdown's stars are left out."""
    paragraphs = [each for each in text.replace("**", "").split("\n") if each.strip()]
    lines = []
    for index, paragraph in enumerate(paragraphs):
        first = label if index == 0 else " " * len(label)
        lines += textwrap.wrap(paragraph, width, initial_indent=first, subsequent_indent=" " * len(label))
    return lines
