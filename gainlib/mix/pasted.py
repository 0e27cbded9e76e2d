r"""Paths as people paste them, with quotes, as a file address, with backslashes; and the text that lies there."""

import ntpath
import os
from pathlib import Path
from urllib.parse import unquote, urlsplit

from gainlib.audio import GainlibError

_QUOTES = {'"': '"', "'": "'", "“": "”", "‘": "’", "«": "»", "„": "“", "<": ">"}
_UNSEEN = "\u202a\u202b\u202c\u200e\u200f\ufeff\u00a0 \t\r\n"
WINDOWS_DRIVES = Path("/mnt")  # where a Linux that runs inside Windows shows them


def pasted_path(text: str, what: str = "the path of the folder your stems lie in") -> Path:
    r"""Return the path somebody pasted.

    Parameters
    ----------
    text : str
        Quotes, blanks and invisible signs around it are taken off, a ``file:`` address is read, backslashes and a
        leading ``~`` are understood.
    what : str
        What should be there, for the error about an empty field.

    Returns
    -------
    pathlib.Path
        Not checked for being there.

    Raises
    ------
    GainlibError
        For an empty text, and for a drive of Windows where there is none.

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
    """Return the text of a file somebody named.

    Parameters
    ----------
    path : pathlib.Path
    what : str
        What should be there, for the error.

    Returns
    -------
    str
        Read as UTF-8, with or without a mark at its beginning.

    Raises
    ------
    GainlibError
        If it cannot be read, or is no text.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise GainlibError(f"{path} is no text in UTF-8; give {what}") from None
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
            f"{text} lies on a drive of Windows, and the workbook does not run there; upload the files instead, or "
            "give a path of the computer it runs on"
        )
    return WINDOWS_DRIVES / letter / slashed[2:].lstrip("/")
