"""Lab 08: wrong methods."""

from gainlib.labs import lab08


def steady(g, over, makeup=None):
    """Return the tone set to that much over the threshold, and the right reductions in a soft knee."""
    makeup = g["g"] if makeup is None else makeup
    return [lab08.STEADY_TASK.moved(g, threshold_dbfs=max(g["L"] - over, -60), makeup_db=makeup), *soft(g)]


def soft(g):
    """Return the reductions of both levels in the soft knee."""
    return lab08.STEADY.solve(g)[1:]


def trimmed(threshold, makeup):
    """Return the method that moves threshold and makeup by such shares of the trim's move."""
    return lambda g: lab08.TRIM_TASK.moved(g, threshold_dbfs=g["T"] + threshold(g), makeup_db=makeup(g))


def group(faders, output, change=None):
    """Return the method that leaves faders and output so, the change by the faders alone right unless given."""

    def answer(g):
        told = -g["x"] / g["other"] if change is None else change(g)
        return [lab08.GROUP_TASK.moved(g, faders_db=faders(g), makeup_db=output(g)), told]

    return answer


def book(g, **by):
    """Return the compressor set by the book, with some controls moved from there."""
    right = lab08.by_the_book(g)["compressor"]
    return {"compressor": right | {name: right[name] + value for name, value in by.items()}}


def over(given):
    """Return how far the tone is over the threshold that turns it down by as much as is asked."""
    return given["g"] / (1 - 1 / given["R"])


WRONG = {
    "08-1": {
        "over by the reduction": lambda g: steady(g, g["g"]),
        "over by the reduction times the ratio": lambda g: steady(g, g["g"] * g["R"] if g["R"] != 2 else g["g"]),
        "makeup by what is over": lambda g: steady(g, over(g), min(over(g), 24.0)),
        "no makeup": lambda g: steady(g, g["g"] / (1 - 1 / g["R"]), 0.0),
        "hard knee for both": lambda g: [
            *steady(g, g["g"] / (1 - 1 / g["R"]))[:1],
            *lab08._both(lab08._reduction)(g)[1:],
        ],
        "bent for both": lambda g: [*steady(g, g["g"] / (1 - 1 / g["R"]))[:1], *lab08._both(lab08._bent)(g)[1:]],
    },
    "08-2": {
        "makeup only": trimmed(lambda g: 0.0, lambda g: g["x"]),
        "threshold only": trimmed(lambda g: -g["x"], lambda g: 0.0),
        "both down": trimmed(lambda g: -g["x"], lambda g: -g["x"]),
        "threshold up": trimmed(lambda g: g["x"], lambda g: g["x"]),
        "threshold by a share of the ratio": trimmed(lambda g: -g["x"] / g["R"], lambda g: g["x"]),
    },
    "08-3": {
        "largest reduction": lambda g: g["most"],
        "mean reduction": lambda g: g["mean"],
        "active level": lambda g: g["active_in"] - g["active_out"],
        "half the largest reduction": lambda g: g["most"] / 2,
    },
    "08-4": {
        "no margins": lambda g: [g["N"] + g["g"], g["Q"] + g["g"]],
        "margins swapped": lambda g: [g["N"] + g["g"] + 3, g["Q"] + g["g"] - 6],
        "only the noise moves": lambda g: [g["N"] + g["g"] + 6, g["Q"] - 3],
    },
    "08-5": {
        "as found": group(lambda g: -g["x"], lambda g: 0.01),
        "the same behind": group(lambda g: -g["x"], lambda g: -g["x"]),
        "rest behind": group(lambda g: -g["x"], lambda g: g["x"] / g["R"] - g["x"]),
        "output by a share of the ratio": group(lambda g: 0.0, lambda g: -g["x"] / g["R"]),
        "what is missing for what is changed": group(
            lambda g: 0, lambda g: -g["x"], lambda g: g["x"] / g["other"] - g["x"]
        ),
    },
    "08-6": {
        "makeup by the largest reduction": lab08._by_most,
        "makeup left": lab08._unmatched,
        "makeup by the mean reduction": lambda g: {"compressor": book(g)["compressor"] | {"makeup_db": float(g["g"])}},
        "all turned down": lambda g: book(g, trim_db=-12.0),
    },
}
