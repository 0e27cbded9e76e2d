"""The exercises of all labs, one module a lab; a lab exists when its module does."""

import importlib
import pkgutil
from functools import cache

from gainlib.audio import GainlibError


@cache
def bank() -> tuple:
    """Return every exercise of every lab that exists, sorted by id.

    Examples
    --------
    >>> [exercise.id for exercise in bank() if exercise.lab == "05"][:2]
    ['05-1', '05-2']
    """
    names = sorted(found.name for found in pkgutil.iter_modules(__path__) if found.name.startswith("lab"))
    modules = [importlib.import_module(f"{__name__}.{name}") for name in names]
    exercises = sorted((each for module in modules for each in module.EXERCISES), key=lambda each: each.id)
    ids = [each.id for each in exercises]
    doubled = {name for name in ids if ids.count(name) > 1}
    if doubled:
        raise GainlibError(f"two exercises are called {', '.join(sorted(doubled))}; give each its own id")
    return tuple(exercises)


def exercise(id: str):
    """Return the exercise of that id.

    Raises
    ------
    GainlibError
        When there is none, with the ids of that lab.
    """
    found = {each.id: each for each in bank()}
    if id in found:
        return found[id]
    lab = str(id).rpartition("-")[0]
    near = [name for name in found if name.startswith(f"{lab}-")] or list(found)
    raise GainlibError(f"there is no exercise {id!r}; there are {', '.join(near)}")
