"""The class's marks written out: tables for a learning platform or a spreadsheet, a page for the teacher, feedback."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from itertools import groupby
from pathlib import Path

from gainlib.audio import GainlibError, write_whole
from gainlib.exercises.bank import bank, exercise
from gainlib.exercises.gradebook.lists import Listed
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.result import Gradebook
from gainlib.exercises.gradebook.rows import Row
from gainlib.exercises.text import shorten
from gainlib.words import bdi, csv_text, one_line, tame, templates

HEADING = (
    *("learner", "class", "lab", "exercise", "attempts", "tries", "hints", "spent", "shown", "mastered"),
    *("points", "max", "state", "time", "variant", "notes", "slips"),
)
QUESTIONS = ("learner", "id", "e-mail", "class", "exercise", "part", "asked", "state", "points", "max")
_SIGNS = {
    "right": ("✓", "right"), "partly": ("◐", "partly right"), "wrong": ("✗", "wrong"),
    "unattempted": ("–", "not tried"),
}  # fmt: skip


@dataclass(frozen=True)
class Form:
    """How a table is written.

    Attributes
    ----------
    comma : bool
        Comma as decimal sign, and then a semicolon between cells.
    bom : bool
        Whether the mark that some spreadsheets need to see UTF-8 stands in front.
    zone : tzinfo
        Time zone of the times.
    """

    comma: bool = False
    bom: bool = False
    zone: tzinfo = UTC

    def number(self, value: float) -> str:
        """Return points as this table has them."""
        return plain_number(value).replace(".", "," if self.comma else ".")

    def time(self, text: str) -> str:
        """Return a time of a row in the zone of this table."""
        if not text or self.zone is UTC:
            return text
        return datetime.fromisoformat(text).astimezone(self.zone).isoformat(timespec="seconds")


PLAIN = Form()


def write_csv(path: str | Path, book: Gradebook, form: Form = PLAIN) -> None:
    """Write a line a learner and exercise: UTF-8, no cell that is a formula."""
    _write(path, [HEADING, *(_cells(row, form) for row in book.rows)], form)


def write_wide(path: str | Path, book: Gradebook, form: Form = PLAIN) -> None:
    """Write a line a learner and a column an exercise, with id and e-mail as the class list has them."""
    worth = {row.exercise: row.max_points for row in book.rows}
    items = [f"{_titled(id)} ({form.number(most)})" for id, most in sorted(worth.items())]
    lines = [("name", "id", "e-mail", "class", *items, "total", "max")]
    for own in by_learner(book.rows):
        points = {row.exercise: row.points for row in own}
        cells = [form.number(points[id]) if id in points else "" for id in sorted(worth)]
        lines.append((*_who(book, own[0]), *cells, *map(form.number, book.total(own))))
    _write(path, lines, form)


def write_questions(path: str | Path, book: Gradebook, form: Form = PLAIN) -> None:
    """Write a line for every part of every answer that counts, before hints and points by hand."""
    lines = [QUESTIONS]
    for row in book.rows:
        for place, (label, state, points, most) in enumerate(row.parts, start=1):
            sums = (form.number(points), form.number(most))
            lines.append((*_who(book, row), _titled(row.exercise), place, tame(label), state, *sums))
    _write(path, lines, form)


def _write(path, lines, form):
    encoding, between = ("utf-8-sig" if form.bom else "utf-8"), (";" if form.comma else ",")
    write_whole(path, csv_text(lines, between), encoding)


def _who(book, row):
    listed = next((each for each in book.listed if each.is_for(row.who)), Listed(row.learner))
    return tuple(map(tame, (listed.learner, listed.id, listed.mail, row.class_code)))


def _titled(id):
    """Return an exercise's id with its title: alone a spreadsheet takes 05-2 for a date."""
    return tame(f"{id} {exercise(id).title}")


def _cells(row: Row, form: Form):
    who = (tame(row.learner), tame(row.class_code), row.lab, _titled(row.exercise))
    done = (row.attempts, row.tries, row.hints, row.spent, row.shown, "yes" if row.mastered else "no")
    points = (form.number(row.points), form.number(row.max_points), row.state, form.time(row.time), row.variant)
    return (*who, *done, *points, tame("; ".join(row.notes)), tame("; ".join(row.slips)))


def plain_number(value: float) -> str:
    """Return points with a point and as many decimals as they have, four at most.

    Examples
    --------
    >>> plain_number(2.0), plain_number(1.7), plain_number(0.85)
    ('2', '1.7', '0.85')
    """
    return f"{round(value, 4):.4f}".rstrip("0").rstrip(".")


def by_learner(rows: Iterable[Row]) -> list[tuple[Row, ...]]:
    """Return each learner's rows, in the order they come in."""
    return [tuple(own) for _, own in groupby(rows, key=lambda row: row.who)]


# --------------------------------------------------------------------------------------------------------------- pages


def write_html(path: str | Path, book: Gradebook) -> None:
    """Write the page."""
    write_whole(path, page(book))


def page(book: Gradebook) -> str:
    """Return the page as HTML that needs no other file."""
    labs = sorted({row.lab for row in book.rows})
    return _render(
        "gradebook.html",
        book=book,
        learners=by_learner(book.rows),
        labs=[(lab, by_learner(row for row in book.rows if row.lab == lab)) for lab in labs],
    )


def write_feedback(folder: str | Path, book: Gradebook) -> int:
    """Write a page to give back into a folder for every learner with an answer, and return how many."""
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise GainlibError(f"{folder}: cannot be made ({problem.strerror or problem}); choose another folder") from None
    taken: set[str] = set()
    for own in by_learner(book.rows):
        if any(row.counts for row in own):
            write_whole(folder / f"{_file_name(own[0], taken)}.html", feedback(own, book.total(own)))
    return len(taken)


def feedback(rows: Sequence[Row], total: tuple[float, float] | None = None) -> str:
    """Return the page for one learner as HTML that needs no other file; nobody else is on it."""
    return _render("feedback.html", rows=rows, total=total or Gradebook().total(rows))


def _file_name(row, taken):
    """Return a name that every system can write and none has yet; `taken` holds those in small letters."""
    kept = re.sub(r"[^\w-]+", " ", f"{row.class_code} {row.learner}").strip()[:80] or "no name"
    name = next(each for n in range(1, 10**6) if (each := kept if n == 1 else f"{kept} {n}").casefold() not in taken)
    taken.add(name.casefold())
    return name


def _render(template, **values):
    pages = templates("gainlib.exercises.gradebook")
    pages.filters |= {"said": _said, "shorten": shorten, "zip": zip}
    told = (cases, progress, remarks, shown_name, slip_in_words, to_talk_about)
    pages.globals |= {each.__name__: each for each in told}
    when = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    titles = {each.id: each.title for each in bank()}
    return pages.get_template(template).render(when=when, titles=titles, signs=_SIGNS, **values)


def _said(text: str, longest: int = 400) -> str:
    """Return a text of unknown origin for a page, its direction of reading kept to itself; nothing stays nothing."""
    shown = one_line(text)
    shown = shown if len(shown) <= longest else f"{shown[: longest - 1]}…"
    return shown and bdi(shown)


# ---------------------------------------------------------------------------------------- what a teacher reads and says


_TOLD = 2
_TALKED = 3


def cases(book: Gradebook) -> tuple[str, ...]:
    """Return a line for each learner whose record disagrees: what, in which exercises, and where it begins."""
    found: dict = {}
    for each in book.disagreements:
        sentence = each.sentence.partition(" (written by")[0]
        found.setdefault(each.who, {}).setdefault(sentence, []).append(each)
    return tuple(f"{shown_name(book.names[who])}: {_case(kinds)}" for who, kinds in found.items())


def _case(kinds):
    told = [f"{_ids(lines)}{sentence}" for sentence, lines in list(kinds.items())[:_TOLD]]
    more = sum(len(lines) for lines in list(kinds.values())[_TOLD:])
    first = next(iter(kinds.values()))[0]
    return "; ".join([*told, *([f"and {more} more lines"] if more else [])]) + f" [{first.line}]"


def _ids(lines):
    ids = sorted({each.exercise for each in lines} - {""})
    return f"{', '.join(ids)}: " if ids else ""


def remarks(book: Gradebook, rows: Sequence[Row]) -> str:
    """Return the notes on one learner's exercises on one line, without what a case tells already."""
    told = {each.sentence for each in book.disagreements}
    kept = {row.exercise: [note for note in row.notes if note not in told and not _elsewhere(note)] for row in rows}
    return ". ".join(f"{id}: {'; '.join(notes)}" for id, notes in kept.items() if notes)


def _elsewhere(note):
    return note == "nothing handed in" or note.startswith("the answer of ")


def slip_in_words(id: str, name: str) -> str:
    """Return the first sentence of what a learner is told who makes a mistake, as it is named in a row.

    Examples
    --------
    >>> slip_in_words("00-1", "hours")
    'You gave hours; the question asks for minutes.'
    """
    sentence = next((slip.sentence for slip in exercise(id).slips if slip.name == name), name)
    return re.split(r"(?<=[.!?])\s", sentence)[0]


def progress(rows: Sequence[Row]) -> str:
    """Return how far one learner has come, in a few words."""
    tried, right = sum(row.counts for row in rows), sum(row.state == "right" for row in rows)
    last = max((row.time for row in rows), default="")
    mastered = sum(row.mastered for row in rows)
    when = f", last on {last[:10]}" if last else ""
    return f"{tried} of {len(rows)} exercises tried, {right} right, {mastered} mastered{when}"


def to_talk_about(rows: Sequence[Row]) -> tuple[str, ...]:
    """Return what one learner has not solved, the most tried first, with a mistake that was recognised in words."""
    open_ = sorted((row for row in rows if row.counts and row.state != "right"), key=lambda row: -row.tries)
    return tuple(
        f"{_titled(row.exercise)} ({row.tries} {'try' if row.tries == 1 else 'tries'})"
        + (f": {slip_in_words(row.exercise, row.slips[-1])}" if row.slips else "")
        for row in open_[:_TALKED]
    )
