"""Numbers of one's own: what a learner is given, drawn from who they are.

The seed is SHA-256 over salt, class code, learner, exercise and attempt (NFC, stripped, casefolded, joined by U+001F);
its first eight bytes start a PCG64. Every draw below takes only ``rng.random()``, whose stream NumPy keeps, so that an
answer can be marked again years later. A class with a secret has its salt in its code
(:mod:`~gainlib.exercises.classfile`). Shown numbers are rounded first, and the answer is computed from them.
"""

import hashlib
import math
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, wraps
from typing import Any

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.text import printed_numbers

REDRAWS = 400
FROM_ANSWER = 3.0
BETWEEN_SLIPS = 2.0
PRACTICE = 1000
"""Number of the first set of numbers that is practice in a series: hints are free there, and no points are earned."""
EXAM = 50_000
"""Number of the first set of numbers that is asked in an exam; of the answers to such a set the last one counts."""
REVIEW = 100_000
"""Number of the first set of numbers that is asked in a review; it earns no points."""

PSEUDONYM = "learner-"
"""How a name begins that was made up for a learner who gave none; four hexadecimal digits follow."""

_TRIES = 2000


def seed_for(learner: str, exercise: str, attempt: int = 0, class_code: str = "", salt: str = "") -> int:
    """Return the 64-bit seed of one learner's attempt at one exercise.

    Examples
    --------
    >>> seed_for("Anna", "05-1") == seed_for(" anna ", "05-1"), seed_for("anna", "05-1") == seed_for("anna", "05-2")
    (True, False)
    """
    fields = (salt, class_code, learner, exercise, attempt)
    joined = "\x1f".join(normal_form(field) for field in fields)
    return int.from_bytes(hashlib.sha256(joined.encode("utf-8")).digest()[:8], "big")


def run_number(given: dict) -> int:
    """Return which run of a blind test a set of numbers is, 1 for the first; in an exam there is one run.

    Examples
    --------
    >>> run_number({"attempt": 0}), run_number({"attempt": 2}), run_number({"attempt": EXAM + 7})
    (1, 3, 1)
    """
    attempt = given.get("attempt", 0)
    return 1 if EXAM <= attempt < REVIEW else attempt + 1


def normal_form(field: Any) -> str:
    """Return a name as it is compared: NFC, stripped, casefolded."""
    return unicodedata.normalize("NFC", str(field)).strip().casefold()


def is_pseudonym(learner: str) -> bool:
    """Whether a name was made up here.

    Examples
    --------
    >>> is_pseudonym("learner-1c42"), is_pseudonym("anna")
    (True, False)
    """
    tail = learner.removeprefix(PSEUDONYM)
    return tail != learner and len(tail) == 4 and set(tail) <= set("0123456789abcdef")


def pick(rng: np.random.Generator, values: Sequence) -> Any:
    """Return one of the values, all equally likely.

    Parameters
    ----------
    rng : numpy.random.Generator
        Of the variant.
    values : sequence
        To draw from.

    Returns
    -------
    object
        One of them.
    """
    return values[min(int(rng.random() * len(values)), len(values) - 1)]


def shuffled(rng: np.random.Generator, values: Sequence, count: int | None = None) -> list:
    """Return some of the values in a drawn order, none twice.

    Parameters
    ----------
    rng : numpy.random.Generator
        Of the variant.
    values : sequence
        To draw from.
    count : int, optional
        How many; all by default.

    Returns
    -------
    list
        What was drawn.
    """
    pool = list(values)
    return [pool.pop(int(rng.random() * len(pool))) for _ in range(len(pool) if count is None else count)]


@dataclass(frozen=True)
class OneOf:
    """A value drawn from a finite set, all equally likely."""

    values: tuple

    def draw(self, rng: np.random.Generator) -> Any:
        """Return one of the values."""
        return pick(rng, self.values)

    def holds(self, value: Any) -> bool:
        """Whether a value could have been drawn here."""
        return any(value == own and isinstance(value, bool) == isinstance(own, bool) for own in self.values)


def one_of(*values) -> OneOf:
    """Return a draw from the values written out."""
    return OneOf(values)


def grid(low: float, high: float, step: float = 1.0) -> OneOf:
    """Return a draw from low, low + step, … high; whole numbers stay whole, the rest is rounded to the step's decimals.

    Parameters
    ----------
    low, high, step : float
        First value, highest value allowed, distance.

    Returns
    -------
    OneOf
        The draw.

    Examples
    --------
    >>> grid(-1, 1, 0.5).values, grid(2, 4).values
    ((-1.0, -0.5, 0.0, 0.5, 1.0), (2, 3, 4))
    """
    count = math.floor((high - low) / step + 1e-9) + 1
    if all(float(value).is_integer() for value in (low, high, step)):
        return OneOf(tuple(int(low) + int(step) * index for index in range(count)))
    decimals = next(places for places in range(1, 10) if abs(round(step, places) - step) < 1e-12)
    return OneOf(tuple(round(low + step * index, decimals) + 0.0 for index in range(count)))


@dataclass(frozen=True)
class Many:
    """A list of values, each drawn from the same set."""

    each: OneOf
    count: int

    def draw(self, rng: np.random.Generator) -> list:
        """Return so many values."""
        return [self.each.draw(rng) for _ in range(self.count)]

    def holds(self, value: Any) -> bool:
        """Whether a list could have been drawn here."""
        return len(value) == self.count and all(map(self.each.holds, value))


@dataclass(frozen=True)
class InAnyOrder:
    """A list of some values of a set in a drawn order, none twice; all of them where no count is given."""

    values: tuple
    count: int | None = None

    def draw(self, rng: np.random.Generator) -> list:
        """Return the values in a drawn order."""
        return shuffled(rng, self.values, self.count)

    def holds(self, value: Any) -> bool:
        """Whether a list could have been drawn here."""
        count = len(self.values) if self.count is None else self.count
        return len(value) == len(set(value)) == count and set(value) <= set(self.values)


@dataclass(frozen=True)
class BlindOrder:
    """What X is in every trial of a blind run, "ABBA…"; of nearly one letter it is drawn again: one pick would pass."""

    trials: int
    least: int

    def draw(self, rng: np.random.Generator) -> str | None:
        """Return a letter a trial, None where all is to be drawn again."""
        order = "".join(pick(rng, "AB") for _ in range(self.trials))
        return order if self.holds(order) else None

    def holds(self, order: Any) -> bool:
        """Whether an order could have been drawn here, each letter often enough."""
        counts = [order.count(letter) for letter in "AB"]
        return sum(counts) == len(order) == self.trials and min(counts) >= self.least


@dataclass(frozen=True)
class Draws:
    """A variant whose values are drawn one by one, each from its own set, under a condition."""

    fields: dict[str, OneOf | Many | InAnyOrder | BlindOrder]
    where: Callable[[dict], bool] | None = None

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return drawn values that meet the condition, None where one of them asks for another draw."""
        for _ in range(_TRIES):
            given = {name: field.draw(rng) for name, field in self.fields.items()}
            if None in given.values():
                return None
            if self.where is None or self.where(given):
                return given
        raise GainlibError(f"no draw of {', '.join(self.fields)} met its condition in {_TRIES} tries; widen the sets")

    def holds(self, given: dict) -> bool:
        """Whether these values could have been drawn here."""
        known = all(field.holds(given[name]) for name, field in self.fields.items())
        return known and (self.where is None or bool(self.where(given)))


def draws(where: Callable[[dict], bool] | None = None, **fields: OneOf | Many | InAnyOrder | BlindOrder) -> Draws:
    """Declare a variant field by field: ``draws(N=grid(2, 48), L=grid(-30, -14, 0.5))``.

    Parameters
    ----------
    where : callable, optional
        ``where(given)`` is False for values that are drawn again.
    **fields : OneOf, Many, InAnyOrder or BlindOrder
        What each value is drawn from.

    Returns
    -------
    Draws
        For the field ``given`` of an exercise.
    """
    return Draws(fields, where)


@dataclass(frozen=True)
class Recipe:
    """A variant that a function draws, None for what is drawn again; and what some of its values are drawn from."""

    draw: Callable[[np.random.Generator], dict | None]
    known: dict[str, OneOf | BlindOrder]

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return what is drawn."""
        return self.draw(rng)

    def holds(self, given: dict) -> bool:
        """Whether what is known could have been drawn here."""
        return all(known.holds(given[name]) for name, known in self.known.items())


@dataclass(frozen=True)
class Either:
    """A variant that takes one of several branches; the branch is drawn first and kept through every redraw.

    So a trap that is there in one branch and not in the other stays unpredictable, however often either is redrawn.
    """

    branches: tuple[Callable, ...]

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return a draw from a drawn branch."""
        return pick(rng, self.branches)(rng)

    def holds(self, given: dict) -> bool:
        """Whether any branch could have drawn these values."""
        return any(not hasattr(branch, "holds") or branch.holds(given) for branch in self.branches)


def either(*branches: Callable) -> Either:
    """Declare a variant of several equally likely branches, each a :func:`draws` or a function of ``rng``."""
    return Either(branches)


def kept_by(*names: str, most: int = 64) -> Callable[[Callable], Callable]:
    """Return what keeps the last results of a function of given values; it is handed the values of these names alone.

    Parameters
    ----------
    *names : str
        Of the given values that the function reads.
    most : int
        How many results are kept.

    Returns
    -------
    callable
        The decorator.

    Examples
    --------
    >>> @kept_by("a")
    ... def doubled(given, by=2):
    ...     return by * given["a"]
    >>> doubled({"a": 3, "b": 1}), doubled({"a": 3, "b": 2}, by=3)
    (6, 9)
    """

    def keep(function):
        @lru_cache(maxsize=most)
        def made(values, more, named):
            return function(dict(zip(names, values, strict=True)), *more, **dict(named))

        @wraps(function)
        def kept(given, *more, **named):
            values = (given[name] for name in names)
            frozen = tuple(tuple(each) if isinstance(each, list) else each for each in values)
            return made(frozen, more, tuple(named.items()))

        return kept

    return keep


def variant(exercise, learner: str, attempt: int = 0, class_code: str = "", salt: str = "") -> dict:
    """Return the given values of one learner's attempt, redrawn until they are fair; else the fairest of all drawn."""
    seed = seed_for(learner, exercise.series or exercise.id, attempt, class_code, salt)
    rng = np.random.Generator(np.random.PCG64(seed))
    source = exercise.given
    if isinstance(source, Either):
        source = pick(rng, source.branches)
    fairest, most = None, -1.0
    for tried in range(_TRIES):
        drawn = source(rng)
        if drawn is not None:
            given = {"exercise": exercise.id, "attempt": int(attempt), **drawn}
            room = fairness(exercise, given) if exercise.guard else 1.0
            if room >= 1.0:
                return given
            if room > most:
                fairest, most = given, room
        if tried >= REDRAWS and fairest is not None:
            return fairest
    raise GainlibError(f"{exercise.id}: nothing was drawn in {_TRIES} tries; widen its values")


def fair(exercise, given: dict) -> bool:
    """Whether no active slip comes near the answer or another slip, and no printed number gives the answer away."""
    return fairness(exercise, given) >= 1.0


def fairness(exercise, given: dict) -> float:
    """Return how far the nearest slip keeps from the answer or from another slip, 1 being far enough.

    0 where a printed number gives the answer away.
    """
    key = _read(exercise, given, exercise.solve(given))
    slips = [_read(exercise, given, slip.answer(given)) for slip in exercise.slips if slip.active(given)]
    rooms = [gap(exercise, given, key, slip, key) / FROM_ANSWER for slip in slips]
    if min(rooms, default=1.0) >= 1.0:  # pairs are many, so they are compared only where it may still be fair
        pairs = ((first, second) for index, first in enumerate(slips) for second in slips[:index])
        rooms += [gap(exercise, given, first, second, key) / BETWEEN_SLIPS for first, second in pairs]
    return 0.0 if _given_away(exercise, given, key) else min(rooms, default=1.0)


def gap(exercise, given: dict, first: list, second: list, key: list) -> float:
    """Return how far two answers are apart in tolerances: that of the part in which they differ most.

    Parts that either leaves open (None) are not compared; with nothing to compare the answers are infinitely far apart.
    """
    shared = [
        part.distance(a, b, right, given)
        for part, a, b, right in zip(exercise.parts, first, second, key, strict=True)
        if a is not None and b is not None
    ]
    return max(shared, default=math.inf)


def _read(exercise, given, answer):
    entries = zip(exercise.parts, exercise.values(answer), strict=True)
    return [None if value is None else part.read(value, given) for part, value in entries]


def _given_away(exercise, given, key):
    texts = (exercise.statement_for(given), *exercise.hints_for(given))
    printed = [value for text in texts for value in printed_numbers(text)]
    secret = [(part, value) for part, value in zip(exercise.parts, key, strict=True) if part.kind == "number"]
    return any(
        part.distance(value, said, value, given) <= 1.0
        for part, value in secret
        if not part.may_be_printed
        for said in printed
    )
