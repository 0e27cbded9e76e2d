"""The exercises of all labs, one module a lab; a lab exists when its module does."""

import importlib
import importlib.util
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
    asked = [each for module in modules for each in module.EXERCISES]
    asked += [each for number in lab_numbers() for each in declared(number).exercises]
    exercises = sorted(asked, key=lambda each: each.id)
    ids = [each.id for each in exercises]
    doubled = {name for name in ids if ids.count(name) > 1}
    if doubled:
        raise GainlibError(f"two exercises are called {', '.join(sorted(doubled))}; give each its own id")
    return tuple(exercises)


@cache
def lab_numbers() -> tuple[str, ...]:
    """Return the numbers of the labs that are declared in :mod:`gainlib.labs`, found by looking, not imported."""
    home = importlib.util.find_spec("gainlib.labs")
    names = [found.name for found in pkgutil.iter_modules(home.submodule_search_locations)]
    return tuple(sorted(name[3:] for name in names if name.startswith("lab") and name[3:].isdigit()))


def declared(number: str):
    """Return what a lab declares, a :class:`gainlib.exercises.lab.Lab`."""
    if number not in lab_numbers():
        raise GainlibError(f"there is no lab {number!r}; there is {', '.join(lab_numbers())}")
    return importlib.import_module(f"gainlib.labs.lab{number}").LAB


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
