"""Listening tests as parts: which of two, with the odds of guessing, and matching a level by ear.

The number of trials is fixed before the first one. A run counts when as many right picks would come from guessing
with a probability of at most 5 %; a repeated run has to be better, since the best of several guesses is a better guess
(Bonferroni's correction). A run that falls short shows nothing, and never proves that nothing was to be heard.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar

from gainlib.exercises.model import JUNK, Judgement, Part, Probes
from gainlib.exercises.text import Unreadable, describe, parse_number
from gainlib.exercises.variants import run_number
from gainlib.levels.printing import number, quantity

SIGNIFICANT = 0.05


def tail_probability(right: int, trials: int) -> float:
    """Return the probability of at least that many right picks of two by guessing: the tail of the binomial law.

    Parameters
    ----------
    right, trials : int
        Right picks, and trials in all.

    Returns
    -------
    float
        0 to 1.

    Examples
    --------
    >>> round(tail_probability(9, 10), 4), round(tail_probability(12, 16), 4)
    (0.0107, 0.0384)
    """
    return sum(math.comb(trials, count) for count in range(right, trials + 1)) / 2**trials


def least_right(trials: int, runs: int = 1) -> int:
    """Return the fewest right picks that guessing reaches with at most 5 %, over that many runs.

    Parameters
    ----------
    trials, runs : int
        Trials in a run, and runs in all: the probability is multiplied by them.

    Returns
    -------
    int
        More than `trials` where no count would do.

    Examples
    --------
    >>> least_right(10), least_right(16), least_right(16, runs=2)
    (9, 12, 13)
    """
    return next(k for k in range(trials + 2) if runs * tail_probability(k, trials) <= SIGNIFICANT)


def wilson_interval(right: int, trials: int, z: float = 1.959964) -> tuple[float, float]:
    """Return the interval of shares that a count allows, 95 % by default.

    Wilson, Journal of the American Statistical Association 22 (1927), p. 209.

    Parameters
    ----------
    right, trials : int
        The count, and what it is out of.
    z : float
        Width in standard deviations.

    Returns
    -------
    low, high : float
        Shares, 0 to 1.

    Examples
    --------
    >>> tuple(round(share, 3) for share in wilson_interval(10, 16))
    (0.386, 0.815)
    """
    share = right / trials
    spread = z * math.sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials))
    middle = share + z * z / (2 * trials)
    scale = 1 + z * z / trials
    return (middle - spread) / scale, (middle + spread) / scale


@dataclass(frozen=True)
class NoListening:
    """The way to the same points without listening: another part, and its right answer.

    Parameters
    ----------
    part : Part
        What is asked for instead.
    solve : callable
        ``solve(given)`` returns its right answer.
    """

    part: Part
    solve: Callable[[dict], Any]


@dataclass(frozen=True)
class _Trials(Part):
    """A part of several trials, fixed in number.

    Parameters
    ----------
    trials : int
        How many.
    silent : NoListening or None
        What is asked of someone who cannot listen.
    """

    trials: int = 16
    silent: NoListening | None = None
    kind: ClassVar[str] = "listening"

    @property
    def band(self) -> str:
        """What counts as right by ear, and from the readings where there is that way."""
        readings = f"; from the readings: {self.silent.part.band}" if self.silent else ""
        return f"{self._by_ear()}{readings}"

    def trials_for(self, given: dict) -> int:
        """Return the number of trials."""
        return self.trials

    def read(self, answer: Any, given: dict) -> Any:
        """Return the trials' entries, or ``{"silent": value}``."""
        if self.silent is not None and isinstance(answer, dict) and set(answer) == {"silent"}:
            return {"silent": self.silent.part.read(answer["silent"], given)}
        if not isinstance(answer, (list, tuple)):
            raise Unreadable(f"{describe(answer)} cannot be read; give a list of {self.trials} trials.")
        if len(answer) != self.trials:
            raise Unreadable(
                f"Complete all {self.trials} trials; you have done {len(answer)}, and the number is fixed beforehand."
            )
        return tuple(self._entry(entry, given) for entry in answer)

    def judge(self, value: Any, key: Any, given: dict, values: list) -> Judgement:
        """Judge the trials, or the silent part in their place."""
        if isinstance(value, dict):
            part = self.silent.part
            return part.judge(value["silent"], part.read(self.silent.solve(given), given), given, values)
        return self._judge(value, key, given)

    def named(self, value: Any) -> bool:
        """Whether feedback on a wrong value named the right one: without listening, where a number is asked."""
        return isinstance(value, dict) and self.silent.part.named(value["silent"])

    def probes(self, key: Any, given: dict) -> Probes:
        """The right trials and the silent way are right; too few trials are invalid."""
        silent = ({"silent": self.silent.solve(given)},) if self.silent else ()
        return Probes((list(key), *silent), self._wrong(key), (*JUNK, list(key[:-1]), [*key, key[0]]))

    def _by_ear(self):
        raise NotImplementedError

    def _entry(self, entry, given):
        raise NotImplementedError

    def _judge(self, value, key, given):
        raise NotImplementedError

    def _wrong(self, key):
        return ()


@dataclass(frozen=True)
class Abx(_Trials):
    """Is X the same as A or as B? A pick a trial; the right picks are the key.

    Every set of numbers is a run: ``attempt`` 0 is the first, and later ones have to be better.

    Parameters
    ----------
    must_show : bool
        True asks for a run that guessing would not reach; False only for a complete one, as in a sham run.
    """

    must_show: bool = True
    once: ClassVar[bool] = True

    def _by_ear(self):
        if not self.must_show:
            return "any complete run"
        return f"{least_right(self.trials)} of {self.trials} or more in run 1, more in later runs"

    def _entry(self, entry, given):
        if isinstance(entry, str) and entry.strip().upper() in ("A", "B"):
            return entry.strip().upper()
        raise Unreadable(f"Pick A or B in every trial; {describe(entry)} is neither.")

    def _judge(self, value, key, given):
        right = sum(mine == own for mine, own in zip(value, key, strict=True))
        runs = run_number(given)
        chance = min(1.0, runs * tail_probability(right, self.trials))
        said = f"you got {right} of {self.trials} right, p (chance) = {number(chance, 3)}"
        if not self.must_show:
            return Judgement(1.0, f"{said}; the run is complete")
        needed = least_right(self.trials, runs)
        if right >= needed:
            return Judgement(1.0, said)
        said += f"; you need {needed}" + (f" in run {runs}" if runs > 1 else "")
        low, high = wilson_interval(right, self.trials)
        likely = f"95 % interval {number(100 * low, 0)} to {number(100 * high, 0)} %"
        return Judgement(0.0, f"{said}. This run shows no audible difference ({likely})")

    def _wrong(self, key):
        return ([{"A": "B", "B": "A"}[pick] for pick in key],) if self.must_show else ()

    def show(self, value: Any, given: dict) -> str:
        """Return the order of the trials."""
        return "".join(value)


@dataclass(frozen=True)
class LevelMatch(_Trials):
    """Turn one until it is as loud as the other; the mean error over the trials counts, the right settings are the key.

    Parameters
    ----------
    tolerance : float
        Mean absolute error that counts as right, in the unit.
    sharp : float
        Mean absolute error that is praised.
    """

    tolerance: float = 1.0
    sharp: float = 0.5

    def _by_ear(self):
        return f"mean error up to {quantity(self.tolerance, self.unit or 'dB')}"

    def _entry(self, entry, given):
        return parse_number(entry, self.unit or "dB")

    def _judge(self, value, key, given):
        error = sum(abs(mine - own) for mine, own in zip(value, key, strict=True)) / self.trials
        unit = self.unit or "dB"
        said, limit = f"your mean error is {quantity(error, unit, 2)}", quantity(self.tolerance, unit)
        if error <= self.tolerance + 1e-9:
            sharp = f"; you have a sharp ear (at most {quantity(self.sharp, unit)})"
            return Judgement(1.0, said + sharp if error <= self.sharp else f"{said}, which is right (at most {limit})")
        off = quantity(error - self.tolerance, unit, 2)
        return Judgement(0.0, f"{said}, {off} too much; aim for at most {limit}")

    def _wrong(self, key):
        return ([setting + 2 * self.tolerance for setting in key],)

    def show(self, value: Any, given: dict) -> str:
        """Return the right settings."""
        return ", ".join(number(setting, 2, signed=True) for setting in value)
