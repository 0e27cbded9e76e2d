"""Who works here, in which class, and where this is.

Name or number and class code are kept in the folder of the record for every lab to find. The class file lies in the
course folder, or learners open it on the page of the labs.
"""

import json
import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from os.path import isfile
from pathlib import Path
from typing import NamedTuple

from gainlib.audio import GainlibError
from gainlib.exercises import Events, Record, tally
from gainlib.exercises.classfile import FILE_NAME, Class, class_in, has_tag, is_mistyped, read_class
from gainlib.exercises.record import course_folder, refused, write_whole
from gainlib.exercises.record import identity as whose
from gainlib.exercises.variants import PSEUDONYM, is_pseudonym, normal_form

WHO_FILE = "learner.json"
CLASS = "GAINLIB_CLASS"  # the class code that learners begin with
SHARED = "GAINLIB_SHARED"  # set on a computer whose pupils share one account: nobody is taken for the last one


# ---- where it runs ---------------------------------------------------------------------------------------------------


class Whereabouts(NamedTuple):
    """A kind of place.

    Attributes
    ----------
    kept : str
        What becomes of answers, as the end of a sentence that begins with "they are kept in …".
    stems : str
        What becomes of audio that is uploaded, as a sentence.
    forgets : bool
        Whether the place is gone soon after the learner.
    """

    kept: str
    stems: str
    forgets: bool = False


OWN = Whereabouts("on this computer, and sent nowhere", "Stems of your own stay on this computer and are only read.")
HUB = Whereabouts(
    "in your own folder on your school's server, which other learners cannot read",
    "Stems of your own that you upload **leave your computer** for that server; delete them there when you are done.",
)
CODESPACE = HUB._replace(kept="in your codespace, and lost when that is deleted")
RENTED = Whereabouts(
    "on a server that was started for you, and **forgotten a few minutes after you leave**",
    "Stems of your own that you upload **leave your computer** and are lost when the server ends your session.",
    forgets=True,
)


def here(environment: Mapping[str, str] = os.environ) -> Whereabouts:
    """Return the place that the variables of a Binder, a JupyterHub or neither tell of.

    Examples
    --------
    >>> here({"BINDER_REF_URL": "x", "JUPYTERHUB_USER": "y"}).forgets, here({"JUPYTERHUB_USER": "anna"}).forgets
    (True, False)
    """
    if any(name.startswith("BINDER_") for name in environment):
        return RENTED
    if "CODESPACE_NAME" in environment:
        return CODESPACE
    return HUB if "JUPYTERHUB_USER" in environment else OWN


def login(environment: Mapping[str, str] = os.environ) -> dict[str, str]:
    """Return who a hub says is here, as ``learner`` and ``class_code``; nothing where it says nothing."""
    place = here(environment)
    name = environment.get("JUPYTERHUB_USER", "") if place is HUB else ""
    found = {"learner": name, "class_code": environment.get(CLASS, "")}
    return {field: value for field, value in found.items() if value}


def sitting(environment: Mapping[str, str] = os.environ) -> str:
    """Return a word for this start of the workbook; another start has another."""
    return environment.get("JPY_PARENT_PID", "")


# ---- the class -------------------------------------------------------------------------------------------------------


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


def take_class(folder: Path, name: str, content: bytes | None) -> Class:
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


# ---- who it is -------------------------------------------------------------------------------------------------------


def kept(folder: Path) -> dict:
    """Return ``learner`` and ``class_code``: as they were kept, else as a hub or the only class file gives them.

    A name that was made up here gives way to the login. Where pupils share one account (``GAINLIB_SHARED``), nobody is
    taken for whoever worked before the workbook was started.
    """
    found, given = _read(folder), login()
    if is_pseudonym(found.get("learner", "")) and "learner" in given:
        found = {}
    if os.environ.get(SHARED) and found.get("sitting", "") != sitting():
        found = {}
    code = only_code(folder)
    given = ({"class_code": code} if code else {}) | given
    return given | {name: found[name] for name in ("learner", "class_code") if name in found}


def from_before(folder: Path) -> bool:
    """Whether whoever is kept has given or confirmed the name before the workbook was started this time."""
    found = _read(folder)
    known = found.get("learner", "") and not is_pseudonym(found["learner"])
    return bool(known) and found.get("sitting", "") != sitting()


def _read(folder):
    try:
        found = json.loads((folder / WHO_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return {name: value for name, value in found.items() if isinstance(value, str)} if isinstance(found, dict) else {}


def checked(record: Record, learner: str, class_code: str) -> tuple[str, str]:
    """Return name and class code without spaces around them, with its tag where the class file has one.

    Raises
    ------
    GainlibError
        Where the name is empty, or a character of the class code is wrong and nothing was done with that code so far.
    """
    if not learner.strip():
        raise GainlibError("the name is empty; give a name or a number that your teacher knows")
    learner, class_code = learner.strip(), class_code.strip()
    course = course_for(record.path.parent, class_code)
    if record.events().of(learner, class_code).events:
        return learner, class_code  # whose numbers they have
    if is_mistyped(class_code):
        raise GainlibError(f"the class code {class_code} has a wrong character; type it as your teacher gave it")
    return learner, course.code if course and has_tag(course.code) else class_code


def keep(folder: Path, learner: str, class_code: str, confirmed: bool = False) -> None:
    """Keep them, in one step, so that another notebook never reads half a file.

    Parameters
    ----------
    folder : path
    learner, class_code : str
    confirmed : bool
        Whether the learner has said so just now.

    Raises
    ------
    GainlibError
        When the folder takes no file.
    """
    unfinished = folder / f"{WHO_FILE}.{os.getpid()}"
    was = _read(folder)
    same = was.get("learner") == learner and not confirmed
    who = {"learner": learner, "class_code": class_code}
    who["sitting"] = was.get("sitting", "") if same else sitting()
    text = json.dumps(who, ensure_ascii=False)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            with unfinished.open("w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.replace(unfinished, folder / WHO_FILE)
        except OSError:
            with suppress(OSError):
                unfinished.unlink()
            raise
    except OSError as problem:
        raise refused(folder / WHO_FILE, problem) from None


@dataclass(frozen=True)
class Elsewhere:
    """What somebody of the same name has done with another class code.

    Attributes
    ----------
    class_code : str
        As it was written last; empty where there was none.
    points, own_points : float
        With that code, and with the one that is given now.
    """

    class_code: str
    points: float
    own_points: float


def elsewhere(events: Events, learner: str, class_code: str, lab: str | None = None) -> Elsewhere | None:
    """Return where the same name has more points than here, by leaving the class code out or giving another; or None.

    Parameters
    ----------
    events : Events
        Of everybody in this folder.
    learner, class_code : str
        Who works here now.
    lab : str or None
        The lab whose points are counted; None counts all.
    """
    mine = normal_form(class_code), normal_form(learner)
    others = {whose(event)[0]: event["class_code"].strip() for event in events.events if whose(event)[1] == mine[1]}
    others.pop(mine[0], None)
    earned = {code: tally(events, learner, code, lab=lab).points for code in (class_code, *others.values())}
    own = earned[class_code]
    best = max(others.values(), key=earned.get, default=class_code)
    return Elsewhere(best, earned[best], own) if earned[best] > own + 1e-9 else None


def forget(folder: Path) -> None:
    """Keep nobody any more."""
    try:
        (folder / WHO_FILE).unlink(missing_ok=True)
    except OSError as problem:
        raise refused(folder / WHO_FILE, problem) from None


def pseudonym() -> str:
    """Return a name for somebody who gave none."""
    return f"{PSEUDONYM}{secrets.token_hex(2)}"
