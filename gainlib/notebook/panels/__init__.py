"""The panels of the labs: one module a panel, and one a lab that says which panels it has.

A lab's module ``labNN`` holds

``PAGE``
    A :class:`gainlib.notebook.panels.page.Page`: title, question, minutes, take-away.
``panel(name, learner)``
    The panel of that name for the notebook.
``exercise_panel(exercise, given, learner)``
    The panel an exercise is answered from or read from, or None.
``compare()``
    What the lab's prediction is compared with: (outcome, sentence, table).
"""

import importlib
import importlib.util

from gainlib.audio import GainlibError


def lab_module(lab: str):
    """Return the module that declares a lab's panels.

    Raises
    ------
    GainlibError
        For a lab that has none.
    """
    name = f"{__name__}.lab{lab}"
    if not str(lab).isdigit() or importlib.util.find_spec(name) is None:
        raise GainlibError(f"there is no lab {lab!r}; a lab is called by its number, as in Lab('05')")
    return importlib.import_module(name)
