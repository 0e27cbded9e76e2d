"""The class file as learners have it: it lies in the course folder, or they open it on the page of the labs."""

from datetime import datetime, time, timedelta
from os.path import isfile  # says no where nothing may be looked at
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises.classfile import FILE_NAME, Class, class_in, read_class
from gainlib.exercises.record import course_folder, refused, write_whole


def courses(folder: Path) -> tuple[tuple[Class, ...], tuple[str, ...]]:
    """Return the class files there are, and a sentence for each that cannot be read.

    In the course folder there may be several, ``class.toml``, ``class-7b.toml``; the class code tells which is whose.
    The one that was opened lies beside the record, and gives way to those.
    """
    home, found, problems = course_folder(), [], []
    for path in (*(sorted(home.glob("class*.toml")) if home else ()), folder / FILE_NAME):
        try:
            found += [read_class(path)] if isfile(path) else []
        except GainlibError as problem:
            problems.append(str(problem))
    return tuple(found), tuple(problems)


def course_for(folder: Path, class_code: str) -> Class | None:
    """Return what the class file of a class code says, or None."""
    return next((each for each in courses(folder)[0] if each.is_for(class_code)), None)


def only_code(folder: Path) -> str:
    """Return the class code, where there is but one class; else nothing."""
    codes = {each.code for each in courses(folder)[0]}
    return codes.pop() if len(codes) == 1 else ""


def take(folder: Path, name: str, content: bytes | None) -> Class:
    """Keep a class file that was opened, and return what it says; None is one too large to be a class file.

    Raises
    ------
    GainlibError
        For what is no class file, or a folder that takes none.
    """
    if content is None:
        raise GainlibError(f"{name} is too large to be a class file")
    course = class_in(content, Path(name))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(folder / FILE_NAME, content)
    except OSError as problem:
        raise refused(folder / FILE_NAME, problem) from None
    return course


def day_and_time(moment: datetime) -> str:
    """Return a deadline as it is shown: the day alone where it ends with its day.

    Examples
    --------
    >>> day_and_time(datetime.fromisoformat("2026-12-11T00:00:00+01:00"))
    '2026-12-10'
    >>> day_and_time(datetime.fromisoformat("2026-12-10T18:00:00+01:00"))
    '2026-12-10 18:00 (UTC+01:00)'
    """
    if moment.time() == time():
        return f"{moment - timedelta(days=1):%Y-%m-%d}"
    offset = moment.isoformat(timespec="minutes")[16:].replace("+00:00", "")
    return f"{moment:%Y-%m-%d %H:%M} (UTC{offset})"
