"""Lab 05, summing and the mix bus: why the mix clips when no track does, and what to pull."""

from math import log10

from gainlib.exercises.model import Exercise, Slip
from gainlib.exercises.text import fill
from gainlib.exercises.typed import Number
from gainlib.exercises.variants import draws, grid, one_of
from gainlib.levels import sum_levels_db

HANDBOOK = "Handbook formula: powers of unrelated signals add, amplitudes of identical ones add"


def _same_plus_unrelated(g):
    doubled = sum_levels_db([g["a"], g["b"]], correlation=1.0)
    return sum_levels_db([doubled, g["c"], g["d"]])


UNRELATED = Exercise(
    id="05-1",
    title="Many tracks at one level",
    parts=(Number("Bus level", "dBFS", tolerance=0.1, points=2),),
    given=draws(N=grid(2, 48), L=grid(-30, -14, 0.5)),
    statement=(
        "{N} tracks that have nothing to do with each other run into the bus, every one at {L} dBFS RMS. "
        "What is the RMS level of the bus?"
    ),
    solve=lambda g: sum_levels_db([g["L"]] * g["N"]),
    slips=(
        Slip(
            "coherent",
            lambda g: g["L"] + 20 * log10(g["N"]),
            "That is the sum of identical tracks. Unrelated tracks add as powers: 10·log10 of their number.",
        ),
        Slip(
            "decibels added",
            lambda g: g["L"] * g["N"],
            "Decibels are logarithms and do not add up: turn each level into a power, add, and go back.",
        ),
    ),
    hints=(
        "Unrelated signals add as powers, not as voltages.",
        "How many times the power of a single track does the bus carry? How many dB is that ratio of powers?",
    ),
    explain=lambda g: fill(
        "Powers add: {N} tracks carry {N} times the power of one, and 10·log10({N}) = {rise:.2f} dB. "
        "{L} dBFS {rise:+.2f} dB = {bus:.2f} dBFS.",
        {**g, "rise": 10 * log10(g["N"]), "bus": g["L"] + 10 * log10(g["N"])},
    ),
    cites=(HANDBOOK, "RMS in dBFS, a full-scale sine reads 0: AES17"),
)

DOUBLED = Exercise(
    id="05-2",
    title="A take doubled, and two others",
    parts=(Number("Bus level", "dBFS", tolerance=0.1, points=2),),
    given=draws(**{name: grid(-30, -10, 0.5) for name in "abcd"}),
    statement=(
        "Four tracks run into the bus at {a}, {b}, {c} and {d} dBFS RMS. The first two are the same take, copied; the "
        "other two have nothing to do with it or with each other. What is the RMS level of the bus?"
    ),
    solve=_same_plus_unrelated,
    slips=(
        Slip(
            "all unrelated",
            lambda g: sum_levels_db([g[name] for name in "abcd"]),
            "You added four powers. The first two are the same signal, so their amplitudes add first.",
        ),
        Slip(
            "all identical",
            lambda g: sum_levels_db([g[name] for name in "abcd"], correlation=1.0),
            "You added four amplitudes. Only the first two are the same signal; the others add as powers.",
        ),
    ),
    hints=(
        "Identical signals add as amplitudes. Do that pair first.",
        "Then treat the pair as one track: it is unrelated to the other two, and powers add.",
    ),
    explain=lambda g: fill(
        "The pair: 20·log10(10^({a}/20) + 10^({b}/20)) = {pair:.2f} dBFS. With the others: "
        "10·log10(10^({pair:.2f}/10) + 10^({c}/10) + 10^({d}/10)) = {bus:.2f} dBFS.",
        {**g, "pair": sum_levels_db([g["a"], g["b"]], correlation=1.0), "bus": _same_plus_unrelated(g)},
    ),
    cites=(HANDBOOK, "RMS in dBFS, a full-scale sine reads 0: AES17"),
)

OFFSET = Exercise(
    id="05-3",
    title="One number for all faders",
    parts=(
        Number("Offset on every fader", "dB", tolerance=0.05, points=1),
        Number("New position of that fader", "dB", tolerance=0.05, points=1),
    ),
    given=draws(
        x=grid(-2, 9, 0.1),
        t=one_of(-6, -3, -1),
        f=grid(-30, 5, 0.5),
        where=lambda g: abs(g["f"]) >= 1 and abs(g["x"] - g["t"]) >= 0.5,
    ),
    statement=(
        "Before anything is cut off, in floating point, the sum on your bus peaks at {x} dBTP. You want {t} dBTP "
        "and the balance as it is. By how much do you move every fader? Where does a fader now at {f} dB end up?"
    ),
    solve=lambda g: [g["t"] - g["x"], g["f"] + g["t"] - g["x"]],
    slips=(
        Slip(
            "sign",
            lambda g: [g["x"] - g["t"], g["f"] + g["x"] - g["t"]],
            "Wrong way round: a bus that is too hot needs a negative move, target minus reading.",
        ),
        Slip(
            "move for position",
            lambda g: [None, g["t"] - g["x"]],
            "That is the move itself. The fader starts from where it is now, not from unity.",
        ),
    ),
    hints=(
        "The move takes the reading to the target: target minus reading.",
        "Every fader moves by the same number of dB, whatever it stands at.",
    ),
    explain=lambda g: fill(
        "Every level moves by the same number, so does their sum: {t} − ({x}) = {move:+.1f} dB. The fader goes from "
        "{f} dB to {f} + ({move:.1f}) = {new:.1f} dB. The balance between any two tracks stays as it was.",
        {**g, "move": g["t"] - g["x"], "new": g["f"] + g["t"] - g["x"]},
    ),
    cites=("Handbook formula: a gain common to all inputs is a gain of the sum", "True peak: ITU-R BS.1770, Annex 2"),
)

EXERCISES = (UNRELATED, DOUBLED, OFFSET)
