"""Who works here: name or number and class code, kept in the folder of the record for every lab to find."""

import json
import os
import secrets
from contextlib import suppress
from pathlib import Path

from gainlib.exercises.record import refused

WHO_FILE = "learner.json"
_PREFIX = "learner-"


def kept(folder: Path) -> dict:
    """Return ``learner`` and ``class_code`` as they were kept, an empty dict where nothing was or it is damaged."""
    try:
        found = json.loads((folder / WHO_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return {name: value for name, value in found.items() if isinstance(value, str)} if isinstance(found, dict) else {}


def keep(folder: Path, learner: str, class_code: str) -> None:
    """Keep them, in one step, so that another notebook never reads half a file.

    Raises
    ------
    GainlibError
        When the folder takes no file.
    """
    unfinished = folder / f"{WHO_FILE}.{os.getpid()}"
    text = json.dumps({"learner": learner, "class_code": class_code}, ensure_ascii=False)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            unfinished.write_text(text, encoding="utf-8")
            os.replace(unfinished, folder / WHO_FILE)
        except OSError:
            with suppress(OSError):
                unfinished.unlink()
            raise
    except OSError as problem:
        raise refused(folder / WHO_FILE, problem) from None


def forget(folder: Path) -> None:
    """Keep nobody any more."""
    try:
        (folder / WHO_FILE).unlink(missing_ok=True)
    except OSError as problem:
        raise refused(folder / WHO_FILE, problem) from None


def pseudonym() -> str:
    """Return a name for somebody who gave none."""
    return f"{_PREFIX}{secrets.token_hex(2)}"


def is_pseudonym(learner: str) -> bool:
    """Whether a name was made up here.

    Examples
    --------
    >>> is_pseudonym(pseudonym()), is_pseudonym("anna")
    (True, False)
    """
    tail = learner.removeprefix(_PREFIX)
    return tail != learner and len(tail) == 4 and set(tail) <= set("0123456789abcdef")
