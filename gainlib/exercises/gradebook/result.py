"""From a folder of records to a class's marks, one learner after the other or several at a time in own processes."""

import multiprocessing
import os
import re
import signal
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.bank import bank, exercise
from gainlib.exercises.classfile import Class
from gainlib.exercises.gradebook.circumstances import circumstances, sittings
from gainlib.exercises.gradebook.lists import Listed, Override, collated, persons, same_name
from gainlib.exercises.gradebook.marks import (
    Answer,
    Copied,
    Disagreement,
    copies,
    mark_again,
    shown_name,
    strangers,
    whose,
)  # fmt: skip
from gainlib.exercises.gradebook.rows import Item, Row, absent_rows, items, learner_rows, merged
from gainlib.exercises.gradebook.submissions import HandedIn, Line, collect, require
from gainlib.exercises.marking import remember_in
from gainlib.exercises.record import Who
from gainlib.exercises.text import shorten
from gainlib.exercises.variants import normal_form
from gainlib.words import number

_WORTH_A_PROCESS, _A_SESSION = 200, 40
_MOST_PROCESSES = 4


@dataclass(frozen=True)
class Gradebook:
    """A class's marks, and what a teacher should look at.

    Attributes
    ----------
    rows : tuple of Row
        Sorted by class, learner and exercise; every learner has every exercise of the labs that were begun.
    items : tuple of Item
        Figures of every exercise.
    nothing : tuple of str
        Who is on the class list, or opened a lab, and gave no answer; a sentence each.
    unlisted : tuple of str
        Who has a record and is not on the class list, or has another class code than the class file.
    disagreements : tuple of Disagreement
        Lines that say something else than what comes out.
    copied : tuple of Copied
        Records that look copied.
    overrides : tuple of (Override, float)
        Points given by hand, with what was marked.
    unknown : tuple of str
        Exercises in the records that are none; a sentence each.
    problems : tuple of str
        Lines and files that could not be read; a sentence each.
    unused : tuple of str
        Files that are no records; a sentence each.
    unclear : tuple of str
        Records that share lines of which nothing tells whose they are; a sentence each.
    circumstances : tuple of str
        How records came about, where a teacher may want to ask; a sentence a case.
    names : dict
        Class code and name as written, for every learner in normal form.
    files : int
        Record files read.
    listed : tuple of Listed
        The class list.
    course : Class or None
        What the class file says.
    sittings : tuple of str
        When each learner sat the exam; a sentence each.
    checks : dict
        For every learner in normal form the check value of each file, as their receipts have them, newest first.
    accounts : tuple of str
        Whose files come from several accounts of a hub, and accounts that handed in for several; a sentence each.
    """

    rows: tuple[Row, ...] = ()
    items: tuple[Item, ...] = ()
    nothing: tuple[str, ...] = ()
    unlisted: tuple[str, ...] = ()
    disagreements: tuple[Disagreement, ...] = ()
    copied: tuple[Copied, ...] = ()
    overrides: tuple[tuple[Override, float], ...] = ()
    unknown: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    unclear: tuple[str, ...] = ()
    circumstances: tuple[str, ...] = ()
    names: dict[Who, Who] = field(default_factory=dict)
    files: int = 0
    listed: tuple[Listed, ...] = ()
    course: Class | None = None
    sittings: tuple[str, ...] = ()
    checks: dict[Who, tuple[str, ...]] = field(default_factory=dict)
    accounts: tuple[str, ...] = ()

    def total(self, rows: Iterable[Row]) -> tuple[float, float]:
        """Return the points of some rows and what they could be, each lab with the weight that the class file gives."""
        weighed = [(self.course.weight(row.lab) if self.course else 1.0, row) for row in rows]
        return sum(w * row.points for w, row in weighed), sum(w * row.max_points for w, row in weighed)

    def of(self, who: Who) -> tuple[Row, ...]:
        """Return the rows of one learner, given as class code and name in normal form."""
        return tuple(row for row in self.rows if row.who == who)


def gradebook(
    folder: str | Path,
    class_list: Sequence[Listed] = (),
    overrides: Sequence[Override] = (),
    *,
    lab: str | None = None,
    most: int | None = None,
    progress: Callable[[int], Callable[[], None]] | None = None,
    handed_in: HandedIn | None = None,
    processes: int | None = 1,
    aliases: Mapping[Who | str, str] | None = None,
    course: Class | None = None,
    keep: Path | None = None,
) -> Gradebook:
    """Mark a class.

    Parameters
    ----------
    folder : path
        A record file, or a folder of them.
    class_list : sequence of Listed
        Who should have handed in; see :func:`read_class_list`.
    overrides : sequence of Override
        Points given by hand; see :func:`read_overrides`.
    lab : str or None
        One lab only, "05".
    most : int or None
        Count only the first so many sets of numbers, as in a graded run; None counts all.
    progress : callable or None
        ``progress(total)`` is told how many answers there are and returns what is called after each.
    handed_in : HandedIn or None
        What :func:`collect` found in the folder, where it was read already.
    processes : int or None
        How many learners are marked at a time, each in a process of its own; None decides by how much there is to do.
    aliases : mapping or None
        Other names that learners go by; see :func:`read_aliases`.
    course : Class or None
        What the class file says; see :func:`read_class`.
    keep : path or None
        A folder where marks are kept for the next time; see :mod:`gainlib.exercises.marking`.

    Raises
    ------
    GainlibError
        When there is no such folder or file.

    Examples
    --------
    >>> import tempfile
    >>> from gainlib.exercises import Record, exercise
    >>> move = exercise("05-3")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     given = move.variant("anna", 0, "7b")
    ...     _ = Record(folder).answer("anna", "05-3", 0, move.solve(given), given, "7b")
    ...     marks = gradebook(folder)
    >>> [(row.learner, row.exercise, row.state, row.points) for row in marks.rows if row.points]
    [('anna', '05-3', 'right', 2.0)]
    """
    handed = handed_in or collect(require(folder))
    names = handed.names()
    chosen = _chosen(handed.lines, lab, course)
    ids = tuple(each.id for each in chosen)
    lines: dict[Who, list[Line]] = {who: [] for who in names}
    for line in handed.lines:
        if "exercise" not in line.event or line.event["exercise"] in ids:
            lines[line.who].append(line)
    tasks = [Task(tuple(lines[who]), name, ids, most, course) for who, name in names.items()]
    done = progress(sum(task.answers for task in tasks)) if progress else lambda: None
    answers, wrong, rows = [], [], []
    for of_one in work(tasks, processes, done, keep):
        for all_of_them, own in zip((answers, wrong, rows), of_one, strict=True):
            all_of_them += own
    apart = [(each.line, whose(each, answers, names)) for each in strangers(answers)]
    apart += [(one, f"two versions of one event; the other, in {it}, does not count") for one, it in handed.rewritten]
    wrong += [Disagreement(line.who, str(line.event.get("exercise", "")), line, said) for line, said in apart]
    person = persons(names, aliases or {})
    known_as = {who: (normal_form(name[0]), normal_form(name[1])) for who, name in person.items()}
    shown = dict(sorted((known_as[who], name) for who, name in person.items()))
    copied, unclear = copies(answers, handed.shared)
    copied = [replace(each, who=known_as[each.who], source=known_as[each.source]) for each in copied]
    unclear = [(known_as[one], known_as[other]) for one, other in unclear]
    wrong = [replace(each, who=known_as[each.who]) for each in wrong]
    files: dict[Who, list] = {}
    for (_, who), last in handed.holders.items():
        files.setdefault(known_as[who], []).append(last)
    told = circumstances(handed, answers, course)
    sat = course and course.exam and course.exam.lab in {each.lab for each in chosen}
    found = Gradebook(
        disagreements=tuple(sorted(wrong, key=lambda each: (each.who, each.exercise, str(each.line)))),
        copied=tuple(each for each in copied if each.who != each.source),
        unclear=tuple(f"{shown_name(shown[a])} and {shown_name(shown[b])}" for a, b in unclear if a != b),
        unknown=_unknown(handed, names),
        circumstances=tuple(f"{shown_name(person[who])}: {sentence}" for who, sentence in told),
        problems=(*(str(each) for each in handed.unused if each.lost), *map(str, handed.damaged)),
        unused=tuple(
            f"{each.path.parent.name}/{each.path.name}: {each.reason}" for each in handed.unused if not each.lost
        ),
        names=shown,
        files=handed.files,
        listed=tuple(class_list),
        course=course,
        sittings=sittings(handed.lines, course.exam, names) if sat else (),
        checks={who: tuple(check for _, _, check, _ in sorted(own, reverse=True)) for who, own in files.items()},
        accounts=_accounts({who: {by for *_, by in own} - {""} for who, own in files.items()}, shown),
    )
    holders = [(path, known_as[who]) for path, who in handed.holders if who in known_as]
    return _finished(found, merged(rows, person), overrides, chosen, holders)


def _finished(found, rows, overrides, chosen, holders):
    """Add those without a record, the notes, the overrides and the figures of the exercises."""
    names, course = found.names, found.course
    absent = [listed for listed in found.listed if not any(listed.is_for(who) for who in names)]
    unlisted = [shown_name(names[who]) for who in names if not any(listed.is_for(who) for listed in found.listed)]
    others = [shown_name(name) for name in names.values() if course and not course.is_for(name[0])]
    rows = [*rows, *(row for listed in absent for row in absent_rows(listed, chosen))]
    rows, counted, problems = _overridden(_noted(rows, found), overrides)
    rows.sort(key=lambda row: (collated(row.class_code), collated(row.learner), row.who, row.exercise))
    idle = [who for who in names if not any(row.counts for row in rows if row.who == who)]
    no_answer = f"a record, but no answer{' that counts' if course else ''}"
    return replace(
        found,
        rows=tuple(rows),
        items=items(rows, [each.id for each in chosen]),
        nothing=(
            *(_absence(listed, names, holders) for listed in absent),
            *(f"{shown_name(names[who])}: {no_answer}" for who in idle),
        ),
        unlisted=(
            *(unlisted if found.listed else ()),
            *(f"{name}: the class code is not {course.code}" for name in others),
        ),
        overrides=tuple(counted),
        problems=(*found.problems, *problems),
    )


def _chosen(lines: Iterable[Line], lab, course):
    """Return the exercises of one lab, of the class's labs, or of all that anybody began; of all where nobody did."""
    begun = {line.event.get("lab") or line.event.get("exercise", "").rpartition("-")[0] for line in lines}
    labs = (lab,) if lab is not None else course.labs if course else begun
    wanted = [each for each in bank() if each.lab in labs]
    return wanted or [each for each in bank() if lab is None]


def _absence(listed, names, holders):
    elsewhere = [shown_name(name) for who, name in names.items() if who[1] == same_name(listed.learner)]
    hint = f"; there is a record of {', '.join(elsewhere)}" if elsewhere else ""
    words = _words(listed.learner)
    for path, who in holders:
        if words <= _words(path.stem) and who[1] != same_name(listed.learner):
            hint += f"; the file {path.name} is a record of {shown_name(names[who])}"
    return f"{shown_name((listed.class_code or '', listed.learner))}: no record{hint}"


def _words(text):
    return {*re.findall(r"[^\W_]+", normal_form(text))}


def _noted(rows, found):
    """Write what was found into the rows it is about."""
    notes: dict = {}
    for each in found.disagreements:
        notes.setdefault((each.who, each.exercise), []).append(each.sentence)
    for each in found.copied:
        for id in each.exercises:
            notes.setdefault((each.who, id), []).append(f"the answer of {shown_name(found.names[each.source])}")
    return [replace(row, notes=(*row.notes, *dict.fromkeys(notes.get((row.who, row.exercise), ())))) for row in rows]


def _overridden(rows, overrides):
    """Return the rows with points given by hand, which override counted with what was marked, and what fits nobody."""
    rows, counted, problems = list(rows), [], []
    for override in overrides:
        fits = [index for index, row in enumerate(rows) if override.is_for(row.who)]
        wanted = [index for index in fits if rows[index].exercise == override.exercise]
        if len(wanted) == 1:
            row = rows[wanted[0]]
            note = f"points by hand: {number(row.points)} to {number(override.points)}, {override.note}"
            rows[wanted[0]] = replace(row, points=override.points, notes=(*row.notes, note))
            counted.append((override, row.points))
        elif not fits:
            problems.append(f"{override.place}: there is no record of “{shorten(override.learner)}”; it is skipped")
        elif wanted:
            problems.append(f"{override.place}: “{shorten(override.learner)}” is in two classes; name the class")
        else:
            problems.append(f"{override.place}: {override.exercise} is not among the exercises marked; it is skipped")
    return rows, counted, problems


def _accounts(found, names):
    """Return under whose name several accounts have handed in, and which accounts under several names."""
    several = {who: ", ".join(sorted(accounts)) for who, accounts in found.items() if len(accounts) > 1}
    told = [f"{shown_name(names[who])}: from the accounts {accounts}" for who, accounts in several.items()]
    for account in sorted(set().union(*found.values())):
        under = [shown_name(names[who]) for who, accounts in found.items() if account in accounts]
        told += [f"the account {account}: for {', '.join(under)}"] if len(under) > 1 else []
    return tuple(told)


def _unknown(handed, names):
    ids = {each.id for each in bank()}
    found = {(line.who, line.event["exercise"]) for line in handed.lines if "exercise" in line.event}
    return tuple(f"{shown_name(names[who])}: no exercise “{shorten(id)}”" for who, id in sorted(found) if id not in ids)


# ----------------------------------------------------------------------------------------------------------- processes


@dataclass(frozen=True)
class Task:
    """One learner to be marked: lines in the order of their time, and the ids of exercises that get a row each."""

    lines: tuple[Line, ...]
    name: Who
    exercises: tuple[str, ...]
    most: int | None = None
    course: Class | None = None

    @property
    def answers(self) -> int:
        """How many answers there are to mark."""
        return sum(line.event["kind"] == "answer" for line in self.lines)

    @property
    def weight(self) -> int:
        """How many answers that would take as long: one to the capstone renders a session."""
        ids = [line.event["exercise"] for line in self.lines if line.event["kind"] == "answer"]
        return sum(_A_SESSION if exercise(id).series else 1 for id in ids)


Done = tuple[list[Answer], list[Disagreement], list[Row]]


def processes_for(tasks: Sequence[Task]) -> int:
    """Return how many processes are worth starting: each takes seconds to begin, so a small class has none."""
    wanted = sum(task.weight for task in tasks) // _WORTH_A_PROCESS
    return max(1, min(wanted, len(tasks), os.cpu_count() or 1, _MOST_PROCESSES))


def work(
    tasks: Sequence[Task], processes: int | None, done: Callable[[], None], keep: Path | None = None
) -> Iterator[Done]:
    """Yield answers, disagreements and rows of every learner, in the order of the tasks; a process that ends raises."""
    processes = processes_for(tasks) if processes is None else processes
    if processes == 1:
        remember_in(keep)
        try:
            yield from (_mark(task, done) for task in tasks)
        finally:
            remember_in(None)
        return
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(processes, mp_context=context, initializer=_begin, initargs=(keep,))
    try:
        for task, result in zip(tasks, pool.map(_mark, tasks), strict=True):
            for _ in range(task.answers):
                done()
            yield result
    except BrokenProcessPool:
        raise GainlibError("a process that marks ended before its time; try again with one process only") from None
    finally:
        pool.shutdown(cancel_futures=True)


def _mark(task: Task, done: Callable[[], None] = lambda: None) -> Done:
    answers, disagreements = mark_again(task.lines, task.name, done)
    chosen = [exercise(id) for id in task.exercises]
    return answers, disagreements, learner_rows(task.lines, task.name, answers, chosen, task.most, task.course)


def _begin(keep):
    """Begin a process that marks: it ends at once and without a traceback when interrupted; the parent says it."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    remember_in(keep)
