"""Listening tests as parts: which of two, with the odds of guessing, and matching a level by ear.

The number of trials is fixed before the first one. A run counts when as many right picks would come from guessing
with a probability of at most 5 %; a repeated run has to be better, since the best of several guesses is a better guess,
so its probability is multiplied by the number of runs (Bonferroni's correction). A run that falls short shows nothing,
and never proves that nothing was to be heard. :class:`Run` says it in words that a learner may repeat.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from math import comb
from typing import Any, ClassVar

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.model import Judgement, Part
from gainlib.exercises.text import Unreadable, describe, parse_number
from gainlib.exercises.variants import run_number
from gainlib.words import number, quantity

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

    def _by_ear(self):
        raise NotImplementedError

    def _entry(self, entry, given):
        raise NotImplementedError

    def _judge(self, value, key, given):
        raise NotImplementedError


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
        run = Run(right, self.trials, run_number(given))
        said = f"you got {right} of {self.trials} right, p (chance) = {number(run.probability, 3)}"
        if not self.must_show:
            return Judgement(1.0, f"{said}; the run is complete")
        if run.shown:
            return Judgement(1.0, said)
        said += f"; you need {run.needed}" + (f" in run {run.runs}" if run.runs > 1 else "")
        low, high = run.interval
        likely = f"95 % interval {number(100 * low, 0)} to {number(100 * high, 0)} %"
        return Judgement(0.0, f"{said}. This run shows no audible difference ({likely})")

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

    def show(self, value: Any, given: dict) -> str:
        """Return the right settings."""
        return ", ".join(number(setting, 2, signed=True) for setting in value)


# ------------------------------------------------------------------------------------------------------ what a run says


def p_text(probability: float, runs: int = 1) -> str:
    """Return a probability as a sentence has it, with three decimals.

    Examples
    --------
    >>> p_text(0.0384), p_text(0.077, 2), p_text(2**-16)
    ('p = 0.038', '2 × p = 0.077', 'p < 0.001')
    """
    text = "p < 0.001" if probability < 0.0005 else f"p = {number(probability, 3)}"
    return text if runs == 1 else f"{runs} × {text}"


@dataclass(frozen=True)
class Run:
    """A finished run of fixed length.

    Parameters
    ----------
    right, trials : int
        Right picks, and trials in all.
    runs : int
        Which run of the same comparison it is, 1 for the first.
    sham : bool
        Whether both sounds were one and the same.

    Examples
    --------
    >>> Run(9, 10).shown, Run(7, 10).shown, Run(12, 16).shown, Run(12, 16, runs=2).shown
    (True, False, True, False)
    """

    right: int
    trials: int
    runs: int = 1
    sham: bool = False

    def __post_init__(self):
        if not (0 <= self.right <= self.trials and self.trials >= 1 and self.runs >= 1):
            raise GainlibError(f"{self.right} right of {self.trials} in run {self.runs}: there is no such run")

    @property
    def alone(self) -> float:
        """Probability that guessing gets at least as many right, in one run."""
        return tail_probability(self.right, self.trials)

    @property
    def probability(self) -> float:
        """The same for the best of all runs so far: multiplied by their number, 1 at most."""
        return min(1.0, self.runs * self.alone)

    @property
    def needed(self) -> int:
        """Fewest right picks that show a difference in this run."""
        return least_right(self.trials, self.runs)

    @property
    def shown(self) -> bool:
        """Whether the run shows a difference; never in a sham run."""
        return not self.sham and self.right >= self.needed

    @property
    def interval(self) -> tuple[float, float]:
        """Shares of right picks that go with this count, 95 % (Wilson)."""
        return wilson_interval(self.right, self.trials)

    def sentence(self) -> str:
        """Return what the run allows to say, in Markdown."""
        guessing = (
            f"{self.right} of {self.trials} right. Guessing alone gets at least that many in "
            f"{percent(self.alone)} of all runs ({p_text(self.alone)})."
        )
        if self.sham:
            return f"{guessing} A and B were the same sound, so **any count is luck**."
        if self.runs > 1:
            guessing += (
                f" This is run {self.runs}, and the more runs you try, the better your best guess gets: "
                f"{p_text(self.probability, self.runs)}."
            )
        return f"{guessing} {self._verdict()}"

    def _verdict(self):
        low, high = self.interval
        span = f"{number(100 * low, 0)} to {number(100 * high, 0)} %"
        wanted = f"you needed {self.needed}" if self.needed <= self.trials else "no count would have been enough"
        if self.shown:
            return (
                f"It had to be {percent(SIGNIFICANT)} or less ({wanted}): **you have shown a difference**. In the long "
                f"run you would get {span} right (95 % interval)."
            )
        return (
            f"It had to be {percent(SIGNIFICANT)} or less ({wanted}): **you have shown no audible difference**. That "
            f"does not prove there is none: in the long run you might get {span} right (95 % interval)."
        )


def percent(share: float) -> str:
    """Return a share in percent with as many decimals as it needs.

    Examples
    --------
    >>> percent(0.171875), percent(0.0107), percent(0.00098), percent(0.0)
    ('17 %', '1.1 %', '0.1 %', '0 %')
    """
    decimals = 0 if share >= 0.0995 or share == 0 else 1 if share >= 0.00095 else 3
    text = number(100 * share, decimals)
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} %"


def guessing_percent(trials: int) -> tuple[float, ...]:
    """Return how many runs of guessing in a hundred end with 0, 1, … right picks of that many trials.

    Examples
    --------
    >>> guessing_percent(2)
    (25.0, 50.0, 25.0)
    """
    return tuple(100 * comb(trials, right) / 2**trials for right in range(trials + 1))


def share_of_guessers(trials: int, guessers: int, seed: int = 1) -> list[float]:
    """Return which share of made-up guessers got at least 0, 1, … right: the law above, tried out.

    Examples
    --------
    >>> [round(share, 1) for share in share_of_guessers(1, 10_000)]
    [1.0, 0.5]
    """
    right = np.random.Generator(np.random.PCG64(seed)).random((guessers, trials)) < 0.5
    scores = np.count_nonzero(right, axis=1)
    return [float(np.mean(scores >= count)) for count in range(trials + 1)]
