"""Who is who: one learner under two spellings of a name, and names in the order of a class register.

Numbers are drawn for a name as it was typed, so each spelling is marked by its own; only then the marks are put
together.
"""

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.classcode import without_tag
from gainlib.exercises.gradebook.lists import CLASS, cell, column, same_name, table
from gainlib.exercises.gradebook.rows import Row

Who = tuple[str, str]
_ALSO, _IS = ("also", "alias"), ("learner", "name", "is")


def read_aliases(path: str | Path) -> dict[Who | str, str]:
    """Read a table with the columns ``also`` (a name in the records), ``learner`` (whose it is) and perhaps ``class``.

    Raises
    ------
    GainlibError
        When the file cannot be read, or holds no such columns.
    """
    rows = table(path)
    heading = [text.casefold() for text in rows[0][2]] if rows else []
    also, learner, group = (column(heading, names) for names in (_ALSO, _IS, CLASS))
    if also is None or learner is None:
        raise GainlibError(f"{path}: the heading lacks also or learner; it needs also, learner and, if wanted, class")
    found = {}
    for line, _, cells in rows[1:]:
        one, other = cell(cells, also), cell(cells, learner)
        if not one or not other:
            raise GainlibError(
                f"{path}, line {line}: a name is missing; write the name in the record, then whose it is"
            )
        found[same_name(one) if group is None else (same_name(without_tag(cell(cells, group))), same_name(one))] = other
    return found


def persons(names: Mapping[Who, Who], aliases: Mapping[Who | str, str]) -> dict[Who, Who]:
    """Return class code and name to show of whoever stands behind each class code and name in normal form."""
    shown: dict[Who, Who] = {}
    found = {}
    for who, (class_code, learner) in names.items():
        class_code = without_tag(class_code)
        one = (same_name(class_code), same_name(learner))
        name = aliases.get(one, aliases.get(one[1], learner))
        written = (" ".join(class_code.split()), " ".join(name.split()))
        found[who] = shown.setdefault((one[0], same_name(name)), written)
    return found


def merged(rows: Iterable[Row], person: Mapping[Who, Who]) -> list[Row]:
    """Return a row for each learner and exercise; of several spellings the best counts, and a note says so."""
    groups: dict[tuple[Who, str], list[Row]] = {}
    for row in rows:
        groups.setdefault((person[row.who], row.exercise), []).append(row)
    return [_one(own, name) for (name, _), own in groups.items()]


def _one(own: Sequence[Row], name):
    best = max(own, key=lambda row: (row.points, row.counts))
    others = [_other(row, best) for row in own if row is not best and row.tries]
    notes = (f"also answered {', '.join(others)}; the best counts",) if others else ()
    sums = {each: sum(getattr(row, each) for row in own) for each in ("attempts", "hints", "tries", "spent", "shown")}
    slips = tuple(dict.fromkeys(slip for row in own for slip in row.slips))
    once = {"mastered": any(row.mastered for row in own), "slips": slips, "notes": (*best.notes, *notes)}
    return replace(best, class_code=name[0], learner=name[1], **sums, **once)


def _other(row, best):
    if row.class_code != best.class_code and row.learner == best.learner:
        return f"with class code “{row.class_code}”" if row.class_code else "without a class code"
    return f"as “{row.learner}”"


def collated(name: str) -> str:
    """Return what a name is sorted by: letters without their accents, whatever the case.

    Examples
    --------
    >>> sorted(["Zoe", "Émilie", "adam"], key=collated)
    ['adam', 'Émilie', 'Zoe']
    """
    letters = unicodedata.normalize("NFKD", name.casefold())
    return " ".join("".join(sign for sign in letters if not unicodedata.combining(sign)).split())
