"""Parts that are answered by typing a number, or by choosing: choice, multi, order, map."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, ClassVar

from gainlib.exercises.model import Judgement, Option, Part
from gainlib.exercises.text import Unreadable, decimals_for, describe, difference_unit, parse_number, shorten
from gainlib.words import number, quantity

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
    may_be_printed : bool
        True where the right value may stand among the printed ones by the nature of the question.
    shares : bool
        True where a share is asked for: "22.7 %" is read as 0.227.
    """

    tolerance: float = 0.0
    relative: float = 0.0
    aliases: tuple[str, ...] = ()
    may_be_printed: bool = False
    shares: bool = False
    kind: ClassVar[str] = "number"

    @property
    def band(self) -> str:
        """How near a right answer has to be, "± 0.1 dB"."""
        absolute = f"± {quantity(self.tolerance, difference_unit(self.unit))}" if self.tolerance else ""
        relative = f"± {number(100 * self.relative)} %" if self.relative else ""
        return " or ".join(text for text in (absolute, relative) if text) or "exact"

    def half_width(self, key: float) -> float:
        """Return the tolerance around a right value, in its unit."""
        return max(self.tolerance, self.relative * abs(key), _ROUNDING)

    def limits(self, key: float, given: dict) -> tuple[float, float]:
        """Return the lowest and the highest right value."""
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

    def show(self, value: float, given: dict) -> str:
        """Return the number with its unit."""
        return quantity(value, self.unit, decimals_for(self.half_width(value)))


# ------------------------------------------------------------------------------------------------------------- choosing


NOT_ALL = "not all of it is right yet"

Options = Mapping[str, str] | Callable[[dict], Mapping[str, str]]
"""What a learner reads by the key that stands in the answer; fixed, or drawn with the variant."""


def _listed(options, given):
    found = options(given) if callable(options) else options
    return tuple(Option(*each) for each in found.items())


def _partly(share, enough):
    return f"; in proportion from {number(100 * share)} %" if share < enough else ""


@dataclass(frozen=True)
class _Optional(Part):
    """A part with options, fixed or drawn with the variant.

    Parameters
    ----------
    options : mapping of str to str, or callable
        What can be chosen, text by key; ``options(given)`` where it is drawn.
    """

    options: Options = field(default_factory=dict)
    chosen: ClassVar[bool] = True

    def options_for(self, given: dict) -> tuple[Option, ...]:
        """Return what can be chosen."""
        return _listed(self.options, given)

    def _key_of(self, answer, given, what="one of"):
        """Return the option's key for a key or its text, in any case."""
        options = self.options_for(given)
        wanted = answer.strip().casefold() if isinstance(answer, str) else None
        for option in options:
            if wanted in (option.key.casefold(), option.text.strip().casefold()):
                return option.key
        keys = ", ".join(option.key for option in options)
        raise Unreadable(f"{describe(answer)} is not among the options; give {what} {keys}.")

    def _keys_of(self, answer, given, what):
        if not isinstance(answer, (list, tuple)):
            keys = ", ".join(option.key for option in self.options_for(given))
            raise Unreadable(f"{describe(answer)} cannot be read; give {what} of {keys}.")
        keys = [self._key_of(entry, given, f"{what} of") for entry in answer]
        doubled = [key for index, key in enumerate(keys) if key in keys[:index]]
        if doubled:
            raise Unreadable(f"You named “{doubled[0]}” twice; name each at most once.")
        return keys

    def _text(self, key, given):
        return next(option.text for option in self.options_for(given) if option.key == key)


@dataclass(frozen=True)
class Choice(_Optional):
    """One of several options.

    Parameters
    ----------
    follows : callable or None
        ``follows(values, given)`` returns the right option's key where it depends on the learner's answers to the
        other parts, as in "what do your two results allow you to say?"; it is asked once all are answered.
    """

    follows: Callable[[list, dict], str | None] | None = None
    kind: ClassVar[str] = "choice"

    def read(self, answer: Any, given: dict) -> str:
        """Return the option's key."""
        return self._key_of(answer, given)

    def judge(self, value: str, key: str, given: dict, values: list) -> Judgement:
        """Say whether it is the one wanted."""
        if self.follows is not None:
            if any(entry is None for entry in values):
                return Judgement(0.0, f"“{self._text(value, given)}” depends on the other answers; give those first")
            key = self.follows(values, given) or key
        if value == key:
            return Judgement(1.0, f"“{self._text(value, given)}” is right")
        return Judgement(0.0, f"“{self._text(value, given)}” is not right")

    def show(self, value: str, given: dict) -> str:
        """Return the option's text."""
        return self._text(value, given)


@dataclass(frozen=True)
class Multi(_Optional):
    """Every option that fits, and no other; the order does not matter.

    Parameters
    ----------
    partly_from : float
        Share of options judged rightly from which points are given in proportion; 1 gives none for less than all.
    by_chance : float
        Share that guessing reaches in its three tries; points in proportion begin above it.
    """

    partly_from: float = 1.0
    by_chance: float = 0.0
    kind: ClassVar[str] = "multi"

    @property
    def band(self) -> str:
        """What counts as right, and from how much there are points in proportion."""
        return f"exact{_partly(self.partly_from, 1.0)}"

    def read(self, answer: Any, given: dict) -> tuple[str, ...]:
        """Return the chosen keys in the order of the options."""
        chosen = self._keys_of(answer, given, "a list of any")
        return tuple(option.key for option in self.options_for(given) if option.key in chosen)

    def judge(self, value: tuple, key: tuple, given: dict, values: list) -> Judgement:
        """Count how many options are judged rightly, told from the second try on; which would be the answer."""
        total = len(self.options_for(given))
        off = len(set(value) ^ set(key))
        if off == 0:
            return Judgement(1.0, f"all {total} are right")
        agreement = (total - off) / total
        above = (agreement - self.by_chance) / (1 - self.by_chance)
        return Judgement(
            above if agreement >= self.partly_from - _ROUNDING else 0.0, NOT_ALL, f"{total - off} of {total} are right"
        )

    def show(self, value: tuple, given: dict) -> str:
        """Return the options' texts."""
        return "; ".join(self._text(key, given) for key in value)


@dataclass(frozen=True)
class Order(_Optional):
    """All options in the right order.

    Parameters
    ----------
    accepted : callable or None
        ``accepted(given)`` returns other orders that are right as well.
    """

    accepted: Callable[[dict], list] | None = None
    kind: ClassVar[str] = "order"

    def read(self, answer: Any, given: dict) -> tuple[str, ...]:
        """Return the keys in the learner's order; all of them must be there."""
        keys = self._keys_of(answer, given, "a list with each")
        total = len(self.options_for(given))
        if len(keys) != total:
            raise Unreadable(f"Put all {total} in order; you gave {len(keys)}.")
        return tuple(keys)

    def judge(self, value: tuple, key: tuple, given: dict, values: list) -> Judgement:
        """Count how many neighbours stand in the right order."""
        orders = [tuple(key), *(tuple(order) for order in (self.accepted(given) if self.accepted else ()))]
        steps = len(value) - 1
        kept = max(sum(order.index(a) < order.index(b) for a, b in pairwise(value)) for order in orders)
        if tuple(value) in orders:
            return Judgement(1.0, f"all {len(value)} are in the right order")
        return Judgement(0.0, NOT_ALL, f"{kept} of {steps} neighbours are in the right order; check the others")

    def show(self, value: tuple, given: dict) -> str:
        """Return the options' texts in order."""
        return " → ".join(self._text(key, given) for key in value)


@dataclass(frozen=True)
class Matching(_Optional):
    """An option for every item, or several tags an item.

    Parameters
    ----------
    items : mapping of str to str, or callable
        What is matched, text by key; ``items(given)`` where it is drawn.
    several : bool
        Whether an item takes a list of options; then the agreement is the F1 measure over all item-option pairs,
        2·hits / (2·hits + misses + false alarms).
    enough : float
        Agreement that counts as right, 0 to 1.
    partly_from : float
        Agreement from which points are given in proportion; 1 gives none below `enough`.
    by_chance : float
        Agreement that guessing reaches; points in proportion begin above it.
    """

    items: Options = field(default_factory=dict)
    several: bool = False
    enough: float = 1.0
    partly_from: float = 1.0
    by_chance: float = 0.0
    kind: ClassVar[str] = "map"

    @property
    def band(self) -> str:
        """How much agreement counts as right, and from how much there are points in proportion."""
        right = "exact" if self.enough >= 1 else f"{number(100 * self.enough)} % or more"
        return right + _partly(self.partly_from, self.enough)

    def items_for(self, given: dict) -> tuple[Option, ...]:
        """Return the items to be matched."""
        return _listed(self.items, given)

    def read(self, answer: Any, given: dict) -> dict:
        """Return ``{item: (option keys)}`` for every item; without `several` each item needs one."""
        items = self.items_for(given)
        names = ", ".join(item.key for item in items)
        if not isinstance(answer, dict):
            raise Unreadable(f"{describe(answer)} cannot be read; give an entry for each of {names}.")
        unknown = [name for name in answer if name not in {item.key for item in items}]
        if unknown:
            raise Unreadable(f"“{shorten(unknown[0])}” is none of {names}.")
        return {item.key: self._tags(item, answer.get(item.key), given) for item in items}

    def _tags(self, item, entry, given):
        if self.several:
            return tuple(sorted(self._keys_of(entry or [], given, "a list of any")))
        if entry is None or entry == "":
            raise Unreadable(f"“{item.text}” has no entry yet; make one for every item.")
        return (self._key_of(entry, given),)

    def judge(self, value: dict, key: dict, given: dict, values: list) -> Judgement:
        """Say how far the map agrees, told from the second try on, and where one option an item is wrong."""
        agreement, counted = self._agreement(value, key)
        if agreement >= self.enough - _ROUNDING:
            return Judgement(1.0, counted)
        share = (agreement - self.by_chance) / (1 - self.by_chance) if agreement >= self.partly_from else 0.0
        return Judgement(share, NOT_ALL, f"{counted}; {self._missing(agreement, value, key, given)}")

    def _missing(self, agreement, value, key, given):
        if self.enough < 1:
            return f"you need {math.ceil(self.enough * len(key) - _ROUNDING)}"
        if not self.several:
            wrong = [item.text for item in self.items_for(given) if value[item.key] != key[item.key]]
            return f"check {', '.join(wrong)}"
        if agreement >= self.partly_from:
            return "check which"
        begin, reached = number(100 * self.partly_from), number(100 * agreement, 0)
        return f"points begin at {begin} % agreement, and you have {reached} %"

    def _agreement(self, value, key):
        if not self.several:
            hits = sum(value[name] == key[name] for name in key)
            return hits / len(key), f"{hits} of {len(key)} are right"
        mine = {(name, tag) for name, tags in value.items() for tag in tags}
        right = {(name, tag) for name, tags in key.items() for tag in tags}
        hits = len(mine & right)
        total = len(mine) + len(right)
        said = f"you found {hits} of {len(right)}, missed {len(right - mine)} and ticked {len(mine - right)} too many"
        return (2 * hits / total if total else 1.0), said

    def show(self, value: dict, given: dict) -> str:
        """Return the matches in words."""
        words = {item.key: item.text for item in self.items_for(given)}
        texts = {name: ", ".join(self._text(tag, given) for tag in tags) for name, tags in value.items()}
        return "; ".join(f"{words[name]}: {text or 'none'}" for name, text in texts.items())
