"""Strips before and after their chains are staged, with the chains already run so that sums of them are quick."""

import math
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from threading import Lock

import numpy as np

from gainlib.audio import Audio, AudioFile, GainlibError, write
from gainlib.meters import NodeReading, levels_of
from gainlib.mix.chain import CLOSE_DB, ChainResult, Collected, Passed, Rules, walk
from gainlib.mix.moves import Move
from gainlib.session import Session, Strip

DC_LIMIT = 0.005
NO_OFFSET = 1e-7


class Store:
    """Keeps samples in memory while they are few, and in files of a folder from then on.

    Parameters
    ----------
    folder : Path
        Where files go; its owner removes it.
    """

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
    walked : ChainResult
        The walk's targets and matches.
    moves, warnings : tuple
    tap_db : float
        How far the tap ahead of the fader is off although the main way is held; `after` has its sends set against it.
    silent : bool
        Whether its source is, so that nothing of it is set.
    """

    strip: Strip
    before: Strip
    after: Strip
    old: dict[str, NodeReading]
    walked: ChainResult
    moves: tuple[Move, ...] = ()
    warnings: tuple[str, ...] = ()
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

    def without_match(self, number: int) -> "Staged":
        """Return it with one insert whose bypass is not level-matched after all."""
        matched = tuple(each for each in self.walked.matched if each != number)
        return replace(self, walked=replace(self.walked, matched=matched))

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


def active(inserts):
    """Return the inserts that are not bypassed."""
    return tuple(insert for insert in inserts if not insert.bypass)


def level_dependent(inserts):
    """Return the inserts whose input level matters."""
    return tuple(insert for insert in active(inserts) if not insert.processor.linear)


def main_node(channel) -> str:
    """Return the node by which the main way of a strip or group is kept: its output, or its tap if nothing leaves."""
    return f"{channel.name}/{'out' if channel.to and math.isfinite(channel.fader_db) else 'post'}"


def left_alone(strip: Strip, why: str) -> Staged:
    """Return a strip that no plan touches, and the reason as a warning."""
    return Staged(strip, strip, strip, {}, _no_walk(strip), (), (f"{strip.name}: {why}",))


def stage(session: Session, strip: Strip, policy: str, rules: Rules, store: Store, summed: bool = True) -> Staged:
    """Stage one strip of a session: its offset, its chain, and a output trim that takes back the change of level.

    Parameters
    ----------
    session : Session
    strip : Strip
        One of its strips, heard.
    policy : {"restage", "keep"}
    rules : Rules
    store : Store
        Where the samples behind the chains go.
    summed : bool
        Whether sums of the strips as found are to be taken.
    """
    name = strip.name
    source = levels_of(strip.audio, {"active", "dc", *rules.meters})
    clear, moves, warnings = _without_offset(strip, source.dc_offset, policy)
    staged = not source.silent and policy != "keep" and (level_dependent(strip.inserts) or moves)
    kept = store if summed or not staged else None
    before, old = _as_found(session, strip, rules, kept, clear=source if moves else None)
    if source.silent:
        return _unset(Staged(strip, before, before, old, _no_walk(strip), silent=True), clear, moves, warnings)
    if not staged:
        return Staged(strip, before, before, old, _no_walk(strip), moves, warnings)
    only_gain = clear.polarity == 1 and not clear.dc_block and clear.audio.frames == session.frames
    if only_gain and rules.match == "energy":  # a gain shifts what was measured, but for loudness and its gate
        arriving = Passed(clear.audio, source, clear.trim_db)
    else:
        arriving = Passed.through(session.with_strip(clear), f"{name}/trim", rules)
    walked, passed = walk(arriving, clear, old, rules)
    passed.gain_db += strip.post_trim_db
    correction, tap_db = _lost(session, strip, passed, old, rules)
    sends = tuple(replace(send, level_db=send.level_db - tap_db) for send in strip.sends)
    after = _with_source(strip, store.keep(passed.audio, name))
    after = after.with_(trim_db=passed.gain_db, post_trim_db=correction, sends=sends)
    staged = walked.strip.with_(post_trim_db=strip.post_trim_db + correction)
    said = (*moves, *walked.moves), (*warnings, *walked.warnings)
    return Staged(staged, before, after, old, walked, *said, tap_db)


def _levels(session, strip, ends, rules, watch=None):
    """Return the levels at some ends of a strip, on its way with an open fader, over the session's length."""
    opened = strip if math.isfinite(strip.fader_db) else strip.with_(fader_db=0.0)
    nodes = [f"{strip.name}/{end}" for end in ends]
    return session.with_strip(opened).render().levels(nodes, rules.meters, watch=watch)


def _no_walk(strip):
    return ChainResult(strip, (), (), {}, ())


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
        return (
            strip,
            (),
            (f"{share} uses up headroom and shifts asymmetrical stages; it is left, because the drive is to stay",),
        )
    reason = f"{share} uses up headroom and shifts asymmetrical stages; a high-pass below 5 Hz removes it"
    return strip.with_(dc_block=True), (Move(strip.name, "DC block", 0.0, 1.0, reason),), ()


__all__ = ["CLOSE_DB", "Staged", "Store", "active", "left_alone", "level_dependent", "stage"]
