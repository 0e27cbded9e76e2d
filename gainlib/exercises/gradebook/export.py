"""The class's marks written out: a table for a learning platform or a spreadsheet, and a page to read and to print."""

import csv
from datetime import UTC, datetime
from pathlib import Path

from markupsafe import Markup

from gainlib import __version__
from gainlib.audio import replacing
from gainlib.exercises.bank import bank
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.result import Gradebook
from gainlib.exercises.gradebook.rows import Row
from gainlib.exercises.text import shorten
from gainlib.levels.printing import number
from gainlib.mix.sheet_files import one_line, tame
from gainlib.mix.sheet_page import templates

HEADING = (
    *("learner", "class", "lab", "exercise", "attempts", "tries", "hints", "spent", "shown", "mastered"),
    *("points", "max", "state", "time", "variant", "notes"),
)
_SIGNS = {
    "right": ("✓", "right"), "partly": ("◐", "partly right"), "wrong": ("✗", "wrong"),
    "unattempted": ("–", "not tried"),
}  # fmt: skip


def write_csv(path: str | Path, book: Gradebook) -> None:
    """Write a line a learner and exercise: UTF-8, comma between cells, point in numbers, no cell that is a formula."""
    with replacing(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(HEADING)
        writer.writerows(_cells(row) for row in book.rows)


def _cells(row: Row):
    points = (plain_number(row.points), plain_number(row.max_points))
    who = (tame(row.learner), tame(row.class_code), row.lab, row.exercise)
    done = (row.attempts, row.tries, row.hints, row.spent, row.shown, "yes" if row.mastered else "no")
    return (*who, *done, *points, row.state, row.time, row.variant, tame("; ".join(row.notes)))


def plain_number(value: float) -> str:
    """Return points with a point and as many decimals as they have, four at most.

    Examples
    --------
    >>> plain_number(2.0), plain_number(1.7), plain_number(0.85)
    ('2', '1.7', '0.85')
    """
    return f"{round(value, 4):.4f}".rstrip("0").rstrip(".")


def write_html(path: str | Path, book: Gradebook, now: datetime | None = None) -> None:
    """Write the page."""
    with replacing(path) as part:
        part.write_text(page(book, now), encoding="utf-8")


def page(book: Gradebook, now: datetime | None = None) -> str:
    """Return the page as HTML that needs no other file, dated `now`."""
    pages = templates("gainlib.exercises.gradebook")
    pages.filters |= {"said": _said, "number": number, "shorten": shorten, "counted": _counted, "zip": zip}
    return pages.get_template("gradebook.html").render(
        book=book,
        learners=len({row.who for row in book.rows}),
        when=(now or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC"),
        version=__version__,
        titles={each.id: each.title for each in bank()},
        signs=_SIGNS,
        shown_name=shown_name,
    )


def _said(text: str, longest: int = 400) -> Markup:
    """Return a text of unknown origin, escaped, its direction of reading kept to itself."""
    shown = one_line(text)
    shown = shown if len(shown) <= longest else f"{shown[: longest - 1]}…"
    return Markup("<bdi>{}</bdi>").format(shown) if shown else Markup("")


def _counted(count, what):
    return f"{count} {what}{'' if count == 1 else 's'}"
