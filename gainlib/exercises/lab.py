"""What a lab declares besides its notebook: heading, exercises, experiments, and what a prediction is compared with."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from gainlib.exercises.drawn import Drawn
from gainlib.exercises.experiment import Experiment
from gainlib.exercises.model import Exercise
from gainlib.exercises.set_and_measure import SetAndMeasure
from gainlib.exercises.worked import Worked
from gainlib.words import Table


@dataclass(frozen=True)
class Lab:
    """One lab.

    Parameters
    ----------
    title, question : str
        What it is about, and the one question it answers.
    minutes : int
        Working alone.
    lessons : str
        In a class.
    exercises : tuple of Exercise
        In order.
    experiments : mapping of str to callable
        ``experiments[name]()`` returns the experiment of that panel.
    personal : mapping of str to callable
        ``personal[name](rng)`` returns the experiment of a panel that is drawn for each learner.
    tasks : mapping of str to SetAndMeasure, Drawn or callable
        What an exercise is answered from or read from, by its id; ``task(given)`` returns an experiment that is just
        looked at.
    compare : callable or None
        ``compare()`` returns what the prediction is compared with: outcome, sentence, table.
    worked : Worked or None
        The worked example before the exercises.
    """

    title: str
    question: str
    minutes: int
    lessons: str
    exercises: tuple[Exercise, ...]
    experiments: Mapping[str, Callable[[], Experiment]] = field(default_factory=dict)
    personal: Mapping[str, Callable[[np.random.Generator], Experiment]] = field(default_factory=dict)
    tasks: Mapping[str, SetAndMeasure | Drawn | Callable[[dict], Experiment]] = field(default_factory=dict)
    compare: Callable[[], tuple[str, str, Table]] | None = None
    worked: Worked | None = None
