"""Lab 01: wrong methods."""

import math

from gainlib.labs import lab01

WRONG = {
    "01-1": {
        "three decibels for double": lambda g: 3.01 * math.log2(g["b"] / g["a"]),
        "share in place of level": lambda g: (g["b"] - g["a"]) / g["a"],
    },
    "01-2": {
        "0.775 V is 0 dBV": lambda g: [1000 * 0.7746**2 * 10 ** (g["u"] / 20), g["u"]],
        "ten decibels apart from each other": lambda g: [774.6 * 10 ** (g["u"] / 20), g["u"] - 10],
    },
    "01-3": {
        "pad and insert left out": lambda g: g["s"] + g["g"] - g["K"],
        "0 dBFS is 0 dBu": lambda g: g["s"] - g["p"] + g["g"] + g["i"],
        "insert turned over": lambda g: g["s"] - g["p"] + g["g"] - g["i"] - g["K"],
    },
    "01-4": {
        "−10 dBV is −10 dBu": lambda g: [
            lab01.TONE.moved(g, gain_db=g["t"] + g["K"] - (4.0 if g["line"] == "+4 dBu" else -10.0)),
            g["K"],
        ],
        "unity": lambda g: [{"desk": {"gain_db": 0.0}}, g["K"]],
        "down to the reading": lambda g: [lab01.TONE.moved(g, gain_db=g["t"]), g["K"]],
    },
    "01-5": {
        "voltages are dBV with a point": lambda g: [
            "abcdef"[k] for k in sorted(range(6), key=lambda k: g["values"][k] / (1000 if g["units"][k] == "mV" else 1))
        ],
    },
    "01-6": {
        "all at once, and unity from there": lambda g: lab01._set(g, lab01._at_once(g)),
        "a quarter in every stage": lambda g: lab01._set(g, lab01._evenly(g)),
        "averages up to the room": lambda g: lab01._set(g, lab01._with_average(g)),
        "all in the last": lambda g: lab01._set(g, [0.0, 0.0, 0.0, g["t"] - g["u"]]),
        "up to the ceilings, no room": lambda g: lab01._set(g, lab01._best({**g, "h": 0})),
    },
}
