"""Lab 12: what its notebook shows, what its prediction is compared with, and its page to take away."""

from gainlib.audio import GainlibError
from gainlib.notebook.panels.page import Page
from gainlib.words import Table, level_text, number_text

PAGE = Page(
    title="Capstone: stage the whole session",
    question="Can I hand over a session somebody else can mix at once?",
    minutes=120,
    lessons="three lessons of 45 minutes",
)

PASS_PERCENT, DISTINCTION_PERCENT = 70, 90
GRADES = ((DISTINCTION_PERCENT, "passed with distinction"), (PASS_PERCENT, "passed"))
EXACTLY, LESS, MORE = "by exactly 4 dB", "by less than 4 dB", "by more than 4 dB"
_EXACT_DB = 0.02
DRUMS_DB = -4.0


def panel(name: str, learner):
    """Return the lab's panel."""
    from gainlib.notebook.panels.lab12_desk import SessionDesk

    if name != "session":
        raise GainlibError(f"lab 12 has no panel {name!r}; it has 'session'")
    return SessionDesk(learner)


def exercise_panel(exercise, given: dict, learner):
    """Return what a task is answered with besides its fields, or None."""
    from gainlib.notebook.panels import lab12_tasks as tasks

    if exercise.id == "12-2":
        from gainlib.exercises.capstone import assignment
        from gainlib.notebook.panels.boxbench import BoxBench

        boxes = assignment.boxes(given).items()
        named = {f"{number} of {owner}": assignment.processor(given, name) for name, (owner, number) in boxes}
        return BoxBench(named)
    if exercise.id == "12-5":
        return tasks.Exporting(learner)
    if exercise.id == "12-6":
        return tasks.Cells(learner, given)
    return tasks.HandIn(learner) if exercise.id in ("12-3", "12-4") else None


def compare():
    """Return by how much the drums of the demo come down when their four strips do, ahead of their compressor.

    Returns
    -------
    outcome : str
        The choice that comes nearest.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.exercises.capstone import groupmove

    moved = groupmove.drums_moved(DRUMS_DB)
    off = moved.group_db - DRUMS_DB
    outcome = EXACTLY if abs(off) < _EXACT_DB else LESS if off > 0 else MORE
    sentence = (
        f"Four strips down by {number_text(-DRUMS_DB, 0)} dB, the drums at the bus by "
        f"**{number_text(-moved.group_db, 2)} dB**: their compressor takes off {number_text(moved.reduction_db, 2)} dB "
        f"instead of {number_text(moved.reduction_before_db, 2)} dB. That is another sound and another balance; moved "
        "behind the compressor, it is exact and nothing else changes."
    )
    rows = (
        (
            "at the four strips",
            level_text(moved.group_db, digits=2),
            level_text(moved.reduction_db, digits=2, sign=False),
        ),
        (
            "at the output of the group",
            level_text(DRUMS_DB, digits=2),
            level_text(moved.reduction_before_db, digits=2, sign=False),
        ),
    )
    return outcome, sentence, Table("The drums moved by −4 dB", ("where", "at the bus", "gain reduction"), rows)
