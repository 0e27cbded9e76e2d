"""A walk through one strip's inserts: each level-dependent box is fed the level it is built for, and matched behind.

What a box needs follows from what it is:

- linear: nothing; its input level does not matter;
- level-dependent with a reference: its input is brought to that average, unless the peaks forbid it, and its output is
  set so that a bypass is level-matched;
- a gate: its threshold is a level; it moves with the signal and the gate does what it did;
- any other level-dependent box (a clip, a limiter, a quantiser): its drive stays what it was.
"""

from dataclasses import dataclass, replace

import numpy as np

from gainlib.levels.printing import quantity
from gainlib.processors import Gate
from gainlib.session import Session, Strip
from gainlib.session.render import BLOCK_FRAMES, blocks
from gainlib.session.strip import ratio
from gainlib.staging.gauge import Level, gauge_of
from gainlib.staging.moves import Move

LOUD_PEAK_DBFS = -1.0
CLOSE_DB = 0.005


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
class Walked:
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


def walk(session: Session, strip: Strip, old: dict[str, Level], rules: Rules) -> tuple[Walked, np.ndarray]:
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
    walked : Walked
    samples : array, shape (frames, channels)
        What leaves the staged chain, ahead of the post trim.
    """
    return _Walk(session, strip, old, rules).run()


def runs_through(insert, samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return samples through an insert: its gain in, its processor, its gain out."""
    stream = insert.processor.stream(rate_hz, samples.shape[1])
    out, done = np.empty_like(samples), 0
    gain_in, gain_out = ratio(insert.in_db), ratio(insert.out_db)
    pieces = (samples[start : start + BLOCK_FRAMES] for start in range(0, len(samples), BLOCK_FRAMES))
    for piece in (*(stream.push(each * gain_in) for each in pieces), stream.flush()):
        np.multiply(piece, gain_out, out=out[done : done + len(piece)])
        done += len(piece)
    return out


class _Walk:
    def __init__(self, session, strip, old, rules):
        self._rate_hz, self._rules, self._old = session.rate_hz, rules, old
        self._found, self._strip = strip, strip
        self._inserts = list(strip.inserts)
        single = Session((strip.with_(mute=False, solo=False, sends=(), to=()),))
        self._samples = np.concatenate(list(blocks(single, f"{strip.name}/trim", frames=session.frames)))
        self._head, self._gates = True, []
        self._moves, self._warnings, self._targets, self._matched = [], [], {}, []

    def run(self):
        for number, insert in enumerate(self._found.inserts, 1):
            if insert.bypass:
                continue
            if insert.processor.linear:
                self._samples = runs_through(insert, self._samples, self._rate_hz)
            elif isinstance(insert.processor, Gate):
                self._follow(number)
            elif insert.processor.reference_dbfs is None:
                self._keep_drive(number)
            else:
                self._feed(number)
        strip = self._strip.with_(inserts=tuple(self._inserts))
        found = tuple(self._moves), tuple(self._warnings), self._targets, tuple(self._matched)
        return Walked(strip, *found), self._samples

    # ------------------------------------------------------------------------------------------------ kinds of boxes

    def _feed(self, number):
        """Bring a box to its reference and match its bypass."""
        insert = self._inserts[number - 1]
        name, box, wanted = self._found.name, type(insert.processor).__name__, insert.processor.reference_dbfs
        drive = self._level(self._samples * ratio(insert.in_db))
        if drive.silent:
            self._samples = runs_through(insert, self._samples, self._rate_hz)
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
            self._trim(gain, reason)
            self._head = False
        else:
            self._set(number, "in_db", insert.in_db + gain, reason)
        self._targets[number] = wanted, limited
        self._match(number)

    def _match(self, number):
        insert = self._inserts[number - 1]
        before = self._level(self._samples)
        out = runs_through(replace(insert, out_db=0.0), self._samples, self._rate_hz)
        after = self._level(out)
        if after.silent:
            self._samples = out
            return
        out_db = self._rules.matched(before) - self._rules.matched(after)
        box = type(insert.processor).__name__
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
        self._samples = out * ratio(out_db)

    def _follow(self, number):
        """Move a gate's threshold with its signal."""
        if self._head:
            self._gates.append(number)
        else:
            self._threshold(number, self._change(number))
        self._samples = runs_through(self._inserts[number - 1], self._samples, self._rate_hz)

    def _keep_drive(self, number):
        """Undo in front of a box, and redo behind it, what came about ahead of it."""
        insert, change = self._inserts[number - 1], 0.0 if self._head else self._change(number)
        self._head = False
        if abs(change) > CLOSE_DB:
            box = type(insert.processor).__name__
            reason = f"{self._found.name}: {box} depends on level and has no reference; its drive stays what it was"
            self._set(number, "in_db", insert.in_db - change, reason)
            self._set(number, "out_db", insert.out_db + change, reason)
        self._samples = runs_through(self._inserts[number - 1], self._samples, self._rate_hz)

    # ------------------------------------------------------------------------------------------------------- controls

    def _trim(self, gain, reason):
        before = self._strip.trim_db
        self._strip = self._strip.with_(trim_db=before + gain)
        self._samples *= ratio(gain)
        if abs(gain) > CLOSE_DB:
            self._moves.append(Move(self._found.name, "trim", before, before + gain, f"{reason}; trim {_db(gain)}"))
        for number in self._gates:
            self._threshold(number, gain)

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

    def _level(self, samples):
        return gauge_of(samples, self._rate_hz, **self._rules.meters)

    def _change(self, number):
        """Return how far the level ahead of an insert's own gain has moved against the user's state."""
        insert = self._found.inserts[number - 1]
        was = self._old[f"{self._found.name}/insert {number}/in"].energy_dbfs - insert.in_db
        now = self._level(self._samples).energy_dbfs
        return now - was if np.isfinite(now - was) else 0.0

    def _ordinal(self):
        return "the first" if self._head else "the next"


def _db(value):
    return quantity(value, "dB", 1, signed=True)


def _dbfs(value):
    return quantity(value, "dBFS", 1, signed=True)
