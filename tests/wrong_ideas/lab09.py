"""Lab 09: wrong methods."""

from math import log10

from gainlib.labs import lab09


def handed(trim):
    """Return the method that brings the fader to where it is wanted, and sets the trim so."""
    return lambda g: lab09.HANDED_TASK.moved(g, fader_db=g["n"], post_trim_db=max(-24.0, min(24.0, trim(g))))


def move(g, low_mm, high_mm):
    """Return the slope over a move of the fader from its place, by so many millimetres to either side."""
    law, x = lab09._law_of(g), lab09._law_of(g).mm_at(g["f"])
    return (law.db_at(x + high_mm) - law.db_at(x + low_mm)) / (high_mm - low_mm)


def laid(g, exponent=1.0, steep=1.0):
    """Return the law through the points with one of the two numbers scaled."""
    return lab09.measured_answer(g, exponent=exponent, steep=steep)


WRONG = {
    "09-1": {
        "ten for twenty": lambda g: 10 * g["k"] * log10(g["x"] / g["x0"]),
        "even scale to unity": lambda g: 20 * log10(g["x"] / g["x0"]),
        "share of the travel": lambda g: 20 * g["k"] * log10(g["x"] / 100),
    },
    "09-2": {
        "slope at unity": lambda g: lab09._law_of(g).db_per_mm(0.0),
        "all the way to unity": lab09._chord,
        "half of the way down": lambda g: move(g, -lab09._law_of(g).mm_at(g["f"]) / 2, 0.0),
        "level over position": lambda g: abs(g["f"]) / lab09._law_of(g).mm_at(g["f"]),
    },
    "09-3": {
        "trim left": handed(lambda g: g["t"]),
        "trim the wrong way": handed(lambda g: g["t"] - g["f"] + g["n"]),
        "trim by the fader alone": handed(lambda g: g["f"]),
        "old trim forgotten": handed(lambda g: g["f"] - g["n"]),
        "fader back to 0 dB": lambda g: lab09.HANDED_TASK.moved(g, fader_db=0.0, post_trim_db=g["t"] + g["f"]),
    },
    "09-4": {
        "difference over the exponent": lambda g: (g["f2"] - g["f1"]) / (20 * g["k"]),
        "ratio of the gains": lambda g: 10 ** ((g["f2"] - g["f1"]) / 20),
        "ratio of the dB": lambda g: g["f1"] / (g["f2"] or 1.0),
    },
    "09-5": {
        "sends left": lambda g: lab09.handed_over(g, sends=0),
        "sends the wrong way": lambda g: lab09.handed_over(g, sends=-1),
        "faders alone": lambda g: lab09.handed_over(g, trims=0),
        "only the far ones, sends left": lambda g: lab09.handed_over(g, stems=lab09.far_stems(g), sends=0),
    },
    "09-6": {
        "natural logarithm": lambda g: laid(g, exponent=1 / lab09.LN_10),
        "twice the exponent": lambda g: laid(g, exponent=2.0),
        "ln 10 forgotten": lambda g: laid(g, steep=lab09.LN_10),
        "steep where the law crosses 0 dB": lambda g: [laid(g)[0], laid(g)[0]["law"]["unity_mm"]],
    },
}
