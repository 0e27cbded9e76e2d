"""One line for each strip, group and the master: what to set on a mixer, in the order of the signal.

A figure is rounded once, here, and is the same to its last digit on the screen, on paper, in CSV and in JSON: a tenth
of a decibel, as far as a knob can be set; a hundredth of the travel for a pan. What a control is to be set to exactly
stands in the planned session.

Where a knob has no scale in decibels, the *reading* helps: the average wanted at the input of a processor, on the meter
that the plan went by. Set the gain ahead of it until your meter shows that.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from gainlib.audio import AudioFile
from gainlib.mix.inserts import basis_of
from gainlib.mix.moves import Plan
from gainlib.processors import BlackBox, Gate
from gainlib.processors.controls import plain_name
from gainlib.session import Group, Insert, Master, Send, Session, Strip
from gainlib.session.strip import BUS
from gainlib.words import number

DECIMALS = {"pan": 2}  # one for all others
EVERY = "every strip"
FEW = 4  # strips, from which on what most of them share is said once
HEADS = ("strip", "source", "input trim", "processors", "output trim", "fader", "pan", "sends")
SHARED = {"trim": "trim_db", "output trim": "output_trim_db", "fader": "fader_db", "pan": "pan"}
"""Controls that every strip has, by their names in moves: the fields of a line."""
LEGEND = (
    "Gains in dB; pan from −1 (left) to 1 (right). An empty place is as on the line “every strip”. A processor has its "
    "gain in → the average wanted at its input → its gain out. That average is in dBFS, sine-referred (−18 dBFS is "
    "0 VU): where a knob has no scale, turn it until your meter shows that. By ear: match the output to the bypass."
)


@dataclass(frozen=True)
class InsertRow:
    """One processor of a line.

    Attributes
    ----------
    number : int
        Counted from 1, as in the session.
    processor : str
        What it is, in words.
    basis : str
        What its figures rest on: "known"; for a black box "measured", or "told", and then its output is matched by ear.
    in_db, out_db : float
    reading_dbfs : float or None
        The average wanted at its input; None where it was not measured.
    threshold_dbfs : float or None
        Of a gate, whose threshold moves with its signal.
    """

    number: int
    processor: str
    basis: str
    in_db: float
    reading_dbfs: float | None
    threshold_dbfs: float | None
    out_db: float


@dataclass(frozen=True)
class ConsoleRow:
    """One line.

    Attributes
    ----------
    name : str
    kind : str
        "strip", "group" or "master".
    source : str
        What comes in.
    switches : tuple of str
        Those that are on: "polarity", "DC block", "mute".
    trim_db, fader_db : float
    inserts : tuple of InsertRow
        Those that are not bypassed.
    output_trim_db, pan : float or None
        None for the master, which has none.
    sends : tuple of Send
    moves : tuple of str
        Controls that stand elsewhere than the plan found them.
    """

    name: str
    kind: str
    source: str
    switches: tuple[str, ...]
    trim_db: float
    inserts: tuple[InsertRow, ...]
    output_trim_db: float | None
    fader_db: float
    pan: float | None
    sends: tuple[Send, ...]
    moves: tuple[str, ...]


def console_rows(plan: Plan) -> tuple[ConsoleRow, ...]:
    """Return the lines of a plan: strips, groups, master.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.mix import plan
    >>> tone = Audio(0.1 * np.sin(np.arange(48000) * 0.1), 48000)
    >>> kick, master = console_rows(plan(Session([Strip("kick", tone, fader_db=-12.0)])))
    >>> kick.output_trim_db, kick.fader_db, kick.moves, master.fader_db
    (17.0, 0.0, ('output trim', 'fader'), 0.0)
    """
    session, moved = plan.session, {}
    for move in plan.moves:
        moved.setdefault(move.strip, []).append(move.control)
    channels = (*session.strips, *session.groups, session.master)
    names = (*(each.name for each in channels[:-1]), "master")
    return tuple(
        _row(session, name, each, plan.verification.readings, tuple(moved.get(name, ())))
        for name, each in zip(names, channels, strict=True)
    )


def _row(session, name, channel, readings, moves):
    master = isinstance(channel, Master)
    owner = BUS if master else name
    return ConsoleRow(
        name, type(channel).__name__.lower(), _source(session, channel), _switches(channel),
        rounded(channel.trim_db),
        tuple(_insert(k, insert, readings.get((owner, k))) for k, insert in enumerate(channel.inserts, 1)
              if not insert.bypass),
        None if master else rounded(channel.post_trim_db), rounded(channel.fader_db),
        None if master else rounded(channel.pan, "pan"),
        () if master else tuple(replace(send, level_db=rounded(send.level_db)) for send in channel.sends),
        moves,
    )  # fmt: skip


def rounded(value: float | None, control: str = "") -> float | None:
    """Return a figure as it stands everywhere; no minus zero."""
    return None if value is None else round(float(value), DECIMALS.get(control, 1)) + 0.0


def _source(session: Session, channel: Strip | Group | Master) -> str:
    if isinstance(channel, Strip):
        width = {1: "mono", 2: "stereo"}.get(channel.audio.channels, f"{channel.audio.channels} channels")
        if not isinstance(channel.audio, AudioFile):
            return width
        path = channel.audio.path
        return f"{path.suffix[1:].upper() if path.stem == channel.name else path.name}, {width}"
    own = BUS if isinstance(channel, Master) else channel.name
    every = (*session.strips, *session.groups)
    fed = [each.name for each in every if own in (*each.to, *(send.to for send in each.sends))]
    return ", ".join(fed) if len(fed) < FEW else f"{len(fed)} channels"


def _switches(channel) -> tuple[str, ...]:
    on = {"polarity": getattr(channel, "polarity", 1) == -1}
    on |= {"DC block": getattr(channel, "dc_block", False), "mute": getattr(channel, "mute", False)}
    return tuple(name for name, set_ in on.items() if set_)


def _insert(count: int, insert: Insert, reading) -> InsertRow:
    processor = insert.processor
    seen = not isinstance(processor, BlackBox)
    return InsertRow(
        count, plain_name(insert.kind) if seen else processor.called, basis_of([insert]),
        rounded(insert.in_db), rounded(reading),
        rounded(processor.open_dbfs) if isinstance(processor, Gate) else None, rounded(insert.out_db),
    )  # fmt: skip


# ---- as a reader sees them -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Piece:
    """A few words of a cell, and whether what they tell has moved."""

    text: str
    moved: bool = False


Cell = tuple[Piece, ...]
"""Pieces that follow each other as they are."""


def told_once(rows: Sequence[ConsoleRow]) -> dict[str, Piece]:
    """Return, by control, what at least half of several strips share; said on one line for all."""
    strips, found = [row for row in rows if row.kind == "strip"], {}
    for control in SHARED if len(strips) >= FEW else ():
        (piece, times), *_ = Counter(_piece(row, control) for row in strips).most_common(1)
        if 2 * times >= len(strips):
            found[control] = piece
    return found


def console_table(rows: Sequence[ConsoleRow]) -> Iterator[tuple[ConsoleRow | None, tuple[Cell, ...]]]:
    """Yield a line of cells for each row, in the order of :data:`HEADS`; with None ahead of them, what is said once."""
    common = told_once(rows)
    if common:
        trim, post, fader, pan = ((common[control],) if control in common else () for control in SHARED)
        yield None, ((Piece(EVERY),), (), trim, (), post, fader, pan, ())
    for row in rows:
        own = {control: _piece(row, control) for control in SHARED}
        trim, post, fader, pan = (
            () if piece is None or (row.kind == "strip" and common.get(control) == piece) else (piece,)
            for control, piece in own.items()
        )
        switched = [
            piece for each in row.switches if each != "mute"
            for piece in (Piece("; "), Piece(f"{each} {'inverted' if each == 'polarity' else 'on'}", each in row.moves))
        ]  # fmt: skip
        muted = (Piece(f"{'; ' if fader else ''}muted"),) if "mute" in row.switches else ()
        yield row, (
            (Piece(row.name),), (Piece(row.source), *switched), trim, tuple(_inserts(row)), post, (*fader, *muted), pan,
            tuple(_sends(row)),
        )  # fmt: skip


def _sends(row) -> Iterator[Piece]:
    for send in row.sends:
        yield Piece(f"{'; ' if send != row.sends[0] else ''}{send.to} ")
        yield Piece(_db(send.level_db), f"send {send.to}" in row.moves)
        yield Piece(f" {send.tap}")


def _piece(row, control):
    value = getattr(row, SHARED[control])
    if value is None:
        return None
    return Piece(number(value, DECIMALS.get(control, 1), signed=True), control in row.moves)


def _inserts(row) -> Iterator[Piece]:
    for each in row.inserts:
        ends = {end: f"insert {each.number} {end}" in row.moves for end in ("in", "threshold", "out")}
        yield Piece(f"{'; ' if each != row.inserts[0] else ''}{each.number} {each.processor} ")
        if each.threshold_dbfs is not None:
            yield from (Piece("(opens "), Piece(_db(each.threshold_dbfs), ends["threshold"]), Piece(") "))
        yield Piece(_db(each.in_db), ends["in"])
        yield Piece(f" → {'–' if each.reading_dbfs is None else _db(each.reading_dbfs)} → ")
        yield Piece(_db(each.out_db), ends["out"])
        if each.basis == "told":
            yield Piece(" by ear")


def _db(value):
    return number(value, 1, signed=True)


def cell_text(cell: Cell) -> str:
    """Return a cell as one text."""
    return "".join(piece.text for piece in cell)
