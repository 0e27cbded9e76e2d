"""The learner's record to hand in and to take along: download, upload, erase."""

from datetime import datetime
from pathlib import Path

import anywidget
import ipywidgets as widgets
import traitlets

from gainlib.audio import GainlibError
from gainlib.exercises.handin import check_value, hand_in, hand_in_folder, is_letter_box
from gainlib.notebook import assets
from gainlib.notebook.errors import Panel
from gainlib.notebook.forms import points_text
from gainlib.notebook.progress import MOST_BYTES
from gainlib.notebook.prose import LiveRegion, prose, rewrite
from gainlib.notebook.whereabouts import here
from gainlib.words import count

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


class SaveButton(anywidget.AnyWidget):
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

    _esm = assets.module("keep")
    _css = assets.style()
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


class PickFile(anywidget.AnyWidget):
    """A button that lets the learner pick a file, and hands its name and bytes to a function.

    Parameters
    ----------
    text : str
        Beside the button.
    take : callable
        ``take(name, content)``; of a file larger than a record can be only the size is known, and `content` is None.
    """

    _esm = assets.module("upload")
    _css = assets.style()
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
    shelf : gainlib.notebook.progress.ProgressSheet
    changed : callable
        Called after the record has changed.

    Attributes
    ----------
    said : LiveRegion
        What has happened.
    """

    def __init__(self, shelf, changed):
        self._shelf, self._changed, self._pending = shelf, changed, None
        auto = {"width": "auto"}
        self.hand_in = widgets.Button(description="Hand in", button_style="primary", layout=auto)
        self.save, self._about = SaveButton("", self.guarded(self._download)), prose("")
        self.choose = PickFile("Upload a record:", self.guarded(self.upload))
        self.readable = widgets.Button(
            description="Take the lines that can be read", layout={"width": "auto", "display": "none"}
        )
        self.sure = widgets.Checkbox(description="Yes, erase everything I did", indent=False, layout=auto)
        self.gone = widgets.Button(description="Erase my record", layout=auto)
        self.said = LiveRegion()
        super().__init__(
            self._about,
            widgets.HBox([self.hand_in, self.save, self.choose, self.readable]).add_class("gl-buttons"),
            self.said,
            prose("**Erase.** This removes every line under your name here, and cannot be undone. Download first."),
            widgets.HBox([self.sure, self.gone]).add_class("gl-buttons"),
        )
        self.add_class("gl-form")
        self.readable.on_click(self.guarded(lambda _button: self._put_in(self._pending)))
        self.gone.on_click(self.guarded(lambda _button: self.erase()))
        self.hand_in.on_click(self.guarded(lambda _button: self._hand_in()))
        self.update()

    def update(self) -> None:
        """Show where to hand in, and what this learner handed in last."""
        folder = hand_in_folder(self._shelf.course)
        rewrite(self._about, about_here(folder, in_class := bool(self._shelf.class_code)))
        self.hand_in.layout.display = None if folder else "none"
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
        earned = points_text(round(sum(lab.points for lab in labs), 2))
        points = f"{earned} of {points_text(sum(lab.max_points for lab in labs))} points"
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
        self.readable.layout.display = "none"
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
        self.readable.layout.display = ""
        self.said.say(
            "wrong",
            "Refused",
            f"{name} is damaged: line {first.line}{more} cannot be read ({first.reason}). Nothing was taken. "
            f"{len(found.events)} lines are whole; you may take those.",
        )

    def _put_in(self, found):
        self._pending = None
        self.readable.layout.display = "none"
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
