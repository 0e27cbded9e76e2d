"""Lab 00: wrong methods."""

from gainlib.levels.exposure import minutes_a_day, percent_of_week


def week(given, **changed):
    """Return the share of a week's allowance."""
    pairs = [(given["h1"], given["L1"]), (given["h2"], given["L2"])]
    return percent_of_week([(hours, level) for hours, level in pairs if level >= changed.get("from_dba", 0)])


def agree(given, column, within):
    """Return the pairs in which a column agrees within so much."""
    readings = zip(given[f"a_{column}"], given[f"b_{column}"], strict=True)
    return [str(k) for k, (a, b) in enumerate(readings, 1) if abs(a - b) <= within + 1e-6]


WRONG = {
    "00-1": {
        "whole steps of 3 dB only": lambda g: minutes_a_day(85 + 3 * ((g["L"] - 85) // 3)),
        "minus a share a decibel": lambda g: 480 * (1 - (g["L"] - 85) / 20),
    },
    "00-2": {
        "below 80 dBA does not count": lambda g: week(g, from_dba=80),
        "the louder one alone": lambda g: week(g, from_dba=max(g["L1"], g["L2"])),
    },
    "00-5": {"as likely as not": lambda g: 0.5, "the share of right picks": lambda g: g["k"] / g["n"]},
    "00-6": {
        "where peaks differ": lambda g: [k for k in "123456" if k not in agree(g, "peak", 0.1)],
        "where peaks agree": lambda g: agree(g, "peak", 0.1) or ["1"],
        "where RMS agrees": lambda g: agree(g, "rms", 0.1) or ["1"],
        "within 0.3 LU": lambda g: agree(g, "lufs", 0.3),
        "within 0.5 LU": lambda g: agree(g, "lufs", 0.5),
    },
}
