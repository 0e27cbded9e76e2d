"""What a plan has to keep, and whether it does: sums that move together, and a full render of what was planned.

Give every sum a shift: how far all that enters it moves against the user's state. A way from u into v then has to move
by the shift of v, whatever became of u; a relation between two ways into one sum cannot change. The bus has the shift
that brings it to its target. A strip that goes to two sums with its main way forces these to share one shift, since
the main way has no gain of its own. A group whose sum is shifted undoes it at its trim, so that what sits in it is
driven as before, and makes its output move as the sums it feeds.
"""

import math
from collections.abc import Callable

from gainlib.meters import NodeReading
from gainlib.mix.inserts import basis_of, level_dependent, on_the_way
from gainlib.mix.moves import Check, Verification
from gainlib.mix.strips import Rules, Staged
from gainlib.session import Group, Session, Strip
from gainlib.session.routing import channels, heard, topological_order
from gainlib.session.strip import BUS

BALANCE_DB = 0.01
SEND_DB = 0.05
DRIVE_DB = 0.05
BYPASS_DB = 0.1
AVERAGE_DB = 0.5
PEAK_WINDOW_DB = 0.05


def shared_sums(session: Session) -> dict[str, str]:
    """Return for every sum the name that stands for all sums it must move with.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> tone = Audio(np.full(480, 0.1), 48000)
    >>> both = Session([Strip("snare", tone, to=("bus", "crush"))], [Group("crush"), Group("echo")])
    >>> shared_sums(both)
    {'crush': 'bus', 'echo': 'echo', 'bus': 'bus'}
    """
    leader = {name: name for name in (*topological_order(session), BUS)}

    def find(name):
        while leader[name] != name:
            name = leader[name]
        return name

    for channel in (*session.strips, *session.groups):
        for other in channel.to[1:]:
            first, second = sorted((find(channel.to[0]), find(other)), key=lambda name: name != BUS)
            leader[second] = first
    return {name: find(name) for name in leader}


def output_shift(channel: Strip | Group, shifts: dict[str, float]) -> float:
    """Return how far the main output of a strip or group must move: the shift of what it feeds, 0 if nothing."""
    return shifts[channel.to[0]] if channel.to else 0.0


def send_changes(channel: Strip | Group, tap_db: float, fader_db: float, shifts: dict[str, float]) -> dict[str, float]:
    """Return how far each send's level must move."""
    return {send.to: shifts[send.to] - tap_db - (fader_db if send.tap == "post" else 0.0) for send in channel.sends}


# ---- a plan held against a full render -------------------------------------------------------------------------------


class Verifier:
    """A planned session rendered, and what it has to keep measured.

    `old` are the levels of strips and sums as the user left them, by node; `shifts` is how far all that enters each sum
    has to move; `passed` is called with the share of the render that is done.
    """

    def __init__(
        self,
        found: Session,
        planned: Session,
        staged: dict[str, Staged],
        old: dict[str, NodeReading],
        shifts: dict[str, float],
        rules: Rules,
        passed: Callable[[float], None],
    ):
        self._found, self._planned, self._staged = found, planned, staged
        self._old, self._shifts, self._rules = old, shifts, rules
        names, _ = heard(found)
        self._strips = [strip for strip in found.strips if strip.name in names and staged[strip.name].has_level]
        self._groups = [group for group in found.groups if group.name in names and not old[f"{group.name}/post"].empty]
        inputs = {(owner, k): f"{owner}/insert {k}/in" for owner, inserts in self._chains() for k, _ in inserts}
        meters = dict.fromkeys(inputs.values(), self._rules.average_meters)
        meters |= dict.fromkeys(self._nodes(), self._rules.meters) | {BUS: ("true_peak",)}
        done = 0

        def watch(block):
            nonlocal done
            done += len(block)
            passed(done / planned.frames)

        self._now = planned.render().levels(meters, meters, watch={BUS: watch})
        self._readings = {place: self._rules.average_of(self._now[node]) for place, node in inputs.items()}

    def result(self) -> Verification:
        """Return the checks, and the averages at the inputs of processors."""
        checks = [self._bus()] if math.isfinite(self._now[BUS].true_peak_dbtp) else []
        for strip in self._strips:
            checks += [*self._inserts(strip), *self._ways(strip)]
        for group in self._groups:
            if level_dependent(group.inserts):
                checks += self._drive(group)
            checks += self._ways(group)
        return Verification(tuple(checks), self._readings)

    def _chains(self):
        """Yield every strip, group and the bus with its processors that are not bypassed, by their places."""
        channels = [(each.name, each.inserts) for each in (*self._strips, *self._groups)]
        for owner, inserts in (*channels, (BUS, self._planned.master.inserts)):
            yield owner, [(k, insert) for k, insert in enumerate(inserts, 1) if not insert.bypass]

    def _nodes(self):
        for strip in self._strips:
            for number in {*self._staged[strip.name].targets, *self._staged[strip.name].matched}:
                yield from (f"{strip.name}/insert {number}/{end}" for end in ("in", "out"))
        for channel in (*self._strips, *self._groups):
            yield f"{channel.name}/out"
            if channel.sends:
                yield f"{channel.name}/post"
        yield from (f"{group.name}/trim" for group in self._groups if level_dependent(group.inserts))

    def _bus(self):
        target = self._rules.target_dbtp
        basis = basis_of(on_the_way(self._found, BUS))
        return Check("bus true peak", self._now[BUS].true_peak_dbtp, target - PEAK_WINDOW_DB, target, "dBTP", basis)

    def _inserts(self, strip):
        staged = self._staged[strip.name]
        for number, (wanted, limit) in staged.targets.items():
            level = self._now[f"{strip.name}/insert {number}/in"]
            label, basis = f"{strip.name}, input of processor {number}", basis_of(strip.inserts[: number - 1])
            if limit is not None:
                yield Check(f"{label}, peak", level.clear_peak_dbfs, limit - AVERAGE_DB, limit + 0.05, "dBFS", basis)
            else:
                average = self._rules.average_of(level)
                yield Check(f"{label}, average", average, wanted - AVERAGE_DB, wanted + AVERAGE_DB, "dBFS", basis)
        for number in staged.matched:
            insert = self._planned.strip(strip.name).inserts[number - 1]
            ahead = self._rules.matched(self._now[f"{strip.name}/insert {number}/in"]) - insert.in_db
            behind = self._rules.matched(self._now[f"{strip.name}/insert {number}/out"])
            label = f"{strip.name}, bypass of processor {number}"
            yield Check(label, behind - ahead, -BYPASS_DB, BYPASS_DB, basis=basis_of([insert]))

    def _ways(self, channel):
        """Check the main way and the sends of a strip or group, and its fader."""
        name, basis = channel.name, basis_of(on_the_way(self._found, channel.name))
        planned = channels(self._planned)[name]
        moved = planned.fader_db - channel.fader_db if math.isfinite(channel.fader_db) else 0.0
        if channel.to and math.isfinite(channel.fader_db):
            change = self._change(f"{name}/out") - output_shift(channel, self._shifts)
            if math.isfinite(change):
                yield Check(f"{name}, level against the others", change, -BALANCE_DB, BALANCE_DB, basis=basis)
        for before, after in zip(channel.sends, planned.sends, strict=True):
            if not math.isfinite(before.level_db) or (before.tap == "post" and not math.isfinite(channel.fader_db)):
                continue
            change = self._change(f"{name}/post") + (moved if before.tap == "post" else 0.0)
            change += after.level_db - before.level_db - self._shifts[before.to]
            if math.isfinite(change):
                yield Check(f"{name}, send to {before.to}", change, -SEND_DB, SEND_DB, basis=basis)
        silent = name in self._staged and self._staged[name].silent  # then its fader stays where it is
        if math.isfinite(planned.fader_db) and not silent:
            limit = self._rules.fader_limit_db
            yield Check(f"{name}, fader", planned.fader_db, -limit, limit)

    def _change(self, node):
        return self._rules.matched(self._now[node]) - self._rules.matched(self._old[node])

    def _drive(self, group):
        change = self._change(f"{group.name}/trim")
        if math.isfinite(change):  # else nothing drives it, and what comes out of it is its own
            feeding = [each for each in on_the_way(self._found, group.name) if each not in group.inserts]
            yield Check(f"{group.name}, drive of the group", change, -DRIVE_DB, DRIVE_DB, basis=basis_of(feeding))
