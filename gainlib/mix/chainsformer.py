"""The chains file of the version before: JSON, with the fields of a session under their own names.

::

    {
      "stems": {"kick": ["Filter", {"Saturation": {"drive": 2.0}}], "bass": {"black box": {"reference_dbfs": -18}},
                "vocal *": {"chain": ["Compressor"], "sends": {"echo": {"level_db": -12, "tap": "pre"}}, "pan": -0.2}},
      "groups": {"echo": {"fader_db": -3}}, "master": {"chain": "linear", "fader_db": 0}
    }

It is read for one more version. A chain is "linear", one processor, or a list of them; a processor is its name, or a
name with its settings and those of its insert (``in_db``, ``out_db``, ``bypass``).
"""

from collections.abc import Iterator

import msgspec

from gainlib.audio import GainlibError
from gainlib.errors import STILL_READ, renamed, said_of
from gainlib.processors import named
from gainlib.processors.controls import class_of, plain_names
from gainlib.session import Insert, Send
from gainlib.session.checks import nearest
from gainlib.session.files import from_builtins

LINEAR, BLACK_BOX = "linear", "black box"
JSON = f"the chains file: it is written in TOML now; JSON {STILL_READ}"
FORMER = {"level-dependent": BLACK_BOX, "unseen": BLACK_BOX, "post_trim_db": "output_trim_db"}
"""Names of an even earlier version."""
_SETTINGS = ("pan_law_db", "bus", "name", "finished")
_OF_MASTER = ("chain", "trim_db", "fader_db")
_OF_GROUP = (*_OF_MASTER, "output_trim_db", "pan", "mute", "solo", "group", "sends")
_OF_STEM = (*_OF_GROUP, "polarity", "dc_block", "leave_out")
_OF_INSERT = ("in_db", "out_db", "bypass")


def parsed(text: str) -> tuple[dict, tuple[str, ...]]:
    """Return what a file holds, and what to tell of its form and names; :func:`fields_of` reads its entries."""
    try:
        data = msgspec.json.decode(text)
    except (msgspec.DecodeError, RecursionError) as error:
        raise GainlibError(f"the chains file is not JSON: {error}") from None
    former: dict[str, str] = {}
    _known(_object(data, "the chains file"), ("stems", "groups", "master", *_SETTINGS), "the chains file")
    found = {key: _level(data[key]) for key in _SETTINGS if key in data}
    for part in ("stems", "groups"):
        found[part] = {name: _renewed(entry, former) for name, entry in _object(data.get(part, {}), part).items()}
    found["master"] = _renewed(data.get("master", {}), former)
    return found, (JSON, *(f"the chains file: {renamed(old, new)}" for old, new in former.items()))


def fields_of(value: object, part: str, name: str) -> dict[str, object]:
    """Return fields of a strip, a group or the master from what the file says of it."""
    known = {"stems": _OF_STEM, "groups": _OF_GROUP, "master": _OF_MASTER}[part]
    where = "master" if part == "master" else f"{part[:-1]} {name!r}"
    fields: dict[str, object] = {}
    for key, given in _entry(value, known, where).items():
        if key == "chain":
            fields["inserts"] = tuple(_chain(given, where))
        elif key == "sends":
            fields["sends"] = tuple(_sends(given, where))
        elif key == "group":
            fields["to"] = (given,) if isinstance(given, str) else given
        else:
            fields["post_trim_db" if key == "output_trim_db" else key] = _level(given)
    if not isinstance(fields.get("leave_out", False), bool):
        raise GainlibError(f"{where}: leave_out is {_shown(fields['leave_out'])}; it is true or false")
    return fields


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
    with said_of(where):
        return Insert(from_builtins(kind, own), **around)


def _sends(value, where) -> Iterator[Send]:
    for name, given in _object(value, f"{where}, sends").items():
        settings = given if isinstance(given, dict) else {"level_db": given}
        _known(settings, ("level_db", "tap"), f"{where}, send to {name!r}")
        with said_of(where):
            send = Send(name, **{key: _level(each) for key, each in settings.items()})
        yield send
