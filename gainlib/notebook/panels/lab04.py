"""Lab 04: two blind runs of rounds of gain against the original."""

from gainlib.exercises import rounds
from gainlib.exercises.clips import clip
from gainlib.exercises.variants import run_number
from gainlib.notebook.live import TableView
from gainlib.notebook.panels.blind import BlindRun, Listening
from gainlib.words import Table, level_text

ARITHMETICS = {rounds.FLOAT_RUN: ("order_1", "float32"), rounds.WORD_RUN: ("order_2", "16 bit")}


def exercise_panel(exercise, given: dict, learner):
    """Return the blind runs of 04-5, None for what stands on a desk."""
    return Listening({label: _run(given, *which) for label, which in ARITHMETICS.items()}) if _heard(exercise) else None


def _heard(exercise):
    return exercise.id == "04-5"


def _run(given, order, arithmetic):
    sounds = clip(given["clip"]), rounds.rounds_heard(given["clip"], arithmetic)
    note = f"Sound: {given['clip']}. A is the original, B came through the rounds. Press 1 for A, 2 for B, 3 for X."
    readings = TableView(_left(given, order, arithmetic))
    return BlindRun(lambda: sounds, given[order], runs=run_number(given), note=note, readings=readings)


def _left(given, order, arithmetic):
    """Return what subtracting X from the original leaves in every trial."""
    left = rounds.left_of_trials(given, order, arithmetic)
    rows = tuple((f"trial {k}", level_text(each, "dB")) for k, each in enumerate(left, start=1))
    return Table("What is left of A when you subtract X", ("trial", "A minus X, against A"), rows)
