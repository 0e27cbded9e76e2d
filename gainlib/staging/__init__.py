"""The names of :mod:`gainlib.boxes` and :mod:`gainlib.mix` in one place.

The parts are loaded when first touched.
"""

from importlib import import_module

# fmt: off
_ROOMS = {
    "boxes": [
        "DriveCurve", "Evidence", "Linearity", "Match", "NullReport", "ProbeReport", "WorkingRange", "classify",
        "drive_curve", "matched_output", "null_depth_db", "null_test", "predicted_dbfs", "read_probe",
        "residual_dbfs", "round_trips", "working_range", "write_probe",
    ],
    "mix": [
        "Bus", "BusFigures", "BusPeak", "Change", "Check", "Contributions", "Difference", "Export", "Finding", "Move",
        "Plan", "Sheet", "StagedFile", "Stem", "Verification", "apply_chains", "checkup", "common_offset",
        "contributions", "difference", "plan", "sheet_of", "write_stems",
    ],
}
# fmt: on
_ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names}
__all__ = sorted(_ROOM_OF)


def __getattr__(name):
    if name not in _ROOM_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"gainlib.{_ROOM_OF[name]}"), name)


def __dir__():
    return __all__
