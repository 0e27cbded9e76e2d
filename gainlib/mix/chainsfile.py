"""The chains file: what every stem passes, where it goes and how it is balanced, in plain names, dB and ms, as TOML.

::

    [stems.kick]
    inserts = ["filter", {box = "saturation", drive = 2, gain-out = -1.5}]

    [stems.bass]
    inserts = [{box = "black box", name = "opto", reference = -18}]
    fader = -6

    [stems."vocal *"]
    inserts = [{box = "compressor", threshold = -24, ratio = 3, attack = 10, release = 120}]
    sends = {echo = -12, cue = {level = -6, tap = "pre"}}
    pan = -0.2

    [stems."tom ?"]
    inserts = ["gate", "saturation"]
    group = "drums"

    [stems.print]
    leave-out = true

    [groups.drums]
    inserts = ["compressor"]

    [groups.echo]
    fader = -3

    [groups.cue]
    group = []

    [master]
    fader = 0

A stem is named as its file is, with or without the suffix, or by a pattern with ``*``, ``?`` and ``[…]``; a name goes
before a pattern, a pattern before those below it. A strip has
``inverted``, ``dc-block``, ``input-trim``, ``inserts``, ``output-trim``, ``fader``, ``pan`` (−1 left to 1 right),
``mute``, ``solo``, ``group`` and ``sends``; a group the same but the first two; the master ``input-trim``, ``inserts``
and ``fader``. A box is its name, or its name as ``box`` with its settings, ``gain-in``, ``gain-out`` and ``bypass``. A
black box cannot be run here: it is built for the average ``reference``, or is known by its ``name`` from the rack of
measured boxes; ``gains`` and ``level-free`` are what was measured, as a song that is written out has it. Above the
first strip may stand ``pan-law``, ``bus``, ``name``, ``finished``, and ``whole``: then what is not mentioned is not
left as found but has no inserts, no sends, and all controls at their defaults, and strips stand in the order of the
file.
"""

import ast
import json
import math
import re
import tomllib
import unicodedata
from bisect import bisect_left
from collections.abc import Iterator
from fnmatch import fnmatchcase

from gainlib.audio import AudioFile, GainlibError
from gainlib.errors import said_of
from gainlib.mix import chainsformer
from gainlib.processors import Processor, named
from gainlib.processors.controls import Control, class_of, controls, in_ms, in_s, plain_name, plain_names
from gainlib.session import Group, Insert, Send, Session, Strip
from gainlib.session.checks import nearest
from gainlib.session.files import from_builtins
from gainlib.session.strip import BUS

SETTINGS = {"pan-law": "pan_law_db", "bus": "bus", "finished": "finished"}
TOP = SETTINGS | {"name": "name", "whole": "whole"}
MASTER = {"input-trim": "trim_db", "inserts": "inserts", "fader": "fader_db"}
GROUP = {
    "input-trim": "trim_db", "inserts": "inserts", "output-trim": "post_trim_db", "fader": "fader_db", "pan": "pan",
    "mute": "mute", "solo": "solo", "group": "to", "sends": "sends",
}  # fmt: skip
STEM = {"inverted": "polarity", "dc-block": "dc_block"} | GROUP | {"leave-out": "leave_out"}
INSERT = {"gain-in": "in_db", "gain-out": "out_db", "bypass": "bypass"}
MEASURED = {"name": "name", "gains": "gains", "level-free": "level_free"}
SEND = {"level": "level_db", "tap": "tap"}
_WORDS = {field: key for keys in (STEM, INSERT, SEND, TOP) for key, field in keys.items() if "_" in field}
_WORDS |= {"True": "true", "False": "false"}
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BEGINS = re.compile(r"""^[ \t]*(?:\[|[\w"'][^][{}\n]*=)""", re.MULTILINE)  # a section or a setting
_OF_ALL = ("the chains file is not TOML", "the chains file leaves out every stem")  # no beginning of it can tell
HEAD = """\
# Chains and balance{of}.
# Levels and gains are in dB, times in ms, frequencies in Hz, pans from -1 (left) to 1 (right).
# What is not mentioned has no inserts, no sends, and all controls at their defaults. Strips stand in this order.
whole = true
"""


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
        data, told = chainsformer.parsed(content)
        session, notes = _applied(session, data, chainsformer.fields_of)
        return session, (*told, *notes)
    try:
        return _read(session, content)
    except GainlibError as error:
        raise GainlibError(_located(content, _first(session, content, str(error)))) from None


def _read(session, content):
    data = parsed(content)
    if data.pop("whole", False):
        session = _bare(session, data.get("stems", {}))
    made = _made(session, data)
    session, notes = _applied(session.with_(groups=(*session.groups, *map(Group, made))), data)
    told = f"the chains file: made the group{'s' * (len(made) > 1)} {', '.join(made)}, which no section describes"
    return session, (*notes, *([told] if made else []))


def _first(session, content, message):
    """Return the mistake that comes first in a file with several: that of its shortest beginning which has one."""

    def mistake(end):
        try:
            _read(session, content[:end])
        except GainlibError as error:
            return "" if str(error).startswith(_OF_ALL) else str(error)
        return ""

    ends = [] if message.startswith(_OF_ALL[0]) else [found.start() for found in _BEGINS.finditer(content)]
    at = bisect_left(ends, True, key=lambda end: mistake(end) != "")
    return mistake(ends[at]) if at < len(ends) else message


def _text_of(text):
    try:
        content = text.removeprefix("\ufeff") if isinstance(text, str) else bytes(text).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise GainlibError("the chains file is not UTF-8 text; save it as such") from None
    if not content.strip():
        raise GainlibError("the chains file is empty; write one in step 3 of the bench, or give another file")
    return content


def _bare(session, stems):
    """Return a session with all controls at their defaults, the strips that are named first and in that order."""
    named = [strip.name for key in stems if (strip := _named(session.strips, key)) is not None]
    place = {name: at for at, name in enumerate(named)}
    strips = sorted(session.strips, key=lambda strip: place.get(strip.name, len(place)))
    return Session([Strip(strip.name, strip.audio) for strip in strips], name=session.name)


def _made(session, data):
    """Return the names that strips go to or send to and that are nowhere else."""
    groups = data.get("groups", {})
    entries = (*data.get("stems", {}).values(), *groups.values())
    wanted = [name for each in entries for name in (*each.get("to", ()), *(send.to for send in each.get("sends", ())))]
    return [name for name in dict.fromkeys(wanted) if name not in (BUS, *session.names, *groups)]


def _applied(session, data, fields_of=lambda entry, part, name: entry):
    """Return a session with what a file says of it, and notes."""
    entries, notes = _entries(session.strips, data.pop("stems", {}))
    changes = {name: dict(fields_of(entry, "stems", name)) for name, entry in entries.items()}
    left_out = {name for name, fields in changes.items() if fields.pop("leave_out", False)}
    strips = (strip.with_(**changes.get(strip.name, {})) for strip in session.strips if strip.name not in left_out)
    if not (strips := tuple(strips)):
        raise GainlibError(f"{_OF_ALL[1]}; keep at least one")
    groups = {group.name: group for group in session.groups}
    groups |= {name: Group(name, **fields_of(each, "groups", name)) for name, each in data.pop("groups", {}).items()}
    master = session.master.with_(**fields_of(data.pop("master", {}), "master", ""))
    return session.with_(strips=strips, groups=tuple(groups.values()), master=master, **data), notes


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


# ---------------------------------------------------------------------------------------------------------- reading


def parsed(text: str) -> dict:
    r"""Return what a chains file says, under the names that a session has for it.

    Examples
    --------
    >>> parsed('[stems.kick]\ngroup = "drums"\nfader = -6')
    {'stems': {'kick': {'to': ('drums',), 'fader_db': -6}}}
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise GainlibError(f"{_OF_ALL[0]}: {str(error)[:1].lower()}{str(error)[1:]}") from None
    found: dict = {}
    for key, value in data.items():
        if key == "stems":
            found[key] = {name: _channel(each, STEM, f"stem {name!r}") for name, each in _table(value, key).items()}
        elif key == "groups":
            found[key] = {name: _channel(each, GROUP, f"group {name!r}") for name, each in _table(value, key).items()}
        elif key == "master":
            found[key] = _channel(value, MASTER, "master")
        else:
            found[_known(key, TOP, "the chains file", ("stems", "groups", "master"))] = value
    for field in ("finished", "whole"):
        _switch(found.get(field, False), f"the chains file: {field}")
    return found


def _located(text: str, message: str) -> str:
    """Return what went wrong in plain names, with the line where the strip stands that it is about."""
    words = re.sub(rf"(?<!['\"])\b({'|'.join(_WORDS)})\b", lambda found: _WORDS[found[0]], message)
    about = re.search(r"(?:stem|strip|group) ('[^']*'|\"[^\"]*\")", message)
    if about is None:
        return words
    name = ast.literal_eval(about[1])
    line = next((k for k, each in enumerate(text.splitlines(), 1) if _header(each) == name), None)
    return words if line is None else f"line {line}: {words}"


def _header(line):
    """Return the name in a line such as ``[stems.kick]``, or None."""
    try:
        found = tomllib.loads(line) if line.lstrip().startswith("[") else {}
    except tomllib.TOMLDecodeError:
        return None
    inside = next(iter(found.values()), None)
    return next(iter(inside), None) if isinstance(inside, dict) else None


def _table(value, where):
    if not isinstance(value, dict):
        raise GainlibError(f"{where}: this is {_shown(value)}; give a section, such as [stems.kick]")
    return value


def _known(key, keys, where, more=()):
    folded = key.casefold().replace("_", "-").replace(" ", "-")
    if folded not in keys:
        raise GainlibError(f"{where}: there is no {key!r} here; {nearest(folded, [*keys, *more])}")
    return keys[folded]


def _channel(value, keys, where):
    entry = {_known(key, keys, where): given for key, given in _table(value, where).items()}
    if "polarity" in entry:
        entry["polarity"] = -1 if _switch(entry["polarity"], f"{where}: inverted") else 1
    for field in ("mute", "solo", "dc_block", "leave_out"):
        _switch(entry.get(field, False), f"{where}: {field}")
    if "to" in entry:
        to = entry["to"] if isinstance(entry["to"], list) else [entry["to"]]
        if not all(isinstance(each, str) for each in to):
            raise GainlibError(f'{where}: group is {_shown(entry["to"])}; give a name, such as "drums", or [] for none')
        entry["to"] = tuple(to)
    if "inserts" in entry:
        given = entry["inserts"]
        boxes = given if isinstance(given, list) else [given]
        entry["inserts"] = tuple(_box(box, f"{where}, box {k}") for k, box in enumerate(boxes, 1))
    if "sends" in entry:
        sends = _table(entry["sends"], f"{where}: sends")
        entry["sends"] = tuple(_send(name, given, where) for name, given in sends.items())
    return entry


def _send(name, given, owner) -> Send:
    where = f"{owner}, send to {name!r}"
    if isinstance(given, dict):
        settings = {_known(key, SEND, where): value for key, value in given.items()}
    else:
        settings = {"level_db": _number(given, where, "dB")}
    with said_of(owner):
        return Send(name, **settings)


def _box(given, where) -> Insert:
    settings = {"box": given} if isinstance(given, str) else _table(given, where)
    name = settings.get("box")
    if not isinstance(name, str):
        raise GainlibError(f'{where}: this is {_shown(given)}; give a name, or {{box = "name", setting = …}}')
    kind = class_of(name)
    if kind is None:
        raise GainlibError(f"{where}: there is no box {name!r}; {nearest(name, plain_names())}")
    where = f"{where} ({plain_name(kind)})"
    known = {_key(each): each for each in controls(named(kind))}
    fields, around = {}, {}
    for key, value in settings.items():
        if key == "box":
            continue
        if kind == "BlackBox" and key in MEASURED:
            fields[MEASURED[key]] = value
            continue
        field = _known(key, {each: each for each in (*known, *INSERT)}, where)
        if field in INSERT:
            around[INSERT[field]] = value if field == "bypass" else _number(value, f"{where}: {field}", "dB")
        else:
            fields[known[field].field] = _setting(known[field], value, f"{where}: {field}")
    if "gains" in fields:
        fields = {"reference_dbfs": None, **fields}
    _try(named(kind), fields, where)
    with said_of(where):
        return Insert(from_builtins(named(kind), fields), **around)


def _key(control: Control) -> str:
    return control.label.replace(" ", "-")


def _setting(control, value, where):
    if control.choices:
        if value not in control.choices:
            raise GainlibError(f"{where} is {_shown(value)}; there is {', '.join(control.choices)}")
        return value
    if isinstance(control.default, bool):
        return _switch(value, where)
    number = _number(value, where, "ms" if control.unit == "s" else control.unit)
    if control.unit == "s" and math.isfinite(number):
        return in_s(number)
    whole = isinstance(control.default, int) and math.isfinite(number) and number == int(number)
    return int(number) if whole else number


def _number(value, where, unit):
    known = isinstance(value, float) or (isinstance(value, int) and abs(value) < 1e300)
    if isinstance(value, bool) or not known or math.isnan(value):
        raise GainlibError(f"{where} is {_shown(value)}; give a number{f' of {unit}' if unit else ''}")
    return value


def _switch(value, where):
    if not isinstance(value, bool):
        raise GainlibError(f"{where} is {_shown(value)}; it is true or false")
    return value


def _try(kind: type[Processor], fields, where):
    """Refuse what a box cannot be set to, in the words and units of the file."""
    try:
        kind(**fields)
    except GainlibError as error:
        told = re.match(r"\w+: (\w+) (.*)", str(error))
        control = next((each for each in controls(kind) if told and each.field == told[1]), None)
        if control is None:
            raise GainlibError(f"{where}: {str(error).partition(': ')[2] or error}") from None
        words = told[2]
        if control.unit == "s":
            words = re.sub(r"-?\d+(\.\d+)?(e-?\d+)?", lambda found: f"{float(found[0]) * 1000:g} ms", words)
        raise GainlibError(f"{where}: {_key(control)} {words}") from None


def _shown(value):
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 40 else f"{text[:39]}…"


# ---------------------------------------------------------------------------------------------------------- writing


def chains_text(session: Session) -> str:
    """Return the chains file of a session: all of it but the audio.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> session = Session([Strip("kick in", Audio(np.zeros(480), 48000), trim_db=-3.5)])
    >>> print(chains_text(session.with_("kick in", inserts=[named("Delay")(0.02)])).partition("whole = true")[2])
    <BLANKLINE>
    <BLANKLINE>
    [stems."kick in"]
    input-trim = -3.5
    inserts = [
      {box = "delay", time = 20},
    ]
    <BLANKLINE>
    """
    lines = [HEAD.format(of=f" of {session.name}".replace("\n", " ") if session.name else "").rstrip()]
    lines += _pairs(session, SETTINGS, Session)
    for part, keys, kind, channels in (
        ("stems", STEM, Strip, session.strips),
        ("groups", GROUP, Group, session.groups),
    ):
        for each in channels:
            lines += ["", f"[{part}.{_name(each.name)}]", *_pairs(each, keys, kind)]
    master = list(_pairs(session.master, MASTER, type(session.master)))
    text = "\n".join([*lines, *(["", "[master]", *master] if master else []), ""])
    try:
        text.encode()
    except UnicodeEncodeError:
        name = next(each for each in session.names if not each.isprintable())
        raise GainlibError(f"the name {name!r} cannot be written as text; rename that file") from None
    return text


def _pairs(owner, keys, kind) -> Iterator[str]:
    """Yield a line for each control that is not at its default."""
    for key, field in keys.items():
        default = kind.__dataclass_fields__.get(field)
        if default is None or (value := getattr(owner, field)) == default.default:
            continue
        if field == "inserts":
            if value:
                yield "\n".join([f"{key} = [", *(f"  {_insert(each)}," for each in value), "]"])
        elif field == "sends":
            yield f"{key} = {{{', '.join(f'{_name(each.to)} = {_sent(each)}' for each in value)}}}"
        elif field == "to":
            yield f"{key} = {_value(value[0] if len(value) == 1 else list(value))}"
        else:
            yield f"{key} = {_value(value if field != 'polarity' else True)}"


def _insert(insert: Insert) -> str:
    box = insert.processor
    pairs = [("box", plain_name(insert.kind))]
    for key, field in MEASURED.items() if insert.kind == "BlackBox" else ():
        if value := getattr(box, field):
            pairs.append((key, value))
    for each in controls(type(box)):
        value = getattr(box, each.field)
        if value is not None and not (each.field == "seed" and value == each.default):
            pairs.append((_key(each), in_ms(value) if each.unit == "s" else value))
    pairs += [(key, getattr(insert, field)) for key, field in INSERT.items() if getattr(insert, field)]
    return f"{{{', '.join(f'{key} = {_value(value)}' for key, value in pairs)}}}"


def _sent(send):
    if send.tap == "post":
        return _value(send.level_db)
    return f"{{level = {_value(send.level_db)}, tap = {_value(send.tap)}}}"


def _name(text):
    return text if _BARE.fullmatch(text) else _value(text)


def _value(value) -> str:
    """Return a value as TOML: numbers as short as they read back the same."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    number = float(value)
    if number.is_integer() and abs(number) < 1e15:
        return str(int(number))
    return repr(number)
