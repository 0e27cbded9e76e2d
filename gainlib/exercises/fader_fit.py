"""Parts about a fader that was measured: the law laid through its points, and what follows from that law.

The points are those of the variant, or a learner's own: millimetres from the bottom and dB, at least six of them with
a finite level. What is right is the fit of the points that were handed in.
"""

import math
import numbers
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

from gainlib.audio import GainlibError
from gainlib.exercises.model import Judgement, Part
from gainlib.exercises.parts import Number
from gainlib.exercises.practical import Control
from gainlib.exercises.text import Unreadable, as_table, describe, number, parse_number, shorten
from gainlib.session import LawFit, fit_law
from gainlib.session.fader import usable_points

LEAST_PAIRS, MOST_PAIRS = 6, 100
LAW, OWN = "law", "own"
_SILENT = ("-inf", "-∞", "-infinity", "silent")
_EXAMPLE = '{"law": {"exponent": 3.5, "unity_mm": 80}}'


@dataclass(frozen=True)
class LaidLaw(Part):
    """A power law of travel laid through measured points by hand.

    The answer is ``{"law": {"exponent": k, "unity_mm": x0}}``, with ``"own": {"mm": […], "db": […]}`` beside it where
    the learner measured a fader of their own. Both numbers have to come near those of the least-squares fit.

    Parameters
    ----------
    relative : float
        How near each number has to be, as a share of the fitted one.
    points_of : callable
        ``points_of(given)`` returns the variant's points as (positions in mm, levels in dB).
    ranges : tuple of Control
        The two controls of the law, with start and range.
    """

    relative: float = 0.05
    points_of: Callable[[dict], tuple[list, list]] = lambda given: ([], [])
    ranges: tuple[Control, ...] = ()
    kind: ClassVar[str] = "state"

    @property
    def band(self) -> str:
        """How near both numbers have to be."""
        return f"± {100 * self.relative:g} % of the least-squares fit"

    def controls_for(self, given: dict) -> tuple[Control, ...]:
        """Return the two numbers of the law."""
        return self.ranges

    def fit(self, value: dict | None, given: dict) -> LawFit:
        """Return the fit of the learner's own points, or of the variant's."""
        own = (value or {}).get(OWN)
        return fit_law(*((own["mm"], own["db"]) if own else self.points_of(given)))

    def read(self, answer: Any, given: dict) -> dict:
        """Return the law, and the own points where there are any, −∞ as a number."""
        wanted = f"the law as in {_EXAMPLE}"
        answer = as_table(answer, wanted)
        if not isinstance(answer.get(LAW), dict) or set(answer) - {LAW, OWN}:
            raise Unreadable(f"{describe(answer)} cannot be read; give {wanted}.")
        law = {control.name: self._number(answer[LAW], control) for control in self.ranges}
        unknown = set(answer[LAW]) - set(law)
        if unknown:
            raise Unreadable(f"The law has no “{shorten(min(unknown, key=str))}”; it has {' and '.join(law)}.")
        return {LAW: law, OWN: read_points(answer[OWN])} if answer.get(OWN) else {LAW: law}

    @staticmethod
    def _number(law, control):
        value = parse_number(law.get(control.name, control.start), control.unit)
        if not control.low <= value <= control.high:
            raise Unreadable(
                f"The {control.name} is set to {value:g}, but it goes from {control.low:g} to {control.high:g}."
            )
        return value

    def judge(self, value: dict, key: dict, given: dict, values: list) -> Judgement:
        """Return how far each of the two numbers is off."""
        fit = self.fit(value, given)
        said = [
            Number(control.name, control.unit, relative=self.relative).judge(
                value[LAW][control.name], getattr(fit, control.name), given, values
            )
            for control in self.ranges
        ]
        words = "; ".join(
            f"{control.target} {judged.feedback}" for control, judged in zip(self.ranges, said, strict=True)
        )
        return Judgement(float(all(judged.share >= 1 for judged in said)), words)

    def named(self, value: Any) -> bool:
        """Whether feedback on a wrong law named the right one: it always did."""
        return True

    def remark(self, value: dict) -> str:
        """Return that the points were the learner's own, which nobody can check, with the first and the last."""
        if OWN not in value:
            return ""
        points = [f"{number(mm)} mm {number(db)} dB" for mm, db in zip(*value[OWN].values(), strict=True)]
        return f"through {len(points)} points of the learner's own, {points[0]} to {points[-1]}, not checked"

    def distance(self, first: dict, second: dict, key: dict, given: dict) -> float:
        """Return how far two laws are apart, in tolerances of the number in which they differ more."""
        fit = self.fit(None, given)
        return max(
            abs(first[LAW][control.name] - second[LAW][control.name]) / (self.relative * getattr(fit, control.name))
            for control in self.ranges
        )

    def show(self, value: dict, given: dict) -> str:
        """Return the two numbers."""
        return ", ".join(f"{control.target} = {value[LAW][control.name]:.2f}" for control in self.ranges)


@dataclass(frozen=True)
class FromLaw(Number):
    """A number that follows from the law through the points handed in with another part.

    ``follows(values, given)`` returns the right one, or None where the one from the variant holds.
    """

    follows: Callable[[list, dict], float | None] = lambda values, given: None

    def judge(self, value: float, key: float, given: dict, values: list) -> Judgement:
        """Return measured, wanted, distance."""
        follows = self.follows(values, given)
        return super().judge(value, key if follows is None else follows, given, values)


def read_points(own: Any) -> dict:
    """Return a learner's own points, −∞ as a number: ``{"mm": […], "db": […]}``, or text one pair a line.

    Refused is anything else, fewer than six finite levels, and points that no law goes through.
    """
    if isinstance(own, str):
        own = points_from_text(own)
    if not isinstance(own, dict) or not all(isinstance(own.get(name), (list, tuple)) for name in ("mm", "db")):
        raise Unreadable(f"{describe(own)} cannot be read; give your points as two lists, mm and dB.")
    mm, db = list(own["mm"]), list(own["db"])
    if len(mm) != len(db):
        raise Unreadable(f"Give one level for each position; you gave {len(mm)} positions and {len(db)} levels.")
    if len(mm) > MOST_PAIRS:
        raise Unreadable(f"Give at most {MOST_PAIRS} points; you gave {len(mm)}.")
    points = {"mm": [parse_number(each, "mm") for each in mm], "db": [_level(each) for each in db]}
    try:
        finite = len(usable_points(points["mm"], points["db"])[0])
        if finite < LEAST_PAIRS:
            raise Unreadable(f"Give at least {LEAST_PAIRS} points with a finite level; you gave {finite}.")
        fit_law(points["mm"], points["db"])
    except GainlibError as problem:
        raise Unreadable(f"No law goes through these points: {problem}.") from None
    return points


def points_from_text(text: str) -> dict:
    r"""Return points typed one a line: the position in mm, a space, the gain in dB; a comma is a decimal sign.

    Examples
    --------
    >>> points_from_text("0 −∞\n12,5 −40.5 dB")
    {'mm': [0.0, 12.5], 'db': ['-inf', -40.5]}
    """
    points: dict = {"mm": [], "db": []}
    for count, line in enumerate(text.splitlines(), 1):
        words = line.replace("mm", " ").replace(";", " ").split(maxsplit=1)
        if not words:
            continue
        try:
            mm, level = parse_number(words[0], "mm"), _level(words[1] if len(words) > 1 else "")
        except Unreadable:
            raise Unreadable(
                f"Line {count}, “{shorten(line)}”, is not a position in mm and a gain in dB, as in “40 −21.5”."
            ) from None
        points["mm"].append(mm)
        points["db"].append("-inf" if level == -math.inf else level)
    return points


def points_as_text(positions_mm, levels_db) -> str:
    r"""Return points as :func:`points_from_text` reads them, one a line; a level may be −∞ or "-inf".

    Examples
    --------
    >>> points_as_text([0, 40], ["-inf", -21.5])
    '0 −∞\n40 −21.5'
    """
    levels = (number(-math.inf if level in _SILENT else level) for level in levels_db)
    return "\n".join(f"{number(mm)} {level}" for mm, level in zip(positions_mm, levels, strict=True))


def _level(entry):
    if isinstance(entry, str) and entry.strip().replace("\u2212", "-").casefold() in _SILENT:
        return -math.inf
    if isinstance(entry, numbers.Real) and entry == -math.inf:
        return -math.inf
    return parse_number(entry, "dB")
