"""How much is tried by day, and how much with --all."""

import os
from collections.abc import Iterable, Iterator

import pytest


def everything() -> bool:
    """Return whether everything was asked for."""
    return os.environ.get("GAINLIB_ALL") == "1"


def daily(cases: Iterable, most: int) -> Iterator:
    """Yield cases for `parametrize`: as many as fit into a day, the others for --all."""
    for number, case in enumerate(cases):
        yield case if number < most else rest(*(case if isinstance(case, tuple) else [case]))


def every(nth: int, cases: Iterable) -> list:
    """Return cases for `parametrize`: every nth by day, where all are tried alike; the others for --all."""
    left = (rest(*(case if isinstance(case, tuple) else [case])) for case in cases)
    return [other if number % nth else case for number, (case, other) in enumerate(zip(cases, left, strict=True))]


def rest(*values):
    """Return one case that is left for --all."""
    return pytest.param(*values, marks=pytest.mark.exhaustive)
