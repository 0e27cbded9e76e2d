"""Who works here: name or number and class code, kept in the folder of the record for every lab to find."""

import json
import os
import secrets
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises import Events, Record, tally
from gainlib.exercises.classfile import has_tag, is_mistyped
from gainlib.exercises.record import identity as whose
from gainlib.exercises.record import refused
from gainlib.exercises.variants import PSEUDONYM, is_pseudonym, normal_form
from gainlib.notebook import whereabouts
from gainlib.notebook.course import course_for, only_code

WHO_FILE = "learner.json"


def kept(folder: Path) -> dict:
    """Return ``learner`` and ``class_code``: as they were kept, else as a hub or the only class file gives them.

    A name that was made up here gives way to the login. Where pupils share one account (``GAINLIB_SHARED``), nobody is
    taken for whoever worked before the workbook was started.
    """
    found, login = _read(folder), whereabouts.login()
    if is_pseudonym(found.get("learner", "")) and "learner" in login:
        found = {}
    if os.environ.get(whereabouts.SHARED) and found.get("sitting", "") != whereabouts.sitting():
        found = {}
    code = only_code(folder)
    given = ({"class_code": code} if code else {}) | login
    return given | {name: found[name] for name in ("learner", "class_code") if name in found}


def from_before(folder: Path) -> bool:
    """Whether whoever is kept has given or confirmed the name before the workbook was started this time."""
    found = _read(folder)
    known = found.get("learner", "") and not is_pseudonym(found["learner"])
    return bool(known) and found.get("sitting", "") != whereabouts.sitting()


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
    sitting = was.get("sitting", "") if same else whereabouts.sitting()
    who = {"learner": learner, "class_code": class_code, "sitting": sitting}
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
    if not others:
        return None
    own, most = (
        [tally(events, learner, code, lab=lab).points for code in codes] for codes in ((class_code,), others.values())
    )
    best = max(range(len(most)), key=most.__getitem__)
    found = Elsewhere(list(others.values())[best], most[best], own[0])
    return found if found.points > found.own_points + 1e-9 else None


def forget(folder: Path) -> None:
    """Keep nobody any more."""
    try:
        (folder / WHO_FILE).unlink(missing_ok=True)
    except OSError as problem:
        raise refused(folder / WHO_FILE, problem) from None


def pseudonym() -> str:
    """Return a name for somebody who gave none."""
    return f"{PSEUDONYM}{secrets.token_hex(2)}"
