"""What a box does to a level: does it care, where does it work best, what comes back from it.

- ``linearity``: whether a box cares how loud it is fed; ``probing``: the signals it is asked with; ``drive``: what it
  does against how loud it is fed, and the output gain of a level-matched bypass; ``ranges``: how loud it likes to be
  fed.
- ``null``, ``repeated_gain``: two prints subtracted; down and up again in each arithmetic.
- ``probe``: a test file through a box that nobody here can run, and what the recording tells; ``probesignal``,
  ``sync_markers``, ``spectral_lines``, ``probetime`` and ``probeverdict`` are its parts.
- ``rack``: black boxes by name, measured once and used wherever they stand.

The parts are loaded when first touched.
"""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach(
    __name__,
    submodules=[],
    submod_attrs={
        "drive": ["DriveCurve", "Match", "drive_curve", "matched_output"],
        "linearity": ["Evidence", "Linearity", "classify"],
        "null": ["NullReport", "null_depth_db", "null_test"],
        "probe": ["ProbeReport", "read_probe", "write_probe"],
        "rack": ["Rack", "RackBox", "racked", "refreshed"],
        "ranges": ["WorkingRange", "working_range"],
        "repeated_gain": ["predicted_dbfs", "residual_dbfs", "round_trips"],
    },
)
