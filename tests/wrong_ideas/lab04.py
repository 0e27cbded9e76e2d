"""Lab 04: wrong methods."""

import numpy as np

from gainlib.exercises.rounds import CHAINS, forty
from gainlib.labs import lab04

WRONG = {
    "04-1": {
        "forty is four times ten, in decibels": lambda g: [4 * each for each in forty(g, 0.0)],
        "floating point never grows": lambda g: [
            each + 6.02 * (kind == "fresh") for kind, each in zip(g["order"].split(), forty(g, 0.0), strict=True)
        ],
        "a decibel a round": lambda g: forty(g, 30.0),
    },
    "04-2": {
        "six a bit": lambda g: [6.0 * g["b"] + g["p"]] * 2,
        "dither changes nothing": lambda g: [lab04._sn(g)[0]] * 2,
        "plain RMS of full scale": lambda g: [6.02 * g["b"] + g["p"], 6.02 * g["b"] + g["p"] - 4.77],
    },
    "04-3": {
        "as found": lambda g: lab04.EQUAL.moved(g),
        "the attenuation counts twice": lambda g: lab04.EQUAL.moved(
            g, **{**lab04._equal(g)["desk"], "down_db": lab04._equal(g)["desk"]["down_db"] / 2}
        ),
        "one bit less": lambda g: lab04.EQUAL.moved(
            g, **{**lab04._equal(g)["desk"], "bits": lab04._equal(g)["desk"]["bits"] - 1}
        ),
    },
    "04-4": {
        "noise halves with each copy": lambda g: g["n"] - 10 * np.log10(g["R"]),
        "one copy fewer": lambda g: g["n"] + 10 * np.log10(g["R"] - 1),
    },
    "04-6": {
        "all that goes over full scale": lambda g: [k for k in g["chains"] if CHAINS[k][2][0] == "up"],
        "all whole numbers": lambda g: [k for k in g["chains"] if "float" not in CHAINS[k][0]],
        "all that is turned far down": lambda g: [k for k in g["chains"] if CHAINS[k][1] in ("low", "deep")],
        "only what clips": lambda g: [k for k in g["chains"] if "clip" in CHAINS[k][2]],
        "all of 16 bit and less": lambda g: [k for k in g["chains"] if k.split()[0] in ("12", "16")],
        "all that is done many times": lambda g: [k for k in g["chains"] if "many" in k],
    },
}
