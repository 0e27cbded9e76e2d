"""``gradebook``: a class's records marked again, as CSV for a learning platform and as a page for the teacher."""

import argparse
from itertools import count

from gainlib.audio import GainlibError
from gainlib.cli.output import Bar, check_lab, check_target, figure, jsonable, layout, path_of, plain, wrong_use
from gainlib.exercises import gradebook as marking
from gainlib.exercises.gradebook import passback
from gainlib.exercises.gradebook.export import by_learner, cases
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.submissions import require
from gainlib.exercises.marking import marks_folder
from gainlib.words import Table

_MOST_TOLD = 20
_SUMS = ("tries", "spent", "shown", "hints")


def run(options: argparse.Namespace) -> int:
    """Mark, write, and say what to look at; 1 if anything could not be read or there is no record."""
    course, folder = _course(options)
    files = course.files if course else ()
    targets = _targets(options, files)
    own = [*targets.values(), *(path_of(text) for text in _given_lists(options)), *files]
    handed = marking.collect(folder, {path.resolve() for path in own})
    listed, overrides, aliases, problems = _lists(options, handed)
    platform = _platform(options)
    if not handed.lines:
        options.report.problem(f"{folder}: no record with an event in it")
    bar = Bar(options.quiet, "{percentage:3.0f}% |{bar}| {n:.0f} of {total:.0f} answers, {remaining} left")

    def start(total):
        done = count(1)
        return lambda: bar("answers", next(done), total)

    try:
        book = marking.gradebook(
            folder, listed, overrides, lab=options.lab, course=course, most=options.sets, processes=options.processes,
            aliases=aliases, keep=marks_folder(), progress=start, handed_in=handed,
        )  # fmt: skip
    finally:
        bar.close()
    problems = [*book.problems, *problems]
    if book.rows:
        problems += _written(options, targets, book)
        _tell(options.report, book)
        problems += _sent(options, book, platform) if platform else ()
    elif book.unused:
        _told(options.report, "Files not used", book.unused)
    for problem in problems:
        options.report.problem(problem)
    return 1 if problems or not handed.lines else 0


# ---- what was given --------------------------------------------------------------------------------------------------


def _course(options):
    """Return the class, and the folder of its records; what is wrong with a class file is wrong use."""
    if options.lab is not None:
        check_lab(options, options.lab)
    with wrong_use(options):
        course, folder = marking.course_of(path_of(options.folder))
    if course and options.lab not in (None, *course.labs):
        options.usage_error(f"lab {options.lab} is not in {course.path}; there are {', '.join(course.labs)}")
    if course and not folder.exists():
        options.usage_error(f"{course.path}: its hand_in, {folder}, is not there; make that folder, or name another")
    return course, require(folder)


def _given_lists(options):
    return [text for text in (options.class_list, options.aliases, options.overrides, options.send) if text]


def _targets(options, kept):
    """Return where the tables and the page go, by option, checked before anything long begins."""
    asked = {name: getattr(options, name) for name in ("csv", "html", "wide", "questions")}
    targets = {name: path_of(text) for name, text in asked.items() if text}
    given = [path_of(text).resolve() for text in (options.folder, *_given_lists(options), *kept)]
    for name, target in targets.items():
        check_target(options, target, f"--{name}")
        if target.suffix.casefold() == ".jsonl" or target.resolve() in given:
            own = f"{target} is a record, a list or the class's own file"
            options.usage_error(f"{own}; choose another name for --{name}")
        given.append(target.resolve())
    return targets


def _lists(options, handed):
    """Read class list and overrides; what is wrong with a whole file is wrong use, a line of it is named."""
    listed, overrides, aliases, problems = (), (), {}, ()
    with wrong_use(options):
        if options.class_list:
            names = {name for _, name in handed.names().values()}
            listed = marking.read_class_list(path_of(options.class_list), names)
        if options.aliases:
            aliases = marking.read_aliases(path_of(options.aliases))
        if options.overrides:
            overrides, problems = marking.read_overrides(path_of(options.overrides))
    return listed, overrides, aliases, problems


def _platform(options):
    """Return the platform to send to; what is wrong with its file is wrong use."""
    if options.yes and not options.send:
        options.usage_error("--yes sends; give --send and the file that says where")
    with wrong_use(options):
        return passback.read_platform(path_of(options.send)) if options.send else None


# ---- what is written and sent ----------------------------------------------------------------------------------------


def _written(options, targets, book):
    """Write what was asked for; return why any of it could not be, for the marks are shown all the same."""
    form, problems = (marking.Form(options.decimal_comma, options.bom, options.zone),), []
    if options.feedback:
        targets = targets | {"feedback": path_of(options.feedback)}
    for name, write, more in (
        ("csv", marking.write_csv, form),
        ("wide", marking.write_wide, form),
        ("questions", marking.write_questions, form),
        ("html", marking.write_html, ()),
        ("feedback", marking.write_feedback, ()),
    ):
        try:
            if name in targets:
                write(targets[name], book, *more)
        except GainlibError as error:
            problems.append(str(error))
    return problems


def _sent(options, book, platform):
    """Show what the platform lacks, and send it where that is wanted; return what went wrong."""
    found, problems = passback.scores(book, platform.ids)
    try:
        new = passback.new_ones(platform, found)
        options.report.result["scores"] = jsonable(new)
        heading = f"Scores the platform lacks ({len(new)} of {len(found)}):"
        options.report.show(["", heading, *(f"  {plain(str(each))}" for each in new)])
        if new and options.yes:
            problems += passback.send(platform, new)  # as far as it comes
        elif new:
            options.report.show(["Nothing was sent; look at them and add --yes."])
    except GainlibError as error:
        problems += (str(error),)
    return problems


# ---- what is said on the screen --------------------------------------------------------------------------------------


def _tell(report, book):
    told = _findings(book)
    found = {title: [report.without_places(entry) for entry in entries] for title, entries in told}
    marks = [jsonable(row) | {"notes": [report.without_places(note) for note in row.notes]} for row in book.rows]
    report.result |= {"marks": marks, "exercises": jsonable(book.items), "findings": found}
    report.show([line for line in _learners(book) if line])
    report.show(["", *_exercises(book)])
    for title, entries in told:
        if entries:
            _told(report, title, entries)


def _told(report, title, entries):
    more = len(entries) - _MOST_TOLD
    told = [f"  {plain(entry)}" for entry in entries[:_MOST_TOLD]]
    report.show(["", f"{title}:", *told, *([f"  and {more} more; see the page (--html)"] if more > 0 else [])])


def _learners(book):
    heads = ("learner", "class", "tried", "right", *_SUMS, "points", "of", "notes", "check\nvalue")
    return layout(Table("", heads, (_line(book, own) for own in by_learner(book.rows))), _SUMS)


def _line(book, rows):
    points, most = book.total(rows)
    return (
        *(plain(rows[0].learner) or "no name", plain(rows[0].class_code)[:12]),
        *(sum(row.counts for row in rows), sum(row.state == "right" for row in rows)),
        *(sum(getattr(row, name) for row in rows) for name in _SUMS),
        *(figure(points, 2), figure(most, 0), sum(bool(row.notes) for row in rows) or ""),
        book.checks.get(rows[0].who, ("",))[0],
    )


def _exercises(book):
    heads = ("exercise", "tried\nby", "right", "facility", "right\nat once", "discrimi-\nnation")

    def line(item):
        shares = (figure(share, 2) for share in (item.facility, item.first, item.discrimination))
        return item.exercise, item.tried, item.right, *shares

    return layout(Table("", heads, map(line, book.items)))


def _findings(book):
    def name(who):
        return shown_name(book.names[who])

    copied = [f"{name(each.who)}: {each.sentence(name(each.source))}" for each in book.copied]
    by_hand = [
        f"{override.learner}, {override.exercise}: {override.points:g} instead of {marked:.4g}, {override.note}"
        for override, marked in book.overrides
    ]
    return (
        ("Sittings of the exam", book.sittings),
        ("Handed in nothing", book.nothing),
        ("Not on the class list", book.unlisted),
        ("Accounts and names that do not go together; someone may have handed in under another's name", book.accounts),
        ("Records that disagree with what comes out", cases(book)),
        ("Answers that fit someone else's numbers: a reason to ask, not proof", copied),
        ("Records with lines in common; nothing tells whose they are", book.unclear),
        ("How records came about: figures to ask about, not proof", book.circumstances),
        ("Exercises that do not exist", book.unknown),
        ("Files not used", book.unused),
        ("Points by hand", by_hand),
    )
