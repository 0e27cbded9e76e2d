"""The panels of the labs, and the steps of the bench.

A lab that :mod:`gainlib.labs` declares needs nothing here: its experiments and tasks are shown on a desk. What no desk
shows, such as blind tests, is in a module here that ``MORE`` names for the lab, and that has

``PANELS``
    What makes a panel, by lab and name: ``make(learner)``.
``EXERCISES``
    What makes the panel that an exercise is answered from or read from: ``make(exercise, given, learner)``.
"""

import importlib

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.bank import declared, lab_numbers
from gainlib.exercises.variants import seed_for
from gainlib.notebook.kept import Kept

MORE = {"00": "listening", "04": "listening", "06": "lab06", "07": "listening", "12": "lab12"}


class LabPanels:
    """What a notebook shows of a lab.

    Parameters
    ----------
    number : str
        Of the lab.
    """

    def __init__(self, number: str):
        self.number, self.PAGE = number, declared(number)
        more = importlib.import_module(f"{__name__}.{MORE[number]}") if number in MORE else None
        self._panels, self._exercises = getattr(more, "PANELS", {}), getattr(more, "EXERCISES", {})
        self.GRADES = getattr(more, "GRADES", ())

    def panel(self, name: str, learner):
        """Return the panel of that name."""
        if (self.number, name) in self._panels:
            return self._panels[self.number, name](learner)
        from gainlib.notebook.desk import Desk

        place = place_of(learner, f"panel {name}")
        if name in self.PAGE.personal:
            return Desk(self.PAGE.personal[name](drawn_for(learner, self.number)), place=place)
        if name not in self.PAGE.experiments:
            own = [each for number, each in self._panels if number == self.number]
            known = ", ".join(map(repr, (*own, *self.PAGE.experiments, *self.PAGE.personal)))
            raise GainlibError(f"lab {self.number} has no panel {name!r}; it has {known}")
        if learner is None:
            return Desk(self.PAGE.experiments[name]())
        desk = Desk(self.PAGE.experiments[name](), place=place, locked=lambda: learner.locked)
        learner.watch(desk.guarded(lambda what, *_: desk.renew() if what in ("prediction", "learner") else None))
        return desk

    def exercise_panel(self, exercise, given: dict, learner):
        """Return the panel an exercise is answered from or read from, or None."""
        if exercise.id in self._exercises:
            return self._exercises[exercise.id](exercise, given, learner)
        task = self.PAGE.tasks.get(exercise.id)
        if task is None:
            return None
        from gainlib.notebook.desk import Desk, TaskDesk

        place = place_of(learner, "desk", exercise)
        if not hasattr(task, "of"):
            return Desk(task(given), place=place)
        if getattr(task, "experiment", task) is None:
            from gainlib.notebook.live import TableView

            return TableView(task.table(None, given))
        return TaskDesk(task, given, place)

    def compare(self):
        """Return what the prediction is compared with: outcome, sentence, table."""
        return self.PAGE.compare()


def place_of(learner, what: str, exercise=None):
    """Return the place where something of a learner is kept; of an exercise with the numbers it has now.

    The session of a series is the same in every edition. What nobody does is kept as long as the kernel lives.
    """
    kept = getattr(learner, "kept", None)
    if exercise is None or kept is None:
        return (kept or Kept()).place(what)
    edition = "" if exercise.edition == 1 or exercise.series else f" edition {exercise.edition}"
    return kept.place(f"{exercise.id}{edition} {learner.attempt(exercise)} {what}")


def drawn_for(learner, number: str) -> np.random.Generator:
    """Return what the panels of a lab are drawn with for a learner."""
    return np.random.Generator(np.random.PCG64(seed_for(learner.name, f"{number} panel", 0, learner.class_code)))


def lab_module(lab: str) -> LabPanels:
    """Return what shows a lab; one that there is not is refused."""
    if str(lab) not in lab_numbers():
        raise GainlibError(f"there is no lab {lab!r}; a lab is called by its number, as in Lab('05')")
    return LabPanels(str(lab))
