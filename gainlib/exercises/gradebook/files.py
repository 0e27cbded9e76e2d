"""Files as a class hands them in, told by what they hold and not by what they are called, archives looked into.

Learning platforms pack, rename and add endings. A file that is no record is named with the reason, never passed over.
"""

import io
import json
import os
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from gainlib.exercises.events import parsed
from gainlib.exercises.handin import is_letter_box

SUFFIX = ".jsonl"
_BOM = b"\xef\xbb\xbf"
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_ZIP = b"PK\x03\x04"
_LARGEST = 64 * 2**20
_UNPACKED = 256 * 2**20
_DEEPEST = 3
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, NotImplementedError, ValueError)


@dataclass(frozen=True)
class Found:
    """A file that may hold a record: its path, an archive counting as a folder, and its lines."""

    path: Path
    lines: tuple[bytes, ...]


@dataclass(frozen=True)
class Unused:
    """A file that is not used.

    Attributes
    ----------
    path : Path
        Where it lies; an archive counts as a folder.
    reason : str
        Why it is not used.
    lost : bool
        Whether something that was handed in may be lost with it.
    """

    path: Path
    reason: str
    lost: bool = False

    def __str__(self):
        return f"{self.path}: {self.reason}"


def handed_files(path: Path) -> Iterator[Found | Unused]:
    """Yield every file under a path; one that was named by itself is a record whatever it holds. Hidden ones are left.

    Archives are looked into as far as a class can fill them, and nothing is unpacked on disk.
    """
    if not os.path.isdir(path):
        yield from _of_file(path, alone=True)
        return
    for each in _under(path):
        yield from [each] if isinstance(each, Unused) else _of_file(each)


def _under(folder):
    found, boxed = [], is_letter_box(Path(folder))

    def refused(problem):
        why = problem.strerror or problem
        found.append(Unused(Path(problem.filename), f"cannot be read ({why}); the folder is skipped", lost=True))

    for place, _, names in os.walk(folder, onerror=refused):
        for name in names:
            path = Path(place, name)
            if name.startswith("."):
                continue
            if boxed and path.is_symlink():  # it would lead to what its account may not read
                found.append(Unused(path, "is a link; what is handed in is a file"))
                continue
            if os.path.exists(path) and not os.path.isfile(path):  # a pipe would be waited for
                found.append(Unused(path, "is no ordinary file; it is skipped", lost=True))
            else:
                found.append(path)
    return sorted(found, key=lambda each: each.path if isinstance(each, Unused) else each)


def _of_file(path, alone=False):
    try:
        if not _may_be_record(path) and path.stat().st_size > _LARGEST:
            yield Unused(path, "is larger than a record is")
            return
        content = path.read_bytes()
    except OSError as problem:
        yield Unused(path, f"cannot be read ({problem.strerror or problem}); the file is skipped", lost=True)
        return
    yield from _of_content(path, content, [_UNPACKED], alone=alone)


def _of_content(path, content, left, depth=0, alone=False):
    if content.startswith(_ZIP):
        yield from _of_archive(path, content, left, depth)
        return
    lines = _lines(content)
    if alone or _may_be_record(path) or _holds_event(lines, path):
        yield Found(path, lines) if any(line.strip() for line in lines) else Unused(path, "is empty", lost=True)
    else:
        yield Unused(path, _kind(path, content))


def _name(member):
    """Return the name of what an archive holds; many write UTF-8 without saying so."""
    try:
        return member.filename if member.flag_bits & 0x800 else member.filename.encode("cp437").decode()
    except UnicodeError:
        return member.filename


def _of_archive(path, content, left, depth):
    """Yield what an archive holds; `left` is one number, what may still be unpacked of one file handed in."""
    if depth == _DEEPEST:
        yield Unused(path, "is an archive within archives too deep to look into; unpack it", lost=True)
        return
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
        members = [each for each in archive.infolist() if not each.is_dir()]
    except _BROKEN:
        yield Unused(path, "is a zip archive that is cut off or damaged; ask for it again", lost=True)
        return
    for member in members:
        parts = [part for part in PurePosixPath(_name(member)).parts if part not in ("..", "/")]
        if not parts or any(part.startswith(".") or part == "__MACOSX" for part in parts):
            continue
        inner = path.joinpath(*parts)
        try:
            with archive.open(member) as file:
                held = file.read(min(_LARGEST, left[0]) + 1)
        except _BROKEN as problem:
            locked = "is locked with a password" if member.flag_bits & 1 else f"cannot be unpacked ({problem})"
            yield Unused(inner, f"{locked}; ask for it again", lost=True)
            continue
        left[0] -= len(held)
        if len(held) > _LARGEST or left[0] < 0:
            yield Unused(inner, "is larger than what a class hands in; unpack the archive", lost=True)
            return
        yield from _of_content(inner, held, left, depth + 1)


def _lines(content) -> tuple[bytes, ...]:
    """Return the lines of a record; one list of events counts as a line each."""
    if content.startswith(_UTF_16):
        content = content.decode("utf-16", errors="replace").encode("utf-8")
    content = content.removeprefix(_BOM)
    if content.lstrip()[:1] == b"[":
        try:
            return tuple(json.dumps(event).encode() for event in json.loads(content))
        except (ValueError, RecursionError, TypeError):
            pass
    return tuple(content.splitlines())


def _holds_event(lines, path):
    return any(b'"kind"' in line and parsed([line], path)[0] for line in lines)


def _may_be_record(path):
    return path.name.casefold().endswith(SUFFIX)


def _kind(path, content):
    if path.suffix.casefold() == ".ipynb":
        return "is a notebook; the record is what the index page downloads"
    return "holds no record" if content else "is empty"
