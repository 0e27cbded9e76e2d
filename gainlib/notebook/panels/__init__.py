"""The panels of the labs.

A lab that :mod:`gainlib.labs` declares needs nothing here: its experiments and tasks are shown on a desk. A module
``labNN`` here adds what no desk shows, such as blind tests; it holds any of

``panel(name, learner)``
    The panel of that name for the notebook, None for one that is declared; their names stand in ``PANELS``.
``exercise_panel(exercise, given, learner)``
    The panel an exercise is answered from or read from, None for one that is declared or needs none.
"""

import importlib
import importlib.util

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.bank import declared, lab_numbers
from gainlib.exercises.variants import seed_for


class DeclaredLab:
    """What a notebook shows of a lab that is declared.

    Parameters
    ----------
    number : str
        Of the lab.
    more : module or None
        What it has besides.
    """

    def __init__(self, number: str, more=None):
        self.number, self.PAGE, self._more = number, declared(number), more
        self.GRADES = getattr(more, "GRADES", ())

    def panel(self, name: str, learner):
        """Return the panel of that name."""
        own = self._more.panel(name, learner) if hasattr(self._more, "panel") else None
        if own is not None:
            return own
        from gainlib.notebook.desk import Desk

        place = place_of(learner, f"panel {name}")
        if name in self.PAGE.personal:
            return Desk(self.PAGE.personal[name](drawn_for(learner, self.number)), place=place)
        if name not in self.PAGE.experiments:
            own = getattr(self._more, "PANELS", ())
            known = ", ".join(map(repr, (*own, *self.PAGE.experiments, *self.PAGE.personal)))
            raise GainlibError(f"lab {self.number} has no panel {name!r}; it has {known}")
        if learner is None:
            return Desk(self.PAGE.experiments[name]())
        desk = Desk(self.PAGE.experiments[name](), place=place, locked=lambda: learner.locked)
        learner.watch(desk.guarded(lambda what, *_: desk.renew() if what in ("prediction", "learner") else None))
        return desk

    def exercise_panel(self, exercise, given: dict, learner):
        """Return the panel an exercise is answered from or read from, or None."""
        own = self._more.exercise_panel(exercise, given, learner) if hasattr(self._more, "exercise_panel") else None
        task = self.PAGE.tasks.get(exercise.id)
        if own is not None or task is None:
            return own
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

    The session of a series is the same in every edition.

    None for somebody whose doings are not kept.
    """
    kept = getattr(learner, "kept", None)
    if kept is None:
        return None
    if exercise is None:
        return kept.place(what)
    edition = "" if exercise.edition == 1 or exercise.series else f" edition {exercise.edition}"
    return kept.place(f"{exercise.id}{edition} {learner.attempt(exercise)} {what}")


def drawn_for(learner, number: str) -> np.random.Generator:
    """Return what the panels of a lab are drawn with for a learner."""
    return np.random.Generator(np.random.PCG64(seed_for(learner.name, f"{number} panel", 0, learner.class_code)))


def lab_module(lab: str):
    """Return what shows a lab: its declaration, or the module here that has its panels.

    Raises
    ------
    GainlibError
        For a lab that has none.
    """
    name = f"{__name__}.lab{lab}"
    here = str(lab).isdigit() and importlib.util.find_spec(name) is not None
    if str(lab) in lab_numbers():
        return DeclaredLab(str(lab), importlib.import_module(name) if here else None)
    if not here:
        raise GainlibError(f"there is no lab {lab!r}; a lab is called by its number, as in Lab('05')")
    return importlib.import_module(name)
