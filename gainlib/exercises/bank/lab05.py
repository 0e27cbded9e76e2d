"""Lab 05, summing and the mix bus: why the mix clips when no track does, and what to pull."""

from functools import partial
from math import log10

from gainlib.exercises.checks import Check
from gainlib.exercises.choosing import Choice, Multi
from gainlib.exercises.mixing import all_faders, loud_source, setups
from gainlib.exercises.mixing.refrain import STEMS, short_name
from gainlib.exercises.model import Exercise, Option, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.practical import State
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, either, grid, one_of
from gainlib.levels import sum_levels_db
from gainlib.mix import common_offset

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

# ------------------------------------------------------------------------------------------------------ one loud source

LOUD_SOURCE = Exercise(
    id="05-4",
    title="The one that clips the bus",
    parts=(
        Choice("The track", points=2, options=tuple(Option(stem, short_name(stem)) for stem in STEMS)),
        Number("Least attenuation of that track", "dB", tolerance=0.2, points=2),
    ),
    given=either(*(partial(loud_source.draw, suspect=stem) for stem in loud_source.SUSPECTS)),
    statement=(
        "One track alone makes this bus clip: with it muted the bus is tame, with any other muted it still clips. "
        "Which one? And by how many dB must it come down at least, until the sample peak of the bus is no higher than "
        "−1.0 dBFS? Give a positive number, rounded up to one decimal."
    ),
    solve=lambda g: [loud_source.culprit(g), loud_source.cure_db(g)],
    slips=(
        Slip(
            "loud on its meter",
            lambda g: [loud_source.loudest_other(g), None],
            "That one is high on its own meter, but with it muted the bus still clips. What counts is what a track "
            "adds at the instant the bus peaks.",
        ),
        Slip(
            "own peak",
            lambda g: [None, loud_source.own_excess_db(g)],
            "That brings the track's own peak to the ceiling. The others play at that instant too, so it has to come "
            "down until the sum fits.",
        ),
        Slip(
            "excess of the bus",
            lambda g: [None, loud_source.bus_excess_db(g)],
            "That is the excess of the bus. Only one of its parts moves, so that part has to move further.",
        ),
    ),
    hints=(
        "Mute one track at a time and watch the sample peak of the bus.",
        "Look at the contributions at the worst instant: one of them is most of it.",
        "Lower that fader until the bus reads the ceiling; what its own meter reads does not matter.",
    ),
    explain=lambda g: fill(
        "With all tracks the bus peaks at {bus:+.1f} dBFS. Without the {name} it peaks at {rest:.1f} dBFS; without any "
        "other it stays at {others:+.1f} dBFS or more. By itself the {name} peaks at {own:+.1f} dBFS. At every sample "
        "that is over, the rest + gain × {name} has to fit under 10^(−1/20) = 0.891; the tightest of them asks for "
        "{least:.1f} dB.",
        loud_source.figures(g),
    ),
    cites=("Sample peak: AES17", "Handbook formula: samples of a sum add"),
    material=loud_source.loud_mix,
)

ALL_FADERS = Exercise(
    id="05-5",
    title="Bring the whole mix down",
    parts=(
        State(
            "Faders and master fader",
            points=4,
            controls=all_faders.controls,
            checks=(
                Check("bus", all_faders.true_peak_dbtp, all_faders.WINDOW_DBTP, "dBTP", too_high="too hot"),
                Check("balance", all_faders.balance, (None, all_faders.APART_DB), too_high="too much"),
                Check("cut off at full scale:", all_faders.cut_samples, (0, 0), "samples", 0, too_high="too many"),
            ),
            from_session=all_faders.compact,
            nudges=all_faders.nudges,
        ),
    ),
    given=all_faders.draw,
    statement=(
        "The sum of this mix is fixed-point: what exceeds full scale is cut off there, ahead of the master fader. Set "
        "the faders so that the bus reads −7.0 to −6.0 dBTP, nothing is cut off, and the level between any two tracks "
        "stays within 0.1 dB of what it is now."
    ),
    solve=lambda g: all_faders.moved(g, all_faders.offset_db(g)),
    slips=(
        Slip(
            "one fader",
            lambda g: all_faders.moved(g, -20.0, stems=(all_faders.loudest(g),)),
            "You moved a single fader, and the balance went with it. All of them have to come down by the same number.",
            spots=all_faders.one_fader_moved,
        ),
        Slip(
            "master only",
            lambda g: all_faders.moved(g, 0.0, master_db=all_faders.AIM_DBTP),
            "You moved only the master fader. The sum was cut off ahead of it, so it turns down what is clipped.",
            spots=all_faders.master_only_moved,
        ),
    ),
    hints=(
        "Which comes first here, the sum that cuts off or the master fader?",
        "Lock all faders together, then move them: what they have in common cannot change the balance.",
        "A clipped sum reads too low. Come down until nothing is cut off, then read again and move the rest.",
    ),
    explain=lambda g: fill(
        "In floating point, before anything is cut off, the sum peaks at {peak:+.1f} dBTP. The middle of the window is "
        "−6.5 dBTP, so every fader moves by {offset:+.1f} dB; no level between two tracks changes. The master fader "
        "comes behind the sum and cannot mend what was cut off in it.",
        {"peak": -common_offset(all_faders.hot_mix(g), 0.0), "offset": all_faders.offset_db(g)},
    ),
    cites=("True peak: ITU-R BS.1770, Annex 2", "A bus at −6 dBTP while working: common practice, no source"),
    material=all_faders.hot_mix,
)

ONLY_THE_MASTER = Exercise(
    id="05-6",
    title="When the master fader is enough",
    parts=(Multi("Cured by the master fader alone", points=3, options=setups.options),),
    given=setups.draw,
    statement=(
        "Six set-ups clip. In each the converter is the last thing, behind the master fader, and cuts off at full "
        "scale. In which of them does pulling **only the master fader** cure the clip?"
    ),
    solve=setups.cured,
    slips=(
        Slip(
            "always",
            lambda g: list(g["set_ups"]),
            "You picked all of them. Pulling the master fader only lowers what was cut off before it; flat tops stay "
            "flat.",
        ),
        Slip(
            "the others",
            setups.not_cured,
            "Those are the ones that stay clipped. Asked are those in which nothing is cut off ahead of the master "
            "fader.",
        ),
        Slip(
            "too late",
            lambda g: [*setups.cured(g), setups.not_cured(g)[0]],
            "In at least one you picked, something is cut off ahead of the master fader, which then comes too late.",
            spots=setups.some_too_late,
        ),
        Slip(
            "over is not clipped",
            lambda g: setups.cured(g)[1:],
            "You left out at least one. In floating point a level above full scale is kept as it is until something "
            "cuts it off.",
            spots=setups.some_left_out,
        ),
    ),
    hints=(
        "Follow the signal from the tracks to the converter. Does anything cut off ahead of the master fader?",
        "Floating point keeps what is above full scale until something cuts it off; a fixed-point sum does not.",
    ),
    explain=setups.verdicts,
    cites=("Each set-up is rendered: with the master fader pulled, either the unclipped mix comes out or it does not",),
    material=setups.sessions,
)

EXERCISES = (UNRELATED, DOUBLED, OFFSET, LOUD_SOURCE, ALL_FADERS, ONLY_THE_MASTER)
