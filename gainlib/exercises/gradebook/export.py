"""The class's marks written out: tables for a learning platform or a spreadsheet, a page for the teacher, feedback."""

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from itertools import groupby
from pathlib import Path

from markupsafe import Markup

from gainlib import __version__
from gainlib.audio import GainlibError, replacing
from gainlib.exercises.bank import bank
from gainlib.exercises.gradebook import talk
from gainlib.exercises.gradebook.lists import Listed
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.result import Gradebook
from gainlib.exercises.gradebook.rows import Row
from gainlib.exercises.text import shorten
from gainlib.levels.printing import number
from gainlib.mix.sheet_files import one_line, tame
from gainlib.mix.sheet_page import templates
from gainlib.words import count

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
    titles = {each.id: each.title for each in bank()}
    worth = {row.exercise: row.max_points for row in book.rows}
    items = [tame(f"{id} {titles[id]} ({form.number(most)})") for id, most in sorted(worth.items())]
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
            lines.append((*_who(book, row), row.exercise, place, tame(label), state, *sums))
    _write(path, lines, form)


def _write(path, lines, form):
    encoding, between = ("utf-8-sig" if form.bom else "utf-8"), (";" if form.comma else ",")
    with replacing(path) as part, part.open("w", encoding=encoding, newline="") as file:
        csv.writer(file, lineterminator="\n", delimiter=between).writerows(lines)


def _who(book, row):
    listed = next((each for each in book.listed if each.is_for(row.who)), Listed(row.learner))
    return tuple(map(tame, (listed.learner, listed.id, listed.mail, row.class_code)))


def _cells(row: Row, form: Form):
    who = (tame(row.learner), tame(row.class_code), row.lab, row.exercise)
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


def write_html(path: str | Path, book: Gradebook, now: datetime | None = None) -> None:
    """Write the page."""
    with replacing(path) as part:
        part.write_text(page(book, now), encoding="utf-8")


def page(book: Gradebook, now: datetime | None = None) -> str:
    """Return the page as HTML that needs no other file, dated `now`."""
    labs = sorted({row.lab for row in book.rows})
    return _render(
        "gradebook.html",
        now,
        book=book,
        learners=by_learner(book.rows),
        labs=[(lab, by_learner(row for row in book.rows if row.lab == lab)) for lab in labs],
        talk=talk,
        shown_name=shown_name,
    )


def write_feedback(folder: str | Path, book: Gradebook, now: datetime | None = None) -> int:
    """Write a page to give back into a folder for every learner with an answer, and return how many.

    Raises
    ------
    GainlibError
        When the folder cannot be made.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise GainlibError(f"{folder}: cannot be made ({problem.strerror or problem}); choose another folder") from None
    taken: set[str] = set()
    for own in by_learner(book.rows):
        if any(row.counts for row in own):
            with replacing(folder / f"{_file_name(own[0], taken)}.html") as part:
                part.write_text(feedback(own, now, book.total(own)), encoding="utf-8")
    return len(taken)


def feedback(rows: Sequence[Row], now: datetime | None = None, total: tuple[float, float] | None = None) -> str:
    """Return the page for one learner as HTML that needs no other file; nobody else is on it."""
    return _render("feedback.html", now, rows=rows, talk=talk, total=total or Gradebook().total(rows))


def _file_name(row, taken):
    """Return a name that every system can write and none has yet; `taken` holds those in small letters."""
    kept = re.sub(r"[^\w-]+", " ", f"{row.class_code} {row.learner}").strip()[:80] or "no name"
    name = next(each for n in range(1, 10**6) if (each := kept if n == 1 else f"{kept} {n}").casefold() not in taken)
    taken.add(name.casefold())
    return name


def _render(template, now, **values):
    pages = templates("gainlib.exercises.gradebook")
    pages.filters |= {"said": _said, "number": number, "shorten": shorten, "counted": count, "zip": zip}
    when = (now or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC")
    titles = {each.id: each.title for each in bank()}
    return pages.get_template(template).render(when=when, version=__version__, titles=titles, signs=_SIGNS, **values)


def _said(text: str, longest: int = 400) -> Markup:
    """Return a text of unknown origin, escaped, its direction of reading kept to itself."""
    shown = one_line(text)
    shown = shown if len(shown) <= longest else f"{shown[: longest - 1]}…"
    return Markup("<bdi>{}</bdi>").format(shown) if shown else Markup("")
