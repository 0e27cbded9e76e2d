"""What a run of a listening test says, in words that a learner may repeat.

A run that guessing seldom reaches *shows* a difference; one that falls short shows none, which is no proof that there
is none. Of several runs the best is the better for their number, so the probability is multiplied by it (Bonferroni).
"""

from dataclasses import dataclass
from math import comb

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.listening import SIGNIFICANT, least_right, tail_probability, wilson_interval
from gainlib.levels.printing import number


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
