"""Sheets as comma-separated values and as a page to print, and the difference between two of them.

CSV is UTF-8, comma between cells, point in numbers, −∞ as ``-inf``, nothing where there is no figure. The level sheet
has a line for each stem; the plan sheet one for each strip, group and the master, as ``console`` has them. A text that
a spreadsheet would take for a formula gets an apostrophe in front, which :func:`difference` takes off again.

The page is HTML that needs no other file, on A4 and Letter, landscape, in black and white. Its first sheet of paper has
a line for each strip, group and the master, 24 strips of them; all else is appendix. Nothing is said by colour alone.
Names are what somebody typed: every text is escaped, and passes :func:`~gainlib.words.one_line`.
"""

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, fields

from markupsafe import escape

from gainlib.audio import GainlibError
from gainlib.errors import STILL_READ, renamed
from gainlib.meters import Reading
from gainlib.mix.console import LEGEND, InsertRow, cell_text, console_table
from gainlib.mix.findings import FORMER_TAGS
from gainlib.mix.moves import said_once
from gainlib.mix.sheet import SAFETY, Sheet, bus_rows, file_format, hand_off, noise_notes
from gainlib.session.strip import BUS
from gainlib.words import csv_text, number, one_line, tame, templates

READING = tuple(field.name for field in fields(Reading))
LEVELS = ("strip", "format", "channels", "rate_hz", "frames", *READING, "noise_dbfs", "correlation", "side_db", "flags")
PLAN = ("strip", "kind", "source", "switches", "trim_db")
"""What a plan sheet begins with; processors and sends follow, as many as there are, and then the rest."""
FORMER_PLAN = ("kind", "strip", "item", "processor", "unit", "before", "after", "place", "reason")
OLD_PLAN = f"a plan sheet has a line for each strip now; one with a line for each setting {STILL_READ}"
LIMIT_DB = 0.1
DRIFT_DB = 1.0
# What counts as a change where the unit is no decibel.
LIMITS = {"activity": 0.02, "dc_offset": 0.001, "correlation": 0.05, "flat_runs": 0.5, "pan": 0.005}
LIMITS |= dict.fromkeys(("channels", "rate_hz", "frames"), 0.5)
FORMER = {"post trim": "output trim"}
"""What stands otherwise in sheets of the version before, which are read for one more."""
COLUMNS = {
    "A": "polarity, DC block",
    "B": "input trim",
    "C": "processors",
    "D": "output trim",
    "E": "fader",
    "F": "pan",
    "G": "sends",
}
"""Where each column of the page sits; the letters stand in the drawing of a channel as well."""


def level_csv(sheet: Sheet) -> str:
    """Return the level sheet: a line for each stem."""
    formats = {strip.name: file_format(strip) for strip in sheet.found.strips}
    rows = (
        [
            *(tame(stem.name), formats[stem.name], stem.channels, stem.rate_hz, stem.frames),
            *(_cell(getattr(stem.reading, name)) for name in READING),
            *(_cell(stem.noise_dbfs), _cell(stem.correlation), _cell(stem.side_db)),
            "; ".join(dict.fromkeys(stem.tags)),
        ]
        for stem in sheet.stems
    )
    return csv_text([LEVELS, *rows])


def plan_csv(sheet: Sheet) -> str:
    """Return the plan sheet: a line for each strip, group and the master."""
    most, of_insert = max(len(row.inserts) for row in sheet.rows), [field.name for field in fields(InsertRow)]
    targets = dict.fromkeys(send.to for row in sheet.rows for send in row.sends)
    head = [*PLAN, *(f"insert_{k}_{name}" for k in range(1, most + 1) for name in of_insert)]
    head += ["output_trim_db", "fader_db", "pan", *(name for to in targets for name in (f"send_{to}_db", f"tap_{to}"))]
    head += [*_OF_BUS, "moves"]
    reading, rows = sheet.after.stem.reading, []
    for row in sheet.rows:
        cells = vars(row) | {"strip": row.name, "switches": "; ".join(row.switches), "moves": "; ".join(row.moves)}
        for k, each in enumerate(row.inserts, 1):
            cells |= {f"insert_{k}_{name}": getattr(each, name) for name in of_insert}
        for send in row.sends:
            cells |= {f"send_{send.to}_db": send.level_db, f"tap_{send.to}": send.tap}
        if row.kind == "master":
            cells |= zip(_OF_BUS, (reading.true_peak_dbtp, reading.loudness_lufs), strict=True)
        rows.append([_rounded(cells.get(name), 2 if name in ("pan", *_OF_BUS) else 1) for name in head])
    return csv_text([map(tame, head), *rows])


def _rounded(value, decimals=1):
    """Write a figure of a line with the decimals that it has everywhere; a text is tamed."""
    if isinstance(value, str):
        return tame(value)
    if value is None or isinstance(value, int):
        return "" if value is None else str(value)
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def _cell(value):
    """Write a number so that it can be read back; 1e-6 dB is finer than anything here."""
    if value is None:
        return ""
    if isinstance(value, int):
        return str(value)
    if not math.isfinite(value):
        return repr(float(value))
    return f"{value:.6f}".rstrip("0").rstrip(".") if abs(value) >= 5e-7 else "0"


# ---- a page to print -------------------------------------------------------------------------------------------------


def channel_drawing() -> str:
    """Return a channel of a mixer as a line of boxes: SVG, black on white, with a text for those who do not see it."""
    return templates("gainlib.mix").get_template("channel.svg").render()


def page(sheet: Sheet) -> str:
    """Return the sheets as a whole HTML document."""
    pages = templates("gainlib.mix")
    pages.finalize = lambda value: one_line(value) if type(value) is str else value
    pages.filters |= {
        "piece": _one_line_piece,
        "signed": lambda value: number(value, 1, signed=True),
        "flags": _flags,
    }
    return pages.get_template("sheet.html").render(
        sheet=sheet,
        drive={"restage": "reference", "keep": "unchanged"}[sheet.plan.policy],
        lines=(lines := list(console_table(sheet.rows))),
        size=_size(lines),
        columns=COLUMNS,
        legend=LEGEND,
        moved=said_once(sheet.plan.moves),
        safety=SAFETY,
        formats={strip.name: file_format(strip) for strip in sheet.found.strips},
        bus_rows=list(bus_rows(sheet.before, sheet.after)),
        noise_notes=list(noise_notes(sheet)),
        hand_off=list(hand_off(sheet)),
    )


def _size(lines):
    """Return the class of a table that has to fit one page."""
    letters = sum(len(cell_text(cell)) for _, cells in lines for cell in cells) / len(lines)
    return "" if len(lines) <= 16 else "many" if letters < 110 else "dense"


def _one_line_piece(text):
    """Keep the blanks at the ends of a piece, which part it from the next."""
    return escape(f"{text[: len(text) - len(text.lstrip(' '))]}{one_line(text)}{text[len(text.rstrip(' ')) :]}")


def _flags(stem):
    sure = {finding.tag: finding.sure for finding in stem.findings}
    return ", ".join(f"{tag}{'' if known else '?'}" for tag, known in sure.items())


# ---- difference ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Change:
    """One thing that differs between two sheets.

    Attributes
    ----------
    strip, item : str
    before, after : str
        As they stand in the sheets; empty where there is nothing.
    change : float or None
        After less before, where both are finite numbers.
    """

    strip: str
    item: str
    before: str
    after: str
    change: float | None


@dataclass(frozen=True)
class Difference:
    """What differs between two sheets of one kind.

    Attributes
    ----------
    changes : tuple of Change
    added, removed : tuple of str
        Strips that only the new or only the old sheet holds.
    """

    changes: tuple[Change, ...]
    added: tuple[str, ...]
    removed: tuple[str, ...]

    @property
    def drifted(self) -> tuple[str, ...]:
        """Strips whose active level moved by more than 1 dB, and with it the drive into what depends on level."""
        found = (each for each in self.changes if each.item == "active_dbfs")
        return tuple(each.strip for each in found if each.change is None or abs(each.change) > DRIFT_DB)


def difference(old: str, new: str, limit_db: float = LIMIT_DB) -> Difference:
    """Compare two sheets of one kind, as CSV text.

    Parameters
    ----------
    old, new : str
        Two level sheets, or two plan sheets.
    limit_db : float
        Changes up to this are passed over. Figures that are no decibels have limits of their own.

    Returns
    -------
    difference : Difference

    Raises
    ------
    GainlibError
        For a text that is no sheet, and for sheets of different kinds.
    """
    (head, one), (other_head, other) = _read(old, "the first"), _read(new, "the second")
    if head != other_head:
        raise GainlibError("one is a level sheet and the other a plan sheet; give two of one kind")
    strips, others = ({strip: None for strip, _ in each} for each in (one, other))
    both = [key for key in dict.fromkeys([*one, *other]) if key[0] in strips and key[0] in others]
    changes = (_change(key, one.get(key, ""), other.get(key, ""), limit_db) for key in both)
    return Difference(
        tuple(change for change in changes if change),
        tuple(strip for strip in others if strip not in strips),
        tuple(strip for strip in strips if strip not in others),
    )


def is_level_sheet(text: str) -> bool:
    """Tell a level sheet from a plan sheet."""
    return _read(text, "the")[0] == LEVELS


def _read(text, which):
    """Return the heading and what it holds by strip and item."""
    try:
        rows = list(csv.reader(io.StringIO(text.removeprefix("\ufeff")), strict=True))
    except csv.Error as error:
        raise GainlibError(f"{which} sheet is not CSV: {error}") from None
    head = tuple(rows[0]) if rows else ()
    if head not in (LEVELS, FORMER_PLAN) and head[: len(PLAN)] != PLAN:
        raise GainlibError(f"{which} sheet has none of the headings that a level sheet or a plan sheet begins with")
    if any(len(row) != len(head) for row in rows):
        raise GainlibError(f"{which} sheet has lines of unequal length; write it again")
    named = [{key: _untamed(cell) for key, cell in zip(head, row, strict=True)} for row in rows[1:]]
    if head == FORMER_PLAN:
        return PLAN, {(row["strip"], FORMER.get(row["item"], row["item"])): row["after"] for row in named if _kept(row)}
    if head != LEVELS:
        return PLAN, {key: cell for row in named for key, cell in _items(row)}
    for row in named:
        row["flags"] = "; ".join(FORMER_TAGS.get(tag, tag) for tag in row["flags"].split("; "))
    return head, {(row["strip"], item): row[item] for row in named for item in LEVELS[1:]}


def _items(row) -> Iterator[tuple[tuple[str, str], str]]:
    """Yield strip, control and setting of a line, by the names that controls have in moves."""
    for switch in filter(None, row["switches"].split("; ")):
        yield (row["strip"], switch), "1"
    for column, cell in row.items():
        if not cell:
            continue
        if column in _OF_BUS:
            yield (BUS, _OF_BUS[column]), cell
        elif found := _CONTROL.fullmatch(column):
            insert, end, send, control = found.groups()
            item = f"insert {insert} {end}" if insert else f"send {send}" if send else control.replace("_", " ")
            yield (row["strip"], item), cell


_OF_BUS = {"bus_true_peak_dbtp": "true peak", "bus_loudness_lufs": "loudness"}
_CONTROL = re.compile(r"insert_(\d+)_(in|threshold|out)_dbf?s?|send_(.*)_db|(trim|output_trim|fader|pan)(?:_db)?", re.S)


def _kept(row):
    """Tell what a plan sheet still holds of what one of the version before did."""
    if row["kind"] == "bus":
        return row["item"] in _OF_BUS.values()
    return row["kind"] == "setting" and (row["after"] != "0" or row["unit"] != "switch")


def former_forms(text: str) -> list[str]:
    """Return a sentence for all that stands otherwise in a sheet of the version before, its form first."""
    head, *rows = csv.reader(io.StringIO(text.removeprefix("\ufeff")))
    if not {"item", "flags"} & set(head):
        return []
    told = [OLD_PLAN] if "item" in head else []
    used = {word for row in rows for word in row[head.index("item" if "item" in head else "flags")].split("; ")}
    names = FORMER if "item" in head else FORMER_TAGS
    return told + [renamed(old, new) for old, new in names.items() if old in used]


def _untamed(cell):
    return cell[1:] if cell.startswith("'") else cell


def _change(key, before, after, limit_db) -> Change | None:
    if before == after:
        return None
    one, other = _number(before), _number(after)
    if one is None or other is None:
        return Change(*key, before, after, None)
    if math.isinf(one) or math.isinf(other):
        return None if one == other else Change(*key, before, after, None)
    limit = LIMITS.get(key[1], limit_db)
    return Change(*key, before, after, other - one) if abs(other - one) > limit + 1e-9 else None


def _number(text):
    try:
        return float(text)
    except ValueError:
        return None


def shown(cell: str) -> str:
    """Return a cell for a reader: at most three decimals, a true minus sign."""
    value = _number(cell)
    return cell if value is None or cell.isdecimal() else number(round(value, 3))
