"""``gradebook``: a class's records marked again, as CSV for a learning platform and as a page for the teacher."""

import argparse
from itertools import count

from gainlib.cli import Verb
from gainlib.cli.output import Bar, Column, check_target, figure, layout, path_of, plain
from gainlib.cli.report import jsonable

DESCRIPTION = """\
Mark a class: every learner's numbers are drawn again and every answer is marked again, whatever the records say.

FOLDER holds the record files, in subfolders or zip archives if you like, one or several a learner, or joined. They are
known by what they hold, whatever their names; every file that is not used is named with the reason. The same event in
two files counts once. A line that cannot be read is named with its file, and the rest counts.

With a class file (class.toml, given or found in the folder) its labs are marked, its weights count in totals, and what
was answered after a deadline or outside the exam is noted. Its hand_in folder holds the records, else its own.

--class-list: one learner a line, or a table with the columns learner, class, id and e-mail. --overrides: a table with
the columns learner, class (if needed), exercise, points and note; or JSON, a list of objects with those names.

--send shows the scores that a learning platform (LTI 1.3, AGS 2.0) lacks, a line item a lab; with --yes they are sent.
Its file holds client_id, token_url, line_items_url, key (the file of the private key) and key_id, each a text, and ids,
the file of a table with learner, class and id, where the class list does not have the platform's ids.
"""
_MOST_TOLD = 20


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the folder, the files to write and the lists."""
    parser.add_argument("folder", metavar="FOLDER", help="a folder of record files, one such file, or a class file")
    parser.add_argument(
        "--csv", metavar="F", required=True, help="write the marks to F, one line a learner and exercise"
    )
    parser.add_argument("--html", metavar="F", help="write a page to F, to read and print")
    parser.add_argument("--wide", metavar="F", help="write the marks to F, one line a learner, one column an exercise")
    parser.add_argument("--questions", metavar="F", help="write to F what each part of each exercise earned")
    parser.add_argument("--feedback", metavar="DIR", help="write a page to give back for each learner into DIR")
    parser.add_argument(
        "--decimal-comma", action="store_true", help="comma as decimal sign in all tables, semicolon between cells"
    )
    parser.add_argument("--bom", action="store_true", help="mark all tables as UTF-8, as some spreadsheets need")
    parser.add_argument("--zone", metavar="Z", type=_zone, help="time zone of the times, such as Europe/Lisbon (UTC)")
    parser.add_argument("--class-list", metavar="F", help="who should have handed in")
    parser.add_argument("--aliases", metavar="F", help="other names: a table with the columns also, learner, class")
    parser.add_argument("--overrides", metavar="F", help="points given by hand, each with a note")
    parser.add_argument("--send", metavar="F", help="show the scores that the learning platform in F (lti.toml) lacks")
    parser.add_argument("--yes", action="store_true", help="send them")
    parser.add_argument("--lab", metavar="NN", help="this lab only, such as 05")
    parser.add_argument(
        "--sets", metavar="N", type=_count, help="count only the first N sets of numbers of an exercise (default all)"
    )
    parser.add_argument(
        "--processes", metavar="N", type=_count, help="mark N learners at a time (default: as many as save time)"
    )
    parser.add_argument("-q", "--quiet", action="store_true", help="show no progress bar")


def run(options: argparse.Namespace) -> int:
    """Mark, write, and say what to look at; 1 if anything could not be read or there is no record."""
    from gainlib.exercises.gradebook import collect, gradebook
    from gainlib.exercises.marking import marks_folder

    _check_lab(options)
    course, folder = _course(options)
    targets = _targets(options, course.files if course else ())
    own = [*targets.values(), *(path_of(text) for text in _given_lists(options)), *(course.files if course else ())]
    handed = collect(folder, {path.resolve() for path in own if path})
    listed, overrides, aliases, problems = _lists(options, handed)
    platform = _platform(options)
    if not handed.lines:
        options.report.problem(f"{folder}: no record with an event in it")
    bar = Bar(options.quiet, "{percentage:3.0f}% |{bar}| {n:.0f} of {total:.0f} answers, {remaining} left")

    def start(total):
        done = count(1)
        return lambda: bar("answers", next(done), total)

    try:
        wanted = {
            "lab": options.lab,
            "course": course,
            "most": options.sets,
            "processes": options.processes,
            "aliases": aliases,
            "keep": marks_folder(),
        }
        book = gradebook(folder, listed, overrides, **wanted, progress=start, handed_in=handed)
    finally:
        bar.close()
    problems = (*book.problems, *problems)
    if book.rows:
        problems += _written(options, targets, book)
        _tell(options.report, book)
        problems += _sent(options, book, platform) if platform else ()
    elif book.unused:
        _told(options.report, "Files not used", book.unused)
    for problem in problems:
        options.report.problem(problem)
    return 1 if problems or not handed.lines else 0


def _written(options, targets, book):
    """Write what was asked for; return why any of it could not be, for the marks are shown all the same."""
    from gainlib.audio import GainlibError
    from gainlib.exercises import gradebook as writing

    zone = {"zone": options.zone} if options.zone else {}
    form = (writing.Form(options.decimal_comma, options.bom, **zone),)
    outputs = (
        (targets["csv"], writing.write_csv, form),
        (targets["wide"], writing.write_wide, form),
        (targets["questions"], writing.write_questions, form),
        (targets["html"], writing.write_html, ()),
        (path_of(options.feedback) if options.feedback else None, writing.write_feedback, ()),
    )
    problems = ()
    for target, write, more in outputs:
        try:
            if target:
                write(target, book, *more)
        except GainlibError as error:
            problems += (str(error),)
    return problems


def _platform(options):
    """Return the platform to send to; what is wrong with its file is wrong use."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.gradebook.passback import read_platform

    if options.yes and not options.send:
        options.usage_error("--yes sends; give --send and the file that says where")
    try:
        return read_platform(path_of(options.send)) if options.send else None
    except GainlibError as error:
        options.usage_error(str(error))


def _sent(options, book, platform):
    """Show what the platform lacks, and send it where that is wanted; return what went wrong."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.gradebook import passback

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
    return tuple(problems)


def _zone(text):
    from zoneinfo import ZoneInfo

    try:
        return ZoneInfo(text)
    except (ValueError, OSError, KeyError):
        raise argparse.ArgumentTypeError(f"{text!r} is not a time zone known here; give one such as UTC") from None


def _count(text):
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a count; give 1 or more")
    return int(text)


def _check_lab(options):
    from gainlib.exercises import bank

    labs = sorted({each.lab for each in bank()})
    if options.lab is not None and options.lab not in labs:
        options.usage_error(f"there is no lab {options.lab!r}; there are {', '.join(labs)}")


def _course(options):
    """Return the class, and the folder of its records; what is wrong with a class file is wrong use."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.gradebook import course_of
    from gainlib.exercises.gradebook.submissions import require

    try:
        course, folder = course_of(path_of(options.folder))
    except GainlibError as error:
        options.usage_error(str(error))
    if course and options.lab not in (None, *course.labs):
        options.usage_error(f"lab {options.lab} is not in {course.path}; there are {', '.join(course.labs)}")
    if course and not folder.exists():
        options.usage_error(f"{course.path}: its hand_in, {folder}, is not there; make that folder, or name another")
    return course, require(folder)


def _targets(options, kept):
    """Check where the results shall go before anything long begins."""
    asked = {name: getattr(options, name) for name in ("csv", "html", "wide", "questions")}
    targets = {name: path_of(text) if text else None for name, text in asked.items()}
    given = [path_of(text).resolve() for text in (options.folder, *_given_lists(options), *kept)]
    for name, target in targets.items():
        if target is None:
            continue
        check_target(options, target, f"--{name}")
        if target.suffix.casefold() == ".jsonl" or target.resolve() in given:
            options.usage_error(
                f"{target} is a record, a list or the class's own file; choose another name for --{name}"
            )
        given.append(target.resolve())
    return targets


def _given_lists(options):
    return [text for text in (options.class_list, options.aliases, options.overrides, options.send) if text]


def _lists(options, handed):
    """Read class list and overrides; what is wrong with a whole file is wrong use, a line of it is named."""
    from gainlib.audio import GainlibError
    from gainlib.exercises.gradebook import read_aliases, read_class_list, read_overrides

    listed, overrides, aliases, problems = (), (), {}, ()
    try:
        if options.class_list:
            listed = read_class_list(path_of(options.class_list), {name for _, name in handed.names().values()})
        if options.aliases:
            aliases = read_aliases(path_of(options.aliases))
        if options.overrides:
            overrides, problems = read_overrides(path_of(options.overrides))
    except GainlibError as error:
        options.usage_error(str(error))
    return listed, overrides, aliases, problems


# ---- what is said on the screen --------------------------------------------------------------------------------------


def _tell(report, book):
    found = {title: [report.without_places(entry) for entry in entries] for title, entries in _findings(book)}
    marks = [jsonable(row) | {"notes": [report.without_places(note) for note in row.notes]} for row in book.rows]
    report.result |= {"marks": marks, "exercises": jsonable(book.items), "findings": found}
    report.show([line for line in _learners(book) if line])
    report.show(["", *_exercises(book)])
    for title, entries in _findings(book):
        if entries:
            _told(report, title, entries)


def _told(report, title, entries):
    more = len(entries) - _MOST_TOLD
    told = [f"  {plain(entry)}" for entry in entries[:_MOST_TOLD]]
    report.show(["", f"{title}:", *told, *([f"  and {more} more; see the page (--html)"] if more > 0 else [])])


def _learners(book):
    from gainlib.exercises.gradebook.export import by_learner

    own = by_learner(book.rows)
    columns = [
        Column(("class", ""), tuple(plain(rows[0].class_code)[:12] for rows in own)),
        Column(("tried", ""), tuple(str(sum(row.counts for row in rows)) for rows in own)),
        Column(("right", ""), tuple(str(sum(row.state == "right" for row in rows)) for rows in own)),
        Column(("tries", ""), tuple(str(sum(row.tries for row in rows)) for rows in own), spare=True),
        Column(("spent", ""), tuple(str(sum(row.spent for row in rows)) for rows in own), spare=True),
        Column(("shown", ""), tuple(str(sum(row.shown for row in rows)) for rows in own), spare=True),
        Column(("hints", ""), tuple(str(sum(row.hints for row in rows)) for rows in own), spare=True),
        Column(("points", ""), tuple(figure(book.total(rows)[0], 2) for rows in own)),
        Column(("of", ""), tuple(figure(book.total(rows)[1], 0) for rows in own)),
        Column(("notes", ""), tuple(str(sum(bool(row.notes) for row in rows) or "") for rows in own)),
        Column(("check", "value"), tuple(book.checks.get(rows[0].who, ("",))[0] for rows in own)),
    ]
    return layout([plain(rows[0].learner) or "no name" for rows in own], columns, head="learner")


def _exercises(book):
    columns = [
        Column(("tried", "by"), tuple(str(item.tried) for item in book.items)),
        Column(("right", ""), tuple(str(item.right) for item in book.items)),
        Column(("facility", ""), tuple(figure(item.facility, 2) for item in book.items)),
        Column(("right", "at once"), tuple(figure(item.first, 2) for item in book.items)),
        Column(("discrimi-", "nation"), tuple(figure(item.discrimination, 2) for item in book.items)),
    ]
    return layout([item.exercise for item in book.items], columns, head="exercise")


def _findings(book):
    from gainlib.exercises.gradebook.export import cases
    from gainlib.exercises.gradebook.marks import shown_name

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


VERBS = (Verb("gradebook", "mark a class from its records", DESCRIPTION, arguments, run),)
