"""The chains file: what every stem passes, where it goes and how it is balanced; the balance of a song saved earlier.

The file is TOML as in :mod:`gainlib.mix.chainstext`. That of the version before was JSON, with the fields of a session
under their own names::

    {
      "stems": {"kick": ["Filter", {"Saturation": {"drive": 2.0}}], "bass": {"black box": {"reference_dbfs": -18}},
                "vocal *": {"chain": ["Compressor"], "sends": {"echo": {"level_db": -12, "tap": "pre"}}, "pan": -0.2}},
      "groups": {"echo": {"fader_db": -3}}, "master": {"chain": "linear", "fader_db": 0}
    }

It is read for one more version. There a chain is "linear", one processor, or a list of them; a processor is its name,
or a name with its settings and those of its insert (``in_db``, ``out_db``, ``bypass``).

The balance of a song saved earlier is laid on the song at hand by name, faders, pans and mutes only; its stems need not
be there any more.
"""

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase

import msgspec

from gainlib.audio import AudioFile, GainlibError
from gainlib.errors import STILL_READ, renamed
from gainlib.mix import chainstext
from gainlib.processors import named
from gainlib.processors.controls import class_of, plain_names
from gainlib.session import Group, Insert, Send, Session, Strip
from gainlib.session.checks import nearest
from gainlib.session.files import from_builtins
from gainlib.session.strip import BUS

LINEAR, BLACK_BOX = "linear", "black box"
JSON = f"the chains file: it is written in TOML now; JSON {STILL_READ}"
FORMER = {"level-dependent": BLACK_BOX, "unseen": BLACK_BOX, "post_trim_db": "output_trim_db"}
"""Names of the version before, which are read for one more."""
_SETTINGS = ("pan_law_db", "bus", "name", "finished")
_TOP = ("stems", "groups", "master", *_SETTINGS)
_OF_MASTER = ("chain", "trim_db", "fader_db")
_OF_GROUP = (*_OF_MASTER, "output_trim_db", "pan", "mute", "solo", "group", "sends")
_OF_STEM = (*_OF_GROUP, "polarity", "dc_block", "leave_out")
_OF_INSERT = ("in_db", "out_db", "bypass")

FIELDS = ("fader_db", "pan", "mute")


def apply_chains(session: Session, text: str | bytes) -> tuple[Session, tuple[str, ...]]:
    r"""Return a session with what a chains file says of it.

    Parameters
    ----------
    session : Session
        Usually a folder as it was opened.
    text : str or bytes
        Content of the file, in UTF-8.

    Returns
    -------
    session : Session
    notes : tuple of str
        Form and names of the version before, patterns that fit no stem, and stems of which the file says nothing.

    Raises
    ------
    GainlibError
        For anything that is not understood, with its place and the nearest name.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> session = Session([Strip("kick", Audio(np.zeros(480), 48000))])
    >>> session, notes = apply_chains(session, '[stems."k*"]\ninserts = ["saturation"]')
    >>> session.strip("kick").inserts[0].kind, notes
    ('Saturation', ())
    >>> apply_chains(session, '[stems.kick]\ninserts = ["tepe"]')
    Traceback (most recent call last):
    gainlib.audio.GainlibError: line 1: stem 'kick', box 1: there is no box 'tepe'; did you mean 'tape'?
    """
    content = _text_of(text)
    if content.lstrip().startswith("{"):
        session, notes = _applied(session, _decoded(content))
        return session, (JSON, *notes)
    try:
        return _as_written(session, chainstext.parsed(content))
    except GainlibError as error:
        raise GainlibError(chainstext.located(content, str(error))) from None


def _as_written(session, data):
    """Return a session with what the file of today says, and with the groups that it names."""
    if data.pop("whole", False):
        session = _bare(session, data.get("stems", {}))
    made = _made(session, data)
    session, notes = _applied(session.with_(groups=(*session.groups, *map(Group, made))), data)
    told = f"the chains file: made the group{'s' * (len(made) > 1)} {', '.join(made)}, which no section describes"
    return session, (*notes, *([told] if made else []))


def _bare(session, stems):
    """Return a session with all controls at their defaults, the strips that are named first and in that order."""
    named = [strip.name for key in stems if (strip := _named(session.strips, key)) is not None]
    place = {name: at for at, name in enumerate(named)}
    strips = sorted(session.strips, key=lambda strip: place.get(strip.name, len(place)))
    return Session([Strip(strip.name, strip.audio) for strip in strips], name=session.name)


def _made(session, data):
    """Return the names that strips go to or send to and that are nowhere else."""
    entries = (*data.get("stems", {}).values(), *data.get("groups", {}).values())
    wanted = [name for each in entries for name in (*_listed(each.get("group", ())), *each.get("sends", {}))]
    known = (BUS, *session.names, *data.get("groups", {}))
    return [name for name in dict.fromkeys(wanted) if name not in known]


def _listed(names):
    return (names,) if isinstance(names, str) else tuple(names)


def _applied(session, data):
    former: dict[str, str] = {}
    data = _object(data, "the chains file")
    _known(data, _TOP, "the chains file")
    stems, groups = (
        {name: _renewed(entry, former) for name, entry in _object(data.get(part, {}), part).items()}
        for part in ("stems", "groups")
    )
    entries, notes = _entries(session.strips, stems)
    strips = []
    for strip in session.strips:
        changes = _fields(entries[strip.name], _OF_STEM, f"stem {strip.name!r}") if strip.name in entries else {}
        if not changes.pop("leave_out", False):
            strips.append(strip.with_(**changes))
    if not strips:
        raise GainlibError("the chains file leaves out every stem; keep at least one")
    channels = {group.name: group for group in session.groups}
    for name, value in groups.items():
        channels[name] = Group(name, **_fields(value, _OF_GROUP, f"group {name!r}"))
    changes = {key: _level(data[key]) for key in _SETTINGS if key in data}
    master = session.master.with_(**_fields(_renewed(data.get("master", {}), former), _OF_MASTER, "master"))
    told = (f"the chains file: {renamed(old, new)}" for old, new in former.items())
    session = session.with_(strips=tuple(strips), groups=tuple(channels.values()), master=master, **changes)
    return session, (*told, *notes)


def _text_of(text):
    try:
        content = text.removeprefix("\ufeff") if isinstance(text, str) else bytes(text).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise GainlibError("the chains file is not UTF-8 text; save it as such") from None
    if not content.strip():
        raise GainlibError("the chains file is empty; write one in step 3 of the bench, or give another file")
    return content


def _decoded(text):
    try:
        return msgspec.json.decode(text)
    except (msgspec.DecodeError, RecursionError) as error:
        raise GainlibError(f"the chains file is not JSON: {error}") from None


def _renewed(entry, former: dict[str, str], depth: int = 5):
    """Return an entry with the names of today, as deep as an entry can be; former names are added to `former`."""

    def new(name):
        if name.casefold() in FORMER:
            former[name] = FORMER[name.casefold()]
        return former.get(name, name)

    if isinstance(entry, dict) and depth:
        kept = ("group", "sends", "name")  # what stands there is a name of somebody's own
        return {new(key): value if key in kept else _renewed(value, former, depth - 1) for key, value in entry.items()}
    if isinstance(entry, list) and depth:
        return [_renewed(each, former, depth - 1) for each in entry]
    return new(entry) if isinstance(entry, str) else entry


def _object(value, where):
    if not isinstance(value, dict):
        raise GainlibError(f"{where}: this is {_shown(value)}; give an object, {{name: …}}")
    return value


def _known(names, known, where):
    for name in names:
        if name not in known:
            raise GainlibError(f"{where}: there is no {name!r}; {nearest(name, known)}")


def _level(value):
    return float("-inf") if value == "-inf" else value


def _shown(value):
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:39]}…"


# ------------------------------------------------------------------------------------------------ names and patterns


def _entries(strips, stems) -> tuple[dict[str, object], tuple[str, ...]]:
    """Return the entry of each strip that has one, by its name, and notes."""
    found: dict[str, object] = {}
    patterns, notes = [], []
    for key, value in stems.items():
        named = _named(strips, key)
        if named is not None:
            found[named.name] = value
        elif any(sign in key for sign in "*?["):
            patterns.append((key, value))
        else:
            raise GainlibError(f"stem {key!r}: no stem is named so; {nearest(key, [s.name for s in strips])}")
    for key, value in patterns:
        fitting = [strip.name for strip in strips if any(fnmatchcase(name, _folded(key)) for name in _names(strip))]
        for name in fitting:
            found.setdefault(name, value)
        if not fitting and key != "*":
            notes.append(f"the chains file: no stem matches {key!r}")
    silent = [strip.name for strip in strips if strip.name not in found]
    if silent:
        notes.append(f"the chains file does not mention {', '.join(silent)}; left as found")
    return found, tuple(notes)


def _named(strips, key):
    """Return the strip of a name: that very name, or one that differs in case, in how accents are stored, by suffix."""
    exact = (strip for strip in strips if strip.name == key)
    return next(exact, None) or next((strip for strip in strips if _folded(key) in _names(strip)), None)


def _folded(name):
    return unicodedata.normalize("NFC", name).casefold()


def _names(strip: Strip) -> set[str]:
    """Return the names a strip goes by: its own, and that of its file with the suffix."""
    own = {_folded(strip.name)}
    return own | {_folded(strip.audio.path.name)} if isinstance(strip.audio, AudioFile) else own


# ------------------------------------------------------------------------------------------ what is said of a channel


def _fields(value, known, where) -> dict[str, object]:
    """Return fields of a strip, a group or the master from what the file says of it."""
    entry = _entry(value, known, where)
    changes: dict[str, object] = {}
    for key, given in entry.items():
        if key == "chain":
            changes["inserts"] = tuple(_chain(given, where))
        elif key == "sends":
            changes["sends"] = tuple(_sends(given, where))
        elif key == "group":
            changes["to"] = (given,) if isinstance(given, str) else given
        elif key == "output_trim_db":
            changes["post_trim_db"] = _level(given)
        else:
            changes[key] = _level(given)
    if not isinstance(changes.get("leave_out", False), bool):
        raise GainlibError(f"{where}: leave_out is {_shown(changes['leave_out'])}; it is true or false")
    return changes


def _entry(value, known, where):
    """Bring the short forms to the long one, {"chain": …, control: …}."""
    if not isinstance(value, dict):
        return {"chain": value}
    boxes = {key: given for key, given in value.items() if key not in known}
    if len(boxes) > 1 or (boxes and "chain" in value) or any(_kind(key) is None for key in boxes):
        name = next((key for key in boxes if _kind(key) is None), next(iter(boxes)))
        hint = nearest(name, [*known, *_boxes()]) if _kind(name) is None else 'several processors go into "chain": […]'
        raise GainlibError(f"{where}: there is no {name!r} here; {hint}")
    entry = {key: given for key, given in value.items() if key in known}
    return {"chain": boxes, **entry} if boxes else entry


def _boxes():
    return (LINEAR, *plain_names())


def _kind(name):
    """Return a processor's class by the name a chains file gives it, "linear" as itself, None for an unknown one."""
    if str(name).casefold() == LINEAR:
        return LINEAR
    kind = class_of(str(name))
    return None if kind is None else named(kind)


def _chain(value, where) -> Iterator[Insert]:
    items = value if isinstance(value, list) else [value]
    for number, item in enumerate(items, 1):
        place = f"{where}, processor {number}"
        if isinstance(item, dict) and len(item) == 1:
            name, settings = next(iter(item.items()))
        elif isinstance(item, str):
            name, settings = item, {}
        else:
            forms = f"{LINEAR!r}, the name of a processor, or {{name: {{setting: …}}}}"
            raise GainlibError(f"{place}: this is {_shown(item)}; give {forms}")
        kind = _kind(name)
        if kind is None:
            raise GainlibError(f"{place}: no processor is named {name!r}; {nearest(name, _boxes())}")
        if kind != LINEAR:
            yield _insert(kind, _object(settings, f"{place} ({name})"), f"{place} ({name})")


def _insert(kind, settings, where):
    around = {key: _level(settings[key]) for key in _OF_INSERT if key in settings}
    own = {key: given for key, given in settings.items() if key not in _OF_INSERT}
    try:
        return Insert(from_builtins(kind, own), **around)
    except GainlibError as error:
        raise GainlibError(f"{where}: {error}") from None


def _sends(value, where) -> Iterator[Send]:
    for name, given in _object(value, f"{where}, sends").items():
        settings = given if isinstance(given, dict) else {"level_db": given}
        _known(settings, ("level_db", "tap"), f"{where}, send to {name!r}")
        try:
            yield Send(name, **{key: _level(each) for key, each in settings.items()})
        except GainlibError as error:
            raise GainlibError(f"{where}: {error}") from None


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

    Raises
    ------
    GainlibError
        For a text that is no saved song, and for values that are no balance.

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
    saved = {name: each for each in _channels(data) if isinstance(name := each.get("name"), str)}
    balanced = session
    for name in session.names:
        if name in saved:
            balanced = balanced.with_(name, **_controls(saved[name]))
    master = data.get("master")
    if isinstance(master, dict) and "fader_db" in master:
        balanced = balanced.with_(BUS, fader_db=_level(master["fader_db"]))
    return Balanced(
        balanced,
        tuple(name for name in session.names if name in saved),
        tuple(name for name in session.names if name not in saved),
        tuple(name for name in saved if name not in session.names),
    )


def _channels(data):
    groups = data.get("groups")
    return [each for each in (*data["strips"], *(groups if isinstance(groups, list) else ())) if isinstance(each, dict)]


def _controls(saved):
    return {name: _level(saved[name]) for name in FIELDS if name in saved}
