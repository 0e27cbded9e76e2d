"""A session's controls as an answer: which may be moved, how they are put in place, and how they are read back.

A control is addressed by target and name. The target is a strip, a group, or "master"; the name is a field
(``trim_db``, ``post_trim_db``, ``fader_db``, ``pan``), ``insert 1 in_db`` or ``insert 1 out_db`` counted from 1,
``insert 1 threshold_dbfs`` or another number of its processor, or ``send cue level_db`` with the name of the send's
destination.
"""

import json
import re
from collections.abc import Iterable
from dataclasses import replace

from gainlib.audio import GainlibError
from gainlib.exercises.practical import Control, in_words
from gainlib.exercises.text import Unreadable
from gainlib.session import Session

MASTER = "master"
RANGES = {"trim_db": (-24.0, 24.0), "post_trim_db": (-24.0, 24.0), "fader_db": (-100.0, 10.0), "pan": (-1.0, 1.0)}
_WIDE = (-60.0, 40.0)
_INSERT = re.compile(r"insert (\d+) (\w+)")
_AROUND = ("in_db", "out_db")
_SEND = re.compile(r"send (.+) level_db")


def controls_of(session: Session, names: Iterable[str], targets: Iterable[str] | None = None) -> tuple[Control, ...]:
    """Return controls of a session, each starting where the session has it.

    Parameters
    ----------
    session : Session
        The session as the exercise hands it out.
    names : iterable of str
        Which controls; a target that lacks one is passed over.
    targets : iterable of str or None
        Strips, groups and "master"; None takes all, the master last.
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
    """Return the session with an answer's controls in place.

    Parameters
    ----------
    session : Session
        The session as the exercise hands it out.
    answer : dict
        ``{target: {control: value}}``.
    """
    for target, fields in answer.items():
        channel = _channel(session, target)
        for name, value in fields.items():
            channel = _placed(channel, name, value)
        session = _exchanged(session, target, channel)
    return session


def answer_from(document: dict, session: Session, controls: Iterable[Control]) -> dict:
    """Return the compact answer that a whole session in JSON amounts to.

    Raises
    ------
    Unreadable
        When the session is another one, or more was changed than the controls.
    """
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
    if target == MASTER:
        return session.master
    named = [each for each in (*session.strips, *session.groups) if each.name == target]
    if not named:
        raise GainlibError(f"the session has no strip or group {target!r}")
    return named[0]


def _exchanged(session, target, channel):
    if target == MASTER:
        return session.with_(master=channel)
    strips = any(each.name == target for each in session.strips)
    return session.with_strip(channel) if strips else session.with_group(channel)


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


def _placed(channel, name, value):
    insert, send = _INSERT.fullmatch(name), _SEND.fullmatch(name)
    if insert:
        inserts = list(channel.inserts)
        number = int(insert[1]) - 1
        if insert[2] in _AROUND:
            inserts[number] = replace(inserts[number], **{insert[2]: value})
        else:
            processor = replace(inserts[number].processor, **{insert[2]: value})
            inserts[number] = replace(inserts[number], processor=processor)
        return replace(channel, inserts=tuple(inserts))
    if send:
        sends = tuple(replace(each, level_db=value) if each.to == send[1] else each for each in channel.sends)
        return replace(channel, sends=sends)
    return replace(channel, **{name: value})
