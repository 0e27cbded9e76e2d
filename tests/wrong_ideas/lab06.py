"""Lab 06: what is taken for nonlinear, and how a residual is misread."""

from gainlib.labs import lab06
from gainlib.meters.average import SINE_CREST_DB

NOISY_OR_DRIFTING = ("noisy", "drift")


def taken(g, *kinds, as_kind="nonlinear"):
    """Return the kinds of the boxes, some of them taken for another."""
    return {letter: as_kind if kind in kinds else kind for letter, kind in lab06.sorted_out(g).items()}


def heard(g, meter):
    """Return what a meter reads of the box while nothing is added."""
    return lab06.metered_dbfs(lab06.out_of_silence(g), meter)


WRONG = {
    "06-1": {
        "linear or not": lambda g: {
            letter: "linear" if kind == "linear" else "nonlinear" for letter, kind in lab06.sorted_out(g).items()
        },
        "whatever does not repeat is nonlinear": lambda g: taken(g, *NOISY_OR_DRIFTING),
        "a residual under −60 dB is linear": lambda g: taken(g, "upto", as_kind="linear"),
        "noise drifts": lambda g: taken(g, "noisy", as_kind="drift"),
        "an error that shrinks is added": lambda g: {
            letter: "noisy" if lab06.kind_of(name) == "coarse converter" else lab06.class_of(name)
            for letter, name in lab06.lettered(g["boxes"]).items()
        } if any(lab06.kind_of(name) == "coarse converter" for name in g["boxes"]) else taken(g, "noisy"),
    },
    "06-2": {
        "gains left as found": lambda g: lab06.residual_db(g, 0.0, 0.0),
        "gains applied again": lambda g: lab06.residual_db(g, g["a"], g["b"]),
        "only the soft pass undone": lambda g: lab06.residual_db(g, -g["a"], 0.0),
        "only the loud pass undone": lambda g: lab06.residual_db(g, 0.0, -g["b"]),
        "level of the drive": lambda g: float(g["b"] - g["a"]),
    },
    "06-3": {
        "plain RMS": lambda g: lab06.limit_dbfs(g) - SINE_CREST_DB,
        "level of the half": lambda g: lab06.limit_dbfs(g) - 6.02,
        "where the line bends": lambda g: lab06.limit_dbfs(g) + 3.0,
        "−18 as everywhere": lambda g: -18.0,
    },
    "06-4": {
        "peak as found": lambda g: heard(g, "peak"),
        "RMS as found": lambda g: heard(g, "referred"),
        "plain RMS of the noise": lambda g: lab06.noise_dbfs(g, "plain"),
        "peak of the noise": lambda g: lab06.noise_dbfs(g, "peak"),
    },
    "06-5": {
        "all": lambda g: list(g["across"]),
        "none that changes in time": lambda g: [
            name for name in lab06.crossed(g) if name not in ("tremolo", "reverberation", "delay")
        ] or ["saturator" if "saturator" in g["across"] else g["across"][0]],
        "what distorts little": lambda g: lab06.crossed(g, also=("compressor", "gate", "converter")),
    },
    "06-6": {
        "the compressor taken as linear": lambda g: float(g["L2"] - g["L1"]),
        "all divided": lambda g: (g["L2"] - g["L1"]) / g["R"],
        "only over the threshold": lambda g: (g["L2"] - g["T"]) / g["R"],
    },
}  # fmt: skip
