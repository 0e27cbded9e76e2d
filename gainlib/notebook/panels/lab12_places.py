"""Where everything stands in the session of the capstone: one state for the panel and for all tasks.

No widget here. Whoever shows a control sets it here and is told of what others set.
"""

import copy
from collections.abc import Callable
from weakref import WeakKeyDictionary

from gainlib.exercises.capstone import assignment

FIRST = "12-1"
_ALL: WeakKeyDictionary = WeakKeyDictionary()


class Places:
    """The controls of the session on a desk.

    Parameters
    ----------
    learner : gainlib.notebook.learner.LearnerSession
        Whose session it is.

    Attributes
    ----------
    given : dict
        Values of the first task; its session is that of all.
    found, values : dict
        Where the controls were found and where they stand, ``{target: {control: value}}``.
    """

    def __init__(self, learner):
        self.learner, self._watchers = learner, []
        self.given: dict = {}
        self._load()
        learner.watch(self._told)

    @property
    def seed(self) -> int:
        """Number of the session."""
        return self.given["seed"]

    def watch(self, watcher: Callable[[str], None]) -> None:
        """Call ``watcher(what)`` after every change; `what` is "session", "all" or the name of a strip or group."""
        self._watchers.append(watcher)

    def follow(self) -> None:
        """Take up the session that is on the desk now, if it is another one."""
        if self.learner.given(self.learner.exercise(FIRST))["seed"] != self.seed:
            self._load()
            self._tell("session")

    def set(self, target: str, fields: dict) -> None:
        """Put some controls of a strip or group in place."""
        if any(self.values[target][name] != value for name, value in fields.items()):
            self.values[target].update(fields)
            self._tell(target)

    def replace(self, values: dict) -> None:
        """Put all controls in place."""
        if values != self.values:
            self.values = copy.deepcopy(values)
            self._tell("all")

    def answer(self) -> dict | None:
        """Return where everything stands as an answer, or None while nothing was moved."""
        return None if self.values == self.found else copy.deepcopy(self.values)

    @property
    def moved(self) -> int:
        """How many controls do not stand where they were found."""
        return sum(
            value != self.found[target][name]
            for target, fields in self.values.items()
            for name, value in fields.items()
        )

    def latest(self) -> dict | None:
        """Return the controls in the answer given last to any task, for the session on the desk."""
        answers = [
            (event["time"], event["answer"])
            for each in self.learner.series(self.learner.exercise(FIRST))
            for event in self.learner.answers(each)
        ]
        for _, answer in sorted(answers, key=lambda pair: pair[0], reverse=True):
            placed = self.readable(answer)
            if placed is not None:
                return placed
        return None

    def readable(self, answer) -> dict | None:
        """Return the controls of an answer with all others as found, or None where it holds none that can be read."""
        controls = answer.get("controls", answer) if isinstance(answer, dict) else None
        if not isinstance(controls, dict) or not controls or not set(controls) <= set(self.found):
            return None
        placed = copy.deepcopy(self.found)
        reach = {(each.target, each.name): each for each in assignment.controls(self.given)}
        for target, fields in controls.items():
            for name, value in fields.items() if isinstance(fields, dict) else ():
                control = reach.get((target, name))
                plain = isinstance(value, (int, float)) and not isinstance(value, bool)
                if control is None or not plain or not control.low <= value <= control.high:
                    return None
                placed[target][name] = float(value)
        return placed

    def _load(self):
        self.given = self.learner.given(self.learner.exercise(FIRST))
        self.found = assignment.as_found(self.given)
        self.values = self.latest() or copy.deepcopy(self.found)

    def _told(self, what, _exercise, _detail):
        if what in ("numbers", "learner"):
            self.follow()

    def _tell(self, what):
        for watcher in self._watchers:
            watcher(what)


def places_of(learner) -> Places:
    """Return the one state of a desk's session."""
    if learner not in _ALL:
        _ALL[learner] = Places(learner)
    _ALL[learner].follow()
    return _ALL[learner]
