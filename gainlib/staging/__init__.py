"""What to set, and why: advice drawn from sessions and readings.

- ``bus``: who makes the bus peak, and how far everything has to come down together.
- ``linearity``: whether a box cares how loud it is fed; ``drive``: what it does against how loud it is fed; ``ranges``:
  how loud it likes to be fed; ``matching``: the output gain of a level-matched bypass.
  ``device_under_test``, ``probing``, ``linearity_limit``.
- ``examine``: what is wrong with stems as they arrive; ``relations`` between them, ``findings``. What somebody guessed
  before is compared with it in ``guesses``, in the words of ``faults``.
- ``null``, ``repeated_gain``: two prints subtracted; down and up again in each arithmetic.
- ``probe``: a test file through a box that nobody here can run, and what the recording tells; ``probesignal``,
  ``sync_markers``, ``spectral_lines``, ``level_sweep``, ``probeseries``, ``probeverdict`` and
  ``probecurve`` are its parts.
- ``planning``: every gain of a session set with a reason, verified by a full render; ``chain``, ``strips``,
  ``gain_constraints``, ``verify`` and ``advice`` are its parts, ``moves`` what it is made of.
- ``chainsfile``: what each stem passes, from a few lines of JSON.
- ``sheet``: what is taken away from a plan, as data; ``sheet_csv``, ``sheet_html`` and ``sheet_drawing`` put it down,
  ``sheet_words`` has its sentences.
- ``export``: staged stems; ``session_subsets`` takes a session apart for them, ``folders`` makes folders whole
  or not at all.

The parts are loaded when first touched.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=["bus", "parts"],
    submod_attrs={
        "bus": ["BusFigures", "BusPeak", "Contributions", "common_offset", "contributions"],
        "chainsfile": ["apply_chains"],
        "drive": ["DriveCurve", "drive_curve"],
        "examine": ["checkup"],
        "export": ["Export", "StagedFile", "write_stems"],
        "findings": ["Finding", "Stem"],
        "linearity": ["classify"],
        "matching": ["Match", "matched_output"],
        "moves": ["Check", "Move", "Plan", "Verification"],
        "null": ["NullReport", "null_depth_db", "null_test"],
        "planning": ["plan"],
        "probe": ["ProbeReport", "read_probe", "write_probe"],
        "ranges": ["WorkingRange", "working_range"],
        "repeated_gain": ["predicted_dbfs", "residual_dbfs", "round_trips"],
        "sheet": ["Bus", "Setting", "Sheet", "sheet_of"],
        "sheet_csv": ["Change", "Difference", "difference"],
        "verdicts": ["Evidence", "Linearity"],
    },
)
