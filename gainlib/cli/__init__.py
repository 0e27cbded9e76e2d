"""The verbs of the command line.

A module here declares one or more :class:`Verb`. What a verb works with is imported inside its ``run``, so that
``--help`` and a verb that needs little start at once.
"""

import argparse
from collections.abc import Callable
from typing import NamedTuple

MODULES = ("measure", "plan", "sheets", "labs", "gradebook", "key", "handout", "nbgrader", "boxes")


class Verb(NamedTuple):
    """A verb: what its help says, what it takes, and what it does.

    ``run`` returns the exit code: 0 done, 1 something failed. Wrong use goes through ``options.usage_error(sentence)``,
    which ends with 2. A verb that ``passes_on`` finds words that nobody knows in ``options.rest``.
    """

    name: str
    summary: str
    description: str
    arguments: Callable[[argparse.ArgumentParser], None]
    run: Callable[[argparse.Namespace], int]
    passes_on: bool = False
