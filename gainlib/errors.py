"""The one kind of error this package raises for bad input, and what is said where a name has changed."""

from collections.abc import Iterator
from contextlib import contextmanager


class GainlibError(ValueError):
    """Bad input, said in one sentence that names the value and what would do."""

    __module__ = "gainlib.audio"  # where readers look for it, and the name that a traceback shows


@contextmanager
def said_of(where: object) -> Iterator[None]:
    """Put a place, or a file, ahead of what is wrong there.

    Examples
    --------
    >>> with said_of("master"):
    ...     raise GainlibError("no such box")
    Traceback (most recent call last):
    gainlib.audio.GainlibError: master: no such box
    """
    try:
        yield
    except GainlibError as error:
        raise GainlibError(f"{where}: {error}") from None


STILL_READ = "is read for one more version"
OLD_NAME = f"the old name {STILL_READ}"


def renamed(old: str, new: str) -> str:
    """Return a sentence about a name of the version before, which is read for one more.

    Examples
    --------
    >>> renamed("--reach", "--max-offset")
    '--reach is called --max-offset now; the old name is read for one more version'
    """
    return f"{old} is called {new} now; {OLD_NAME}"
