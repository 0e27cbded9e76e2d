"""Which files are in use as sources, so that nothing is ever written over them.

Everything that was read from a file holds its path for as long as it lives. The list is of this process only: it keeps
a slip of the hand from costing a recording, and is no lock against other programs.
"""

import os
import weakref
from pathlib import Path

_held: dict[int, tuple[weakref.ref, Path]] = {}


def hold(owner: object, path: Path) -> None:
    """Protect `path` from being written to until `owner` is gone."""
    key = id(owner)
    _held[key] = weakref.ref(owner, lambda _: _held.pop(key, None)), path.resolve()


def is_held(path: str | os.PathLike) -> bool:
    """Tell whether `path`, by whatever name or link, is a file that something alive was read from.

    Parameters
    ----------
    path : str or path
        The file in question; it need not exist.

    Returns
    -------
    bool
        True also for a symbolic or hard link to a source, and for the name of a source that has been removed.
    """
    path = Path(path).resolve()
    return any(_same(path, source) for _, source in list(_held.values()))


def _same(path, source):
    if os.path.normcase(path) == os.path.normcase(source):
        return True
    try:
        return os.path.samefile(path, source)
    except OSError:  # one of the two is not there
        return False
