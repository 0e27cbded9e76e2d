"""Marks that were made before, so that a class is marked again in the time that its new answers take.

They lie in the user's own cache folder, under a digest of all code that can change a mark; no version reads another's.
"""

import hashlib
import pickle
import shutil
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from gainlib.audio import prepared, replacing
from gainlib.session.surveys import cache_folder

WORTH_S = 0.005
_place: list[Path] = []


def folder() -> Path | None:
    """Return where this version keeps its marks; None where nothing is to be kept."""
    cache = cache_folder()
    digest = hashlib.sha256(prepared.folder().name.encode())
    for path in sorted((prepared.LIBRARY / "labs").rglob("*.py")):
        digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return cache and cache.parent / "marks" / digest.hexdigest()[:16]


def remember_in(place: Path | None) -> None:
    """Keep the marks that are made from now on, and take those that are kept; what earlier versions kept goes."""
    _place[:] = [place] if place else []
    with suppress(OSError):
        for folder in _place:
            folder.mkdir(parents=True, exist_ok=True)
            for old in set(folder.parent.iterdir()) - {folder}:
                shutil.rmtree(old, ignore_errors=True)


def remembered(about: tuple, make: Callable[[], Any], always: bool = False) -> Any:
    """Return what was made before of the same, or make it; what takes no time is made again, unless `always`."""
    if not _place:
        return make()
    path = _place[0] / hashlib.sha256(repr(about).encode()).hexdigest()[:32]
    with suppress(Exception):  # whatever is wrong with such a file, its mark is made anew
        if path.exists():
            return pickle.loads(path.read_bytes())
    begun = time.perf_counter()
    made = make()
    if always or time.perf_counter() - begun > WORTH_S:
        with suppress(OSError, ValueError, pickle.PicklingError), replacing(path) as part:
            part.write_bytes(pickle.dumps(made))
    return made
