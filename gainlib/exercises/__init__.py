"""Exercises: declarations, marking, and the record of what a learner did. No screen is needed here.

:mod:`~gainlib.exercises.model` says what an exercise is and how an answer is written; ``bank()`` holds the exercises of
all labs; ``mark(exercise, given, answer)`` gives the verdict; :class:`Record` keeps the events, and
``tally(events, learner)`` counts points from them.
"""

from gainlib.exercises.bank import bank, exercise
from gainlib.exercises.listening import Abx, LevelMatch, NoListening, least_right, tail_probability, wilson_interval
from gainlib.exercises.marking import Verdict, hint_price, mark, score
from gainlib.exercises.model import Before, Exercise, Option, Slip
from gainlib.exercises.parts import Choice, Matching, Multi, Number, Order
from gainlib.exercises.practical import Aim, Control, Measured, State
from gainlib.exercises.record import Events, Record, read_events, records_folder
from gainlib.exercises.tally import ExerciseScore, Score, tally
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, either, grid, kept_by, one_of, pick, shuffled

__all__ = [
    "Abx",
    "Aim",
    "Before",
    "Choice",
    "Control",
    "Events",
    "Exercise",
    "ExerciseScore",
    "LevelMatch",
    "Matching",
    "Measured",
    "Multi",
    "NoListening",
    "Number",
    "Option",
    "Order",
    "Record",
    "Score",
    "Slip",
    "State",
    "Verdict",
    "bank",
    "draws",
    "either",
    "exercise",
    "fill",
    "grid",
    "hint_price",
    "kept_by",
    "least_right",
    "mark",
    "one_of",
    "pick",
    "read_events",
    "records_folder",
    "score",
    "shuffled",
    "tail_probability",
    "tally",
    "wilson_interval",
]
