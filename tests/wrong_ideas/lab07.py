"""Lab 07: wrong methods."""

from gainlib.exercises import bypass as runs
from gainlib.labs import lab07


def trims(average=lambda g: g["reference"] - g["active"], peak=lambda g: g["limit"] - g["peak"], turned=False):
    """Return the method that reads the two trims so; the rule that binds follows from them, or is the other one."""

    def answer(g):
        found = average(g), peak(g)
        return [*found, "average" if (found[0] <= found[1]) != turned else "peak"]

    return answer


def run(g, *said):
    """Return both runs answered from the readings, and what is said of them."""
    loud, staged = (runs.trials_in_which(*each)(g) for each in (("louder", "A"), ("order", "B")))
    return [{"silent": loud}, {"silent": staged}, *said]


WRONG = {
    "07-1": {
        "peak to the reference": lambda g: g["reference"] - g["peak"],
        "RMS of the whole file": lambda g: g["reference"] - g["whole"],
        "reading minus reference": lambda g: g["active"] - g["reference"],
        "to −18 whatever the box": lambda g: -18 - g["active"] if g["reference"] != -18 else -g["active"],
    },
    "07-2": {
        "as the level": lambda g: lab07._third(g, 1),
        "as the cube": lambda g: lab07._third(g, 3),
        "the same": lambda g: g["q"],
    },
    "07-3": {
        "sign": lambda g: lab07.MATCH_TASK.moved(g, out_db=g["louder"]),
        "peaks made equal": lambda g: lab07.MATCH_TASK.moved(g, out_db=-g["higher"]),
        "the gain inside taken out": lambda g: lab07.MATCH_TASK.moved(g, out_db=-g["inside"] or 0.01),
        "half way": lambda g: lab07.MATCH_TASK.moved(g, out_db=-0.5 * g["louder"]),
    },
    "07-4": {
        "not matched": lambda g: lab07.walked(g, match="none"),
        "matched by peak": lambda g: lab07.walked(g, match="peak"),
        "trim not undone": lambda g: lab07.walked(g, post=False),
    },
    "07-5": {
        "tone": lambda g: run(g, "tone", runs.allowed(g["other"], 1)),
        "proved the same": lambda g: run(g, "level", runs.PROVED),
        "the stage is better": lambda g: run(g, "level", runs.BETTER),
        "more than half is enough": lambda g: run(g, "level", runs.NOT_SHOWN if g["other"] >= 12 else runs.SHOWN),
    },
    "07-6": {
        "RMS of the whole file": trims(lambda g: g["reference"] - g["whole"]),
        "peak to the reference": trims(lambda g: g["reference"] - g["peak"]),
        "peak to full scale": trims(peak=lambda g: -g["peak"] if g["limit"] else -g["peak"] - 3),
        "the larger binds": trims(turned=True),
    },
}
