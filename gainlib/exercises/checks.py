"""What is measured on what a learner did, and the band it has to fall in."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

from gainlib.exercises.model import Judgement, Part
from gainlib.exercises.text import difference_unit, sentences
from gainlib.levels.printing import number, quantity

Band = tuple[float | None, float | None]


@dataclass(frozen=True)
class Measured:
    """A measured value with the words for what it was measured on, where that is found by measuring.

    Attributes
    ----------
    value : float or None
        In the unit of the check; None where nothing could be measured.
    subject : str
        What it was measured on, for the sentence.
    """

    value: float | None
    subject: str


@dataclass(frozen=True)
class Check:
    """One thing measured on what the learner did.

    Parameters
    ----------
    name : str
        What is measured, as it starts the feedback: "bus".
    measure : callable
        ``measure(answer, given)``, pure; returns a number, `Measured`, or None where there is nothing to measure.
    band : (low, high) or callable
        Limits that count as right, ``None`` for an open side; ``band(given)`` where they are drawn.
    unit : str
        Unit of the value.
    decimals : int
        Decimals shown; more are added when rounding would hide on which side of a limit the value is.
    too_high, too_low : str
        The words for either side.
    points : float or None
        Points of this check alone; None in all checks of a part makes the part all or nothing.
    needs : tuple of str
        Names of the checks without which this one earns nothing, where leaving all as found would pass it.
    """

    name: str
    measure: Callable[[Any, dict], float | Measured | None]
    band: Band | Callable[[dict], Band]
    unit: str = "dB"
    decimals: int = 1
    too_high: str = "too high"
    too_low: str = "too low"
    points: float | None = None
    needs: tuple[str, ...] = ()

    def limits(self, given: dict) -> tuple[float, float]:
        """Return the band with open sides as infinities."""
        low, high = self.band(given) if callable(self.band) else self.band
        return (-math.inf if low is None else low), (math.inf if high is None else high)

    def in_words(self) -> str:
        """Return name and band, "bus −7.0 to −6.0 dBTP"."""
        wanted = "as drawn" if callable(self.band) else self._wanted(*self.limits({}), self.decimals)
        return f"{self.name} {wanted}".strip()

    def run(self, answer: Any, given: dict) -> tuple[bool, str]:
        """Return whether the check is passed, and what was measured, how far it is off and what to aim for."""
        found = self.measure(answer, given)
        value, subject = (found.value, found.subject) if isinstance(found, Measured) else (found, self.name)
        low, high = self.limits(given)
        if value is None:
            return False, f"{subject}: there is nothing to measure; aim for {self._wanted(low, high, self.decimals)}"
        decimals, wanted = self._decimals(value, low, high), self._wanted(low, high, self.decimals)
        said = f"{subject}: {quantity(value, self.unit, decimals)} is"
        if low <= value <= high:
            return True, f"{said} right ({wanted})"
        off, way = (value - high, self.too_high) if value > high else (low - value, self.too_low)
        told = math.isfinite(off) and off != abs(value)
        by = f"{quantity(off, difference_unit(self.unit), decimals)} " if told else ""
        return False, f"{said} {by}{way}; aim for {wanted}"

    def _wanted(self, low, high, decimals):
        if math.isinf(low):
            return f"at most {quantity(high, self.unit, decimals)}"
        if math.isinf(high):
            return f"at least {quantity(low, self.unit, decimals)}"
        if low == high:
            return quantity(low, self.unit, decimals)
        return f"{number(low, decimals)} to {quantity(high, self.unit, decimals)}"

    def _decimals(self, value, low, high):
        """Return decimals at which a value outside the band does not round to the limit it misses."""
        for decimals in range(self.decimals, self.decimals + 5):
            shown = round(value, decimals)
            if low <= value <= high or shown < low or shown > high:
                return decimals
        return decimals


@dataclass(frozen=True)
class Checked(Part):
    """A part judged by checks on what was performed.

    Parameters
    ----------
    checks : tuple of Check
        What is measured. Without points of their own all must pass; with points each counts for itself.
    """

    checks: tuple[Check, ...] = ()
    keyed: ClassVar[bool] = False

    @property
    def band(self) -> str:
        """What is measured and wanted, as far as it is the same in every variant."""
        return "; ".join(check.in_words() for check in self.checks)

    def judge(self, value: Any, key: Any, given: dict, values: list) -> Judgement:
        """Return the sentence of every check that is not passed, or of all where all are."""
        results = [(check, *check.run(value, given)) for check in self.checks]
        told = [said for _, passed, said in results if not passed] or [said for _, _, said in results]
        met = {check.name for check, passed, _ in results if passed}
        earned = sum(check.points or 0.0 for check in self.checks if {check.name, *check.needs} <= met)
        most = sum(check.points or 0.0 for check in self.checks)
        passed_all = all(passed for _, passed, _ in results)
        share = 1.0 if passed_all else earned / most if most else 0.0
        return Judgement(share, sentences(told))
