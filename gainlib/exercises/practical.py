"""Parts that are performed and then measured: controls set by hand.

The grader renders what the learner set and measures it; no position of a control is ever compared with a key. What is
measured, and the band it has to fall in, are :class:`~gainlib.exercises.checks.Check` declarations.
"""

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

from gainlib.exercises.checks import Checked
from gainlib.exercises.model import JUNK, Probes
from gainlib.exercises.text import Unreadable, describe, parse_number, shorten
from gainlib.levels.printing import number, quantity

_SAME_CONTROL = 0.01


@dataclass(frozen=True)
class Control:
    """One control a learner may move.

    Parameters
    ----------
    target : str
        What it belongs to: a strip's or group's name, "master", or a stage's name.
    name : str
        Field of the target: ``fader_db``, ``trim_db``, ``post_trim_db``, ``pan``, ``insert 1 in_db``, ``send cue
        level_db``, or a name of the exercise's own.
    start : float
        Where the exercise puts it.
    low, high : float
        Range; ``-inf`` as low lets the control be closed.
    unit : str
        Unit of the value.
    """

    target: str
    name: str
    start: float
    low: float
    high: float
    unit: str = "dB"

    @property
    def label(self) -> str:
        """Target and field in words, "kick fader"."""
        return f"{self.target} {in_words(self.name)}"


def in_words(name: str) -> str:
    """Return what a control is called on the page.

    Examples
    --------
    >>> in_words("post_trim_db"), in_words("insert 1 threshold_dbfs")
    ('output trim', 'insert 1 threshold dbfs')
    """
    return name.removesuffix("_db").replace("post_trim", "output_trim").replace("_", " ")


@dataclass(frozen=True)
class State(Checked):
    """Controls set by the learner; the outcome is rendered and measured.

    Parameters
    ----------
    controls : callable
        ``controls(given)`` returns the controls that may be moved.
    from_session : callable or None
        ``from_session(document, given)`` takes a whole session as JSON and returns the compact answer, or raises
        `Unreadable` when the session is another one; None where the part is not about a session.
    nudges : callable or None
        ``nudges(key, given)`` returns the `Probes` that the bands of this part call for.
    """

    controls: Callable[[dict], tuple[Control, ...]] = lambda given: ()
    from_session: Callable[[dict, dict], dict] | None = None
    nudges: Callable[[Any, dict], Probes] | None = None
    kind: ClassVar[str] = "state"

    def controls_for(self, given: dict) -> tuple[Control, ...]:
        """Return the controls a learner may move, with their starting values and ranges."""
        return tuple(self.controls(given))

    def read(self, answer: Any, given: dict) -> dict:
        """Return ``{target: {control: value}}`` with every control of the exercise in it."""
        document = self._document(answer)
        if self.from_session is not None and isinstance(document.get("strips"), list):
            document = self.from_session(document, given)
        controls = {(control.target, control.name): control for control in self.controls_for(given)}
        placed = {place: control.start for place, control in controls.items()}
        for target, fields in document.items():
            target = "master" if target == "bus" else target
            if not isinstance(fields, dict):
                raise Unreadable(f"Give the controls of “{shorten(target)}” as in {self._example(controls)}.")
            for name, value in fields.items():
                if (target, name) not in controls:
                    raise Unreadable(
                        f"“{shorten(target)}” has no control “{shorten(name)}” here; {self._named(controls)}."
                    )
                placed[target, name] = _setting(value, controls[target, name])
        result: dict = {}
        for (target, name), value in placed.items():
            result.setdefault(target, {})[name] = value
        return result

    def _document(self, answer):
        if isinstance(answer, str):
            try:
                answer = json.loads(answer)
            except ValueError:
                raise Unreadable(f"“{shorten(answer)}” cannot be read; give the controls as a table.") from None
        if not isinstance(answer, dict):
            raise Unreadable(f"{describe(answer)} cannot be read; give the controls as a table.")
        return answer

    @staticmethod
    def _example(controls):
        target, name = next(iter(controls))
        return f'{{"{target}": {{"{name}": −3.0}}}}'

    @staticmethod
    def _named(controls):
        listed = ", ".join(f"{target} {name}" for target, name in list(controls)[:4])
        return f"you can move {listed}{' and more' if len(controls) > 4 else ''}"

    def distance(self, first: dict, second: dict, key: dict, given: dict) -> float:
        """Return 0 where all controls stand in the same place, else infinity: positions are not what is marked."""
        moved = (
            abs(first[target][name] - value)
            for target, fields in second.items()
            for name, value in fields.items()
            if first[target][name] != value
        )
        return 0.0 if max(moved, default=0.0) <= _SAME_CONTROL else math.inf

    def probes(self, key: dict, given: dict) -> Probes:
        """The declared nudges, and what cannot be read."""
        own = self.nudges(key, given) if self.nudges else Probes(right=(key,))
        target, fields = next(iter(key.items()))
        name = next(iter(fields))
        beyond = next(
            control for control in self.controls_for(given) if (control.target, control.name) == (target, name)
        )
        bad = ({"no such strip": {name: 0.0}}, {target: {"no_such_control": 0.0}}, {target: {name: beyond.high + 1.0}})
        more = ({target: {name: True}}, {target: {name: "loud"}}, {target: 3.0})
        return Probes((key, json.dumps(key), *own.right), own.wrong, (*JUNK, *bad, *more, *own.invalid))

    def show(self, value: dict, given: dict) -> str:
        """Return one setting that is right; others may be as well."""
        placed = [
            f"{target} {in_words(name)} {number(setting, 2, signed=True)}"
            for target, fields in value.items()
            for name, setting in fields.items()
        ]
        return "for example " + ", ".join(placed)


def _setting(value, control):
    closed = isinstance(value, str) and value.strip().replace("\u2212", "-").casefold() in ("-inf", "-∞")
    if closed or value == -math.inf:
        if control.low == -math.inf:
            return -math.inf
        raise Unreadable(
            f"The {control.label} cannot be closed here; it goes down to {quantity(control.low, control.unit)}."
        )
    setting = parse_number(value, control.unit)
    if not control.low <= setting <= control.high:
        reach = f"{number(control.low)} to {quantity(control.high, control.unit, signed=True)}"
        raise Unreadable(f"The {control.label} is set to {quantity(setting, control.unit)}, but it goes from {reach}.")
    return setting
