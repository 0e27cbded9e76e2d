"""A whole session: what is wrong with it, what to set and why, and what is taken away.

- ``bus``: who makes the bus peak, and how far everything has to come down together; ``stretches`` around the peaks.
- ``examine``: what is wrong with stems as they arrive; ``relations`` between them, ``findings``. What somebody guessed
  before is compared with it in ``guesses``, in the words of ``faults``.
- ``planning``: every gain of a session set with a reason, verified by a full render; ``chain``, ``strips``,
  ``gain_constraints``, ``verify`` and ``advice`` are its parts, ``moves`` what it is made of.
- ``chainsfile``: what each stem passes, from a few lines of JSON.
- ``sheet``: what is taken away from a plan, as data; ``sheet_csv`` and ``sheet_html`` put it down, the latter with
  ``templates``; ``sheet_words`` has its sentences.
- ``export``: staged stems; ``session_subsets`` takes a session apart for them, ``folders`` makes folders whole or not
  at all. ``printed``: what came back from the mixer.

The parts are loaded when first touched.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=["bus"],
    submod_attrs={
        "bus": ["BusFigures", "BusPeak", "Contributions", "common_offset", "contributions"],
        "chainsfile": ["apply_chains"],
        "examine": ["checkup"],
        "export": ["Export", "StagedFile", "write_stems"],
        "findings": ["Finding", "Stem"],
        "moves": ["Check", "Move", "Plan", "Verification"],
        "planning": ["plan"],
        "sheet": ["Bus", "Setting", "Sheet", "sheet_of"],
        "sheet_csv": ["Change", "Difference", "difference"],
    },
)
