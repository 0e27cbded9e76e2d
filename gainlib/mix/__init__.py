"""A whole session: what is wrong with it, what to set and why, and what is taken away.

- ``bus``: who makes the bus peak, how far everything has to come down together, the peaks followed from move to move.
- ``findings``: what is wrong with stems as they arrive, each and between them. What somebody guessed before is compared
  with it in ``guesses``.
- ``planning``: every gain of a session set with a reason, verified by a full render; ``strips`` and ``verify`` are its
  parts, ``moves`` what it is made of.
- ``chainsfile``: what each stem passes, as TOML; ``chainsformer``: as the JSON of the version before. ``channels``: the
  channels as a table; the balance of a song saved earlier.
- ``console``: a line a strip of what to set. ``sheet``: what is taken away from a plan, as data and in sentences;
  ``sheet_files`` puts it down as CSV and as a page, with ``templates``, and tells two sheets apart.
- ``export``: staged stems; ``paths`` makes folders whole or not at all. ``printed``: what came back from the mixer.
  ``inserts``: what is known of boxes where they stand. ``live``: a mix that follows the hand where it is heard.

The parts are loaded when first touched.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=["bus"],
    submod_attrs={
        "bus": ["BusFigures", "BusPeak", "Contributions", "common_offset", "contributions"],
        "chainsfile": ["apply_chains"],
        "export": ["Export", "StagedFile", "write_stems"],
        "findings": ["Finding", "Stem", "checkup"],
        "moves": ["Check", "Move", "Plan", "Verification"],
        "planning": ["plan"],
        "sheet": ["Bus", "Sheet", "sheet_of"],
        "sheet_files": ["Change", "Difference", "difference"],
    },
)
