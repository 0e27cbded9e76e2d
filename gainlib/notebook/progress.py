"""All labs at a glance for one learner, and the learner's record as something to take along; knows no widget."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from gainlib.audio import GainlibError
from gainlib.exercises import Events, Record, bank, records_folder, tally
from gainlib.exercises.classfile import has_tag
from gainlib.exercises.record import Damaged, parsed, to_lines
from gainlib.exercises.record import identity as whose
from gainlib.notebook import identity, kept
from gainlib.notebook.course import course_for, day_and_time, take
from gainlib.notebook.panels import lab_module

MOST_BYTES = 20_000_000
NOT_BEGUN, BEGUN, DONE = "not begun", "begun", "complete"


@dataclass(frozen=True)
class LabState:
    """How far a learner is with one lab.

    Attributes
    ----------
    number, title, question : str
        As in the lab's heading.
    minutes : int
        Working alone.
    file : str
        The notebook's file name.
    points, max_points : float
        As they count.
    right, exercises : int
        Exercises that are complete, and all.
    mastered : int
        Exercises of which two sets of numbers were solved unaided.
    state : str
        "not begun", "begun" or "complete".
    resume : str
        Id of the cell to go on at, empty before the lab was begun.
    due : str
        When it is due, or when its exam is; empty where nothing is said.
    asked : bool
        Whether it is one of the labs of the class, as all are without one.
    """

    number: str
    title: str
    question: str
    minutes: int
    file: str
    points: float
    max_points: float
    right: int
    exercises: int
    mastered: int
    state: str
    resume: str
    due: str = ""
    asked: bool = True

    @property
    def link(self) -> str:
        """The notebook's address from another notebook beside it, at the cell to go on at."""
        return f"{self.file}#cell-id={self.resume}" if self.resume else self.file


@dataclass(frozen=True)
class Upload:
    """A record file that somebody wants to put in.

    Attributes
    ----------
    name : str
        Of the file.
    content : bytes
        As it is.
    events : tuple of dict
        What could be read.
    damaged : tuple of Damaged
        Lines that could not.
    """

    name: str
    content: bytes
    events: tuple[dict, ...]
    damaged: tuple[Damaged, ...]

    @property
    def learners(self) -> tuple[tuple[str, str], ...]:
        """Name and class code, as last written, of every learner in it."""
        names = {whose(event): (event["learner"].strip(), event["class_code"].strip()) for event in self.events}
        return tuple(names.values())


class ProgressSheet:
    """The labs and the record of one folder.

    Parameters
    ----------
    folder : path, optional
        Where the record is kept; see :func:`gainlib.exercises.record.records_folder`.
    labs : path, optional
        Where the notebooks are; the folder they run in, or the project's own.

    Attributes
    ----------
    learner, class_code : str
        Whoever worked here last, or a pseudonym.
    """

    def __init__(self, folder=None, labs=None):
        self.folder = records_folder(folder)
        self.record = Record(self.folder)
        self._labs = Path(labs) if labs is not None else labs_folder()
        self._sit_down()

    def _sit_down(self):
        last = identity.kept(self.folder)
        self.learner, self.class_code = last.get("learner") or identity.pseudonym(), last.get("class_code") or ""
        identity.keep(self.folder, self.learner, self.class_code)

    def become(self, learner: str, class_code: str = "") -> None:
        """Keep who works here, for every lab that is opened from now on."""
        self.learner, self.class_code = identity.checked(self.record, learner, class_code)
        identity.keep(self.folder, self.learner, self.class_code, confirmed=True)

    @property
    def events(self) -> tuple[dict, ...]:
        """What this learner did, in all labs."""
        return self.record.events().of(self.learner, self.class_code).events

    # ---- the labs --------------------------------------------------------------------------------------------------

    def labs(self) -> tuple[LabState, ...]:
        """Return every lab that has a notebook here, with the learner's state, marked anew."""
        events = self.events
        files = {path.name[:2]: path.name for path in sorted(self._labs.glob("[0-9][0-9]-*.ipynb"))}
        numbers = sorted({each.lab for each in bank()} & set(files))
        return tuple(self._state(number, files[number], events) for number in numbers)

    def _state(self, number, file, events):
        page = lab_module(number).PAGE
        counted = tally(Events(events), self.learner, self.class_code, lab=number, told=True)
        right = [id for id, score in counted.scores.items() if score.state == "right"]
        begun = [each for each in events if each["kind"] != "start" and _lab_of(each) == number]
        state = DONE if len(right) == len(counted.scores) else BEGUN if begun else NOT_BEGUN
        resume = "" if state == NOT_BEGUN else f"{number}-{_resume(list(counted.scores), right, begun)}"
        mastered = sum(score.mastered for score in counted.scores.values())
        figures = (counted.points, counted.max_points, len(right), len(counted.scores), mastered)
        about = (number, page.title, page.question, page.minutes, file)
        asked = self.course is None or number in self.course.labs
        return LabState(*about, *figures, state, resume, self._due(number), asked)

    @property
    def course(self):
        """What the class file of this learner says, or None."""
        return course_for(self.folder, self.class_code)

    def take_class(self, name: str, content: bytes | None, learner: str = "") -> None:
        """Open a class file: its dates hold here from now on, and its class code is the learner's."""
        course = take(self.folder, name, content)
        whole = course.is_for(self.class_code) and not has_tag(course.code)  # the learner's may be the one with its tag
        self.become(learner.strip() or self.learner, self.class_code if whole else course.code)

    def _due(self, number):
        course = self.course
        if course is None or number not in course.deadlines:
            return ""
        exam = course.exam if course.exam and course.exam.lab == number else None
        return f"exam {day_and_time(exam.opens)}" if exam else day_and_time(course.deadlines[number])

    # ---- the record ------------------------------------------------------------------------------------------------

    @property
    def file_name(self) -> str:
        """A file name for the learner's record as it is today, of letters that every system takes."""
        parts = [part for part in (self.class_code, self.learner) if part]
        plain = "-".join("".join(c if c.isalnum() or c in "-_" else "_" for c in part) for part in parts)
        short = plain.encode()[:150].decode(errors="ignore")  # with all that is added, 255 bytes are the most
        return f"record-{short}-{datetime.now():%Y-%m-%d}.jsonl"

    def take_along(self) -> bytes:
        """Return the learner's own part of the record, as a file of its own."""
        return to_lines(self.events)

    @property
    def receipt(self) -> str:
        """What was handed in last by this learner; empty where nothing was."""
        found = self._kept.kept("receipt")
        return found if isinstance(found, str) else ""

    @receipt.setter
    def receipt(self, told: str):
        store = self._kept
        store.keep("receipt", told)
        store.flush()

    @property
    def _kept(self):
        return kept.Kept(kept.path_for(self.folder, self.learner, self.class_code, "index"))

    def look_at(self, name: str, content: bytes | None) -> Upload:
        """Read a record file without putting it in.

        Parameters
        ----------
        name : str
            Of the file.
        content : bytes or None
            None stands for more than a record ever has.

        Raises
        ------
        GainlibError
            When it is empty, larger than a record can be, or holds no event at all.
        """
        if content is None or len(content) > MOST_BYTES:
            raise GainlibError(f"{name} is too large; a record never has more than {MOST_BYTES / 1e6:.0f} MB")
        if not content.strip():
            raise GainlibError(f"{name} is empty; choose the file that the download button gave you")
        events, damaged = parsed(content.splitlines(), Path(name))
        if not events:
            raise GainlibError(
                f"{name} is not a record: {damaged[0].reason} in line {damaged[0].line}; nothing was taken from it"
            )
        return Upload(name, bytes(content), tuple(events), tuple(damaged))

    def put_in(self, upload: Upload) -> int:
        """Add the readable events that are not here yet; return how many.

        If nobody has given a name here and the file is one learner's, that learner works here from now on.
        """
        added = self.record.merge(upload.content)
        if identity.is_pseudonym(self.learner) and len(upload.learners) == 1:
            self.become(*upload.learners[0])
        return added

    def erase(self) -> int:
        """Remove everything this learner did, and the name with it; return how many events went."""
        gone = self.record.erase(self.learner, self.class_code)
        kept.forget(self.folder, self.learner, self.class_code)
        identity.forget(self.folder)
        self._sit_down()
        return gone


def _lab_of(event):
    return event.get("lab") or event["exercise"].rpartition("-")[0]


def _resume(ids, right, begun):
    """Return the name of the cell to go on at: the exercise last worked at, else the first that is open."""
    open_ids = [id for id in ids if id not in right]
    if not open_ids:
        return "score"
    touched = [each["exercise"] for each in begun if each.get("exercise") in open_ids]
    id = touched[-1] if touched else open_ids[0]
    return f"exercise-{id.rpartition('-')[2]}"


def labs_folder() -> Path:
    """Return where the notebooks are: the working folder if it has any, else the project's own."""
    here = Path.cwd()
    return here if any(here.glob("[0-9][0-9]-*.ipynb")) else Path(__file__).parents[2] / "labs"
