"""Changes to the channels of a session as they are typed into a table: names make groups, one text is one cell.

A cell that says where strips go or send to names groups; a group that is not there yet is made. A group that was made
by naming it, and that nothing reaches any more, goes again as long as nothing was set on it.

The balance of a song saved earlier is laid on the song at hand by name, faders, pans and mutes only; its stems need not
be there any more.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

import msgspec

from gainlib.audio import GainlibError
from gainlib.session import Group, Send, Session
from gainlib.session.routing import channels
from gainlib.session.strip import BUS
from gainlib.words import number_text

NOWHERE = "nowhere"
FIELDS = ("fader_db", "pan", "mute")
_SEND = re.compile(
    r"(?P<name>.*?)(?:\s+(?P<level>[-+−]\d+(?:[.,]\d+)?|0(?:[.,]0+)?|silent|-inf|−∞)(?:\s*dB)?)?(?:\s+(?P<tap>pre|post))?",
    re.IGNORECASE,
)


def set_outputs(session: Session, names: Iterable[str], text: str) -> Session:
    """Return a session in which channels go to the groups that a text names, commas between; nothing is the bus.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> session = Session([Strip(name, tone(997, -20, 0.1)) for name in ("kick", "snare")])
    >>> drums = set_outputs(session, ["kick", "snare"], "drums")
    >>> [strip.to for strip in drums.strips], drums.names
    ([('drums',), ('drums',)], ('kick', 'snare', 'drums'))
    >>> set_outputs(drums, ["kick", "snare"], "").names
    ('kick', 'snare')
    """
    wanted = [each.strip() for each in text.split(",") if each.strip()] or [BUS]
    if [each.casefold() for each in wanted] == [NOWHERE]:
        return _changed(session, names, to=())
    made, to = _with_groups(session, wanted)
    return _tidied(_changed(made, names, to=tuple(dict.fromkeys(to))), session)


def set_sends(session: Session, names: Iterable[str], text: str) -> Session:
    """Return a session in which channels send as a text says, such as "echo −12, cue −6 pre"; no level is 0 dB.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> session = Session([Strip("vocal", tone(997, -20, 0.1))])
    >>> sent = set_sends(session, ["vocal"], "echo −12,5 dB, cue -6 pre")
    >>> sends_text(sent.strip("vocal").sends), sent.names
    ('echo −12.5, cue −6.0 pre', ('vocal', 'echo', 'cue'))
    """
    read = [_send_of(part.strip()) for part in re.split(r";|,(?!\d)", text) if part.strip()]
    made, to = _with_groups(session, [name for name, _, _ in read])
    sends = tuple(Send(name, level, tap) for name, (_, level, tap) in zip(to, read, strict=True))
    return _tidied(_changed(made, names, sends=sends), session)


def outputs_text(to: tuple[str, ...]) -> str:
    """Return where a channel goes as :func:`set_outputs` reads it."""
    return ", ".join(to) or NOWHERE


def sends_text(sends: tuple[Send, ...]) -> str:
    """Return sends as :func:`set_sends` reads them."""
    return ", ".join(f"{each.to} {level_cell(each.level_db)}{' pre' if each.tap == 'pre' else ''}" for each in sends)


def level_cell(level_db: float) -> str:
    """Return a level as a cell shows it: as many places as it has, at least one.

    Examples
    --------
    >>> level_cell(-6.0), level_cell(0.25), level_cell(-math.inf)
    ('−6.0', '+0.25', 'silent')
    """
    if not math.isfinite(level_db):
        return "silent"
    return number_text(level_db, 1 if round(level_db, 1) == round(level_db, 6) else 2, signed=True)


def moved(session: Session, name: str, step: int) -> Session:
    """Return a session in which a strip, or a group, stands one place earlier (−1) or later (1) among its like.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> session = Session([Strip(name, tone(997, -20, 0.1)) for name in ("kick", "snare")])
    >>> moved(session, "snare", -1).names, moved(session, "snare", 1).names
    (('snare', 'kick'), ('kick', 'snare'))
    """
    field = "strips" if any(strip.name == name for strip in session.strips) else "groups"
    row = list(getattr(session, field))
    at = next(k for k, each in enumerate(row) if each.name == name)
    row.insert(min(max(at + step, 0), len(row) - 1), row.pop(at))
    return session.with_(**{field: tuple(row)})


def without_group(session: Session, name: str) -> Session:
    """Return a session without a group: what went there goes where the group went, what was sent there is not sent.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> session = Session([Strip("kick", tone(997, -20, 0.1), to="drums")], groups=[Group("drums")])
    >>> without_group(session, "drums").strip("kick").to
    ('bus',)
    """
    to = session.group(name).to

    def freed(channel):
        outputs = tuple(dict.fromkeys(each for one in channel.to for each in (to if one == name else (one,))))
        return channel.with_(to=outputs, sends=tuple(send for send in channel.sends if send.to != name))

    freed_of_it = session.each(freed)
    return freed_of_it.with_(groups=tuple(group for group in freed_of_it.groups if group.name != name))


def with_balance_of(session: Session, now: Session) -> Session:
    """Return an earlier session with the faders, pans, mutes and polarities of the one at hand."""
    fields, there = ("fader_db", "pan", "mute", "solo", "polarity"), channels(now)
    for name, channel in channels(session).items():
        if name in there:
            kept = {field: getattr(there[name], field) for field in fields if hasattr(channel, field)}
            session = session.with_(name, **kept)
    session = session.with_(pan_law_db=now.pan_law_db, bus=now.bus, name=now.name, finished=now.finished)
    return session.with_(BUS, fader_db=now.master.fader_db)


def _send_of(part):
    found = _SEND.fullmatch(f" {part}")  # so that a level alone is none of the name
    if not found["name"].strip():
        raise GainlibError(f"{part!r} names no group; give a name and a level, such as echo −12")
    level = (found["level"] or "0").replace("−", "-").replace(",", ".").lower()
    return (
        found["name"].strip(),
        -math.inf if level in ("silent", "-inf", "-∞") else float(level),
        found["tap"] or "post",
    )


def _with_groups(session, names):
    """Return a session with a group of each name, and the names as they are written there."""
    known = {each.name.casefold(): each.name for each in session.groups} | {BUS: BUS}
    strips = {strip.name.casefold(): strip.name for strip in session.strips}
    groups, to = list(session.groups), []
    for name in names:
        if name.casefold() not in known and name.casefold() in strips:
            raise GainlibError(f"{name!r} is a strip; give the name of a group, and if it is new it is made")
        if name.casefold() not in known:
            groups.append(Group(name))
            known[name.casefold()] = name
        to.append(known[name.casefold()])
    return session.with_(groups=tuple(groups)), to


def _changed(session, names, **fields):
    names = tuple(names)
    return session.each(lambda each: each.with_(**fields) if each.name in names else each)


def _tidied(session, before):
    """Return a session without groups that were fed before, are fed no more, and on which nothing was set."""
    left = {name for each in channels(before).values() for name in each.outputs}
    left -= {name for each in channels(session).values() for name in each.outputs}
    return session.with_(
        groups=tuple(each for each in session.groups if each.name not in left or each != Group(each.name))
    )


# ---- the balance of a song saved earlier -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Balanced:
    """A session with another one's balance.

    Attributes
    ----------
    session : Session
    taken : tuple of str
        Strips and groups that were set.
    left : tuple of str
        Those of the session that the saved song does not hold.
    unknown : tuple of str
        Those of the saved song that the session does not hold.
    """

    session: Session
    taken: tuple[str, ...]
    left: tuple[str, ...]
    unknown: tuple[str, ...]


def take_balance(session: Session, text: str | bytes) -> Balanced:
    """Return a session with faders, pans and mutes of a saved one.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Strip
    >>> song = Session([Strip("kick", Audio(np.zeros(48), 48000))])
    >>> taken = take_balance(song, '{"strips": [{"name": "kick", "fader_db": -6.0}, {"name": "bass"}]}')
    >>> taken.session.strip("kick").fader_db, taken.unknown
    (-6.0, ('bass',))
    """
    try:
        data = msgspec.json.decode(text)
    except msgspec.DecodeError as error:
        raise GainlibError(f"this is not JSON: {error}") from None
    if not isinstance(data, dict) or not isinstance(data.get("strips"), list):
        raise GainlibError(
            "this is not a saved song, because it has no strips; give the .json that the bench or a plan wrote"
        )
    saved = {name: each for each in _saved(data) if isinstance(name := each.get("name"), str)}
    wanted = {
        name: {key: _level(value) for key, value in each.items() if key in FIELDS} for name, each in saved.items()
    }
    balanced = session.each(lambda each: each.with_(**wanted.get(each.name, {})))
    master = data.get("master")
    if isinstance(master, dict) and "fader_db" in master:
        balanced = balanced.with_(BUS, fader_db=_level(master["fader_db"]))
    return Balanced(
        balanced,
        tuple(name for name in session.names if name in saved),
        tuple(name for name in session.names if name not in saved),
        tuple(name for name in saved if name not in session.names),
    )


def _saved(data):
    groups = data.get("groups")
    return [each for each in (*data["strips"], *(groups if isinstance(groups, list) else ())) if isinstance(each, dict)]


def _level(value):
    return -math.inf if value == "-inf" else value
