"""The part that is answered by typing: a number."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

from gainlib.exercises.model import JUNK, Judgement, Part, Probes
from gainlib.exercises.text import decimals_for, difference_unit, parse_number
from gainlib.levels.printing import number, quantity

_ROUNDING = 1e-9


@dataclass(frozen=True)
class Number(Part):
    """A number within a tolerance of the right one.

    Parameters
    ----------
    tolerance : float
        Absolute, in the unit.
    relative : float
        As a share of the right value; the wider of the two holds. Probabilities use 0.02.
    aliases : tuple of str
        Other spellings of the unit that are taken.
    interval : callable or None
        ``interval(given)`` returns (low, high) where any value between is right; replaces the tolerance around the key.
    may_be_printed : bool
        True where the right value may stand among the printed ones by the nature of the question.
    shares : bool
        True where a share is asked for: "22.7 %" is read as 0.227.
    """

    tolerance: float = 0.0
    relative: float = 0.0
    aliases: tuple[str, ...] = ()
    interval: Callable[[dict], tuple[float, float]] | None = None
    may_be_printed: bool = False
    shares: bool = False
    kind: ClassVar[str] = "number"

    @property
    def band(self) -> str:
        """How near a right answer has to be, "± 0.1 dB"."""
        if self.interval is not None:
            return "any value of an interval"
        absolute = f"± {quantity(self.tolerance, difference_unit(self.unit))}" if self.tolerance else ""
        relative = f"± {number(100 * self.relative)} %" if self.relative else ""
        return " or ".join(text for text in (absolute, relative) if text) or "exact"

    def half_width(self, key: float) -> float:
        """Return the tolerance around a right value, in its unit."""
        return max(self.tolerance, self.relative * abs(key), _ROUNDING)

    def limits(self, key: float, given: dict) -> tuple[float, float]:
        """Return the lowest and the highest right value."""
        if self.interval is not None:
            return self.interval(given)
        return key - self.half_width(key), key + self.half_width(key)

    def read(self, answer: Any, given: dict) -> float:
        """Return the number; see :func:`gainlib.exercises.text.parse_number`."""
        if self.shares and isinstance(answer, str) and answer.rstrip().endswith(("%", "\uff05")):
            return parse_number(answer, "%") / 100.0
        return parse_number(answer, self.unit, self.aliases)

    def judge(self, value: float, key: float, given: dict, values: list) -> Judgement:
        """Return what was given, and whether it is right or in which direction it is off; never the right value."""
        low, high = self.limits(key, given)
        said = quantity(value, self.unit)
        if low - _ROUNDING <= value <= high + _ROUNDING:
            wanted = self._wanted(key, given, decimals_for(self.half_width(key)))
            return Judgement(1.0, f"{said} is right ({wanted})")
        return Judgement(0.0, f"{said} is too {'high' if value > high else 'low'}")

    def _wanted(self, key, given, decimals):
        if self.interval is not None:
            low, high = self.limits(key, given)
            return f"{number(low, decimals)} to {quantity(high, self.unit, decimals)}"
        value = quantity(key, self.unit, decimals)
        if self.relative * abs(key) > self.tolerance:
            return f"{value} ± {number(100 * self.relative)} %"
        return f"{number(key, decimals)} ± {quantity(self.tolerance, self.unit)}"

    def named(self, value: Any) -> bool:
        """Whether feedback on a wrong value named the right one: it always did."""
        return True

    def distance(self, first: float, second: float, key: float, given: dict) -> float:
        """Return the distance in tolerances at the right value."""
        low, high = self.limits(key, given)
        return abs(first - second) / max((high - low) / 2, _ROUNDING)

    def probes(self, key: float, given: dict) -> Probes:
        """Half a tolerance off is right, two are wrong; comma, true minus and unit are read."""
        low, high = self.limits(key, given)
        middle, half = (low + high) / 2, (high - low) / 2
        typed = quantity(middle, self.unit, 9).replace(".", ",")
        return Probes(
            right=(middle, middle - half / 2, middle + half / 2, typed, f" {middle!r} "),
            wrong=(middle - 2 * half, middle + 2 * half),
            invalid=(*JUNK, "3 parsecs", "1,000.5", math.inf, 10**400),
        )

    def show(self, value: float, given: dict) -> str:
        """Return the number with its unit."""
        return quantity(value, self.unit, decimals_for(self.half_width(value)))
