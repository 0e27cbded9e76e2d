"""Lab 10: wrong methods."""

from math import log10

from gainlib.labs import lab10


def lowered(**left):
    """Return the method that leaves some controls elsewhere than they belong."""
    return lambda g: lab10._lowered(g, **{name: value(g) for name, value in left.items()})


WRONG = {
    "10-1": {
        "sides swapped": lab10._swapped,
        "ten for twenty": lambda g: lab10._panned(g, 10),
        "linear law": lab10._linear,
        "change of the right": lambda g: [
            *lab10._panned(g)[:2],
            lab10._panned({"a": 90 - g["a"], "b": 90 - g["b"]})[2],
        ],
        "change turned round": lambda g: [*lab10._panned(g)[:2], -lab10._panned(g)[2]],
    },
    "10-2": {
        "fader alone": lambda g: lab10._sends(g, room=0),
        "all three moved": lambda g: lab10._sends(g, echo=1),
        "trim forgotten": lambda g: lab10._sends(g, trim=0),
        "trim taken twice": lambda g: lab10._sends(g, trim=2),
    },
    "10-3": {
        "as unrelated": lambda g: lab10._sum(g, 0),
        "as copies": lambda g: lab10._sum(g, 1),
        "levels averaged": lambda g: (g["a"] + g["b"]) / 2,
        "louder one plus 3 dB": lambda g: max(g["a"], g["b"]) + 3,
        "powers times one plus ρ": lambda g: lab10._sum(g, 0) + 10 * log10(1 + g["r"]),
    },
    "10-4": {
        "whole period": lambda g: lab10._notch(g, periods=1),
        "left inverted": lambda g: lab10._notch(g, polarity=lab10.INVERTED),
        "matched as copies": lambda g: lab10._notch(g, rho=1),
        "matched as powers": lambda g: lab10._notch(g, rho=0),
    },
    "10-5": {
        "side peak of the toms": lambda g: [lab10._other(g, "04 toms"), g["one_side"], g["dual"]],
        "signs turned": lambda g: [lab10._other(g, *lab10.DRUMS), g["one_side"], g["dual"]],
        "sides mixed up": lambda g: [g["inverted"], g["dual"], g["one_side"]],
    },
    "10-6": {
        "fader left down": lowered(fader_db=lambda g: g["fader"] - g["x"], group_db=lambda g: 0.0),
        "effects left": lowered(room_db=lambda g: g["room"], echo_db=lambda g: g["echo"]),
        "room left": lowered(room_db=lambda g: g["room"]),
        "group down as well": lowered(fader_db=lambda g: g["fader"] - g["x"]),
    },
}
