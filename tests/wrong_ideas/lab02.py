"""Lab 02: what meters are taken for."""

from math import log10

from gainlib.labs.lab02 import (
    CREST_TASK,
    SHAPES,
    SHAPES_TASK,
    SWING_TASK,
    _needle_at,
    _set_by,
    half_swing,
    is_dropped,
    loaded_peak,
    loudness_lufs,
    mean_lufs,
)
from gainlib.levels import sum_levels_db

PLAIN_DB = 10 * log10(2)


def crest(g, **moved):
    """Set the take, drums and input gain right but for what is given."""
    right = {"drums_db": g["at"], "gain_db": g["R"] + PLAIN_DB - g["level"]}
    return CREST_TASK.moved(g, **right | moved)


def shapes(g, more_db):
    """Set the three gains so that each peak is over the wanted RMS by so much."""
    return SHAPES_TASK.moved(
        g, **{f"{name}_db": g["R"] - g["p"] + db for name, db in zip(SHAPES, more_db, strict=True)}
    )


def swing(g, peak_dbfs, burst_ms):
    """Set gain and burst."""
    return SWING_TASK.moved(g, gain_db=peak_dbfs - g["level"], burst_ms=burst_ms)


def edge_at(g, gate_lufs, loudness=loudness_lufs):
    """Answer where the soft part begins to count, and the sum."""
    return [gate_lufs, loudness(g)]


WRONG = {
    "02-1": {
        "half of peak to peak": lambda g: _set_by(g, half_swing),
        "peak with the offset": lambda g: _set_by(g, loaded_peak),
        "sine-referred RMS for plain": lambda g: crest(g, gain_db=g["R"] - g["level"]),
        "drums as they are found": lambda g: crest(g, drums_db=g["drums"]),
    },
    "02-2": {
        "equal peaks": lambda g: shapes(g, (0.0, 0.0, 0.0)),
        "plain meter brought there": lambda g: shapes(g, (PLAIN_DB, 0.0, 10 * log10(3))),
        "the peak minus 3 dB for all": lambda g: shapes(g, (PLAIN_DB,) * 3),
        "wrong way round": lambda g: shapes(g, (0.0, PLAIN_DB, PLAIN_DB - 10 * log10(3))),
    },
    "02-3": {
        "the needle shows peaks": lambda g: swing(g, g["P"], 600),
        "by the gain alone": lambda g: swing(g, g["P"] + g["V"] - _needle_at(g, g["P"], 20).highest, 20),
        "300 ms, which it needs": lambda g: swing(g, g["P"], 300),
    },
    "02-5": {
        "peaks added as powers": lambda g: sum_levels_db([g["pL"], g["pR"]]),
        "3 dB over the louder channel": lambda g: max(g["pL"], g["pR"]),
    },
    "02-6": {
        "gate 10 LU under the loud part": lambda g: edge_at(
            g, g["L1"] - 10, lambda g: g["L1"] if g["L1"] - g["L2"] > 10 else mean_lufs(g)
        ),
        "gate only in the sum": lambda g: edge_at(g, g["L1"] - 10),
        "no gate": lambda g: edge_at(g, -70.0, mean_lufs),
        "the loud part alone": lambda g: edge_at(g, g["L1"] - 10, lambda g: g["L1"]),
        "the other programme's gate": lambda g: edge_at(g, mean_lufs(g) - 10),
        "silence lowers it by its length": lambda g: edge_at(
            g, g["L1"] - 10, lambda g: g["L1"] + 10 * log10(g["t1"] / (g["t1"] + g["t2"])) if is_dropped(g) else g["L1"]
        ),
    },
}
