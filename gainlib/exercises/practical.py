"""Parts that are performed and then measured: controls set by hand, what is measured on them, and sessions as answers.

The grader renders what the learner set and measures it; no position of a control is ever compared with a key.

A control of a session is addressed by target and name. The target is a strip, a group, or "master"; the name is a field
(``trim_db``, ``post_trim_db``, ``fader_db``, ``pan``), ``insert 1 in_db`` or ``insert 1 out_db`` counted from 1,
``insert 1 threshold_dbfs`` or another number of its processor, or ``send cue level_db`` with the name of the send's
destination.
"""

import json
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from gainlib.audio import GainlibError
from gainlib.exercises.model import Judgement, Part
from gainlib.exercises.text import Unreadable, as_table, difference_unit, parse_number, sentences, shorten
from gainlib.session import Group, Session
from gainlib.session.strip import BUS
from gainlib.words import number, quantity


@dataclass(frozen=True)
class Measured:
    """A measured value with the words for what it was measured on, where that is found by measuring.

    Attributes
    ----------
    value : float or None
        In the unit of the aim; None where nothing could be measured.
    subject : str
        What it was measured on, for the sentence.
    """

    value: float | None
    subject: str


@dataclass(frozen=True)
class Aim:
    """What is wanted of the outcome: one measured value and its band.

    Parameters
    ----------
    name : str
        What is measured, as it starts the feedback: "mean reduction".
    read : callable
        ``read(run)`` returns the value, None where there is nothing to measure; as `Measured` where it says what it
        was measured on.
    target : float or callable
        The value wanted, or ``target(given)``; with `within` on either side of it.
    within : float
        Half the width of the band.
    at_most, at_least : float, callable or None
        One-sided limits, in place of a target.
    unit : str
        Of the value.
    decimals : int
        Shown; more are added when rounding would hide on which side of a limit the value is.
    points : float or None
        Of this aim alone; None in all of them makes the part all or nothing.
    too_high, too_low : str
        The words for either side.
    needs : tuple of str
        Names of the aims without which this one earns nothing, where leaving all as found would meet it.
    change : bool
        Whether it is by how much the value has changed from ``run.before``.
    """

    name: str
    read: Callable[[Any], float | Measured | None]
    target: float | Callable[[dict], float] | None = None
    within: float = 0.0
    at_most: float | Callable[[dict], float] | None = None
    at_least: float | Callable[[dict], float] | None = None
    unit: str = "dB"
    decimals: int = 1
    points: float | None = None
    too_high: str = "too high"
    too_low: str = "too low"
    needs: tuple[str, ...] = ()
    change: bool = False

    def value(self, run: Any) -> float | None:
        """Return the value alone."""
        return self._found(run)[0]

    def _found(self, run):
        found = self.read(run)
        if isinstance(found, Measured):
            return found.value, found.subject
        return found - self.read(run.before) if self.change else found, self.name

    def limits(self, given: dict) -> tuple[float, float]:
        """Return the band, open sides as infinities."""
        target, most, least = (
            each(given) if callable(each) else each for each in (self.target, self.at_most, self.at_least)
        )
        if target is not None:
            return target - self.within, target + self.within
        return -math.inf if least is None else least, math.inf if most is None else most

    def wanted(self, given: dict) -> str:
        """Return the band as the desk's table shows it."""
        low, high = self.limits(given)
        if self.target is not None:
            target = self.target(given) if callable(self.target) else self.target
            return quantity(target, self.unit) + (f" ± {number(self.within)}" if self.within else "")
        return f"at most {quantity(high, self.unit)}" if math.isinf(low) else f"at least {quantity(low, self.unit)}"

    def in_words(self) -> str:
        """Return name and band, "bus −7.0 to −6.0 dBTP"."""
        drawn = any(callable(each) for each in (self.target, self.at_most, self.at_least))
        return f"{self.name} {'as drawn' if drawn else self._band(*self.limits({}))}".strip()

    def judged(self, run: Any, given: dict) -> tuple[bool, str]:
        """Return whether the aim is met, and what was measured, how far it is off and what to aim for."""
        value, subject = self._found(run)
        low, high = self.limits(given)
        wanted = self._band(low, high)
        if value is None:
            return False, f"{subject}: there is nothing to measure; aim for {wanted}"
        met = low <= value <= high
        more = range(self.decimals, self.decimals + 4)  # a value outside does not round to the limit that it misses
        decimals = next((k for k in more if met or not low <= round(value, k) <= high), self.decimals + 4)
        said = f"{subject}: {quantity(value, self.unit, decimals)} is"
        if met:
            return True, f"{said} right ({wanted})"
        off, way = (value - high, self.too_high) if value > high else (low - value, self.too_low)
        told = math.isfinite(off) and off != abs(value)
        by = f"{quantity(off, difference_unit(self.unit), decimals)} " if told else ""
        return False, f"{said} {by}{way}; aim for {wanted}"

    def _band(self, low, high):
        if math.isinf(low):
            return f"at most {quantity(high, self.unit, self.decimals)}"
        if math.isinf(high):
            return f"at least {quantity(low, self.unit, self.decimals)}"
        span = f"{number(low, self.decimals)} to " if low != high else ""
        return span + quantity(high, self.unit, self.decimals)


# ------------------------------------------------------------------------------------------------- controls set by hand


_SAME_CONTROL = 0.01


@dataclass(frozen=True)
class Control:
    """One control a learner may move.

    Parameters
    ----------
    target : str
        What it belongs to: a strip's or group's name, "master", or a stage's name.
    name : str
        Field of the target: ``fader_db``, ``trim_db``, ``post_trim_db``, ``pan``, ``insert 1 in_db``, ``send cue
        level_db``, or a name of the exercise's own.
    start : float
        Where the exercise puts it.
    low, high : float
        Range; ``-inf`` as low lets the control be closed.
    unit : str
        Unit of the value.
    """

    target: str
    name: str
    start: float
    low: float
    high: float
    unit: str = "dB"

    @property
    def label(self) -> str:
        """Target and field in words, "kick fader"."""
        return f"{self.target} {in_words(self.name)}"


def in_words(name: str) -> str:
    """Return what a control is called on the page.

    Examples
    --------
    >>> in_words("post_trim_db"), in_words("insert 1 threshold_dbfs")
    ('output trim', 'insert 1 threshold dbfs')
    """
    return name.removesuffix("_db").replace("post_trim", "output_trim").replace("_", " ")


def shifted(answer: dict, moves: dict, digits: int = 2) -> dict:
    """Return an answer with some controls moved from where it has them: ``{target: {control: by}}``."""
    return {
        target: fields | {name: round(fields[name] + by, digits) for name, by in moves.get(target, {}).items()}
        for target, fields in answer.items()
    }


@dataclass(frozen=True)
class State(Part):
    """Controls set by the learner; the outcome is measured.

    Parameters
    ----------
    aims : tuple of Aim
        What is measured. Without points of their own all must be met; with points each counts for itself.
    controls : callable
        ``controls(given)`` returns the controls that may be moved.
    run : callable
        ``run(answer, given)`` returns the outcome that the aims read; the answer itself if left out.
    from_session : callable or None
        ``from_session(document, given)`` takes a whole session as JSON and returns the compact answer, or raises
        `Unreadable` when the session is another one; None where the part is not about a session.
    """

    aims: tuple[Aim, ...] = ()
    controls: Callable[[dict], tuple[Control, ...]] = lambda given: ()
    run: Callable[[dict, dict], Any] = lambda answer, given: answer
    from_session: Callable[[dict, dict], dict] | None = None
    kind: ClassVar[str] = "state"
    keyed: ClassVar[bool] = False

    @property
    def band(self) -> str:
        """What is measured and wanted, as far as it is the same in every variant."""
        return "; ".join(aim.in_words() for aim in self.aims)

    def judge(self, value: Any, key: Any, given: dict, values: list) -> Judgement:
        """Return the sentence of every aim that is missed, or of all where all are met."""
        run = self.run(value, given)
        results = [(aim, *aim.judged(run, given)) for aim in self.aims]
        met = {aim.name for aim, passed, _ in results if passed}
        missed = [said for _, passed, said in results if not passed]
        most = sum(aim.points or 0.0 for aim in self.aims)
        earned = sum(aim.points or 0.0 for aim in self.aims if {aim.name, *aim.needs} <= met)
        share = 1.0 if not missed else earned / most if most else 0.0
        return Judgement(share, sentences(missed or [said for *_, said in results]))

    def controls_for(self, given: dict) -> tuple[Control, ...]:
        """Return the controls a learner may move, with their starting values and ranges."""
        return tuple(self.controls(given))

    def read(self, answer: Any, given: dict) -> dict:
        """Return ``{target: {control: value}}`` with every control of the exercise in it."""
        document = as_table(answer, "the controls as a table")
        if self.from_session is not None and isinstance(document.get("strips"), list):
            document = self.from_session(document, given)
        controls = {(control.target, control.name): control for control in self.controls_for(given)}
        placed = {place: control.start for place, control in controls.items()}
        for target, fields in document.items():
            target = "master" if target == "bus" else target
            if not isinstance(fields, dict):
                place, name = next(iter(controls))
                example = f'{{"{place}": {{"{name}": −3.0}}}}'
                raise Unreadable(f"Give the controls of “{shorten(target)}” as in {example}.")
            for name, value in fields.items():
                if (target, name) not in controls:
                    listed = ", ".join(f"{place} {field}" for place, field in list(controls)[:4])
                    there = f"you can move {listed}{' and more' if len(controls) > 4 else ''}"
                    raise Unreadable(f"“{shorten(target)}” has no control “{shorten(name)}” here; {there}.")
                placed[target, name] = _setting(value, controls[target, name])
        result: dict = {}
        for (target, name), value in placed.items():
            result.setdefault(target, {})[name] = value
        return result

    def distance(self, first: dict, second: dict, key: dict, given: dict) -> float:
        """Return 0 where all controls stand in the same place, else infinity: positions are not what is marked."""
        moved = (
            abs(first[target][name] - value)
            for target, fields in second.items()
            for name, value in fields.items()
            if first[target][name] != value
        )
        return 0.0 if max(moved, default=0.0) <= _SAME_CONTROL else math.inf

    def show(self, value: dict, given: dict) -> str:
        """Return one setting that is right; others may be as well."""
        placed = [
            f"{target} {in_words(name)} {number(setting, 2, signed=True)}"
            for target, fields in value.items()
            for name, setting in fields.items()
        ]
        return "for example " + ", ".join(placed)


def _setting(value, control):
    closed = isinstance(value, str) and value.strip().replace("\u2212", "-").casefold() in ("-inf", "-∞")
    if closed or value == -math.inf:
        if control.low == -math.inf:
            return -math.inf
        raise Unreadable(
            f"The {control.label} cannot be closed here; it goes down to {quantity(control.low, control.unit)}."
        )
    setting = parse_number(value, control.unit)
    if not control.low <= setting <= control.high:
        reach = f"{number(control.low)} to {quantity(control.high, control.unit, signed=True)}"
        raise Unreadable(f"The {control.label} is set to {quantity(setting, control.unit)}, but it goes from {reach}.")
    return setting


# ------------------------------------------------------------------------------------------------- a session's controls


MASTER = "master"
RANGES = {"trim_db": (-24.0, 24.0), "post_trim_db": (-24.0, 24.0), "fader_db": (-100.0, 10.0), "pan": (-1.0, 1.0)}
_WIDE = (-60.0, 40.0)
_INSERT = re.compile(r"insert (\d+) (\w+)")
_AROUND = ("in_db", "out_db", "bypass")
_SEND = re.compile(r"send (.+) level_db")


def controls_of(session: Session, names: Iterable[str], targets: Iterable[str] | None = None) -> tuple[Control, ...]:
    """Return controls of a session, each starting where the session has it; a target that lacks one is passed over.

    The targets are strips, groups and "master"; all of them if left out, the master last.
    """
    wanted = tuple(targets) if targets is not None else (*session.names, MASTER)
    found = []
    for target in wanted:
        for name in names:
            start = _value(_channel(session, target), name)
            if start is not None:
                low, high = RANGES.get(name, _WIDE)
                unit = "" if name == "pan" else "dB"
                found.append(Control(target, name, start, min(low, start), max(high, start), unit))
    return tuple(found)


def applied(session: Session, answer: dict) -> Session:
    """Return the session with an answer's controls in place; a fader that is closed is "-inf" there."""
    for target, fields in answer.items():
        channel, changes = _channel(session, target), {}
        for name, value in fields.items():
            changed = _changed(channel, name, -math.inf if value == "-inf" else value)
            channel, changes = replace(channel, **changed), changes | changed
        session = session.with_(BUS if target == MASTER else target, **changes)
    return session


def answer_from(document: dict, session: Session, controls: Iterable[Control]) -> dict:
    """Return the compact answer that a whole session in JSON amounts to."""
    controls = tuple(controls)
    try:
        handed_in = Session.from_json(json.dumps(document))
        answer: dict = {}
        for control in controls:
            value = _value(_channel(handed_in, control.target), control.name)
            answer.setdefault(control.target, {})[control.name] = value
    except GainlibError as problem:
        raise Unreadable(f"This session cannot be marked here: {problem}") from None
    label = {"name": session.name, "finished": session.finished}
    if handed_in.with_(**label) != applied(session, answer):
        moved = ", ".join(sorted({in_words(control.name) for control in controls}))
        raise Unreadable(f"This is another session, or more was changed than you may move here ({moved}).")
    return answer


def _channel(session, target):
    if target in (MASTER, BUS):
        return session.master
    named = [each for each in (*session.strips, *session.groups) if each.name == target]
    if not named:
        raise GainlibError(f"the session has no strip or group {target!r}")
    return named[0]


def _value(channel, name):
    """Return where a control stands, None where the channel has no such control."""
    insert, send = _INSERT.fullmatch(name), _SEND.fullmatch(name)
    if insert:
        number = int(insert[1])
        if not 1 <= number <= len(channel.inserts):
            return None
        placed = channel.inserts[number - 1]
        return getattr(placed if insert[2] in _AROUND else placed.processor, insert[2], None)
    if send:
        return next((each.level_db for each in getattr(channel, "sends", ()) if each.to == send[1]), None)
    return getattr(channel, name, None)


def _changed(channel, name, value):
    """Return the field of a channel that a control belongs to, with the control where it is wanted."""
    insert, send = _INSERT.fullmatch(name), _SEND.fullmatch(name)
    if send:
        return {"sends": tuple(replace(each, level_db=value) if each.to == send[1] else each for each in channel.sends)}
    if name == "polarity" and isinstance(channel, Group):
        inserts = channel.inserts
        return {"inserts": tuple(replace(e, bypass=value > 0) if e.kind == "Polarity" else e for e in inserts)}
    if not insert:
        return {name: value}
    inserts, k, change = list(channel.inserts), int(insert[1]) - 1, {insert[2]: value}
    if insert[2] not in _AROUND:
        change = {"processor": replace(inserts[k].processor, **change)}
    inserts[k] = replace(inserts[k], **change)
    return {"inserts": tuple(inserts)}
