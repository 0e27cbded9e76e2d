"""What a teacher reads and says: a line a case, mistakes in words, how far somebody is, and what to talk about."""

import re
from collections.abc import Sequence

from gainlib.exercises.bank import exercise
from gainlib.exercises.gradebook.marks import shown_name
from gainlib.exercises.gradebook.result import Gradebook
from gainlib.exercises.gradebook.rows import Row

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
        f"{row.exercise} {exercise(row.exercise).title} ({row.tries} {'try' if row.tries == 1 else 'tries'})"
        + (f": {slip_in_words(row.exercise, row.slips[-1])}" if row.slips else "")
        for row in open_[:_TALKED]
    )
