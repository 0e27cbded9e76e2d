"""The gain plan: every control set with a reason, every relation of the mix kept, the result rendered and checked.

The order of work: read the user's state; stage each strip's chain (policy "restage"); let the output trim take back
what that changed; then group by group, with the signal; then one common move of all that reaches the bus; then render
the whole and measure. A gain only shifts what was measured; so each chain runs once as found and once as staged, each
sum behind them once before and once after, and the result once as a whole.

What a relation is kept by is ungated energy (or loudness, if asked for), which a gain moves exactly. With linear chains
the mix stays the same to the sample but for its level; where drive changes by intent, its level is what is kept.

The rules are common practice; that sums keep their relations follows from :mod:`gainlib.mix.verify`.
"""

import math
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from numbers import Real
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.meters import NodeReading, levels_of
from gainlib.mix.bus import bus_at_its_peak, one_loud_source
from gainlib.mix.inserts import active, db, dbfs, level_dependent, replaced, settled, with_ways
from gainlib.mix.moves import FIELDS, Move, Plan, Progress, Verification
from gainlib.mix.strips import CLOSE_DB, TRIM_LIMIT_DB, Passed, Rules, Store, Walk, left_alone, main_node, stage
from gainlib.mix.verify import Verifier, output_shift, send_changes, shared_sums
from gainlib.session import Group, Session, Strip
from gainlib.session.routing import bus_paths, channels, heard, topological_order
from gainlib.session.strip import BUS
from gainlib.words import quantity

POLICIES = ("restage", "keep")
AIM_DB = 0.02  # into the window of 0.05 dB under the target
WORKERS = 2


def plan(
    session: Session,
    target_dbtp: float = -6.0,
    *,
    policy: str | None = None,
    average: str = "active",
    match: str = "energy",
    peak_max_dbfs: float = -3.0,
    fader_limit_db: float = 3.0,
    progress: Progress | None = None,
    checked: bool = True,
) -> Plan:
    """Plan every gain of a session.

    Parameters
    ----------
    session : Session
        As the user left it; its balance is kept.
    target_dbtp : float
        True peak of the bus; the plan lands within 0.05 dB under it.
    policy : {"restage", "keep"}, optional
        "restage" brings each level-dependent box to its reference. "keep" leaves every drive as it is and moves only
        gain after the processors, and faders. Default: "keep" for a session marked finished, else "restage". What
        groups are driven by stays as it was under either.
    average : {"active", "needle"}
        The meter whose reading is brought to a box's reference.
    match : {"energy", "loudness"}
        The meter by which bypasses are matched and relations kept.
    peak_max_dbfs : float
        Highest peak at the input of a level-dependent box with a reference.
    fader_limit_db : float
        Faders farther than this from unity are brought to unity; the output trim takes what they did.
    progress : callable, optional
        Called with a label, the steps done and the steps in all.
    checked : bool
        Whether the planned session is run and measured at the end. Who measures it anyway may leave that out.

    Returns
    -------
    plan : Plan

    Raises
    ------
    GainlibError
        For settings that make no sense, and a session without strips.
    """
    policy = policy or ("keep" if session.finished else "restage")
    rules = Rules(
        _number(target_dbtp, "target_dbtp", -60.0, 6.0, "a level from −60 to +6 dB"),
        _one_of(policy, "policy", POLICIES),
        _one_of(average, "average", ("active", "needle")),
        _one_of(match, "match", ("energy", "loudness")),
        _number(peak_max_dbfs, "peak_max_dbfs", -60.0, 6.0, "a level from −60 to +6 dB"),
        _number(fader_limit_db, "fader_limit_db", 0.0, 60.0, "0 to 60 dB"),
    )
    if not session.strips:
        raise GainlibError("the session holds no strips; there is nothing to plan")
    with tempfile.TemporaryDirectory(prefix="gainlib-plan-", ignore_cleanup_errors=True) as folder:
        return _Planner(session, rules, progress or (lambda *_: None), Store(Path(folder))).run(checked)


def _one_of(value, label, known):
    if value not in known:
        raise GainlibError(f"{label} is {value!r}; it is {' or '.join(map(repr, known))}")
    return value


def _number(value, label, low, high, what):
    """Return a plain number, so that no narrower type rounds what is computed with it."""
    if isinstance(value, bool) or not isinstance(value, Real) or not low <= value <= high:
        raise GainlibError(f"{label} is {value!r}; give {what}")
    return float(value)


class _Planner:
    """One plan in the making: the session as found, the session as it becomes, and quick twins of both."""

    def __init__(self, session, rules, progress, store):
        self._rules, self._progress, self._store = rules, progress, store
        self._warnings: list[str] = []
        self._moves: list[Move] = []
        self._taps: dict[str, float] = {}
        self._carrying: dict[str, int] = {}  # processors whose output takes what is beyond the other controls
        alone = _unsoloed(session)
        if alone is not session:
            self._warnings.append("solo was on; the plan is for all strips, with solo off")
        self._found = self._session = settled(alone)
        self._heard, _ = heard(self._found)

    def run(self, checked):
        strips = len(self._found.strips)
        # Strips are run as found and as staged, and once more to verify.
        self._steps = 3 * strips + 3
        staged = self._stage()
        before, after = (
            self._found.with_(bus="float", strips=tuple(getattr(each, twin) for each in staged.values()))
            for twin in ("before", "after")
        )
        self._tell("groups and bus", 2 * strips)
        old = {node: level for each in staged.values() for node, level in each.old.items()}
        changed, plain = any(each.restaged for each in staged.values()), bus_paths(after).gains is not None
        old |= self._sums(before, with_peak=not (changed or plain))
        settled = self._settle_groups(old, after) if changed else (after, after)
        after, now, loudest = self._peaks(old, *settled, changed, plain)
        shifts = self._shifts(now)
        self._tell("groups and bus", 2 * strips + 1)
        self._move_channels(staged, shifts, now)
        self._tell("groups and bus", 2 * strips + 2)
        advice = one_loud_source(after, loudest) if loudest else ()
        self._tell("verify", 2 * strips + 3)
        for name, number in self._carrying.items():
            if name in staged:  # its bypass is not level-matched after all
                matched = tuple(each for each in staged[name].matched if each != number)
                staged[name] = replace(staged[name], matched=matched)

        def passed(share):
            self._tell("verify", 2 * strips + 3 + math.floor(share * strips))

        verification = Verification(())
        if checked:
            verification = Verifier(self._found, self._session, staged, old, shifts, self._rules, passed).result()
        self._tell("verify", self._steps)
        order = (*self._found.names, "master")
        moves = tuple(sorted(_merged(self._moves), key=lambda move: order.index(move.strip)))
        said = moves, tuple(self._warnings), advice
        return Plan(self._session, *said, verification, self._rules.policy, shifts[BUS])

    def _tell(self, label, done):
        """Report one row of steps from beginning to end, so that a bar only goes forward."""
        self._progress(label, done, self._steps)

    # ---------------------------------------------------------------------------------------------------------- strips

    def _stage(self):
        names = [strip.name for strip in self._found.strips]
        self._tell("strips", 0)
        staged = {}
        pool = ThreadPoolExecutor(WORKERS)
        try:
            jobs = [pool.submit(self._stage_one, name) for name in names]
            for done, (name, job) in enumerate(zip(names, jobs, strict=True), 1):
                staged[name] = job.result()
                self._tell("strips", 2 * done)
        except BaseException:  # an interrupt as well, and then soon
            self._store.close()
            raise
        finally:
            pool.shutdown(cancel_futures=True)
        for each in staged.values():
            self._moves += each.moves
            self._warnings += each.warnings
            self._session = self._session.with_strip(each.strip)
        return staged

    def _stage_one(self, name):
        strip = self._found.strip(name)
        if name not in self._heard:
            return left_alone(strip, "muted; left as it is")
        summed = bool(self._found.groups or level_dependent(self._found.master.inserts))
        return stage(self._found, strip, self._rules, self._store, summed)

    # ---------------------------------------------------------------------------------------------- groups and master

    def _sums(self, session, with_peak):
        """Return the levels of the sums that a plan keeps, and of the bus where its peak is to be known."""
        nodes = []
        for group in session.groups:
            driven = ("trim",) if level_dependent(group.inserts) else ()
            nodes += [f"{group.name}/{node}" for node in (*driven, "post", "out")]
        if driven := level_dependent(session.master.inserts):
            nodes.append(f"{BUS}/trim")
        meters = dict.fromkeys(nodes, self._rules.meters)
        if with_peak and not driven:
            meters[BUS] = ("true_peak",)
        return session.render().levels(meters, meters)

    def _settle_groups(self, old, after):
        """Give every group the drive and the output level it had, in the order of the signal.

        Returns it twice: with its groups, and with each group as a strip that plays what leaves its inserts.
        """
        rules, played = self._rules, after
        for name in topological_order(self._found):
            if name not in self._heard or old[f"{name}/post"].empty:
                continue
            group, passed = after.group(name), Passed.through(played, f"{name}/trim", rules)
            if level_dependent(group.inserts):
                passed.gain_db = self._lost(old[f"{name}/trim"], passed.level)
                group = group.with_(trim_db=group.trim_db + passed.gain_db)
                why = "what feeds it has changed; it is trimmed to the drive it had"
                self._group_move(name, "trim", passed.gain_db, why)
            for insert in active(group.inserts):
                _, passed = passed.behind(insert, rules)
            source, post, main = self._store.keep(passed.audio, name), f"{name}/post", main_node(group)
            now = _as_strip(played, group, source, passed.gain_db).render().levels([post, main], rules.meters)
            change = self._lost(old[main], now[main])
            group = group.with_(post_trim_db=group.post_trim_db + change)
            why = "its sum came out at another level, so it is brought back to the level it had"
            self._group_move(name, "output trim", change, why)
            if group.sends:  # against what its tap is off although its main way is held
                self._taps[name] = off = change - self._lost(old[post], now[post])
                group = group.with_(sends=tuple(replace(send, level_db=send.level_db - off) for send in group.sends))
            after, played = after.with_group(group), _as_strip(played, group, source, passed.gain_db)
        return after, played

    def _lost(self, old: NodeReading, now: NodeReading):
        """Return what a level lacks against the user's state."""
        change = self._rules.matched(old) - self._rules.matched(now)
        return change if math.isfinite(change) and not old.empty and not now.empty else 0.0

    def _group_move(self, name, control, change, why):
        before = getattr(self._session.group(name), FIELDS[control])
        self._session = self._session.with_(name, **{FIELDS[control]: before + change})
        self._record(name, control, before, before + change, why)

    def _peaks(self, old, after, played, changed, plain):
        """Return the session with its master staged, the peaks of its sums, and the bus at its peak.

        The last is known where nothing but gain lies behind the faders, and then no other run is needed. Where nothing
        has changed, the peak of the bus is among the old levels.
        """
        fixed, inputs = self._found.bus == "fixed", [*(f"{group.name}/in" for group in self._found.groups), f"{BUS}/in"]
        now = after.render().levels([*inputs, BUS], ("sample_peak", "true_peak")) if fixed else {}
        if level_dependent(self._found.master.inserts):
            after, now[BUS] = self._settle_master(old, after, played)
            return after, now, None
        if plain:
            loudest = bus_at_its_peak(after)
            return after, {BUS: loudest.level, **now}, loudest
        if not now:
            now = played.render().levels([BUS], ("true_peak",)) if changed else {BUS: old[BUS]}
        return after, now, None

    def _settle_master(self, old, after, played):
        """Stage level-dependent inserts of the master, or give them the drive they had; return its peak as well."""
        rules, master = self._rules, after.master
        if rules.policy == "keep":
            passed = Passed.through(played, f"{BUS}/trim", rules)
            passed.gain_db = change = self._lost(old[f"{BUS}/trim"], passed.level)
            master = master.with_(trim_db=master.trim_db + change)
            reason = "the bus has changed; it is trimmed to the drive it had"
            self._record("master", "trim", after.master.trim_db, master.trim_db, reason)
            for insert in active(master.inserts):
                _, passed = passed.behind(insert, rules)
        else:
            passed = Passed.through(played, f"{BUS}/in", rules)
            passed.gain_db = master.trim_db
            strip = passed.as_strip("master", inserts=master.inserts, to=())
            inputs = [f"master/insert {k}/in" for k, insert in enumerate(master.inserts, 1) if not insert.bypass]
            found = Session((strip,)).render().levels(inputs, rules.meters)
            walked = Walk(passed, strip, found, rules)
            passed = walked.passed
            self._moves += walked.moves
            self._warnings += walked.warnings
            master = master.with_(trim_db=walked.strip.trim_db, inserts=walked.strip.inserts)
        self._session = self._session.with_(BUS, trim_db=master.trim_db, inserts=master.inserts)
        peak = levels_of(passed.audio, ("true_peak",))
        return replace(after, master=master), peak.shifted(passed.gain_db + master.fader_db)

    # ------------------------------------------------------------------------------------------------ the common move

    def _shifts(self, now):
        """Return how far all that enters each sum moves."""
        leaders = shared_sums(self._found)
        wanted = self._rules.target_dbtp - AIM_DB
        bus_db = wanted - now[BUS].true_peak_dbtp
        if not math.isfinite(bus_db):
            self._warnings.append("the bus is silent, so nothing was moved for its peak")
            bus_db = 0.0
        if level_dependent(self._found.master.inserts):
            bus_db = min(0.0, wanted - now[f"{BUS}/in"].true_peak_dbtp) if self._found.bus == "fixed" else 0.0
        elif self._found.bus == "fixed":
            self._warn_of_clipping(now[f"{BUS}/in"].sample_peak_dbfs + bus_db)
        shifts = {name: bus_db if leader == leaders[BUS] else 0.0 for name, leader in leaders.items()}
        if self._found.bus == "fixed":
            for name, leader in leaders.items():
                if leader != leaders[BUS] and now[f"{name}/in"].true_peak_dbtp > wanted:
                    lower = wanted - now[f"{name}/in"].true_peak_dbtp
                    for other in (each for each, led in leaders.items() if led == leader):
                        shifts[other] = min(shifts[other], lower)
        return shifts

    def _warn_of_clipping(self, peak_dbfs):
        """Say so where a fixed bus clips before the master takes its level down: no gain ahead of it helps then."""
        if peak_dbfs > 0.0:
            target = quantity(self._rules.target_dbtp, "dBTP", 1, signed=True)
            self._warnings.append(
                f"master: the sum clips ahead of the master fader: for {target} behind it the sum would have to peak "
                f"at {dbfs(peak_dbfs)}, and a fixed bus ends at 0 dBFS; bring the master fader up from "
                f"{db(self._found.master.fader_db)}, or set a lower target, and plan again"
            )

    def _move_channels(self, staged, shifts, now):
        for strip in self._found.strips:
            each = staged[strip.name]
            if strip.name in self._heard and each.sounding:
                self._move(strip, shifts, restaged=each.restaged, tap_db=each.tap_db, silent=each.silent)
        for group in self._found.groups:
            if group.name in self._heard:
                carried = shifts[group.name]
                if carried and level_dependent(group.inserts):
                    why = f"what feeds it moves by {db(carried)}; its drive stays"
                    self._group_move(group.name, "trim", -carried, why)
                    carried = 0.0
                self._move(group, shifts, tap_db=self._taps.get(group.name, 0.0), carried=carried)
        if level_dependent(self._found.master.inserts):
            self._move_master(shifts, now)

    def _move(self, found, shifts, *, tap_db, restaged=True, carried=0.0, silent=False):
        """Set output trim, fader and sends so that every way out of a strip or group moves by the shift it has to.

        What a group's sum brings along, `carried`, has moved it already. A silent strip's fader stays.
        """
        channel = channels(self._session)[found.name]
        shift = output_shift(found, shifts) - carried
        fader = found.fader_db
        far = abs(fader) > self._rules.fader_limit_db and math.isfinite(fader) and not silent
        trim = channel.post_trim_db + shift + (fader if far else 0.0)
        near = 0.0 if far else fader
        spread = self._within_limits(channel.with_(post_trim_db=trim, fader_db=near), silent)
        on_fader = spread.fader_db - near if math.isfinite(fader) else 0.0
        tap_db += carried + trim - on_fader - channel.post_trim_db
        changes = send_changes(found, tap_db, spread.fader_db - fader if math.isfinite(fader) else 0.0, shifts)
        sends = tuple(replace(send, level_db=send.level_db + changes[send.to]) for send in found.sends)
        settings = {name: getattr(spread, name) for name in ("trim_db", "inserts", "post_trim_db", "fader_db")}
        self._session = self._session.with_(found.name, **settings, sends=sends)
        reason = _trim_reason(found, shift, far, restaged)
        self._record(found.name, "output trim", found.post_trim_db, spread.post_trim_db, reason)
        if math.isfinite(fader):
            self._record(found.name, "fader", fader, spread.fader_db, _fader_reason(found, far, on_fader))
        for send, new in zip(found.sends, sends, strict=True):
            where = "ahead of" if send.tap == "pre" else "behind"
            reason = f"the send is taken {where} the fader; it is set so that {send.to} gets what it got before"
            self._record(found.name, f"send {send.to}", send.level_db, new.level_db, reason)

    def _within_limits(self, channel, silent):
        """Keep the output trim within its travel.

        First the fader takes what is beyond it, then the trim of a linear chain, then the output of the last processor.
        """
        beyond = _beyond(channel.post_trim_db, 0.0, TRIM_LIMIT_DB)
        if not beyond:
            return channel
        on_fader, fader, limit = 0.0, channel.fader_db, self._rules.fader_limit_db
        if math.isfinite(fader) and not silent:
            on_fader = beyond - _beyond(beyond, fader, limit)
        rest = beyond - on_fader
        if on_fader:
            fader = min(max(fader + on_fader, -limit), limit)
        channel = channel.with_(post_trim_db=channel.post_trim_db - beyond, fader_db=fader)
        if abs(rest) > CLOSE_DB and not level_dependent(channel.inserts):
            channel, rest = self._on_trim(channel, rest)
        if abs(rest) > CLOSE_DB:
            channel, rest = self._on_last_output(channel, rest)
        return channel.with_(post_trim_db=channel.post_trim_db + rest)

    def _on_trim(self, channel, rest):
        """Put what is left on the trim of a linear chain, as far as it goes; return what is left then."""
        left = _beyond(rest, channel.trim_db, TRIM_LIMIT_DB)
        before, after = channel.trim_db, channel.trim_db + rest - left
        reason = f"the output trim would exceed {TRIM_LIMIT_DB:g} dB; the chain is linear, so the trim helps"
        self._record(channel.name, "trim", before, after, reason)
        return channel.with_(trim_db=after), left

    def _on_last_output(self, channel, rest):
        """Put what is left on the output of the last processor, and say what that costs; 0 is left if there is one."""
        name = channel.name
        ends = f"output trim and fader end at {TRIM_LIMIT_DB:g} dB and {self._rules.fader_limit_db:g} dB"
        number = max((k for k, insert in enumerate(channel.inserts, 1) if not insert.bypass), default=0)
        if not number or channel.inserts[number - 1].out_db == -math.inf:
            self._warnings.append(
                f"{name}: {ends}; another {db(rest)} are needed, which the plan has on the output trim, beyond its "
                "usual travel"
            )
            return channel, rest
        before = channel.inserts[number - 1].out_db
        why = f"{ends}; the output of processor {number} takes the other {db(rest)}"
        self._record(name, f"insert {number} out", before, before + rest, why)
        self._warnings.append(f"{name}: {why}, so a bypass of it is not level-matched")
        self._carrying[name] = number
        return channel.with_(inserts=replaced(channel.inserts, number, out_db=before + rest)), 0.0

    def _move_master(self, shifts, now):
        """Undo the common move ahead of the master's inserts, and set the bus peak behind them."""
        master = self._session.master
        trim = master.trim_db - shifts[BUS]
        self._record("master", "trim", master.trim_db, trim, "what feeds the bus moves; the drive stays")
        change = self._rules.target_dbtp - AIM_DB - now[BUS].true_peak_dbtp
        last = max(k for k, insert in enumerate(master.inserts, 1) if not insert.bypass)
        before = master.inserts[last - 1].out_db
        after = before + (change if math.isfinite(change) else 0.0)
        reason = f"behind the last processor the bus peaks at {quantity(now[BUS].true_peak_dbtp, 'dBTP', 1)}"
        self._record("master", f"insert {last} out", before, after, reason)
        inserts = replaced(master.inserts, last, out_db=after)
        self._session = self._session.with_(BUS, trim_db=trim, inserts=inserts)

    def _record(self, name, control, before, after, reason):
        if abs(after - before) > CLOSE_DB:
            self._moves.append(Move(name, control, before, after, f"{name}: {reason}"))


def _beyond(change_db, from_db, limit_db):
    """Return what of a change is left over when a control ends at a limit on either side."""
    room = max(math.copysign(1.0, change_db) * (math.copysign(limit_db, change_db) - from_db), 0.0)
    return math.copysign(max(abs(change_db) - room, 0.0), change_db)


def _trim_reason(found, shift, far, restaged):
    parts = []
    if far:
        parts.append(f"carries what the fader did at {db(found.fader_db)}")
    if restaged and active(found.inserts):
        parts.append("undoes what the chain added or took off")
    if shift:
        parts.append(f"moves by {db(shift)} with everything that feeds {found.to[0]}")
    return f"the output trim {', and '.join(parts) if parts else 'makes up the rest'}"


def _fader_reason(found, far, on_fader):
    ends = f"{TRIM_LIMIT_DB:g} dB"
    if not far:
        return f"the output trim ends at {ends}; the fader takes {db(on_fader)} of the rest"
    start = f"fader from {db(found.fader_db)} to"
    if on_fader:
        near = "near unity, where its travel is fine, it takes what is beyond the output trim's"
        return f"{start} {db(on_fader)}: {near} {ends}"
    return f"{start} unity, where its travel is fine; the sum is unchanged"


def _merged(moves):
    """Return one move for each control, from where it was to where it comes to stand."""
    by_control = {}
    for move in moves:
        key = move.strip, move.control
        earlier = by_control.get(key)
        if earlier:
            reason = f"{earlier.reason}; {move.reason.removeprefix(move.strip + ': ')}"
            move = replace(move, before_db=earlier.before_db, reason=reason)
        by_control[key] = move
    return [move for move in by_control.values() if abs(move.change_db) > CLOSE_DB]


def _as_strip(session: Session, group: Group, source, gain_db: float) -> Session:
    """Return a session in which a strip that plays what leaves the inserts of a group stands in its place."""

    def cut(channel):
        return with_ways(channel, lambda to: to != group.name)

    controls = {name: getattr(group, name) for name in ("post_trim_db", "fader_db", "pan", "mute", "sends", "to")}
    played = Strip(group.name, source, trim_db=gain_db, **controls)
    strips = [cut(strip) for strip in session.strips if strip.name != group.name]
    groups = [cut(each) for each in session.groups if each.name != group.name]
    return session.with_(strips=(*strips, played), groups=tuple(groups))


def _unsoloed(session: Session) -> Session:
    soloed = any(each.solo for each in (*session.strips, *session.groups))
    return session.each(lambda each: each.with_(solo=False)) if soloed else session
