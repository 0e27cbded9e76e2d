"""Sessions in and out of files: JSON, audio by reference, a folder of stems.

JSON holds every field of the data model under its own name; a level of −∞ is the string "-inf"; a processor is its
fields and its class name under "type". Audio is never in it, only a reference to it.

A file is ``{"file", "sha256"}``. Audio that some code makes on demand is whatever that code needs, under a key that
names its kind, for example ``{"demo": "clean", "seed": 1, "stem": "kick"}``. A room above this one that makes such
audio does two things, so that no arrow points upwards:

1. it hands out :class:`ReferencedAudio`, which is audio that carries its reference;
2. it calls ``register_source("demo", resolver)`` when imported; the resolver gets the reference and returns the audio.

A kind listed in ``ROOMS`` is imported by its name when a reference of that kind is met.
"""

import json
import os
import re
import unicodedata
from collections.abc import Callable
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from fnmatch import fnmatchcase
from importlib import import_module
from pathlib import Path, PureWindowsPath
from typing import get_args, get_origin, get_type_hints

import msgspec

from gainlib import audio as _audio
from gainlib import processors
from gainlib.audio import Audio, GainlibError
from gainlib.processors import Processor
from gainlib.session.checks import nearest
from gainlib.session.strip import BUS, Source, Strip

ROOMS = {"demo": "gainlib.demo"}
_RESOLVERS: dict[str, Callable[[dict], Source]] = {}
FORMAT = 1
_LEVEL = re.compile(r"_(db|dbfs|dbtp|dbu|lufs)$")


@dataclass(frozen=True, eq=False)
class ReferencedAudio(Audio):
    """Audio that can be made again from a few plain values, so that a session holding it can be written as JSON.

    Two of them are equal when their references are; changed samples (``with_samples``) drop the reference.

    Parameters
    ----------
    samples, rate_hz, name
        As in :class:`~gainlib.audio.Audio`.
    reference : dict
        Plain values; one key is a kind known to :func:`register_source`.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.session import Session, Strip, from_json, to_json
    >>> register_source("silence", lambda reference: quiet(reference["silence"]))
    >>> def quiet(frames):
    ...     return ReferencedAudio(np.zeros(frames), 48000, "quiet", {"silence": frames})
    >>> session = Session([Strip("pause", quiet(480))])
    >>> from_json(to_json(session)) == session
    True
    """

    reference: dict = field(default_factory=dict)

    def __eq__(self, other):
        return isinstance(other, ReferencedAudio) and self.reference == other.reference

    def __hash__(self):
        return hash(json.dumps(self.reference, sort_keys=True, default=str))


def register_source(kind: str, resolver: Callable[[dict], Source]) -> None:
    """Say who makes the audio of a reference.

    Parameters
    ----------
    kind : str
        The key that marks references of this kind; "file" is taken.
    resolver : callable
        Takes the reference (a dict) and returns a :class:`ReferencedAudio` or another source with the same
        ``reference``; raises ``GainlibError`` when the reference makes no sense.
    """
    if kind == "file":
        raise GainlibError("references of kind 'file' are read from files; choose another kind")
    _RESOLVERS[kind] = resolver


def reference_of(source: Source, label: str = "", folder=None) -> dict:
    """Return the reference of a strip's audio.

    Raises
    ------
    GainlibError
        For samples that come from nowhere.
    """
    if isinstance(source, _audio.AudioFile):
        return {"file": _shown(source.path, folder), "sha256": source.sha256}
    reference = getattr(source, "reference", None)
    if not reference:
        raise GainlibError(
            f"{label}its samples are in memory only, so nothing can refer to them; write the stem first "
            "(gainlib.audio.write) and give the strip its AudioFile"
        )
    return dict(reference)


def _shown(path, folder):
    if folder is None:
        return Path(path).as_posix()
    there, here = Path(path).resolve(), Path(folder).resolve()
    # From a folder that shares nothing but the root, or not even that, the way there says more of the machine.
    near = there.anchor == here.anchor and there.parts[1:2] == here.parts[1:2]
    return Path(os.path.relpath(there, here)).as_posix() if near else there.as_posix()


def source_of(reference: dict, label: str = "", folder=None) -> Source:
    """Return the audio a reference stands for; `label` is named in errors, files are looked for in `folder`."""
    if "file" in reference:
        return _file(reference, label, folder)
    for kind in (*_RESOLVERS, *ROOMS):
        if kind in reference:
            if kind not in _RESOLVERS:
                import_module(ROOMS[kind])
            if kind not in _RESOLVERS:
                raise GainlibError(f"{label}nothing makes audio of the kind {kind!r} here")
            return _RESOLVERS[kind](reference)
    kinds = ", ".join(repr(kind) for kind in ("file", *dict.fromkeys((*_RESOLVERS, *ROOMS))))
    raise GainlibError(f"{label}the audio reference {reference!r} has no known kind; there is {kinds}")


def _missing(place):
    """Return why there is no file at a place, as the end of a sentence."""
    try:
        place.stat()
    except (FileNotFoundError, NotADirectoryError):
        return "is not there"
    except (OSError, ValueError) as error:
        return f"cannot be reached ({getattr(error, 'strerror', None) or error})"
    return "is no ordinary file"


def _file(reference, label, folder):
    unknown = next((key for key in reference if key not in ("file", "sha256")), None)
    if unknown is not None:
        raise GainlibError(f"{label}audio has no {unknown!r}; {nearest(unknown, ('file', 'sha256'))}")
    if not all(isinstance(value, str) for value in reference.values()):
        raise GainlibError(f"{label}audio is {reference!r}; file and sha256 are text")
    given = reference["file"]
    base = Path(folder) if folder is not None else Path()
    beside = Path(os.path.normpath(base.resolve() / given)) if given.startswith("../") else base / given
    places = dict.fromkeys((beside, base / PureWindowsPath(given).name, Path(given)))
    found = [place for place in places if os.path.isfile(place)]
    if not found:
        raise GainlibError(f"{label}the file {given!r} {_missing(base / given)}; put it into {str(base.resolve())!r}")
    opened = [_audio.AudioFile(place) for place in found]
    wanted = reference.get("sha256", "").lower()
    for candidate in opened:
        if not wanted or candidate.sha256 == wanted:
            return candidate
    raise GainlibError(
        f"{label}{str(found[0])!r} is not the file this session was saved with (its checksum begins "
        f"{opened[0].sha256[:8]}, wanted {wanted[:8]}); put the old file back, or open the folder as a new session"
    )


def to_json(session, folder=None) -> str:
    """Return a session as JSON text.

    Parameters
    ----------
    session : Session
    folder : path, optional
        Where the text will be kept: files in it or near it are named relative to it, so that all can be moved together.

    Returns
    -------
    str
        Indented; ``Session.from_json`` reads it.

    Raises
    ------
    GainlibError
        When a strip holds bare samples: write the stem first.
    """
    return json.dumps({"format": FORMAT, **to_builtins(session, folder)}, indent=1, ensure_ascii=False, allow_nan=False)


def session_of(kind: type, text: str | bytes, folder=None):
    """Return the session, of class `kind`, that a JSON text describes; see ``Session.from_json``."""
    try:
        data = _decoded(text)
        if not isinstance(data, dict):
            raise GainlibError(f"a session is a JSON object with 'strips'; this is a {type(data).__name__}")
        version = data.pop("format", FORMAT)
        if version != FORMAT:
            raise GainlibError(f"the session is in format {version!r}; this release reads format {FORMAT}")
        return from_builtins(kind, data, folder, where="session")
    except RecursionError:
        raise GainlibError("this JSON is nested deeper than a session is; give one that was saved here") from None


def _decoded(text):
    try:
        return msgspec.json.decode(text)
    except (msgspec.DecodeError, UnicodeError) as error:
        raise GainlibError(f"this is not JSON: {error}") from None


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

    Examples
    --------
    >>> from gainlib.session import Master
    >>> from_builtins(Master, {"fader_db": "-inf"}).fader_db
    -inf
    """
    known, hints = {each.name: each for each in fields(kind)}, get_type_hints(kind)
    for name in _plain(data, dict, where):
        if name not in known:
            raise GainlibError(_at(where, f"no {name!r} here; {nearest(name, known)}"))
    for name, each in known.items():
        if name not in data and each.default is MISSING and each.default_factory is MISSING:
            raise GainlibError(_at(where, f"object missing required field {name}"))
    values = {}
    for name, value in data.items():
        level = float("-inf") if value == "-inf" and _LEVEL.search(name) else value
        values[name] = _part(hints[name], level, f"{where}.{name}" if where else name, folder, data)
    return kind(**values)


def _part(hint, value, where, folder, owner):
    if hint is Source:
        return source_of(_plain(value, dict, where), f"strip {owner['name']!r}: ", folder)
    if isinstance(hint, type) and issubclass(hint, Processor):
        rest = dict(_plain(value, dict, where))
        name = rest.pop("type", "")
        kind = processors.named(str(name) if isinstance(name, dict | list) else name)
        return from_builtins(kind, rest, where=where)
    if is_dataclass(hint):
        return from_builtins(hint, value, folder, where)
    if get_origin(hint) is tuple:
        parts = enumerate(_plain(value, list, where))
        return tuple(_part(get_args(hint)[0], each, f"{where}[{k}]", folder, owner) for k, each in parts)
    return _plain(value, hint, where)


def _plain(value, kind, where):
    """Return a value as msgspec converts it, without a guess at what else it might be."""
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        text = str(error).replace("`", "")
        raise GainlibError(_at(where, text[0].lower() + text[1:])) from None


def _at(where, text):
    return f"{where}: {text}" if where else text


def strips_of_folder(path, leave_out=(), unreadable: list[str] | None = None) -> list[Strip]:
    """Return a strip for every audio file of a folder; they may still differ in rate. See ``open_folder``.

    Parameters
    ----------
    path : path
    leave_out : iterable of str
        Names that do not count, with or without suffix, or patterns with ``*``, ``?`` and ``[…]``.
    unreadable : list, optional
        Takes a sentence for every file that cannot be read; without it the first one is raised.
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
