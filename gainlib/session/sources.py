"""Audio by reference: what stands for samples in a session file, and who makes them again.

A file is ``{"file", "sha256"}``. Audio that some code makes on demand is whatever that code needs, under a key that
names its kind, for example ``{"demo": "clean", "seed": 1, "stem": "kick"}``. A room above this one that makes such
audio does two things, so that no arrow points upwards:

1. it hands out :class:`ReferencedAudio`, which is audio that carries its reference;
2. it calls ``register_source("demo", resolver)`` when imported; the resolver gets the reference and returns the audio.

A kind listed in ``ROOMS`` is imported by its name when a reference of that kind is met.
"""

import json
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path, PureWindowsPath

from gainlib import audio as _audio
from gainlib.audio import Audio, GainlibError
from gainlib.session.checks import nearest
from gainlib.session.strip import Source

ROOMS = {"demo": "gainlib.demo"}
_RESOLVERS: dict[str, Callable[[dict], Source]] = {}


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

    Parameters
    ----------
    source : AudioFile, ReferencedAudio, or any source with a ``reference``
    label : str
        Named in the error.
    folder : path, optional
        Files inside it are named relative to it.

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
    path = Path(path)
    if folder is not None and path.resolve().is_relative_to(Path(folder).resolve()):
        path = path.resolve().relative_to(Path(folder).resolve())
    return path.as_posix()


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
    places = dict.fromkeys((base / given, base / PureWindowsPath(given).name, Path(given)))
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
