"""The class file: one short text file (TOML) that a teacher writes, with code, labs, weights, deadlines and an exam.

::

    name = "Levels, autumn"
    code = "AUTUMN-7"                # what learners give as their class code
    labs = ["00", "05", "06"]        # all, where left out
    hand_in = "handed-in"            # folder, seen from this file; left out: files by hand
    late = "note"                    # what is late counts and is noted; or "count" (no note), "drop" (does not count)
    zone = "Europe/Lisbon"           # of dates without one; left out: that of the computer that reads them
    [deadlines]
    05 = 2026-12-10                  # the end of that day, or a time: 2026-12-10T18:00:00+01:00
    [weights]
    05 = 2                           # its points count twice in totals; 1, where left out
    [exam]
    lab = "06"
    opens = 2026-12-12T09:00:00+01:00
    minutes = 60

Nothing in it is secret: learners may have it as it is. In an exam there are numbers of its own, drawn for its day; of
the answers to them the last counts, and nothing is told.

The secret of a class is a file of its own beside it, which learners may not have. A teacher's code, ``AUTUMN-7``,
becomes ``AUTUMN-7+K3FQ9AUQ``: six signs that follow from code and secret (HMAC-SHA256) and two that follow from all
before them, so that a sign mistyped is noticed. Numbers are drawn from the whole code, so each class and each secret
has its own, and a key that was passed on fits no other. Nobody can tell the six signs beforehand without the secret,
but once told they are public: a learner's machine has to draw and mark its own numbers. So the secret keeps ready-made
answers away, and never the right ones from somebody who can program.

The folder for what is handed in may be a letter box. Whoever may write into it can neither list it nor touch what is
another's (mode 3773, see ``binder/hub/ADMIN.md``), each file has a name that nobody can guess, and none takes the place
of an earlier one.
"""

import hashlib
import hmac
import math
import os
import re
import secrets
import stat
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from os.path import isfile  # says no where nothing may be looked at
from pathlib import Path
from zoneinfo import ZoneInfo

from gainlib.audio import GainlibError, replacing
from gainlib.exercises.bank import declared, lab_numbers
from gainlib.exercises.sets import EXAM, REVIEW
from gainlib.exercises.text import shorten
from gainlib.exercises.variants import normal_form
from gainlib.session.checks import nearest

FILE_NAME, HAND_IN = "class.toml", "GAINLIB_HAND_IN"
LATE = ("note", "count", "drop")
_KEYS = ("name", "code", "labs", "hand_in", "late", "zone", "deadlines", "weights", "exam")
_EXAM_KEYS = ("lab", "opens", "minutes")
_MOST_BYTES, _LONGEST, _MOST_WEIGHT, _MOST_MINUTES = 100_000, 60, 1000, 24 * 60
_YEARS = range(2000, 2200)
_WRITTEN = 'write texts and labs in straight quotation marks, "05", folders with /, and dates as 2026-12-10'
_DATE = "write a date, 2026-12-10, or a time, 2026-12-10T18:00:00+01:00, without quotation marks"


@dataclass(frozen=True)
class Exam:
    """When the exam is, and on which lab.

    Attributes
    ----------
    lab : str
        "06".
    opens, ends : datetime
        Between them it can be sat, once; who begins late has less time.
    """

    lab: str
    opens: datetime
    ends: datetime

    @property
    def numbers(self) -> int:
        """Which set of numbers is asked: one of this day's own, which no lab has shown before."""
        return EXAM + self.opens.astimezone(UTC).toordinal() % (REVIEW - EXAM)


@dataclass(frozen=True)
class Class:
    """What a class file says.

    Attributes
    ----------
    path : Path
        Of the file.
    code, name : str
        What learners give, and what the class is called.
    labs : tuple of str
        The labs of the course.
    hand_in : Path or None
        Folder of what is handed in.
    late : str
        "note", "count" or "drop": what becomes of an answer after the deadline of its lab.
    deadlines : dict of str to datetime
        By lab; the exam's is its end.
    weights : dict of str to float
        By lab; 1 where it has none.
    exam : Exam or None
    """

    path: Path
    code: str
    name: str = ""
    labs: tuple[str, ...] = ()
    hand_in: Path | None = None
    late: str = "note"
    deadlines: dict[str, datetime] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=dict)
    exam: Exam | None = None

    def weight(self, lab: str) -> float:
        """Return how often the points of a lab count in a total."""
        return self.weights.get(lab, 1.0)

    def is_for(self, class_code: str) -> bool:
        """Whether somebody with this class code is in the class."""
        return normal_form(without_tag(self.code)) == normal_form(without_tag(class_code))

    @property
    def typed(self) -> str:
        """The class code as learners type it: with its tag, where the secret of the class lies beside the file."""
        _, *secret = self.files
        return with_tag(self.code, read_secret(secret[0])) if secret else self.code

    @property
    def files(self) -> tuple[Path, ...]:
        """The class file, and the secret where it lies beside it."""
        secret = self.path.with_name(SECRET_FILE)
        return (self.path, secret) if isfile(secret) else (self.path,)


def course_of(path: str | Path) -> tuple[Class | None, Path]:
    """Return the class that a path is about, None without a class file, and the folder of its records.

    The path is a class file, or a folder with ``class.toml`` in it, or the hand-in folder of the one beside it.
    """
    path = Path(path)
    inside, above = path / FILE_NAME, path.parent / FILE_NAME
    if path.suffix.casefold() == ".toml" or isfile(inside):
        course = read_class(inside if isfile(inside) else path)
        return course, course.hand_in or course.path.parent
    course = read_class(above) if isfile(above) else None
    about = course is not None and course.hand_in is not None and course.hand_in.resolve() == path.resolve()
    return (course if about else None), path


def read_class(path: str | Path) -> Class:
    r"""Read a class file.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "class.toml"
    ...     _ = file.write_text('code = "AUTUMN-7"\n[weights]\n05 = 2\n[deadlines]\n05 = 2026-12-10T18:00:00+01:00\n')
    ...     autumn = read_class(file)
    >>> autumn.code, autumn.weight("05"), autumn.weight("06"), str(autumn.deadlines["05"])
    ('AUTUMN-7', 2.0, 1.0, '2026-12-10 18:00:00+01:00')
    """
    path = Path(path)
    try:
        content = path.read_bytes()
    except OSError as problem:
        raise GainlibError(f"{path}: cannot be read ({problem.strerror or problem})") from None
    return class_in(content, path)


def class_in(content: bytes, path: Path) -> Class:
    """Return what the content of a class file says; `path` is its place, for sentences and for the hand-in folder."""
    try:
        if len(content) > _MOST_BYTES:
            raise GainlibError(f"has {len(content)} bytes; a class file is a short text")
        return _read(tomllib.loads(content.decode("utf-8-sig")), path)
    except GainlibError as problem:
        said = str(problem)
    except UnicodeDecodeError:
        said = "is not UTF-8 text; save it as UTF-8"
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        said = f"is no class file: {str(problem)[:1].lower()}{str(problem)[1:]}; {_WRITTEN}"
    raise GainlibError(f"{path}: {said}")


def _read(found, path):
    _known(found, _KEYS, "there")
    labs, late = _labs(found.get("labs")), found.get("late", LATE[0])
    if late not in LATE:
        raise GainlibError(f"late is {shorten(late)!r}; {nearest(late, LATE)}")
    zone, exam, hand_in = _zone(found), _section(found, "exam"), _text(found, "hand_in")
    deadlines = {
        lab: _moment(value, f"deadline of lab {lab}", zone) for lab, value in _by_lab(found, "deadlines", labs)
    }
    weights = {
        lab: _number(value, f"weight of lab {lab}", _MOST_WEIGHT) for lab, value in _by_lab(found, "weights", labs)
    }
    if all(weights.get(lab) == 0 for lab in labs):
        raise GainlibError("every lab has weight 0; give one of them more")
    sat = _exam(exam, labs, zone) if exam else None
    if sat and sat.lab in deadlines:
        raise GainlibError(
            f"lab {sat.lab} is the exam and has a deadline besides; take that out, for the exam has an end"
        )
    return Class(
        path,
        _text(found, "code", needed=True),
        _text(found, "name"),
        labs,
        path.parent / hand_in if hand_in else None,
        late,
        deadlines | ({sat.lab: sat.ends} if sat else {}),
        weights,
        sat,
    )


def _known(table, keys, where):
    for key in table:
        if key not in keys:
            raise GainlibError(f"{where} is no {shorten(key)!r}; {nearest(key, keys)}")


def _text(table, key, needed=False):
    value = table.get(key, "")
    if not isinstance(value, str) or len(value) > _LONGEST * (1 if needed else 10) or re.search(r"[\x00-\x1f]", value):
        raise GainlibError(f"{key} is {shorten(value)!r}; write a short text in quotation marks")
    if needed and not value.strip():
        raise GainlibError(f'there is no {key}; write one, such as {key} = "AUTUMN-7"')
    if needed and is_mistyped(value):
        raise GainlibError(
            f"{key} is {shorten(value)!r}, which has a wrong character after its +; copy what was printed"
        )
    return value.strip()


def _section(table, key):
    value = table.get(key, {})
    if not isinstance(value, dict):
        raise GainlibError(f"{key} is {shorten(value)!r}; write it as a section that begins with [{key}]")
    return value


def _labs(value):
    known = lab_numbers()
    if value is None:
        return known
    if not isinstance(value, list) or not value:
        raise GainlibError(f'labs is {shorten(value)!r}; write a list, such as labs = ["00", "05"]')
    return tuple(sorted({_lab(each, known, "labs") for each in value}))


def _lab(value, labs, where):
    if value not in labs:
        short = f"{value:02d}" if type(value) is int else f"0{value}" if isinstance(value, str) else ""
        hint = f'did you mean "{short}"?' if short in labs else nearest(value, labs)
        hint = f"write {value} above the first line in square brackets" if value in _KEYS else hint
        raise GainlibError(f"{where}: there is no lab {shorten(value)!r} in this class; {hint}")
    return value


def _by_lab(found, key, labs) -> Iterable:
    return ((_lab(lab, labs, key), value) for lab, value in _section(found, key).items())


def _zone(found) -> tzinfo | None:
    name = _text(found, "zone")
    try:
        return ZoneInfo(name) if name else None
    except (ValueError, OSError, KeyError):
        raise GainlibError(f"zone is {name!r}, which is not known here; give one such as Europe/Lisbon") from None


def _moment(value, what, zone, days=True):
    """Return a time with its zone; a date alone ends with its day, where days will do."""
    if isinstance(value, date) and value.year not in _YEARS:
        raise GainlibError(f"{what} is {str(value)!r}; write a year from {_YEARS[0]} to {_YEARS[-1]}")
    if isinstance(value, datetime):
        moment = value
    elif isinstance(value, date) and days:
        moment = datetime.combine(value, time()) + timedelta(days=1)
    else:
        hint = _DATE if days else "write a time, 2026-12-12T09:00:00+01:00, without quotation marks"
        raise GainlibError(f"{what} is {shorten(str(value))!r}; {hint}")
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone) if zone else moment.astimezone()
    return moment


def _number(value, what, most, least=0):
    """Return a number from `least` to `most`."""
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    if not plain or not least <= value <= most:
        raise GainlibError(f"{what} is {shorten(value)!r}; write a number from {least} to {most}")
    return float(value)


def _exam(found, labs, zone):
    _known(found, _EXAM_KEYS, "in the exam there")
    missing = [key for key in _EXAM_KEYS if key not in found]
    if missing:
        raise GainlibError(f"the exam lacks {' and '.join(missing)}; it needs lab, opens and minutes")
    lab = _lab(found["lab"], labs, "exam")
    if any(each.series for each in declared(lab).exercises):
        raise GainlibError(f"lab {lab} cannot be an exam, for it tells what it measures; choose another lab")
    opens = _moment(found["opens"], "opens", zone, days=False)
    return Exam(lab, opens, opens + timedelta(minutes=_number(found["minutes"], "minutes", _MOST_MINUTES, least=1)))


# ------------------------------------------------------------------------------------------------------ code and secret


SECRET_FILE = "class.secret"
_SIGNS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # none that is taken for another
_KEYED, _CHECKED = 6, 2
_BYTES = 32


def new_secret(folder: str | Path) -> Path:
    """Write a new secret into the folder of a class, made if need be, for its owner's eyes; return the file."""
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
    """Return the secret in a file, or in the folder of a class."""
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


# ---------------------------------------------------------------------------------------------------- what is handed in


def hand_in_folder(course: Class | None = None) -> Path | None:
    """Return where to hand in: what ``GAINLIB_HAND_IN`` names, else the class file if that folder is there; or None."""
    chosen = os.environ.get(HAND_IN)
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
    """Write a record into the folder, whole or not at all, and return where it lies."""
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
