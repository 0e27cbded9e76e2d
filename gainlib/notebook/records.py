"""All labs at a glance for one learner, and the record: hand it in, take it along, upload it, erase it."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import traitlets

from gainlib.audio import GainlibError
from gainlib.exercises import Events, Record, bank, records_folder, tally
from gainlib.exercises.classfile import check_value, hand_in, hand_in_folder, has_tag, is_letter_box
from gainlib.exercises.record import Damaged, parsed, to_lines
from gainlib.exercises.record import identity as whose
from gainlib.notebook import identity, kept, widgets
from gainlib.notebook.errors import Panel, row
from gainlib.notebook.forms import earned_text
from gainlib.notebook.identity import course_for, day_and_time, here, take_class
from gainlib.notebook.panels import lab_module
from gainlib.notebook.prose import LiveRegion, prose, rewrite
from gainlib.words import count

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
        course = take_class(self.folder, name, content)
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
        return Upload(name, bytes(content), tuple(events.values()), tuple(damaged))

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


def total(labs: tuple[LabState, ...]) -> tuple[float, float]:
    """Return the points of all labs, and how many there are to earn."""
    return sum(lab.points for lab in labs), sum(lab.max_points for lab in labs)


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


# ---- the record, under buttons ---------------------------------------------------------------------------------------

JSON_LINES = "application/x-ndjson"
TEXT = """
**Take your record with you.** It holds your answers, line by line, and no audio; here it is kept {kept}. {stems}
{reminder}{hand_in}
"""
OFTEN = " You may hand in as often as you like: all of it is kept, and the newest counts."
BY_FILE = (
    "**Hand in** downloads it as a file whose name has your name, class code and the date: send it to your teacher."
)
BY_FOLDER = "**Hand in** puts it into the folder of your class{}."
BOXED = ", which only your teacher can read"
FORGETS = "**Download your record before you leave**, and upload it when you come back. "


def about_here(folder: Path | None = None, in_class: bool = True) -> str:
    """Return what is true of a record in the place where this runs, and how it is handed in, if there is a class."""
    place = here()
    way = BY_FOLDER.format(BOXED if is_letter_box(folder) else "") if folder else BY_FILE
    way = way + OFTEN if folder or in_class else ""
    return TEXT.format(kept=place.kept, stems=place.stems, reminder=FORGETS * place.forgets, hand_in=way)


class SaveButton(widgets.Scripted):
    """A button that saves what a function returns when it is pressed.

    Parameters
    ----------
    text : str
        On the button.
    make : callable
        ``make()`` returns file name and bytes.
    kind : str
        Media type of the file.
    """

    FILES = ("keep.js",)
    text = traitlets.Unicode("").tag(sync=True)

    def __init__(self, text, make, kind=JSON_LINES):
        super().__init__(text=text)
        self._make, self._kind = make, kind
        self.on_msg(lambda _widget, _content, _buffers: self.save())

    def save(self) -> None:
        """Send the file to the browser."""
        made = self._make()
        if made is not None:
            name, content = made
            self.send({"name": name, "type": self._kind}, buffers=[content])


class PickFile(widgets.Scripted):
    """A button that lets the learner pick a file, and hands its name and bytes to a function.

    Parameters
    ----------
    text : str
        Beside the button.
    take : callable
        ``take(name, content)``; of a file larger than a record can be only the size is known, and `content` is None.
    """

    FILES = ("upload.js",)
    text = traitlets.Unicode("").tag(sync=True)
    accept = traitlets.Unicode(".jsonl").tag(sync=True)
    most_bytes = traitlets.Int(MOST_BYTES).tag(sync=True)

    def __init__(self, text, take):
        super().__init__(text=text)
        self.on_msg(lambda _widget, said, buffers: take(said["name"], bytes(buffers[0]) if buffers else None))


class RecordPanel(Panel):
    """Download, upload and erasure.

    Parameters
    ----------
    shelf : ProgressSheet
    changed : callable
        Called after the record has changed.

    Attributes
    ----------
    said : LiveRegion
        What has happened.
    """

    def __init__(self, shelf, changed):
        self._shelf, self._changed, self._pending = shelf, changed, None
        self.hand_in = self.make_button("Hand in", self._hand_in, button_style="primary")
        self.save, self._about = SaveButton("", self.guarded(self._download)), prose("")
        self.choose = PickFile("Upload a record:", self.guarded(self.upload))
        self.readable = self.make_button("Take the lines that can be read", lambda: self._put_in(self._pending))
        widgets.look(self.readable, display="none")
        self.sure = widgets.Checkbox(description="Yes, erase everything I did", indent=False, layout={"width": "auto"})
        self.gone = self.make_button("Erase my record", self.erase)
        self.said = LiveRegion()
        super().__init__(
            self._about,
            row(self.hand_in, self.save, self.choose, self.readable),
            self.said,
            prose("**Erase.** This removes every line under your name here, and cannot be undone. Download first."),
            row(self.sure, self.gone),
        )
        self.add_class("gl-form")
        self.update()

    def update(self) -> None:
        """Show where to hand in, and what this learner handed in last."""
        folder = hand_in_folder(self._shelf.course)
        rewrite(self._about, about_here(folder, in_class := bool(self._shelf.class_code)))
        widgets.look(self.hand_in, display=None if folder else "none")
        self.save.text = "Hand in (download my record)" if in_class and not folder else "Download my record"
        self.said.say(*(("note", "", f"{self._shelf.receipt}.") if self._shelf.receipt else ()))

    # ---- download --------------------------------------------------------------------------------------------------

    def _content(self):
        content = self._shelf.take_along()
        if not content:
            self.said.say("note", "Nothing yet", f"There is no line under the name {self._shelf.learner}.")
        return content

    def _download(self):
        content = self._content()
        if not content:
            return None
        where = f"{self._shelf.file_name}: {self._receipt(content)}. Your browser shows where the file is."
        self.said.say("note", "Downloaded", where)
        return self._shelf.file_name, content

    def _hand_in(self):
        content = self._content()
        if not content:
            return
        try:
            hand_in(hand_in_folder(self._shelf.course), self._shelf.file_name, content)
        except GainlibError as problem:
            self.said.say("wrong", "Not handed in", f"{problem}. Try again, or download your record and send it.")
            return
        receipt = f"Handed in {self._receipt(content)}"
        self._shelf.receipt = receipt
        self.said.say("note", "Receipt", f"{receipt}. Your teacher's gradebook shows the same check value.")

    def _receipt(self, content):
        """Return time, number of answers, points and check value of a record that goes out now."""
        labs = self._shelf.labs()
        points = f"{earned_text(*total(labs))} points"
        answers = sum(event["kind"] == "answer" for event in self._shelf.events)
        time = f"{datetime.now().astimezone():%Y-%m-%d %H:%M:%S %Z}"
        return f"{time}, {count(answers, 'answer')}, {points}, check value {check_value(content.splitlines())}"

    # ---- upload ----------------------------------------------------------------------------------------------------

    def upload(self, name: str, content: bytes | None) -> None:
        """Put a record file in; a damaged one is refused, and its readable lines are taken only on request.

        Parameters
        ----------
        name : str
            Of the file.
        content : bytes or None
            None where the browser kept it back for its size.
        """
        self._pending = None
        widgets.look(self.readable, display="none")
        try:
            found = self._shelf.look_at(name, content)
        except GainlibError as problem:
            self.said.say("wrong", "Refused", f"{problem}.")
            return
        if not found.damaged:
            self._put_in(found)
            return
        first = found.damaged[0]
        more = f" and {len(found.damaged) - 1} more" if len(found.damaged) > 1 else ""
        self._pending = found
        widgets.look(self.readable, display="")
        self.said.say(
            "wrong",
            "Refused",
            f"{name} is damaged: line {first.line}{more} cannot be read ({first.reason}). Nothing was taken. "
            f"{len(found.events)} lines are whole; you may take those.",
        )

    def _put_in(self, found):
        self._pending = None
        widgets.look(self.readable, display="none")
        before = (self._shelf.learner, self._shelf.class_code)
        added = self._shelf.put_in(found)
        self._changed()
        self.said.say("note", "Uploaded", self._taken(found, added, before))

    def _taken(self, found, added, before):
        lines = f"{added} of {len(found.events)} lines were new here."
        mine = (self._shelf.learner, self._shelf.class_code)
        if mine != before:
            return f"{lines} You are now **{mine[0]}**, as in the file. Run a lab again to continue it."
        others = [name for name, code in found.learners if (name.casefold(), code) != (mine[0].casefold(), mine[1])]
        if others:
            return f"{lines} They hold what **{', '.join(others)}** did; to continue under that name, enter it above."
        return f"{lines} Run a lab again to continue it."

    # ---- erasure ---------------------------------------------------------------------------------------------------

    def erase(self) -> None:
        """Erase the learner's lines, if the box is ticked."""
        if not self.sure.value:
            self.said.say("note", "Not erased", "Tick the box beside the button first.")
            return
        self.sure.value = False
        name, count = self._shelf.learner, self._shelf.erase()
        self._changed()
        self.said.say(
            "note",
            "Erased",
            f"{count} lines of {name} are gone, and the name with them. Pages saved for printing stay in the folder; "
            "delete them there. Labs that are still open have to be run again.",
        )
