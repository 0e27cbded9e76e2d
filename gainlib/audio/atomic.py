"""Files appear whole or not at all."""

import errno
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gainlib.errors import GainlibError

_NO_ROOM = (errno.ENOSPC, errno.EFBIG, *((errno.EDQUOT,) if hasattr(errno, "EDQUOT") else ()))


@contextmanager
def replacing(path: str | os.PathLike) -> Iterator[Path]:
    """Give the path of a new hidden file beside `path`, and move it there if the block ends well.

    Whatever ends the block otherwise, an interrupt included, removes the new file and leaves `path` as it was.

    Parameters
    ----------
    path : str or path
        Where the file shall stand in the end; a symbolic link is followed.

    Yields
    ------
    pathlib.Path
        An empty file in the same folder, to be written, closed and left.

    Raises
    ------
    GainlibError
        If the folder is missing, a file cannot be made in it, there is no room for it, or what stands at `path` cannot
        be replaced.

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
        _move(part, target)
    except BaseException as error:
        part.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.errno in _NO_ROOM:
            raise GainlibError(
                f"{path}: could not be written whole ({error.strerror}); make room, or choose another folder"
            ) from None
        raise


def _check_length(target):
    """Refuse a name that is too long before anything is written; the name of the new file would not show it."""
    try:
        target.lstat()
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            raise GainlibError(f"{target}: the name is too long for a file here; choose a shorter one") from None


def _move(part, target):
    try:
        os.replace(part, target)
    except OSError as error:
        raise GainlibError(
            f"{target}: cannot be replaced ({error.strerror or error}); close what has it open, or choose another name"
        ) from None
