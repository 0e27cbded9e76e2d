"""Strips before and after their chains are staged: each level-dependent box is fed the level it is built for.

A walk goes through one strip's inserts. What a box needs follows from what it is:

- linear: nothing; its input level does not matter;
- level-dependent with a reference: its input is brought to that average, unless the peaks forbid it, and its output is
  set so that a bypass is level-matched;
- a black box: the same with what was measured on it; if nothing was, what comes out is not known, and that is said;
- a gate: its threshold is a level; it moves with the signal and the gate does what it did;
- any other level-dependent box (a clip, a limiter, a quantiser): its drive stays what it was.

A staged strip has its chain already run, so that sums of them are quick.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import Path
from threading import Lock

import numpy as np

from gainlib.audio import Audio, AudioFile, GainlibError, write
from gainlib.meters import NodeReading, levels_of
from gainlib.mix.inserts import db, dbfs, level_dependent
from gainlib.mix.moves import Move
from gainlib.processors import BlackBox, Gate
from gainlib.processors.controls import plain_name
from gainlib.session import Session, Strip

LOUD_PEAK_DBFS = -1.0
CLOSE_DB = 0.005
TRIM_LIMIT_DB = 24.0
DC_LIMIT = 0.005
NO_OFFSET = 1e-7


@dataclass(frozen=True)
class Rules:
    """What is asked of a plan; see :func:`gainlib.mix.plan`."""

    target_dbtp: float
    policy: str
    average: str
    match: str
    peak_max_dbfs: float
    fader_limit_db: float

    @property
    def meters(self) -> tuple[str, ...]:
        """The meters these rules need."""
        more = {"needle": self.average == "needle", "loudness": self.match == "loudness"}
        return ("sample_peak", "rms", "active", "dc", *(name for name, asked in more.items() if asked))

    @property
    def average_meters(self) -> tuple[str, ...]:
        """The meters that :meth:`average_of` needs."""
        return ("active", "needle") if self.average == "needle" else ("active",)

    def average_of(self, level: NodeReading) -> float:
        """Return the average the rules go by, dBFS."""
        if self.average == "needle" and level.hover_dbfs is not None:
            return level.hover_dbfs
        return level.active_dbfs

    def matched(self, level: NodeReading) -> float:
        """Return the level the rules match by."""
        if self.match == "loudness" and level.loudness_lufs not in (None, -np.inf):
            return level.loudness_lufs
        return level.energy_dbfs


class Passed:
    """What has passed a part of a chain: audio as long as the session, its levels, and the gain that is still to come.

    The gain is kept apart, since it shifts levels and needs no run.
    """

    def __init__(self, audio: Audio, level: NodeReading, gain_db: float = 0.0):
        self.audio, self.gain_db, self._level = audio, gain_db, level

    @classmethod
    def through(cls, session: Session, node: str, rules: Rules) -> "Passed":
        """Return what arrives at a node of a session."""
        collected = Collected(session.frames)
        levels = session.render().levels([node], rules.meters, watch={node: collected.push})
        return cls(Audio(collected.samples, session.rate_hz), levels[node])

    @property
    def level(self) -> NodeReading:
        """Levels behind the gain, loudness aside."""
        return self._level.shifted(self.gain_db)

    def as_strip(self, name: str, **controls) -> Strip:
        """Return a strip that plays it."""
        return Strip(name, self.audio, trim_db=self.gain_db, **controls)

    def behind(self, insert, rules: Rules) -> tuple[NodeReading, "Passed"]:
        """Return its levels ahead of an insert, and what comes out of that, in one run."""
        ahead, out, collected = "box/trim", "box/insert 1/out", Collected(self.audio.frames)
        asked = [ahead, out] if rules.match == "loudness" else [out]  # whose gate a gain may move across
        session = Session((self.as_strip("box", inserts=(insert,), to=()),))
        found = session.render().levels(asked, rules.meters, watch={out: collected.push})
        return found.get(ahead, self.level), Passed(Audio(collected.samples, self.audio.rate_hz), found[out])


class Collected:
    """Blocks gathered into one float32 array that is made once, so that nothing is ever held twice."""

    def __init__(self, frames: int):
        self.samples, self._frames, self._done = None, frames, 0

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (n, channels)."""
        if self.samples is None:
            self.samples = np.empty((self._frames, block.shape[1]), np.float32)
        self.samples[self._done : self._done + len(block)] = block
        self._done += len(block)


class Walk:
    """The chain of one strip, which is as the user left it but for its DC block, staged.

    Parameters
    ----------
    arriving : Passed
        What comes out of its trim.
    strip : Strip
    old : dict of str to NodeReading
        The levels at the inputs of its inserts as the user left them, by node.
    rules : Rules

    Attributes
    ----------
    strip : Strip
        With its trim, insert gains and thresholds set.
    passed : Passed
        What comes out of it.
    moves, warnings : list
    targets : dict of int to tuple
        For each insert with a reference, counted from 1: wanted average, and the peak that forbade it, or None.
    matched : list of int
        The inserts whose bypass is matched.
    """

    def __init__(self, arriving: Passed, strip: Strip, old: dict[str, NodeReading], rules: Rules):
        self.passed, self._rules, self._old = arriving, rules, old
        self._found = self.strip = strip
        self._inserts = list(strip.inserts)
        self._head, self._gates = True, []
        self.moves, self.warnings, self.targets, self.matched = [], [], {}, []
        for number, insert in enumerate(strip.inserts, 1):
            if insert.bypass:
                continue
            if insert.processor.linear or insert.out_db == -np.inf:  # whoever shut it wants nothing through
                self._run(insert)
            elif isinstance(insert.processor, Gate):
                self._follow(number)
            elif insert.processor.reference_dbfs is None:
                self._keep_drive(number)
            else:
                self._feed(number)
        self.strip = self.strip.with_(inserts=tuple(self._inserts))

    # ------------------------------------------------------------------------------------------------ kinds of boxes

    def _feed(self, number):
        """Bring a box to its reference and match its bypass."""
        insert = self._inserts[number - 1]
        wanted, drive = insert.processor.reference_dbfs, self.passed.level.shifted(insert.in_db)
        if drive.silent:
            self._run(insert)
            return
        average, peak_dbfs, highest = self._rules.average_of(drive), drive.clear_peak_dbfs, self._highest(insert)
        gain, limited = min(wanted - average, highest - peak_dbfs), highest - peak_dbfs < wanted - average - CLOSE_DB
        reason = (
            f"{'the first' if self._head else 'the next'} level-dependent insert is {_box(insert)}, built for "
            f"{dbfs(wanted)}; the average at its input is {dbfs(average)}"
        )
        if limited:
            reason += (
                f", its peaks reach {dbfs(peak_dbfs)}, so the gain stops at {db(gain)} to keep them at "
                f"{dbfs(highest)}{', its ceiling' if highest < self._rules.peak_max_dbfs else ''}"
            )
        if self._head:
            gain = self._trim(gain, reason)
            self._head = False
        if gain:
            self._set(number, "in_db", insert.in_db + gain, reason)
        self.targets[number] = wanted, highest if limited else None
        self._match(number)

    def _highest(self, insert):
        """Return the highest peak at the input of a box: what is asked for, or what was measured as its ceiling."""
        box = insert.processor
        ceiling = box.ceiling_dbfs if isinstance(box, BlackBox) else None
        return self._rules.peak_max_dbfs if ceiling is None else min(ceiling, self._rules.peak_max_dbfs)

    def _match(self, number):
        """Make the output of a box as loud as its bypass; of one that nobody measured that is not known, and said."""
        insert = self._inserts[number - 1]
        black = isinstance(insert.processor, BlackBox)
        if black:
            fed = insert.processor.fed(self.passed.level.active_dbfs + insert.in_db)
            self._inserts[number - 1] = insert = replace(insert, processor=fed)
        before = self._run(replace(insert, out_db=0.0))
        after, box = self.passed.level, _box(insert)
        if after.silent:
            return
        self.passed.gain_db = out_db = self._rules.matched(before) - self._rules.matched(after)
        if black and not insert.processor.measured:
            called = insert.processor.called
            reason = f"the gain set ahead of the {called} is undone behind it, as if the box changed no level"
            self._set(number, "out_db", out_db, reason)
            self._warn(
                f"processor {number} is {box}; once its input is set, match its output to its bypass by ear, or "
                "measure it with a test file; what follows is planned as if the box passed everything unchanged"
            )
            return
        reason = (
            f"behind {box} the level differs by {db(-out_db)}{', as measured' if black else ''}; its output gets "
            f"{db(out_db)}, so that a bypass is level-matched"
        )
        self._set(number, "out_db", out_db, reason)
        self.matched.append(number)
        peak_dbfs = after.clear_peak_dbfs + out_db
        if peak_dbfs > LOUD_PEAK_DBFS:
            self._warn(
                f"matched behind {box}, peaks reach {dbfs(peak_dbfs)}; harmless in a float mixer, but it would clip a "
                "converter, a file of whole numbers or a stage that clips; a lower reference for this box avoids it"
            )

    def _follow(self, number):
        """Move a gate's threshold with its signal."""
        if self._head:
            self._gates.append(number)
        else:
            self._threshold(number, self._change(number))
        self._run(self._inserts[number - 1])

    def _keep_drive(self, number):
        """Undo in front of a box, and redo behind it, what came about ahead of it."""
        insert, change = self._inserts[number - 1], 0.0 if self._head else self._change(number)
        self._head, box, highest = False, _box(insert), self._highest(insert)
        if abs(change) > CLOSE_DB:
            reason = f"{box} depends on level and has no reference, so its drive stays as it was"
            self._set(number, "in_db", insert.in_db - change, reason)
            self._set(number, "out_db", insert.out_db + change, reason)
        peak_dbfs = self.passed.level.clear_peak_dbfs + self._inserts[number - 1].in_db
        if peak_dbfs > highest and highest < self._rules.peak_max_dbfs:
            self._warn(
                f"peaks reach {dbfs(peak_dbfs)} at the input of {box}, which holds back what is above {dbfs(highest)}; "
                "its drive is left as it was"
            )
        self._run(self._inserts[number - 1])

    # ------------------------------------------------------------------------------------------------------- controls

    def _trim(self, wanted, reason):
        """Move the trim as far as its travel allows; return what is left to do."""
        before = self.strip.trim_db
        after = min(max(before + wanted, -TRIM_LIMIT_DB), TRIM_LIMIT_DB)
        gain, rest = after - before, before + wanted - after
        self.strip = self.strip.with_(trim_db=after)
        self.passed.gain_db += gain
        left = f", where it ends; its own input takes the other {db(rest)}" if abs(rest) > CLOSE_DB else ""
        self._move("trim", before, after, f"{reason}; trim {db(gain)}{left}")
        for number in self._gates:
            self._threshold(number, gain)
        return rest

    def _threshold(self, number, change):
        insert = self._inserts[number - 1]
        before = insert.processor.open_dbfs
        after = before + change
        self._inserts[number - 1] = replace(insert, processor=replace(insert.processor, open_dbfs=after))
        why = f"the gate's input moves by {db(change)} and its threshold is a level, so the threshold moves with it"
        self._move(f"insert {number} threshold", before, after, why)

    def _set(self, number, field, value, reason):
        insert = self._inserts[number - 1]
        self._inserts[number - 1] = replace(insert, **{field: value})
        self._move(f"insert {number} {field.removesuffix('_db')}", getattr(insert, field), value, reason)

    def _move(self, control, before, after, reason):
        if abs(after - before) > CLOSE_DB:
            name = self._found.name
            self.moves.append(Move(name, control, before, after, f"{name}: {reason}"))

    def _warn(self, sentence):
        self.warnings.append(f"{self._found.name}: {sentence}")

    # --------------------------------------------------------------------------------------------------------- levels

    def _run(self, insert):
        """Send what has come so far through an insert; return its levels ahead of it."""
        ahead, self.passed = self.passed.behind(insert, self._rules)
        return ahead

    def _change(self, number):
        """Return how far the level ahead of an insert's own gain has moved against the user's state."""
        insert = self._found.inserts[number - 1]
        was = self._old[f"{self._found.name}/insert {number}/in"].energy_dbfs - insert.in_db
        now = self.passed.level.energy_dbfs
        return now - was if np.isfinite(now - was) else 0.0


def _box(insert):
    if isinstance(insert.processor, BlackBox):
        return f"{'the' if insert.processor.name else 'a'} {insert.processor.called}"
    return f"the {plain_name(insert.kind)}"


# ---- strips ----------------------------------------------------------------------------------------------------------


class Store:
    """Keeps samples in memory while they are few, and from then on in files of a folder, which its owner removes."""

    IN_MEMORY_BYTES = 100_000_000

    def __init__(self, folder: Path):
        self._folder, self._held, self._numbers, self._lock = folder, 0, count(1), Lock()
        self._closed = False

    def close(self) -> None:
        """Take nothing more, so that who works for a plan that was broken off soon comes to an end."""
        self._closed = True

    def keep(self, audio: Audio | AudioFile, name: str) -> Audio | AudioFile:
        """Return a source that plays the same; samples in memory must not be changed any more."""
        if self._closed:
            raise GainlibError(f"{name}: the plan was broken off")
        if not isinstance(audio, Audio):
            return audio
        with self._lock:  # strips are staged side by side
            number, room = next(self._numbers), self.IN_MEMORY_BYTES - self._held
            if audio.samples.nbytes <= room:
                self._held += audio.samples.nbytes
                return audio
        path = self._folder / f"{number}.wav"
        write(path, audio, "FLOAT")
        return AudioFile(path)


@dataclass(frozen=True)
class Staged:
    """A strip before and after its chain was staged.

    Attributes
    ----------
    strip : Strip
        With trim, inserts and output trim set so that its level ahead of the fader is what it was.
    before, after : Strip
        As found and as staged; with everything up to the pre-fader tap already in the samples, where they are summed.
    old : dict of str to NodeReading
        Levels of the strip as found, by node; of its output with its fader, or at 0 dB where that is closed.
    moves, warnings : tuple
    targets, matched
        Of its walk.
    tap_db : float
        How far the tap ahead of the fader is off although the main way is held; `after` has its sends set against it.
    silent : bool
        Whether its source is, so that nothing of it is set.
    """

    strip: Strip
    before: Strip
    after: Strip
    old: dict[str, NodeReading]
    moves: tuple[Move, ...] = ()
    warnings: tuple[str, ...] = ()
    targets: Mapping[int, tuple[float, float | None]] = field(default_factory=dict)
    matched: tuple[int, ...] = ()
    tap_db: float = 0.0
    silent: bool = False

    @property
    def offset_only(self) -> bool:
        """Whether it was nothing but an offset, which is taken off."""
        return self.silent and bool(self.moves)

    @property
    def has_level(self) -> bool:
        """Whether there is a level to keep."""
        return self.sounding and not self.offset_only

    @property
    def restaged(self) -> bool:
        """Whether what leaves the chain is another signal than before."""
        return self.after is not self.before

    @property
    def sounding(self) -> bool:
        """Whether anything comes out of it, be it an offset."""
        if self.offset_only:
            return True
        post = self.old.get(f"{self.strip.name}/post")
        return post is not None and (not post.empty or abs(post.dc_offset) > NO_OFFSET)


def main_node(channel) -> str:
    """Return the node by which the main way of a strip or group is kept: its output, or its tap if nothing leaves."""
    return f"{channel.name}/{'out' if channel.to and math.isfinite(channel.fader_db) else 'post'}"


def left_alone(strip: Strip, why: str) -> Staged:
    """Return a strip that no plan touches, and the reason as a warning."""
    return Staged(strip, strip, strip, {}, warnings=(f"{strip.name}: {why}",))


def stage(session: Session, strip: Strip, rules: Rules, store: Store, summed: bool) -> Staged:
    """Stage one strip of a session: its offset, its chain, and an output trim that takes back the change of level.

    `store` keeps what comes out of the chain; as found only where sums of that are taken, `summed`.
    """
    name = strip.name
    source = levels_of(strip.audio, {"active", "dc", *rules.meters})
    clear, moves, warnings = _without_offset(strip, source.dc_offset, rules.policy)
    staged = not source.silent and rules.policy != "keep" and (level_dependent(strip.inserts) or moves)
    kept = store if summed or not staged else None
    before, old = _as_found(session, strip, rules, kept, clear=source if moves else None)
    if source.silent:
        return _unset(Staged(strip, before, before, old, silent=True), clear, moves, warnings)
    if not staged:
        return Staged(strip, before, before, old, moves, warnings)
    only_gain = clear.polarity == 1 and not clear.dc_block and clear.audio.frames == session.frames
    if only_gain and rules.match == "energy":  # a gain shifts what was measured, but for loudness and its gate
        arriving = Passed(clear.audio, source, clear.trim_db)
    else:
        arriving = Passed.through(session.with_strip(clear), f"{name}/trim", rules)
    walked = Walk(arriving, clear, old, rules)
    passed = walked.passed
    passed.gain_db += strip.post_trim_db
    correction, tap_db = _lost(session, strip, passed, old, rules)
    sends = tuple(replace(send, level_db=send.level_db - tap_db) for send in strip.sends)
    after = _with_source(strip, store.keep(passed.audio, name))
    after = after.with_(trim_db=passed.gain_db, post_trim_db=correction, sends=sends)
    staged = walked.strip.with_(post_trim_db=strip.post_trim_db + correction)
    said = (*moves, *walked.moves), (*warnings, *walked.warnings)
    return Staged(staged, before, after, old, *said, walked.targets, tuple(walked.matched), tap_db)


def _levels(session, strip, ends, rules, watch=None):
    """Return the levels at some ends of a strip, on its way with an open fader, over the session's length."""
    opened = strip if math.isfinite(strip.fader_db) else strip.with_(fader_db=0.0)
    nodes = [f"{strip.name}/{end}" for end in ends]
    return session.with_strip(opened).render().levels(nodes, rules.meters, watch=watch)


def _as_found(session, strip, rules, store, clear):
    """Return the strip as found with its chain run, and its levels by node, over the session's length for the tails.

    Where the offset of its source, `clear`, is to go and the strip is shorter than the session, the levels are without
    it: at the strip's end an offset makes a step, and that would count as sound.
    """
    name = strip.name
    inputs = [f"insert {k}/in" for k, insert in enumerate(strip.inserts, 1) if not insert.bypass]
    stepped = clear is not None and strip.audio.frames < session.frames
    if not (inputs or strip.dc_block or stepped):
        return strip, _levels(session, strip, ["post", "out"], rules)
    if store is None and not stepped:
        return strip, _levels(session, strip, [*inputs, "post", "out"], rules)
    kept = Collected(session.frames)
    old = _levels(session, strip, [*inputs, "post", "out"], rules, watch={f"{name}/post": kept.push})
    samples = kept.samples
    if stepped:
        sounding = samples[: strip.audio.frames]
        sounding -= sounding.mean(axis=0, dtype=np.float64)
        if clear.silent:
            samples[:] = 0.0  # what is left of a constant is rounding
        old |= _levels(session, strip.with_(dc_block=True), inputs, rules)
        old |= _levels(session, _with_source(strip, Audio(samples, session.rate_hz)), ["post", "out"], rules)
    return (_with_source(strip, store.keep(Audio(samples, session.rate_hz), name)) if store else strip), old


def _unset(staged, clear, moves, warnings):
    """Return a strip without a level to set anything by: it keeps its settings, and moves with the rest if it sounds.

    A constant offset sounds in so far as it shifts the bus.
    """
    name = staged.strip.name
    if moves:
        said = (f"{name}: nothing but a constant offset; its DC block removes it, and all else is left as it is",)
        return replace(staged, strip=clear, after=clear, moves=moves, warnings=said)
    rest = "nothing is set for it, and its output moves with the rest" if staged.sounding else "left as it is"
    silent = "silent but for that" if warnings else "silent"
    return replace(staged, warnings=(*warnings, f"{name}: {silent}; {rest}"))


def _lost(session, strip, passed, old, rules):
    """Return what the main way lacks behind the staged chain, and how far its tap is off once that is made up.

    Where the pan lets nothing through, the tap is what counts.
    """
    played = _with_source(strip, passed.audio).with_(trim_db=passed.gain_db)
    now = _levels(session, played, ["out", "post"], rules)
    main, tap = (rules.matched(old[node]) - rules.matched(level) for node, level in now.items())
    lost = main if math.isfinite(main) else tap
    return (lost, lost - tap) if math.isfinite(lost) and math.isfinite(tap) else (0.0, 0.0)


def _with_source(strip, audio):
    return replace(strip, audio=audio, polarity=1, dc_block=False, trim_db=0.0, inserts=(), post_trim_db=0.0)


def _without_offset(strip, dc_offset, policy):
    """Return the strip with its DC block on where it needs one, the move, and what to warn of."""
    if abs(dc_offset) <= DC_LIMIT or strip.dc_block:
        return strip, (), ()
    share = f"{strip.name}: a constant offset of {100 * dc_offset:+.1f} % of full scale"
    if policy == "keep":
        why = "uses up headroom and shifts asymmetrical stages; it is left, because the drive is to stay"
        return strip, (), (f"{share} {why}",)
    reason = f"{share} uses up headroom and shifts asymmetrical stages; a high-pass below 5 Hz removes it"
    return strip.with_(dc_block=True), (Move(strip.name, "DC block", 0.0, 1.0, reason),), ()
