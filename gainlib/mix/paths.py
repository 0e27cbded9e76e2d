"""Paths as people paste them and the text that lies there; folders that appear whole or not at all; file names."""

import ntpath
import os
import re
import secrets
import shutil
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import unquote, urlsplit

from gainlib.audio import GainlibError

_QUOTES = {'"': '"', "'": "'", "“": "”", "‘": "’", "«": "»", "„": "“", "<": ">"}
_UNSEEN = "\u202a\u202b\u202c\u200e\u200f\ufeff\u00a0 \t\r\n"
WINDOWS_DRIVES = Path("/mnt")  # where a Linux that runs inside Windows shows them

_FORBIDDEN = re.compile(r'[<>:"/\\|?*]')
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)
LONGEST = 120  # bytes, far below the 255 of common file systems: a hidden name is made of it on the way


def pasted_path(text: str, what: str = "the path of the folder that holds your stems") -> Path:
    r"""Return the path somebody pasted; an empty text is refused with `what` should be there.

    Quotes, blanks and invisible signs around it are taken off, a ``file:`` address is read, backslashes and a leading
    ``~`` are understood.

    Examples
    --------
    >>> pasted_path(' "/music/My Song" ').name
    'My Song'
    >>> pasted_path("file:///music/My%20Song").name
    'My Song'
    >>> pasted_path(r"stems\My Song").as_posix()
    'stems/My Song'
    """
    text = text.strip(_UNSEEN)
    while len(text) > 1 and _QUOTES.get(text[0]) == text[-1]:
        text = text[1:-1].strip(_UNSEEN)
    if not text:
        raise GainlibError(f"the field is empty; paste {what}")
    if text.casefold().startswith("file:"):
        text = _of_address(text)
    path = Path(os.path.expanduser(text))
    if os.name == "nt" or path.exists():
        return path
    return _foreign(text) if "\\" in text or _drive(text) else path


def text_of(path: Path, what: str) -> str:
    """Return the text of a file somebody named, UTF-8 with or without a mark at its beginning; `what` it should be."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise GainlibError(f"{path} is not UTF-8 text; give {what}") from None
    except OSError as error:
        raise GainlibError(f"{path} cannot be read ({error.strerror or error}); give {what}") from None


def _of_address(text):
    parts = urlsplit(text)
    path = unquote(parts.path)
    if parts.netloc and parts.netloc != "localhost":
        return f"//{parts.netloc}{path}"
    return path[1:] if _drive(path[1:]) else path


def _drive(text):
    """Return the letter of a drive of Windows that a path begins with."""
    drive = ntpath.splitdrive(text)[0]
    return drive[0].lower() if len(drive) == 2 and drive[0].isalpha() else ""


def _foreign(text):
    """Return a path of Windows as it is called on a system that is none."""
    letter, slashed = _drive(text), text.replace("\\", "/")
    if not letter:
        return Path(os.path.expanduser(slashed))
    if not (WINDOWS_DRIVES / letter).is_dir():
        raise GainlibError(
            f"{text} is on a Windows drive, and the workbook does not run there; upload the files instead, or give a "
            f"path on the computer it runs on"
        )
    return WINDOWS_DRIVES / letter / slashed[2:].lstrip("/")


# ---- folders that appear whole or not at all -------------------------------------------------------------------------


@contextmanager
def filling(folder: str | os.PathLike) -> Iterator[tuple[Path, Path]]:
    """Give a new hidden folder beside `folder`, and move it there if the block ends well; an empty one may be there.

    Whatever ends the block otherwise, an interrupt included, removes the new folder with all that is in it.

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
            f"{target}: cannot be made ({error.strerror or error}); choose a folder that you can write to"
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

    Examples
    --------
    >>> taken = set()
    >>> [file_name(name, ".wav", taken) for name in ("kick", "Kick", "in/out?", "con", ".x ")]
    ['kick.wav', 'Kick 2.wav', 'in_out_.wav', '_con.wav', '_x.wav']
    """
    shown = "".join("_" if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") else sign for sign in name)
    shown = _FORBIDDEN.sub("_", shown).strip().rstrip(".")
    shown = re.sub(r"^\.", "_", shown) or "_"
    shown = f"_{shown}" if _RESERVED.match(shown) else shown
    shown = shown.encode()[:LONGEST].decode(errors="ignore")
    found, number = f"{shown}{suffix}", 1
    while found.casefold() in taken:
        number += 1
        found = f"{shown} {number}{suffix}"
    taken.add(found.casefold())
    return found
