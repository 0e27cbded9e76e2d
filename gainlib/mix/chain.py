"""A walk through one strip's inserts: each level-dependent box is fed the level it is built for, and matched behind.

What a box needs follows from what it is:

- linear: nothing; its input level does not matter;
- level-dependent with a reference: its input is brought to that average, unless the peaks forbid it, and its output is
  set so that a bypass is level-matched;
- a box that nobody can see into: the same, but what comes out of it is not known here, and that is said;
- a gate: its threshold is a level; it moves with the signal and the gate does what it did;
- any other level-dependent box (a clip, a limiter, a quantiser): its drive stays what it was.
"""

from dataclasses import dataclass, replace
from itertools import chain

import numpy as np

from gainlib.boxes.node_levels import Collected, Level, gauge_of
from gainlib.levels.printing import quantity
from gainlib.mix.moves import Move
from gainlib.processors import BlackBox, Gate
from gainlib.session import Session, Strip
from gainlib.session.render import BLOCK_FRAMES, blocks
from gainlib.session.strip import ratio

LOUD_PEAK_DBFS = -1.0
CLOSE_DB = 0.005
TRIM_LIMIT_DB = 24.0


@dataclass(frozen=True)
class Rules:
    """How to stage a chain.

    Attributes
    ----------
    average : {"active", "needle"}
        The meter whose reading is brought to a box's reference.
    match : {"energy", "loudness"}
        The meter by which a bypass is matched.
    peak_max_dbfs : float
        Highest peak at the input of a level-dependent box.
    """

    average: str = "active"
    match: str = "energy"
    peak_max_dbfs: float = -3.0

    @property
    def meters(self) -> dict[str, bool]:
        """The meters these rules need."""
        return {"needle": self.average == "needle", "loudness": self.match == "loudness"}

    def average_of(self, level: Level) -> float:
        """Return the average the rules go by, dBFS."""
        if self.average == "needle" and level.hover_dbfs is not None:
            return level.hover_dbfs
        return level.active_dbfs

    def matched(self, level: Level) -> float:
        """Return the level the rules match by."""
        if self.match == "loudness" and level.loudness_lufs not in (None, -np.inf):
            return level.loudness_lufs
        return level.energy_dbfs


@dataclass(frozen=True)
class ChainResult:
    """What a walk found.

    Attributes
    ----------
    strip : Strip
        With its trim, insert gains and thresholds set.
    moves : tuple of Move
    warnings : tuple of str
    targets : dict of int to tuple
        For each insert with a reference, counted from 1: wanted average, and whether the peaks forbade it.
    matched : tuple of int
        The inserts whose bypass is matched.
    """

    strip: Strip
    moves: tuple[Move, ...]
    warnings: tuple[str, ...]
    targets: dict[int, tuple[float, bool]]
    matched: tuple[int, ...]


def walk(session: Session, strip: Strip, old: dict[str, Level], rules: Rules) -> tuple[ChainResult, np.ndarray]:
    """Stage the chain of one strip.

    Parameters
    ----------
    session : Session
    strip : Strip
        One of its strips, as the user left it apart from its DC block.
    old : dict of str to Level
        Levels at the inputs of its inserts as the user left them, by node.
    rules : Rules

    Returns
    -------
    walked : ChainResult
    samples : float32 array, shape (frames, channels)
        What leaves the staged chain, ahead of the post trim.
    """
    return _Walk(session, strip, old, rules).run()


def run_through(insert, samples: np.ndarray, rate_hz: int) -> None:
    """Send samples through an insert, in place: its gain in, its processor, its gain out."""
    stream, done = insert.processor.stream(rate_hz, samples.shape[1]), 0
    gain_in, gain_out = ratio(insert.in_db), ratio(insert.out_db)
    # Nothing comes out of a processor before it went in, so what is overwritten has been read.
    pieces = (samples[start : start + BLOCK_FRAMES] for start in range(0, len(samples), BLOCK_FRAMES))
    outputs = (stream.push(piece.astype(np.float64) * gain_in) for piece in pieces)
    for out in chain(outputs, (stream.flush() for _ in range(1))):
        samples[done : done + len(out)] = out * gain_out
        done += len(out)


class _Walk:
    def __init__(self, session, strip, old, rules):
        self._rate_hz, self._rules, self._old = session.rate_hz, rules, old
        self._found, self._strip = strip, strip
        self._inserts = list(strip.inserts)
        single = Session((strip.with_(mute=False, solo=False, sends=(), to=()),))
        collected = Collected(session.frames)
        for block in blocks(single, f"{strip.name}/trim", frames=session.frames):
            collected.push(block)
        self._samples = collected.samples
        self._head, self._gates = True, []
        self._moves, self._warnings, self._targets, self._matched = [], [], {}, []

    def run(self):
        for number, insert in enumerate(self._found.inserts, 1):
            if insert.bypass:
                continue
            if insert.processor.linear or insert.out_db == -np.inf:  # whoever shut it wants nothing through
                run_through(insert, self._samples, self._rate_hz)
            elif isinstance(insert.processor, Gate):
                self._follow(number)
            elif insert.processor.reference_dbfs is None:
                self._keep_drive(number)
            else:
                self._feed(number)
        strip = self._strip.with_(inserts=tuple(self._inserts))
        found = tuple(self._moves), tuple(self._warnings), self._targets, tuple(self._matched)
        return ChainResult(strip, *found), self._samples

    # ------------------------------------------------------------------------------------------------ kinds of boxes

    def _feed(self, number):
        """Bring a box to its reference and match its bypass."""
        insert = self._inserts[number - 1]
        name, box, wanted = self._found.name, _box(insert), insert.processor.reference_dbfs
        drive = self._level(insert.in_db)
        if drive.silent:
            run_through(insert, self._samples, self._rate_hz)
            return
        average = self._rules.average_of(drive)
        by_average, by_peak = wanted - average, self._rules.peak_max_dbfs - drive.peak_dbfs
        gain, limited = min(by_average, by_peak), by_peak < by_average - CLOSE_DB
        reason = (
            f"{name}: {self._ordinal()} level-dependent insert is {box}, built for {_dbfs(wanted)}; "
            f"the average at its input is {_dbfs(average)}"
        )
        if limited:
            reason += (
                f", its peaks reach {_dbfs(drive.peak_dbfs)}; the gain stops at {_db(gain)} "
                f"to keep them at {_dbfs(self._rules.peak_max_dbfs)}"
            )
        if self._head:
            gain = self._trim(gain, reason)
            self._head = False
        if gain:
            self._set(number, "in_db", insert.in_db + gain, reason)
        self._targets[number] = wanted, limited
        self._match(number)

    def _match(self, number):
        insert = self._inserts[number - 1]
        before = self._level()
        run_through(replace(insert, out_db=0.0), self._samples, self._rate_hz)
        after = self._level()
        if after.silent:
            return
        out_db = self._rules.matched(before) - self._rules.matched(after)
        if isinstance(insert.processor, BlackBox):
            self._match_unseen(number, out_db)
            self._samples *= np.float32(ratio(out_db))
            return
        box = _box(insert)
        self._set(
            number,
            "out_db",
            out_db,
            f"{self._found.name}: behind {box} the level differs by {_db(-out_db)}; its output takes {_db(out_db)}, "
            "so that a bypass is level-matched",
        )
        self._matched.append(number)
        if after.peak_dbfs + out_db > LOUD_PEAK_DBFS:
            self._warnings.append(
                f"{self._found.name}: matched behind {box}, peaks reach {_dbfs(after.peak_dbfs + out_db)}; harmless "
                "in a float mixer, but it would clip a converter, a file of whole numbers or a stage that clips; "
                "a lower reference for this box avoids it"
            )
        self._samples *= np.float32(ratio(out_db))

    def _match_unseen(self, number, out_db):
        """Set the output as if the box did nothing to the level, and say that this is not known."""
        name = self._found.name
        reason = f"{name}: what was set in front of the unseen box is taken back behind it, as if it changed no level"
        self._set(number, "out_db", out_db, reason)
        self._warnings.append(
            f"{name}: processor {number} is a box that nobody here can see into; once its input is set, match its "
            "output to its bypass by ear, or measure it with a test file; what follows it is planned as if it passed "
            "everything unchanged"
        )

    def _follow(self, number):
        """Move a gate's threshold with its signal."""
        if self._head:
            self._gates.append(number)
        else:
            self._threshold(number, self._change(number))
        run_through(self._inserts[number - 1], self._samples, self._rate_hz)

    def _keep_drive(self, number):
        """Undo in front of a box, and redo behind it, what came about ahead of it."""
        insert, change = self._inserts[number - 1], 0.0 if self._head else self._change(number)
        self._head = False
        if abs(change) > CLOSE_DB:
            box = _box(insert)
            reason = f"{self._found.name}: {box} depends on level and has no reference; its drive stays what it was"
            self._set(number, "in_db", insert.in_db - change, reason)
            self._set(number, "out_db", insert.out_db + change, reason)
        run_through(self._inserts[number - 1], self._samples, self._rate_hz)

    # ------------------------------------------------------------------------------------------------------- controls

    def _trim(self, wanted, reason):
        """Move the trim as far as its travel allows; return what is left to do."""
        before = self._strip.trim_db
        after = min(max(before + wanted, -TRIM_LIMIT_DB), TRIM_LIMIT_DB)
        gain, rest = after - before, before + wanted - after
        self._strip = self._strip.with_(trim_db=after)
        self._samples *= np.float32(ratio(gain))
        if abs(gain) > CLOSE_DB:
            left = f", where it ends; its own input takes the other {_db(rest)}" if abs(rest) > CLOSE_DB else ""
            self._moves.append(Move(self._found.name, "trim", before, after, f"{reason}; trim {_db(gain)}{left}"))
        for number in self._gates:
            self._threshold(number, gain)
        return rest

    def _threshold(self, number, change):
        insert = self._inserts[number - 1]
        before = insert.processor.open_dbfs
        self._inserts[number - 1] = replace(insert, processor=replace(insert.processor, open_dbfs=before + change))
        if abs(change) > CLOSE_DB:
            self._moves.append(
                Move(
                    self._found.name,
                    f"insert {number} threshold",
                    before,
                    before + change,
                    f"{self._found.name}: the gate's input moves by {_db(change)} and its threshold is a level, "
                    "so the threshold moves along",
                )
            )

    def _set(self, number, field, value, reason):
        insert = self._inserts[number - 1]
        before = getattr(insert, field)
        self._inserts[number - 1] = replace(insert, **{field: value})
        if abs(value - before) > CLOSE_DB:
            control = f"insert {number} {field.removesuffix('_db')}"
            self._moves.append(Move(self._found.name, control, before, value, reason))

    # --------------------------------------------------------------------------------------------------------- levels

    def _level(self, gain_db=0.0):
        factor = ratio(gain_db)
        return gauge_of(self._samples, self._rate_hz, lambda block: block * factor, **self._rules.meters)

    def _change(self, number):
        """Return how far the level ahead of an insert's own gain has moved against the user's state."""
        insert = self._found.inserts[number - 1]
        was = self._old[f"{self._found.name}/insert {number}/in"].energy_dbfs - insert.in_db
        now = self._level().energy_dbfs
        return now - was if np.isfinite(now - was) else 0.0

    def _ordinal(self):
        return "the first" if self._head else "the next"


def _box(insert):
    return "a box that nobody here can see into" if isinstance(insert.processor, BlackBox) else insert.kind


def _db(value):
    return quantity(value, "dB", 1, signed=True)


def _dbfs(value):
    return quantity(value, "dBFS", 1, signed=True)
