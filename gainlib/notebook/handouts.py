"""Printed pages of a lab: hand-out, answer sheets, their key, lesson plan; HTML that needs no other file.

What a hand-out says is in the lab's notebook, what an answer sheet asks in its exercises, what a lesson plan says in
``labs/plans``; the picture of a desk is drawn by the plots of its panel. Pages fit A4 and Letter: the printer chooses.
``python -m gainlib.notebook.handouts FOLDER`` writes what it is told on standard input (:func:`main`).
"""

import ast
import base64
import io
import json
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from pathlib import Path
from string import Formatter
from types import SimpleNamespace

from markupsafe import Markup

from gainlib.audio import GainlibError, write_whole
from gainlib.exercises.bank import bank, declared
from gainlib.exercises.capstone.delivery import label
from gainlib.exercises.experiment import Choice, Experiment, Mixer, Picture, Slider, Trims
from gainlib.exercises.model import Exercise, Part
from gainlib.exercises.practical import Control, in_words
from gainlib.exercises.text import fill
from gainlib.notebook.assets import html_of
from gainlib.notebook.desk import laid_out
from gainlib.notebook.panels import drawn_for
from gainlib.notebook.ungraded import in_full
from gainlib.words import one_line, quantity, templates

LABS = Path(__file__).parents[2] / "labs"
NOBODY = SimpleNamespace(name="", class_code="")
LINES = 2  # to write on, below a task
_LINK, _ITEM = re.compile(r"\[([^\]]+)\]\([^)]*\)"), "</li>"


# ---- what a page is made of ------------------------------------------------------------------------------------------


def cells(lab: str) -> list[dict]:
    """Return the cells of a lab's notebook, id and source, in order; the working folder's own goes first.

    Raises
    ------
    GainlibError
        Where the notebook is gone.
    """
    for folder in (Path.cwd(), LABS):
        for path in sorted(folder.glob(f"{lab}-*.ipynb")):
            read = json.loads(path.read_text(encoding="utf-8"))["cells"]
            found = [{"id": each.get("id", "")[3:], "source": "".join(each["source"])} for each in read]
            if any(each["id"] == "takeaway-text" for each in found):  # another notebook may be called so
                return found
    raise GainlibError(f"lab {lab} has no notebook; restore the labs as they came")


def plan_text(lab: str) -> str:
    """Return the Markdown of a lab's lesson plan.

    Raises
    ------
    GainlibError
        Where there is none.
    """
    for folder in (Path.cwd(), LABS):
        path = folder / "plans" / f"{lab}.md"
        if path.is_file():
            return path.read_text(encoding="utf-8")
    raise GainlibError(f"lab {lab} has no lesson plan; write one in labs/plans/{lab}.md")


def _html(markdown):
    """Return Markdown as HTML for paper, where a link leads nowhere."""
    return Markup(html_of(_LINK.sub(r"\1", markdown)))


def _inline(markdown):
    """Return a line of Markdown as HTML without the paragraph around it."""
    return Markup(re.sub(r"^<p>(.*)</p>\s*$", r"\1", html_of(one_line(markdown))))


# ---- the hand-out ----------------------------------------------------------------------------------------------------


def handout(lab: str, learner=NOBODY, said: str = "") -> str:
    """Return a lab's hand-out.

    Parameters
    ----------
    lab : str
        "05".
    learner : object
        Whose page it is, with ``name`` and ``class_code``; nobody's has lines for them, and desks drawn for nobody.
    said : str
        What else stands beside the name, such as points.

    Returns
    -------
    str
        HTML.
    """
    found = cells(lab)
    by_id = {each["id"]: each["source"] for each in found}
    tasks = []
    for each in found:
        panel = re.fullmatch(r'lab\.panel\("(\w+)"\)', each["source"].strip())
        if panel is None and each["id"].startswith("panel"):
            tasks.append([each["source"], []])
        elif panel is not None and tasks:
            tasks[-1][1] += _pictures(lab, panel[1], learner)
        elif panel is not None:
            tasks.append(["", _pictures(lab, panel[1], learner)])
    question, *choices = _asked(by_id.get("predict", ""))
    page = declared(lab)
    return _rendered(
        "handout.html", lab=lab, page=page, learner=learner, said=said, cells=by_id, question=question, choices=choices,
        tasks=tasks, lines=_lines, worked=Markup(in_full(page.worked)) if page.worked else "",
    )  # fmt: skip


def _asked(source):
    """Return question and choices of a lab's prediction, as its cell has them."""
    call = ast.parse(source).body
    return [ast.literal_eval(each) for each in call[0].value.args] if call else [""]


def _lines(markdown):
    """Return tasks as HTML with lines to write on below each."""
    return Markup(str(_html(markdown)).replace(_ITEM, '<span class="line"></span>' * LINES + _ITEM))


def _pictures(lab, name, learner):
    """Return the first picture of a panel, if any: address of the image, title, what it shows, what can be moved."""
    page = declared(lab)
    if name in page.experiments:
        experiment = page.experiments[name]()
    elif name in page.personal:
        experiment = page.personal[name](drawn_for(learner, lab))
    else:
        return []
    picture = next(each for each in experiment.pictures if isinstance(each, Picture) and not each.after_prediction)
    address, words = _drawn(picture, experiment)
    drawn = "; each learner has another one" if name in page.personal and learner is NOBODY else ""
    return [(address, picture.title, f"as the desk begins{drawn}. {words}", list(_movable(experiment)))]


def _drawn(picture, experiment):
    """Return a picture of the experiment as it begins: address of the image, and what it shows in words."""
    run = experiment.at(experiment.start)
    if experiment.later is not None and any(plot.read(run) is None for plot in picture.plots.values()):
        run.front = picture.title
        run.found = experiment.later.work(run, lambda *_: None)
    fig, pairs = laid_out(picture)
    for plot, drawing in pairs:
        read = plot.read(run)
        if read is not None:
            drawing.update(*read)
    content = io.BytesIO()
    fig.savefig(content, format="svg", metadata={"Date": None, "Creator": None})
    words = " ".join(drawing.sentence() for _, drawing in pairs)
    return f"data:image/svg+xml;base64,{base64.b64encode(content.getvalue()).decode()}", words


def _movable(experiment: Experiment):
    """Yield label and range of every control that is there as the experiment begins."""
    for control in experiment.controls:
        if isinstance(control, Mixer | Trims):
            yield control.label, ", ".join(control.names)
        elif isinstance(control, Slider) and control.shown(experiment.start):
            ends = quantity(control.low), quantity(control.high, control.unit)
            yield control.label, f"{ends[0]} to {ends[1]}, at {quantity(control.start, control.unit)}"
        elif isinstance(control, Choice):
            yield control.label, "; ".join(map(str, control.options.values()))


# ---- answer sheets, and key ------------------------------------------------------------------------------------------


def answer_sheets(lab: str, sheets: Sequence[Mapping]) -> str:
    """Return a class's answer sheets: for each learner the questions with their numbers, and room for the answers.

    Parameters
    ----------
    lab : str
        "05".
    sheets : sequence of mapping
        A learner each: ``learner``, ``class_code``, ``numbers`` (which), and ``exercises``: by id its ``given``.

    Returns
    -------
    str
        HTML.
    """
    return _rendered(
        "answers.html", lab=lab, page=declared(lab), sheets=sheets, own=_own(lab), table=_controls, cells=_cells
    )


def key(lab: str, sheets: Sequence[Mapping]) -> str:
    """Return a class's key: for each exercise every learner's numbers and right answers.

    Parameters
    ----------
    lab : str
        "05".
    sheets : sequence of mapping
        As for :func:`answer_sheets`; every exercise has its ``answers`` as well.

    Returns
    -------
    str
        HTML.
    """
    return _rendered(
        "key.html", lab=lab, page=declared(lab), sheets=sheets, own=_own(lab), symbols=_symbols, numbers=_numbers
    )  # fmt: skip


def _own(lab):
    return [each for each in bank() if each.lab == lab]


def _controls(part: Part, given: dict) -> dict[str, dict[str, Control]] | None:
    """Return the controls of a part by what they belong to and by name; None where there are none."""
    found: dict = {}
    for control in part.controls_for(given):
        found.setdefault(control.target, {})[in_words(control.name)] = control
    return found or None


def _cells(given: dict) -> list[str]:
    """Return what is asked for of a session's sheet, in words."""
    return [label(cell) for cell in given.get("cells", ())]


@cache
def _fields(template: str) -> tuple[tuple[str, str], ...]:
    """Return every field of a template once: its name, and the field as it is written."""
    pieces = Formatter().parse(template)
    return tuple({name: f"{{{name}{':' if form else ''}{form}}}" for _, name, form, _ in pieces if name}.items())


def _symbols(exercise: Exercise) -> Markup:
    """Return a question with a symbol for every number that is drawn."""
    text = re.sub(r"\{(\w+)(?:\[(\w+)\])?(?::[^}]*)?\}", lambda hit: f"*{hit[1]}{hit[2] or ''}*", exercise.statement)
    return _html(text)


def _numbers(exercise: Exercise, given: dict) -> list[tuple[str, str]]:
    """Return symbol and number of everything in the question that is drawn."""
    return [(re.sub(r"\W", "", name), fill(field, given)) for name, field in _fields(exercise.statement)]


# ---- the lesson plan -------------------------------------------------------------------------------------------------


def lesson_plan(lab: str) -> str:
    """Return a lab's lesson plan, one page."""
    return _rendered("plan.html", lab=lab, page=declared(lab), text=plan_text(lab), own=_own(lab))


# ---- writing ---------------------------------------------------------------------------------------------------------


def _rendered(template, **values):
    pages = templates("gainlib.notebook")
    pages.filters |= {"markdown": _html, "inline": _inline}
    return pages.get_template(template).render(**values)


def write(folder: Path, lab: str, sheets: Sequence[Mapping]) -> Iterator[str | GainlibError]:
    """Write all pages of a lab; yield the name of each, or why there is none.

    Without a learner there are neither answer sheets nor key.
    """
    pages = {"page": lambda: handout(lab), "plan": lambda: lesson_plan(lab)}
    if sheets:
        pages |= {"answers": lambda: answer_sheets(lab, sheets), "key": lambda: key(lab, sheets)}
    for kind, text in pages.items():
        path = folder / f"lab-{lab}-{kind}.html"
        try:
            write_whole(path, text())
            yield path.name
        except GainlibError as problem:
            yield problem


def main() -> int:
    """Write the pages of the labs on standard input, as JSON; a name for each page goes to standard output."""
    failed = 0
    for lab, sheets in json.load(sys.stdin).items():
        for told in write(Path(sys.argv[1]), lab, sheets):
            bad = isinstance(told, GainlibError)
            print(told, file=sys.stderr if bad else sys.stdout, flush=True)
            failed |= bad
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
