"""Files appear whole or not at all, and never over a file that something alive was read from.

Everything that was read from a file holds its path for as long as it lives. The list is of this process only: it keeps
a slip of the hand from costing a recording, and is no lock against other programs.
"""

import errno
import hashlib
import os
import secrets
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gainlib.errors import GainlibError

_NO_ROOM = (errno.ENOSPC, errno.EFBIG, *((errno.EDQUOT,) if hasattr(errno, "EDQUOT") else ()))
_held: dict[int, tuple[weakref.ref, Path]] = {}


@contextmanager
def replacing(path: str | os.PathLike) -> Iterator[Path]:
    """Give the path of a new hidden file beside `path`, and move it there if the block ends well.

    Whatever ends the block otherwise, an interrupt included, removes the new file and leaves `path` as it was.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> target = pathlib.Path(tempfile.mkdtemp(), "note.txt")
    >>> with replacing(target) as part:
    ...     _ = part.write_text("whole")
    >>> target.read_text(), len(list(target.parent.iterdir()))
    ('whole', 1)
    """
    target = Path(path).resolve()
    _check_length(target)
    # The suffix is none that a folder of stems is searched for, and the dot hides the file, should the machine die.
    part = target.with_name(f".{target.name[:60]}.{secrets.token_hex(4)}.part")
    try:
        part.open("xb").close()
    except FileNotFoundError:
        raise GainlibError(f"{path}: the folder {target.parent} does not exist; make it first") from None
    except OSError as error:
        raise GainlibError(f"{path}: cannot be written ({error.strerror or error}); choose another folder") from None
    try:
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        try:
            os.replace(part, target)
        except OSError as error:
            raise GainlibError(
                f"{target}: cannot be replaced ({error.strerror or error}); close what has it open, or choose another "
                "name"
            ) from None
    except BaseException as error:
        part.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.errno in _NO_ROOM:
            raise GainlibError(
                f"{path}: could not be written whole ({error.strerror}); make room, or choose another folder"
            ) from None
        raise


def write_whole(path: str | os.PathLike, text: str, encoding: str = "utf-8", errors: str | None = None) -> None:
    """Write a text as a file, whole or not at all; lines end alike on every system.

    Parameters
    ----------
    path : path
    text : str
    encoding : str
    errors : str, optional
        What becomes of signs that the encoding lacks, as in :func:`open`.
    """
    with replacing(path) as part:
        part.write_text(text, encoding=encoding, errors=errors, newline="\n")


def _check_length(target):
    """Refuse a name that is too long before anything is written; the name of the new file would not show it."""
    try:
        target.lstat()
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            raise GainlibError(f"{target}: the name is too long for a file here; choose a shorter one") from None


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file, 64 hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def hold(owner: object, path: Path) -> None:
    """Protect `path` from being written to until `owner` is gone."""
    key = id(owner)
    _held[key] = weakref.ref(owner, lambda _: _held.pop(key, None)), path.resolve()


def is_held(path: str | os.PathLike) -> bool:
    """Tell whether `path`, by whatever name or link, is a file that something alive was read from.

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
