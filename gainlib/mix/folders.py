"""Folders that appear whole or not at all, and file names that every system takes."""

import os
import re
import secrets
import shutil
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gainlib.audio import GainlibError

_FORBIDDEN = re.compile(r'[<>:"/\\|?*]')
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)
LONGEST = 120  # bytes, far below the 255 of common file systems: a hidden name is made of it on the way


@contextmanager
def filling(folder: str | os.PathLike) -> Iterator[tuple[Path, Path]]:
    """Give a new hidden folder beside `folder`, and move it there if the block ends well.

    Whatever ends the block otherwise, an interrupt included, removes the new folder with all that is in it.

    Parameters
    ----------
    folder : str or path
        Where the folder shall stand in the end; nothing may be there yet but an empty folder.

    Yields
    ------
    part, target : pathlib.Path
        The folder to fill, and where it will stand.

    Raises
    ------
    GainlibError
        When something is there already, or the folder cannot be made.

    Examples
    --------
    >>> import tempfile
    >>> with filling(Path(tempfile.mkdtemp(), "stems")) as (part, target):
    ...     _ = (part / "a.txt").write_text("whole")
    >>> [path.name for path in target.iterdir()]
    ['a.txt']
    """
    target = Path(os.path.expanduser(folder)).resolve()
    check_new(target)
    part = target.with_name(f".{target.name[:60]}.{secrets.token_hex(4)}.part")
    try:
        part.mkdir()
    except OSError as error:
        raise GainlibError(
            f"{target}: cannot be made ({error.strerror or error}); choose a place you may write to"
        ) from None
    try:
        yield part, target
        if target.exists():
            target.rmdir()
        os.replace(part, target)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        raise GainlibError(f"{target}: could not be written ({error.strerror or error})") from None
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise


def check_new(folder: str | os.PathLike) -> None:
    """Refuse a folder that holds something, or that has no folder to stand in."""
    target = Path(os.path.expanduser(folder)).resolve()
    if target.exists() and not target.is_dir():
        raise GainlibError(f"{target}: is a file; name a folder that does not exist yet")
    if not target.parent.is_dir():
        raise GainlibError(f"{target}: the folder {target.parent} does not exist; make it first")
    if target.is_dir():
        inside = next(target.iterdir(), None)
        if inside is not None:
            raise GainlibError(f"{target}: is not empty, {inside.name!r} is in it; name a new folder or an empty one")


def file_name(name: str, suffix: str, taken: set[str]) -> str:
    """Return a file name for `name` that every common system takes, and add it to those taken.

    Parameters
    ----------
    name : str
    suffix : str
        With its dot.
    taken : set of str
        File names in use, case folded.

    Returns
    -------
    str

    Examples
    --------
    >>> taken = set()
    >>> [file_name(name, ".wav", taken) for name in ("kick", "Kick", "in/out?", "con", ".x ")]
    ['kick.wav', 'Kick 2.wav', 'in_out_.wav', '_con.wav', '_x.wav']
    """
    shown = "".join("_" if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") else sign for sign in name)
    shown = _FORBIDDEN.sub("_", shown).strip().rstrip(".")
    shown = re.sub(r"^\.", "_", shown) or "_"
    shown = _cut(f"_{shown}" if _RESERVED.match(shown) else shown, LONGEST)
    found, number = f"{shown}{suffix}", 1
    while found.casefold() in taken:
        number += 1
        found = f"{shown} {number}{suffix}"
    taken.add(found.casefold())
    return found


def _cut(text, most):
    while len(text.encode()) > most:
        text = text[:-1]
    return text
