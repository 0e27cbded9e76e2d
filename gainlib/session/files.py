"""Sessions in and out of files: a folder of stems, and JSON.

JSON holds every field of the data model under its own name; a level of −∞ is the string "-inf"; a processor is its
fields and its class name under "type". Audio is never in it, only a reference to it: ``{"file", "sha256"}``, or what
a resolver makes audio of (see ``sources``: :func:`register_source`, :class:`ReferencedAudio`).
"""

import json
import re
import unicodedata
from dataclasses import MISSING, fields, is_dataclass
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

import msgspec

from gainlib import audio as _audio
from gainlib import processors
from gainlib.audio import GainlibError
from gainlib.processors import Processor
from gainlib.session.checks import nearest
from gainlib.session.session import Session
from gainlib.session.sources import ReferencedAudio, reference_of, register_source, source_of
from gainlib.session.strip import BUS, Source, Strip

__all__ = [
    "ReferencedAudio",
    "from_builtins",
    "from_json",
    "open_folder",
    "register_source",
    "strips_of_folder",
    "to_builtins",
    "to_json",
]

FORMAT = 1
_LEVEL = re.compile(r"_(db|dbfs|dbtp|dbu|lufs)$")


def to_json(session: Session, folder=None) -> str:
    """Return a session as JSON text.

    Parameters
    ----------
    session : Session
    folder : path, optional
        Where the text will be kept: files inside it are named relative to it, so that the folder can be moved.

    Returns
    -------
    str
        Indented; :func:`from_json` reads it.

    Raises
    ------
    GainlibError
        When a strip holds bare samples: write the stem first.
    """
    return json.dumps({"format": FORMAT, **to_builtins(session, folder)}, indent=1, ensure_ascii=False, allow_nan=False)


def from_json(text: str | bytes, folder=None) -> Session:
    """Return the session a JSON text describes.

    Parameters
    ----------
    text : str or bytes
    folder : path, optional
        Where its files lie; the working folder otherwise. A file is looked for under its stored name in there,
        then under its last part, then at the stored path itself, and its checksum is compared.

    Returns
    -------
    Session
        Its files are opened when they are rendered.

    Raises
    ------
    GainlibError
        For anything but a session: broken JSON, wrong types (with their place), unknown names (with the nearest
        one), files that are missing or have changed.
    """
    try:
        return _session_of(_decoded(text), folder)
    except RecursionError:
        raise GainlibError("this JSON is nested deeper than a session is; give one that was saved here") from None


def _decoded(text):
    try:
        return msgspec.json.decode(text)
    except (msgspec.DecodeError, UnicodeError) as error:
        raise GainlibError(f"this is no JSON: {error}") from None


def _session_of(data, folder):
    if not isinstance(data, dict):
        raise GainlibError(f"a session is a JSON object with 'strips'; this is a {type(data).__name__}")
    version = data.pop("format", FORMAT)
    if version != FORMAT:
        raise GainlibError(f"the session is in format {version!r}; this release reads format {FORMAT}")
    return from_builtins(Session, data, folder, where="session")


def to_builtins(value, folder=None):
    """Return dataclasses, tuples, processors and audio as dicts, lists, text and numbers; −∞ becomes "-inf".

    Examples
    --------
    >>> from gainlib.session import Insert
    >>> to_builtins(Insert(processors.HardClip(-1.0), out_db=float("-inf")))
    {'processor': {'type': 'HardClip', 'ceiling_dbfs': -1.0}, 'in_db': 0.0, 'out_db': '-inf', 'bypass': False}
    """
    if isinstance(value, Strip):
        reference = reference_of(value.audio, f"strip {value.name!r}: ", folder)
        return {f.name: reference if f.name == "audio" else to_builtins(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Processor):
        kind = type(value).__name__
        processors.named(kind)
        return {"type": kind, **{f.name: to_builtins(getattr(value, f.name)) for f in fields(value)}}
    if is_dataclass(value):
        return {f.name: to_builtins(getattr(value, f.name), folder) for f in fields(value)}
    if isinstance(value, tuple | list):
        return [to_builtins(each, folder) for each in value]
    return "-inf" if value == float("-inf") else value


def from_builtins(kind: type, data, folder=None, where: str = ""):
    """Return the dataclass `kind` that plain data describe; the other way round from :func:`to_builtins`.

    Parameters
    ----------
    kind : type
        Session, Strip, Group, Send, Insert, Master or a processor's class.
    data : dict
    folder : path, optional
        Where files lie.
    where : str
        Said ahead of the place in an error.

    Examples
    --------
    >>> from gainlib.session import Master
    >>> from_builtins(Master, {"fader_db": "-inf"}).fader_db
    -inf
    """
    try:
        checked = msgspec.convert(_levels(data), _wire(kind))
    except msgspec.ValidationError as error:
        raise GainlibError(_sentence(str(error), kind, where)) from None
    return _assembled(kind, checked, where, folder)


def _levels(data):
    if isinstance(data, dict):
        return {
            key: float("-inf") if value == "-inf" and _LEVEL.search(str(key)) else _levels(value)
            for key, value in data.items()
        }
    return [_levels(each) for each in data] if isinstance(data, tuple | list) else data


@cache
def _wire(kind: type) -> type[msgspec.Struct]:
    """Return the twin of a dataclass that decodes strictly: audio and processors stay dicts for a second look."""
    hints = get_type_hints(kind)
    entries = []
    for each in fields(kind):
        wire = _wire_type(hints[each.name])
        required = each.default is MISSING and each.default_factory is MISSING
        entries.append((each.name, wire) if required else (each.name, wire | msgspec.UnsetType, msgspec.UNSET))
    return msgspec.defstruct(kind.__name__, entries, kw_only=True, forbid_unknown_fields=True)


def _wire_type(hint):
    if hint is Source or (isinstance(hint, type) and issubclass(hint, Processor)):
        return dict[str, Any]
    if get_origin(hint) is tuple:
        return tuple[_wire_type(get_args(hint)[0]), ...]
    return _wire(hint) if is_dataclass(hint) else hint


def _assembled(kind, checked, where, folder):
    hints = get_type_hints(kind)
    values = {}
    for name in checked.__struct_fields__:
        value = getattr(checked, name)
        if value is msgspec.UNSET:
            continue
        values[name] = _part(hints[name], value, f"{where}.{name}" if where else name, folder, checked)
    return kind(**values)


def _part(hint, value, where, folder, owner):
    if hint is Source:
        return source_of(value, f"strip {owner.name!r}: ", folder)
    if isinstance(hint, type) and issubclass(hint, Processor):
        rest = dict(value)
        return from_builtins(processors.named(rest.pop("type", "")), rest, where=where)
    if isinstance(value, msgspec.Struct):
        return _assembled(hint, value, where, folder)
    if isinstance(value, tuple):
        return tuple(_part(get_args(hint)[0], each, f"{where}[{k}]", folder, owner) for k, each in enumerate(value))
    return value


def _sentence(message, kind, where):
    text, _, place = message.partition(" - at `$")
    place = place.rstrip("`").lstrip(".")
    label = ".".join(part for part in (where, place) if part)
    unknown = re.match(r"Object contains unknown field `(.*)`", text)
    if unknown:
        known = [each.name for each in fields(_kind_at(kind, place))]
        text = f"no {unknown[1]!r} here; {nearest(unknown[1], known)}"
    else:
        text = text[0].lower() + text[1:].replace("`", "")
    return f"{label}: {text}" if label else text


def _kind_at(kind, place):
    for name in re.findall(r"[a-z_]+", re.sub(r"\[[^\]]*\]", "", place)):
        hint = get_type_hints(kind)[name]
        kind = get_args(hint)[0] if get_args(hint) else hint
    return kind


def open_folder(path) -> Session:
    """Return a session with a strip for every audio file of a folder, all controls at their defaults.

    Parameters
    ----------
    path : path
        Every file in it with an audio suffix counts, but not hidden ones nor those in subfolders.

    Returns
    -------
    session : Session
        Strips sorted by file name without regard to case and named by it without the suffix (with it where two
        would share a name, or none is left); nothing is read yet but headers.

    Raises
    ------
    GainlibError
        When the folder is missing or holds no audio.
    """
    return Session(strips_of_folder(path), name=Path(path).resolve().name)


def strips_of_folder(path, leave_out=(), unreadable: list[str] | None = None) -> list[Strip]:
    """Return the strips of :func:`open_folder`, which may still differ in rate.

    Parameters
    ----------
    path : path
    leave_out : iterable of str
        Names that do not count, with or without suffix, or patterns with ``*``, ``?`` and ``[…]``.
    unreadable : list, optional
        Takes a sentence for every file that cannot be read; without it the first one is raised.

    Returns
    -------
    strips : list of Strip
    """
    folder = Path(path)
    found = _audio.audio_files(folder)
    if not found:
        suffixes = ", ".join(sorted(_audio.audio_suffixes()))
        raise GainlibError(f"{str(folder)!r} holds no audio file; there should be one of {suffixes}")
    patterns = tuple(leave_out)
    stems, names, strips = [each.stem for each in found], [each.name for each in found], []
    for each in found:
        unclear = stems.count(each.stem) > 1 or each.stem in (BUS, *names) or not each.stem.strip()
        if any(fits(name, pattern) for name in (each.stem, each.name) for pattern in patterns):
            continue
        try:
            strips.append(Strip(each.name if unclear else each.stem, _audio.AudioFile(each)))
        except GainlibError as error:
            if unreadable is None:
                raise
            unreadable.append(str(error))
    return strips


def _folded(name):
    return unicodedata.normalize("NFC", name).casefold()


def fits(name: str, pattern: str) -> bool:
    """Tell whether a name is meant by another name or a pattern, whatever its case and however its accents are stored.

    Examples
    --------
    >>> fits("Kick [in]", "kick [in]"), fits("Kick", "k*"), fits("Kick", "snare")
    (True, True, False)
    """
    return _folded(name) == _folded(pattern) or fnmatchcase(_folded(name), _folded(pattern))
