"""Where the labs run, and what is therefore true of what a learner leaves there."""

import os
from collections.abc import Mapping
from typing import NamedTuple

CLASS = "GAINLIB_CLASS"  # the class code that learners begin with
SHARED = "GAINLIB_SHARED"  # set on a computer whose pupils share one account: nobody is taken for the last one


class Place(NamedTuple):
    """A kind of place.

    Attributes
    ----------
    kept : str
        What becomes of answers, as the end of a sentence that begins with "they are kept in …".
    stems : str
        What becomes of audio that is uploaded, as a sentence.
    forgets : bool
        Whether the place is gone soon after the learner.
    """

    kept: str
    stems: str
    forgets: bool = False


OWN = Place("on this computer, and sent nowhere", "Stems of your own stay on this computer and are only read.")
HUB = Place(
    "in your own folder on your school's server, which other learners cannot read",
    "Stems of your own that you upload **leave your computer** for that server; delete them there when you are done.",
)
CODESPACE = HUB._replace(kept="in your codespace, and lost when that is deleted")
RENTED = Place(
    "on a server that was started for you, and **forgotten a few minutes after you leave**",
    "Stems of your own that you upload **leave your computer** and are lost when the server ends your session.",
    forgets=True,
)


def here(environment: Mapping[str, str] = os.environ) -> Place:
    """Return the place that the variables of a Binder, a JupyterHub or neither tell of.

    Examples
    --------
    >>> here({"BINDER_REF_URL": "x", "JUPYTERHUB_USER": "y"}).forgets, here({"JUPYTERHUB_USER": "anna"}).forgets
    (True, False)
    """
    if any(name.startswith("BINDER_") for name in environment):
        return RENTED
    if "CODESPACE_NAME" in environment:
        return CODESPACE
    return HUB if "JUPYTERHUB_USER" in environment else OWN


def login(environment: Mapping[str, str] = os.environ) -> dict[str, str]:
    """Return who a hub says is here, as ``learner`` and ``class_code``; nothing where it says nothing."""
    place = here(environment)
    name = environment.get("JUPYTERHUB_USER", "") if place is HUB else ""
    found = {"learner": name, "class_code": environment.get(CLASS, "")}
    return {field: value for field, value in found.items() if value}


def sitting(environment: Mapping[str, str] = os.environ) -> str:
    """Return a word for this start of the workbook; another start has another."""
    return environment.get("JPY_PARENT_PID", "")
