"""The class code as learners type it, and the secret that the teacher alone holds.

A teacher's code, ``AUTUMN-7``, becomes ``AUTUMN-7+K3FQ9AUQ``: six signs that follow from code and secret (HMAC-SHA256)
and two that follow from all before them, so that a sign mistyped is noticed. Numbers are drawn from the whole code, so
each class and each secret has its own, and a key that was passed on fits no other. Nobody can tell the six signs
beforehand without the secret, but once told they are public: a learner's machine has to draw and mark its own numbers.
So the secret keeps ready-made answers away, and never the right ones from somebody who can program.
"""

import hashlib
import hmac
import os
import secrets
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.text import shorten
from gainlib.exercises.variants import normal_form

SECRET_FILE = "class.secret"
_SIGNS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # none that is taken for another
_KEYED, _CHECKED = 6, 2
_BYTES = 32


def new_secret(folder: str | Path) -> Path:
    """Write a new secret into the folder of a class, made if need be, for its owner's eyes; return the file.

    Raises
    ------
    GainlibError
        Where there is one already, learners read the folder, or it cannot be written.
    """
    path = Path(folder) / SECRET_FILE
    if any(next((place / "labs").glob("[0-9][0-9]-*.ipynb"), None) for place in path.absolute().parents):
        raise GainlibError(f"{path}: learners read the folder of the labs; choose a folder of your own outside it")
    try:
        if not path.parent.exists():
            path.parent.mkdir(mode=0o700, parents=True)
        with open(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="ascii") as file:
            file.write(secrets.token_hex(_BYTES) + "\n")
    except FileExistsError:
        raise GainlibError(
            f"{path} is there already, and numbers were drawn with it; give it as --secret, or take a new folder"
        ) from None
    except OSError as problem:
        raise GainlibError(f"{path} cannot be written ({problem.strerror or problem})") from None
    return path


def read_secret(path: str | Path) -> bytes:
    """Return the secret in a file, or in the folder of a class.

    Raises
    ------
    GainlibError
        When there is none.
    """
    path = Path(path) / SECRET_FILE if Path(path).is_dir() else Path(path)
    try:
        secret = bytes.fromhex(path.read_text(encoding="ascii"))
    except OSError as problem:
        raise GainlibError(
            f"{path} cannot be read ({problem.strerror or problem}); give the file {SECRET_FILE}"
        ) from None
    except ValueError:
        secret = b""
    if len(secret) != _BYTES:
        raise GainlibError(f"{path} holds no class secret; give the file {SECRET_FILE} as it was made")
    return secret


def with_tag(class_code: str, secret: bytes) -> str:
    """Return a class code as learners type it; one that has its tag already must have the right one.

    Examples
    --------
    >>> with_tag("AUTUMN-7", bytes(32)), with_tag("autumn-7+ggsn5w4t", bytes(32))
    ('AUTUMN-7+GGSN5W4T', 'autumn-7+ggsn5w4t')
    """
    own = without_tag(class_code).strip()
    if not own:
        raise GainlibError("there is no class code; a secret needs one, such as AUTUMN-7")
    if is_mistyped(class_code):
        raise GainlibError(f"“{shorten(class_code)}” has a wrong character after its +; give the code without its tag")
    keyed = _signs(hmac.digest(secret, normal_form(own).encode(), "sha256"), _KEYED)
    full = f"{own}+{keyed}{_check(own, keyed)}"
    if has_tag(class_code) and normal_form(full) != normal_form(class_code):
        raise GainlibError(f"“{shorten(class_code)}” was not made with this secret; with it the code is {full}")
    return class_code if has_tag(class_code) else full


def has_tag(class_code: str) -> bool:
    """Whether a class code ends in a tag that was typed without a mistake."""
    own, tag = _apart(class_code)
    return bool(tag) and _check(own, tag[:_KEYED]) == tag[_KEYED:]


def without_tag(class_code: str) -> str:
    """Return a class code as the teacher calls it.

    Examples
    --------
    >>> without_tag("AUTUMN-7+GGSN5W4T"), without_tag("7b"), without_tag("AUTUMN-7+GGSN5W4V")
    ('AUTUMN-7', '7b', 'AUTUMN-7+GGSN5W4V')
    """
    return _apart(class_code)[0] if has_tag(class_code) else class_code


def is_mistyped(class_code: str) -> bool:
    """Whether a class code ends much like a tag and is none."""
    _, plus, tag = class_code.strip().rpartition("+")
    return bool(plus) and tag.isalnum() and abs(len(tag) - _KEYED - _CHECKED) <= 1 and not has_tag(class_code)


def _apart(class_code):
    own, _, tag = class_code.strip().rpartition("+")
    tag = tag.upper()
    return (own, tag) if own and len(tag) == _KEYED + _CHECKED and set(tag) <= set(_SIGNS) else (class_code, "")


def _check(own, keyed):
    return _signs(hashlib.sha256(f"{normal_form(own)}+{keyed}".encode()).digest(), _CHECKED)


def _signs(digest, count):
    number = int.from_bytes(digest, "big")
    return "".join(_SIGNS[number // len(_SIGNS) ** place % len(_SIGNS)] for place in range(count))
