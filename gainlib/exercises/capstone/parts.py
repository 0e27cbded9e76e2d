"""Parts of an exercise that are judged by a list of findings on a whole session."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

from gainlib.exercises.capstone import assignment
from gainlib.exercises.model import JUNK, Judgement, Part, Probes
from gainlib.exercises.practical import State
from gainlib.exercises.text import Unreadable, describe, shorten

MOST_TOLD = 4


@dataclass(frozen=True)
class Found:
    """One thing looked at.

    Attributes
    ----------
    passed : bool
        Whether it is as wanted.
    said : str
        Measured, wanted, distance.
    """

    passed: bool
    said: str


Look = Callable[[Any, dict], list[Found]]


@dataclass(frozen=True)
class Staging(State):
    """Controls of the whole session, all or nothing: right when everything that is looked at is as wanted.

    Parameters
    ----------
    look : callable
        ``look(answer, given)`` returns what was found.
    wanted : str
        What is wanted, in words.
    """

    look: Look = lambda answer, given: []
    wanted: str = ""

    @property
    def band(self) -> str:
        """What is wanted."""
        return self.wanted

    def judge(self, value: dict, key: Any, given: dict, values: list) -> Judgement:
        """Return what is not as wanted, the first few of it; or that all is."""
        found = self.look(value, given)
        failing = [each.said for each in found if not each.passed]
        if not failing:
            return Judgement(1.0, f"all {len(found)} measurements as wanted: {self.wanted}")
        return Judgement(0.0, told(failing))


def told(failing: list[str]) -> str:
    """Return the first few of many sentences, and how many more there are."""
    more = len(failing) - MOST_TOLD
    return "; ".join(failing[:MOST_TOLD]) + (f"; and {more} more" if more > 0 else "")


@dataclass(frozen=True)
class Beside(Part):
    """Controls of the whole session with something beside them: ``{"controls": {…}, name: …}``.

    What is beside them is judged by what the session measures with these controls in place. Controls left out stay
    where they were found.
    """

    name: ClassVar[str] = ""
    kind: ClassVar[str] = "state"
    keyed: ClassVar[bool] = False

    def controls_for(self, given: dict) -> tuple:
        """Return the controls a learner may move."""
        return assignment.controls(given)

    def read(self, answer: Any, given: dict) -> dict:
        """Return controls and what is beside them."""
        if isinstance(answer, str):
            try:
                answer = json.loads(answer)
            except ValueError:
                raise Unreadable(f"Expected the controls and the {self.name}, got “{shorten(answer)}”.") from None
        if not isinstance(answer, dict) or self.name not in answer:
            raise Unreadable(f"Expected the controls and the {self.name}, got {describe(answer)}.")
        unknown = [name for name in answer if name not in ("controls", self.name)]
        if unknown:
            raise Unreadable(f"Expected the controls and the {self.name}, got “{shorten(unknown[0])}” as well.")
        setting = State(controls=assignment.controls, from_session=assignment.compact)
        controls = setting.read(answer.get("controls") or {}, given)
        return {"controls": controls, self.name: self.read_more(answer[self.name], given)}

    def read_more(self, entry: Any, given: dict) -> Any:
        """Return what is beside the controls in one form."""
        raise NotImplementedError

    def invalid(self, key: dict) -> tuple:
        """Return answers that no part of this kind can read."""
        strange = {**key, "controls": {"no such strip": {"fader_db": 0.0}}}
        return (*JUNK, {"controls": key["controls"]}, strange, {**key, "more": 1})

    def probes(self, key: Any, given: dict) -> Probes:
        """The right one, and what cannot be read."""
        return Probes((key, json.dumps(key)), (), self.invalid(key))
