"""Arrays that were worked out at set-up, mapped from their files: all who use them share one copy in memory.

The demo song, cut and with its faults, and what is measured of it once and for all make up most of what a lab holds.
``prepare.py`` in ``binder`` writes them into the environment; where they are missing, or are of another version of this
library, each process makes its own as before.
"""

import hashlib
import os
import shutil
import sys
from collections.abc import Callable
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import numpy as np

ROOT = Path(sys.prefix) / "share" / "gainlib"
LIBRARY = Path(__file__).parents[1]
NOT_READ = {"notebook", "cli", "labs"}  # nothing in these rooms changes a sample
_writing: list[Path] = []


@cache
def folder() -> Path:
    """Return where this version of the library looks; its name is a digest of all that could change a sample."""
    digest = hashlib.sha256()
    for path in sorted([*LIBRARY.rglob("*.py"), LIBRARY.parent / "media" / "stems" / "SHA256SUMS"]):
        if path.is_file() and path.relative_to(LIBRARY.parent).parts[1] not in NOT_READ:
            digest.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return ROOT / f"prepared-{digest.hexdigest()[:16]}"


def find(name: str) -> dict[str, np.ndarray] | None:
    """Return the arrays kept under a name, each mapped from its file; None where there are none.

    They may be written to: what is changed is a copy of one's own, page by page.
    """
    try:
        files = sorted((folder() / name).glob("*.npy"))
        return {file.stem: np.load(file, mmap_mode="c").view(np.ndarray) for file in files} or None
    except (OSError, ValueError, EOFError):
        return None


def array(name: str, make: Callable[[], np.ndarray]) -> np.ndarray:
    """Return the one array kept under a name, or make it."""
    found = find(name)
    if found is not None and set(found) == {"array"}:
        return found["array"]
    made = make()
    keep(name, {"array": made})
    return made


def keep(name: str, arrays: dict[str, np.ndarray]) -> None:
    """Keep some arrays under a name, at set-up; at any other time nothing is done."""
    for place in _writing:
        (place / name).mkdir(parents=True)
        for part, array in arrays.items():
            np.save(place / name / f"{part}.npy", array)


@contextmanager
def setting_up():
    """Keep what is worked out meanwhile, all of it or nothing, in place of what another version has kept."""
    place = folder()
    if place.exists():
        yield
        return
    part = place.with_name(f".{place.name}-{os.getpid()}")
    shutil.rmtree(part, ignore_errors=True)
    _writing.append(part)
    try:
        yield
        for old in ROOT.glob("prepared-*"):
            shutil.rmtree(old, ignore_errors=True)
        os.replace(part, place)
    finally:
        _writing.remove(part)
        shutil.rmtree(part, ignore_errors=True)
