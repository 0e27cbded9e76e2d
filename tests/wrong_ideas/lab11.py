"""Lab 11: wrong methods."""

from gainlib.exercises.masters import plr_db, three, wrong_order
from gainlib.labs import lab11

WRONG = {
    "11-1": {
        "loudness only": lambda g: lab11._alone(g, peak=False),
        "true peak only": lambda g: lab11._alone(g, loudness=False),
        "as found": lambda g: lab11.ALONE.moved(g),
        "the larger way": lambda g: lab11.ALONE.moved(
            g,
            **{
                f"gain_{w}": max(g["t"] - g[f"lufs_{w}"], g["p"] - g[f"lufs_{w}"] - plr_db(g[f"mix_{w}"])) for w in "ab"
            },
        ),
    },
    "11-2": {
        "target minus loudness": lambda g: [g["t"] - level for level, _ in three(g).values()],
        "never up": lambda g: [min(0.0, g["t"] - level) for level, _ in three(g).values()],
        "up to 0 dBTP": lambda g: [min(g["t"] - level, -peak) for level, peak in three(g).values()],
        "always to −1 dBTP": lambda g: [-1 - peak for _, peak in three(g).values()],
    },
    "11-3": {
        "over full scale is clipped": lambda g: lab11._sorted(g, lambda kind, _: "clipped" if kind == "over" else kind),
        "under full scale is fine": lambda g: lab11._sorted(g, lambda kind, _: "fine" if kind == "clipped" else kind),
        "16 bit is low": lambda g: lab11._sorted(g, lambda kind, word: "low" if word == 16 else kind),
        "all of them are fine": lambda g: dict.fromkeys("ABCDE", "fine"),
    },
    "11-4": {
        "dither first": lambda g: wrong_order(g, ("dither", 0)),
        "limit first": lambda g: wrong_order(g, ("limit", 0)),
        "measure before limiting": lambda g: wrong_order(g, ("check", 0)),
        "as they are shown": lambda g: list(g["steps"]),
    },
    "11-5": {
        "true peak alone": lambda g: lab11._loss(g, lambda f: f.true_peak),
        "loudness alone": lambda g: lab11._loss(g, lab11.LOUDNESS),
        "sample peak": lambda g: lab11._loss(g, lab11.SAMPLE),
        "behind less before": lambda g: [-each for each in lab11._loss(g)],
    },
    "11-6": {
        "gain alone": lambda g: lab11.MASTER.moved(g, gain_db=max(-12.0, g["t"] - g["handed"]), bits=float(g["word"])),
        "the loudness of the mix": lambda g: lab11._mastered(g, by_db=-3.0),
        "no dither": lambda g: lab11._mastered(g, dither=0.0),
        "left in float": lambda g: lab11.MASTER.moved(g, **{**lab11._mastered(g)["desk"], "bits": 32.0, "dither": 0.0}),
        "3 dB more into the limiter": lambda g: lab11._mastered(g, by_db=3.0),
    },
}
