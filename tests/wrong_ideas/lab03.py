"""Lab 03: wrong methods."""

from gainlib.labs import lab03


def _careful_with(g, pad, by=0.0):
    return lab03._set(g, pad, lab03._careful(g)[1] + by)


def _judged_by(g, judge):
    return {letter: judge(g[f"kind_{letter}"], g[f"peak_{letter}"]) for letter in lab03.TAKES}


def _other_pad(g):
    return 0.0 if g["loud"] else 20.0


WRONG = {
    "03-1": {
        "0 dBu is 1 V": lambda g: lab03._output(g) - 2.218,
        "sensitivity as it is, plus the level": lambda g: g["S"] + g["P"] - 94,
        "94 dB SPL whatever the level": lambda g: lab03._output({**g, "P": 94}),
    },
    "03-2": {
        "the reading is the gain": lambda g: g["t"] - g["peak"] - g["m"],
        "the average to the mark": lambda g: lab03._to(g, "average", 0),
        "the gain as it is": lambda g: g["g"],
    },
    "03-3": {
        "resistance forgotten": lambda g: lab03._thermal({**g, "R": 150 if g["R"] != 150 else 200}),
        "20 kHz whatever the band": lambda g: lab03._thermal({**g, "B": 20 if g["B"] != 20 else 15}),
        "milliwatts": lambda g: lab03._thermal(g) + 30,
    },
    "03-4": {
        "the louder of the two": lambda g: [max(g["E"] + g["G"] - g["K"], g["Nc"]), lab03._knee(g, 0.0)],
        "levels added": lambda g: [g["E"] + g["G"] - g["K"] + g["Nc"], lab03._knee(g, 20.0)],
        "as much gain as there is": lambda g: [lab03._total(g), {"desk": {"gain_db": 65.0}}],
    },
    "03-5": {
        "every clip is the converter's": lambda g: _judged_by(
            g, lambda kind, _: "converter" if kind == "preamp" or "preamp" not in lab03._judged(g).values() else kind
        ),
        "by the peak": lambda g: _judged_by(
            g, lambda _, peak: "converter" if peak > -4 else "low" if peak < -9 else "good"
        ),
        "all good": lambda g: _judged_by(g, lambda *_: "good"),
    },
    "03-6": {
        "as hot as the rehearsal allows": lambda g: lab03._set(g, *lab03._hot(g)),
        "half the gain to be safe": lambda g: _careful_with(g, lab03._careful(g)[0], -lab03._careful(g)[1] / 2),
        "no gain": lambda g: lab03._set(g, lab03._careful(g)[0], 0.0),
        "the other pad": lambda g: _careful_with(g, _other_pad(g)),
        "the other pad, gain made up": lambda g: _careful_with(g, _other_pad(g), -20.0 if g["loud"] else 20.0),
        "average where the peak should be": lambda g: _careful_with(g, lab03._careful(g)[0], lab03.crest(g["stem"])),
    },
}
