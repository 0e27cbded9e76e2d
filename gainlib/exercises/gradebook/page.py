"""The class's marks as a page to read and to print: tables with headings and captions, no colour needed.

Names and notes are what somebody typed: every text goes through :func:`_said`, which escapes it and keeps its direction
of reading to itself.
"""

import html
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from gainlib import __version__
from gainlib.audio import replacing
from gainlib.exercises.bank import bank
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.result import Gradebook
from gainlib.exercises.gradebook.rows import Row
from gainlib.exercises.gradebook.sheet import one_line
from gainlib.exercises.text import shorten
from gainlib.levels.printing import number

SIGNS = {"right": "✓", "partly": "◐", "wrong": "✗", "unattempted": "–"}
_WORDS = {"right": "right", "partly": "partly right", "wrong": "wrong", "unattempted": "not tried"}
_LONGEST = 80

STYLE = """
@page { size: A4 landscape; margin: 12mm; }
body { margin: 0; background: #ffffff; color: #000000; font: 14px/1.4 system-ui, "DejaVu Sans", sans-serif; }
main { max-width: 1100px; margin: 0 auto; padding: 8px 16px 24px; }
h1 { font-size: 22px; margin: 8px 0 2px; }
h2 { font-size: 18px; margin: 18px 0 4px; border-bottom: 2px solid #000000; }
h3 { font-size: 15px; margin: 10px 0 2px; }
p { margin: 2px 0; }
ul { margin: 2px 0 2px 20px; padding: 0; }
li { overflow-wrap: anywhere; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; margin: 4px 0; }
caption { text-align: left; padding: 2px 0 4px; }
th, td { border: 1px solid #767676; padding: 2px 8px; text-align: left; vertical-align: top; overflow-wrap: anywhere; }
tbody th { font-weight: 600; max-width: 22em; }
td { text-align: right; white-space: nowrap; }
td:has(bdi) { text-align: left; white-space: normal; }
abbr { text-decoration: none; }
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }
@media print {
  main { max-width: none; padding: 0; }
  thead { display: table-header-group; }
  tr, li { break-inside: avoid; }
  body { font-size: 11px; }
}
"""


def write_html(path: str | Path, book: Gradebook, now: datetime | None = None) -> None:
    """Write the page.

    Parameters
    ----------
    path : path
        Replaced when the new file is whole.
    book : Gradebook
        The marks.
    now : datetime or None
        Printed as the date; now by default.

    Raises
    ------
    GainlibError
        When the file cannot be written.
    """
    with replacing(path) as part:
        part.write_text(page(book, now), encoding="utf-8")


def page(book: Gradebook, now: datetime | None = None) -> str:
    """Return the page as HTML that needs no other file.

    Parameters
    ----------
    book : Gradebook
        The marks.
    now : datetime or None
        Printed as the date; now by default.

    Returns
    -------
    str
        A whole document.
    """
    when = (now or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC")
    learners = len({row.who for row in book.rows})
    about = (
        f"{_count(learners, 'learner')}, {_count(book.files, 'record file')}, marked {when} by version {__version__}"
    )
    body = "".join(
        (
            f"<h1>Gradebook</h1><p>{about}. For the teacher: this page holds names.</p>",
            _to_look_at(book),
            *(_lab(lab, book) for lab in sorted({row.lab for row in book.rows})),
            _exercises(book),
            _by_hand(book),
        )
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Gradebook</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{STYLE}</style></head><body><main>{body}</main></body></html>\n"
    )


# ---- findings --------------------------------------------------------------------------------------------------------


def _to_look_at(book):
    copied = [
        f"{_name(book, each.who)}: {_said(each.sentence(shown_name(book.names[each.source])))}" for each in book.copied
    ]
    disagree = [
        f"{_name(book, each.who)}{f', {_said(each.exercise)}' if each.exercise else ''}: {_said(each.sentence)} "
        f"<small>({_said(str(each.line))})</small>"
        for each in book.disagreements
    ]
    parts = (
        _list("Handed in nothing", map(_said, book.nothing)),
        _list("Not on the class list", map(_said, book.unlisted)),
        _list(
            "Records that disagree with what comes out", disagree, "Marked by the numbers the learner must have had."
        ),
        _list("Answers that fit somebody else’s numbers", copied, "A reason to ask, not a proof."),
        _list("Exercises that are none", map(_said, book.unknown)),
        _list("Could not be read", map(_said, book.problems), "Everything else counts."),
    )
    found = "".join(parts)
    return f"<section><h2>To look at</h2>{found or '<p>Nothing.</p>'}</section>"


def _list(title, entries: Iterable[str], remark=""):
    lines = "".join(f"<li>{entry}.</li>" for entry in entries)
    note = f"<p>{remark}</p>" if remark else ""
    return f"<h3>{title}</h3>{note}<ul>{lines}</ul>" if lines else ""


# ---- tables ----------------------------------------------------------------------------------------------------------


def _lab(lab, book):
    """Return the table of a lab: a line a learner, a column an exercise."""
    rows = [row for row in book.rows if row.lab == lab]
    ids = sorted({row.exercise for row in rows})
    titles = {each.id: each.title for each in bank()}
    worth = {row.exercise: row.max_points for row in rows}
    heads = [
        "class",
        *(f"<abbr title='{html.escape(titles[id])}'>{id}</abbr> of {number(worth[id])}" for id in ids),
        "all",
    ]
    learners: dict = {}
    for row in rows:
        learners.setdefault(row.who, {})[row.exercise] = row
    lines = [_learner(own, ids) for own in learners.values()]
    key = ", ".join(f"{SIGNS[state]} {word}" for state, word in _WORDS.items())
    caption = f"Lab {lab}: points after hints ({key}; * see notes)"
    return f"<section><h2>Lab {lab}</h2>{_table(caption, ['learner', *heads], lines)}{_notes(rows)}</section>"


def _learner(own: dict[str, Row], ids):
    first = next(iter(own.values()))
    points = sum(row.points for row in own.values())
    cells = [_mark(own[id]) if id in own else "" for id in ids]
    return [_said(first.learner) or "no name", _said(first.class_code), *cells, f"<b>{number(round(points, 2))}</b>"]


def _mark(row):
    sign = f"<span aria-hidden='true'>{SIGNS[row.state]}</span><span class='unseen'>{_WORDS[row.state]}</span>"
    star = " *" if row.notes else ""
    return f"{sign} {number(round(row.points, 2))}{star}"


def _notes(rows):
    noted = [row for row in rows if row.notes and row.notes != ("nothing handed in",)]
    entries = (f"<b>{_said(row.learner)}</b>, {row.exercise}: {_said('; '.join(row.notes), 2000)}" for row in noted)
    return _list("Notes", entries)


def _exercises(book):
    if not book.items:
        return ""
    titles = {each.id: each.title for each in bank()}
    lines = [
        [
            f"{item.exercise} {_said(titles[item.exercise])}",
            str(item.tried),
            str(item.right),
            *(_figure(value) for value in (item.facility, item.first, item.discrimination)),
        ]
        for item in book.items
    ]
    heads = ["exercise", "tried by", "right", "facility", "right at once", "discrimination"]
    said = (
        "Facility: mean share of the points among those who tried. Right at once: share of them whose first answer was "
        "right. Discrimination: correlation with the rest of a learner’s exercises, from ten learners on."
    )
    return f"<section><h2>Exercises</h2>{_table('How hard the exercises were', heads, lines)}<p>{said}</p></section>"


def _by_hand(book):
    if not book.overrides:
        return ""
    lines = [
        [
            _said(override.learner),
            _said(override.class_code or ""),
            override.exercise,
            number(round(marked, 2)),
            number(override.points),
            _said(override.note, 2000),
        ]
        for override, marked in book.overrides
    ]
    heads = ["learner", "class", "exercise", "marked", "by hand", "note"]
    return (
        f"<section><h2>Points by hand</h2>{_table('What counts instead of the mark, and why', heads, lines)}</section>"
    )


def _table(caption: str, heads: Sequence[str], lines: Sequence[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{each}</th>' for each in heads)
    body = "".join(
        f'<tr><th scope="row">{line[0]}</th>{"".join(f"<td>{cell}</td>" for cell in line[1:])}</tr>' for line in lines
    )
    return f"<table><caption>{caption}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


# ---- texts -----------------------------------------------------------------------------------------------------------


def _said(text: str, longest: int = 400) -> str:
    """Return a text of unknown origin, escaped, its direction of reading kept to itself."""
    shown = one_line(text)
    shown = shown if len(shown) <= longest else f"{shown[: longest - 1]}…"
    return f"<bdi>{html.escape(shown)}</bdi>" if shown else ""


def _name(book, who):
    return f"<b>{_said(shorten(shown_name(book.names[who]), _LONGEST))}</b>"


def _figure(value):
    return "" if value is None else number(value, 2)


def _count(count, what):
    return f"{count} {what}{'' if count == 1 else 's'}"
