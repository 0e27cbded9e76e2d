"""Lab 05: what a bus is taken for."""

from math import log10

import numpy as np

from gainlib.exercises.refrain import STEMS, short_name
from gainlib.labs import lab05
from gainlib.levels import sum_levels_db


def seen(g):
    """Return the peaks of the mix."""
    return lab05._leave_one_out(g)


def highest(g):
    """Return the track with the highest peak of its own."""
    return max(STEMS, key=seen(g).own_dbfs.get)


def loudest(g):
    """Return the track with the most power."""
    return STEMS[int(np.argmax([np.mean(part**2) for part in lab05._parts_at(g["gains_db"])]))]


def brought_down(g, stem):
    """Return by how much a track has to come down, or by what the bus is over where that is never enough."""
    least = lab05._least_attenuation_db(g, stem)
    return seen(g).bus_dbfs + 1 if least is None else least


def set_so(g, back_db, by_db):
    """Raise the fader that was pulled down, and move all."""
    faders = zip(STEMS, g["faders_db"], strict=True)
    return {s: {"fader_db": round(f + by_db + back_db * (short_name(s) == g["track"]), 2)} for s, f in faders}


WRONG = {
    "05-1": {
        "20 log N": lambda g: g["L"] + 20 * log10(g["N"]),
        "3 dB for all": lambda g: g["L"] + 3.0,
    },
    "05-2": {
        "mean of the pair and 6 dB": lambda g: sum_levels_db([(g["a"] + g["b"]) / 2 + 6.02, g["c"], g["d"]]),
        "louder of the pair and 6 dB": lambda g: sum_levels_db([max(g["a"], g["b"]) + 6.02, g["c"], g["d"]]),
        "pair as powers": lambda g: sum_levels_db([g[name] for name in "abcd"]),
    },
    "05-3": {
        "all moved, none put back": lambda g: set_so(g, 0.0, lab05._common(g, 0.0, g["t"])),
        "put back, none moved": lambda g: set_so(g, g["y"], 0.0),
        "put back after the reading": lambda g: set_so(g, g["y"], lab05._common(g, 0.0, g["t"])),
        "wrong way": lambda g: set_so(g, -g["y"], lab05._common(g, g["y"], g["t"])),
    },
    "05-4": {
        "highest meter": lambda g: [highest(g), brought_down(g, highest(g))],
        "highest meter, by the excess": lambda g: [highest(g), seen(g).bus_dbfs + 1],
        "most power": lambda g: [loudest(g), brought_down(g, loudest(g))],
        "the right one, by the excess": lambda g: [seen(g).culprit, seen(g).bus_dbfs + 1],
        "the right one, to the limit itself": lambda g: [seen(g).culprit, seen(g).own_dbfs[seen(g).culprit] + 1],
    },
    "05-5": {
        "only the master": lambda g: lab05.moved(g, 0.0, master_db=-6.5),
        "by the clipped reading": lambda g: lab05.moved(
            g, -6.5 - lab05.read_mix(lab05.hot_mix(g)).true_peak_dbtp, master_db=0.0
        ),
        "the loudest alone": lambda g: lab05.moved(g, -12.0, stems=(lab05._loudest(g),)),
    },
    "05-6": {
        "the master always cures": lambda g: list(g["set_ups"]),
        "floating point always cures": lambda g: [name for name in g["set_ups"] if "fixed" not in name],
        "a clipped take is cured": lambda g: [*lab05._cured(g), lab05.TAKE],
    },
}  # fmt: skip
