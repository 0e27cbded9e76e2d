"""Handing in: a record goes whole into a folder that only the teacher reads, and a receipt says what it was.

The folder is a letter box. Whoever may write into it can neither list it nor touch what is another's (mode 3773, see
``binder/hub/ADMIN.md``), each file has a name that nobody can guess, and none takes the place of an earlier one.
"""

import hashlib
import math
import os
import secrets
import stat
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from gainlib.audio import replacing
from gainlib.exercises.classfile import Class

ENVIRONMENT = "GAINLIB_HAND_IN"


def hand_in_folder(course: Class | None = None) -> Path | None:
    """Return where to hand in: what ``GAINLIB_HAND_IN`` names, else the class file if that folder is there; or None."""
    chosen = os.environ.get(ENVIRONMENT)
    named = course.hand_in if course and course.hand_in and course.hand_in.is_dir() else None
    return Path(chosen) if chosen else named


def is_letter_box(folder: Path) -> bool:
    """Whether everybody may put a file into a folder, and not everybody may list it."""
    try:
        mode = folder.stat().st_mode
    except OSError:  # it is gone, or lies within an archive
        return False
    return bool(mode & stat.S_ISVTX and mode & stat.S_IWOTH and not mode & stat.S_IROTH)


def hand_in(folder: str | Path, name: str, content: bytes) -> Path:
    """Write a record into the folder, whole or not at all, and return where it lies.

    Raises
    ------
    GainlibError
        When the folder does not take it.
    """
    stem, _, suffix = name.rpartition(".")
    target = Path(folder) / f"{stem}-{secrets.token_hex(8)}.{suffix}"
    with replacing(target) as part:
        part.chmod(0o640)  # the folder gives its group, and that is the teachers'
        part.write_bytes(content)
    return target


def check_value(lines: Sequence[bytes]) -> str:
    r"""Return a short hash of the lines of a record, whatever ends them.

    Examples
    --------
    >>> check_value([b"one", b"two"]) == check_value(b"one\r\ntwo\r\n".splitlines()) == "2106-6d10-8d53"
    True
    """
    digest = hashlib.sha256(b"\n".join(line for line in lines if line.strip())).hexdigest()
    return "-".join(digest[k : k + 4] for k in (0, 4, 8))


def arrived(path: Path) -> float:
    """Return when a file was put into a letter box, or changed there; infinite where the folder is none.

    In seconds since 1970. Elsewhere the time of a file tells nothing: archives and downloads set it as they like.
    """
    entry = _entry(path)
    return math.inf if entry is None else entry.lstat().st_ctime  # which its owner cannot set


def account(path: Path) -> str:
    """Return the account that put a file into a letter box, by itself, in an archive or in a folder; else ""."""
    entry = _entry(path)
    try:
        return "" if entry is None else entry.owner()
    except KeyError:
        return f"no. {entry.lstat().st_uid}"


def _entry(path):
    """Return what lies in a letter box, as its account has put it there, and is or holds a file; or None."""
    return next((entry for entry, box in pairwise((path, *path.parents)) if is_letter_box(box)), None)
