"""The chains file as a person writes it: TOML, plain names, levels in dB, times in ms.

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
from collections.abc import Iterator

from gainlib.audio import GainlibError
from gainlib.processors import Processor, named
from gainlib.processors.controls import Control, class_of, controls, in_ms, in_s, plain_name, plain_names
from gainlib.session import Group, Insert, Session, Strip
from gainlib.session.checks import nearest

SETTINGS = {"pan-law": "pan_law_db", "bus": "bus", "finished": "finished"}
TOP = SETTINGS | {"name": "name", "whole": "whole"}
MASTER = {"input-trim": "trim_db", "inserts": "chain", "fader": "fader_db"}
GROUP = {
    "input-trim": "trim_db", "inserts": "chain", "output-trim": "output_trim_db", "fader": "fader_db", "pan": "pan",
    "mute": "mute", "solo": "solo", "group": "group", "sends": "sends",
}  # fmt: skip
STEM = {"inverted": "polarity", "dc-block": "dc_block"} | GROUP | {"leave-out": "leave_out"}
INSERT = {"gain-in": "in_db", "gain-out": "out_db", "bypass": "bypass"}
MEASURED = {"name": "name", "gains": "gains", "level-free": "level_free"}
SEND = {"level": "level_db", "tap": "tap"}
_WORDS = {field: key for keys in (STEM, INSERT, SEND, TOP) for key, field in keys.items() if "_" in field} | {
    "post_trim_db": "output-trim", "True": "true", "False": "false",
}  # fmt: skip
_BARE = re.compile(r"[A-Za-z0-9_-]+")
HEAD = """\
# Chains and balance{of}.
# Levels and gains are in dB, times in ms, frequencies in Hz, pans from -1 (left) to 1 (right).
# What is not mentioned has no inserts, no sends, and all controls at their defaults. Strips stand in this order.
whole = true
"""


def parsed(text: str) -> dict:
    r"""Return what a chains file says, under the names that a session has for it.

    Raises
    ------
    GainlibError
        For what is no TOML, with its line, and for names and values that are not understood, with the strip.

    Examples
    --------
    >>> parsed('[stems.kick]\ninserts = [{box = "delay", time = 20}]\nfader = -6')
    {'stems': {'kick': {'chain': [{'Delay': {'time_s': 0.02}}], 'fader_db': -6}}}
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise GainlibError(f"the chains file is not TOML: {str(error)[:1].lower()}{str(error)[1:]}") from None
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


def located(text: str, message: str) -> str:
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


# ---------------------------------------------------------------------------------------------------------- reading


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
    group = entry.get("group", "")
    if not isinstance(group, str) and not (isinstance(group, list) and all(isinstance(each, str) for each in group)):
        raise GainlibError(f'{where}: group is {_shown(group)}; give a name, such as "drums", or [] for none')
    if "chain" in entry:
        given = entry["chain"]
        boxes = given if isinstance(given, list) else [given]
        entry["chain"] = [dict([_box(box, f"{where}, box {k}")]) for k, box in enumerate(boxes, 1)]
    if "sends" in entry:
        sends = _table(entry["sends"], f"{where}: sends")
        entry["sends"] = {name: _send(given, f"{where}, send to {name!r}") for name, given in sends.items()}
    return entry


def _send(given, where):
    if not isinstance(given, dict):
        return {"level_db": _number(given, where, "dB")}
    return {_known(key, SEND, where): value for key, value in given.items()}


def _box(given, where) -> tuple[str, dict]:
    """Return class name and fields of a box."""
    settings = {"box": given} if isinstance(given, str) else _table(given, where)
    name = settings.get("box")
    if not isinstance(name, str):
        raise GainlibError(f'{where}: this is {_shown(given)}; give a name, or {{box = "name", setting = …}}')
    kind = class_of(name)
    if kind is None:
        raise GainlibError(f"{where}: there is no box {name!r}; {nearest(name, plain_names())}")
    where = f"{where} ({plain_name(kind)})"
    known = {_key(each): each for each in controls(named(kind))}
    fields = {}
    for key, value in settings.items():
        if key == "box":
            continue
        if kind == "BlackBox" and key in MEASURED:
            fields[MEASURED[key]] = value
            continue
        field = _known(key, {each: each for each in (*known, *INSERT)}, where)
        if field in INSERT:
            fields[INSERT[field]] = value if field == "bypass" else _number(value, f"{where}: {field}", "dB")
        else:
            fields[known[field].field] = _setting(known[field], value, f"{where}: {field}")
    if "gains" in fields:
        fields = {"reference_dbfs": None, **fields}
    _try(named(kind), {key: value for key, value in fields.items() if key not in INSERT.values()}, where)
    return kind, fields


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

    Raises
    ------
    GainlibError
        For a name that cannot be written as text.

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
        name = {"chain": "inserts", "output_trim_db": "post_trim_db", "group": "to"}.get(field, field)
        value = getattr(owner, name, None)
        if not hasattr(owner, name) or value == kind.__dataclass_fields__[name].default:
            continue
        if field == "chain":
            if value:
                yield "\n".join([f"{key} = [", *(f"  {_insert(each)}," for each in value), "]"])
        elif field == "sends":
            yield f"{key} = {{{', '.join(f'{_name(each.to)} = {_sent(each)}' for each in value)}}}"
        elif field == "group":
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
