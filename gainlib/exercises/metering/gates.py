"""A loud and a soft part in one programme: what the two gates of the loudness meter make of them.

Source: ITU-R BS.1770-4 Annex 1, equations (3) to (7): blocks at −70 LUFS or less are left out, then those at 10 LU or
more under the mean of the rest; the mean of what stays is the loudness. Steady parts, the blocks across the join left
aside.
"""

from math import log10

from gainlib.meters.loudness import RELATIVE_GATE_LU

CLEAR_LU = 0.3


def mean_lufs(given: dict) -> float:
    """Return the mean of both parts as powers over time, before the second gate."""
    seconds = given["t1"] + given["t2"]
    return 10 * log10(sum(given[f"t{part}"] * 10 ** (given[f"L{part}"] / 10) for part in (1, 2)) / seconds)


def threshold_lufs(given: dict) -> float:
    """Return where the second gate stands."""
    return mean_lufs(given) + RELATIVE_GATE_LU


def is_dropped(given: dict) -> bool:
    """Whether the soft part lies under the second gate."""
    return given["L2"] < threshold_lufs(given)


def loudness_lufs(given: dict) -> float:
    """Return the integrated loudness."""
    return float(given["L1"]) if is_dropped(given) else mean_lufs(given)


def is_clear(given: dict) -> bool:
    """Whether the parts lie 4 to 30 LU apart and the soft one not so near the gate that the join could decide."""
    return 4 <= given["L1"] - given["L2"] <= 30 and abs(given["L2"] - threshold_lufs(given)) >= CLEAR_LU
