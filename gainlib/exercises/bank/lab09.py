"""Lab 09, faders: what a millimetre is worth, and the second trim that brings a fader back to where it is fine."""

from math import log, log10

from gainlib.exercises.checks import Check
from gainlib.exercises.fader_fit import FromLaw
from gainlib.exercises.mixing import measured_fader, near_unity
from gainlib.exercises.model import Exercise, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.practical import State
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, grid, one_of
from gainlib.session import FaderLaw
from gainlib.session.fader import DB_PER_NEPER

EXAMPLE = "The power law of travel is our own example; no standard ties millimetres to dB"
LOGS = "Handbook formula: 20·log10 of an amplitude ratio; the derivative of log10 x is 1/(x·ln 10)"
GAINS = "Handbook formula: gains in series add in dB"

LN_10 = log(10)
EXPONENTS, UNITIES = one_of(3, 3.5, 4, 4.5), one_of(70, 75, 80)


def _law(g):
    return FaderLaw(unity_mm=g["x0"], exponent=g["k"])


POSITION = Exercise(
    id="09-1",
    title="From millimetres to dB",
    parts=(Number("Gain", "dB", tolerance=0.1, points=2),),
    given=draws(k=EXPONENTS, x0=UNITIES, x=grid(8, 100)),
    statement=(
        "A fader travels 100 mm. Its gain as a ratio is (x/x₀) to the power k, with k = {k} and unity at x₀ = {x0} mm "
        "from the bottom. What is its gain at x = {x} mm?"
    ),
    solve=lambda g: _law(g).db_at(g["x"]),
    slips=(
        Slip(
            "ten for twenty",
            lambda g: 10 * g["k"] * log10(g["x"] / g["x0"]),
            "The ratio is one of amplitudes: 20·log10, not 10·log10.",
        ),
        Slip(
            "exponent left out",
            lambda g: 20 * log10(g["x"] / g["x0"]),
            "You took the ratio of the positions for the gain. It has to be raised to the power k first, and in dB "
            "that multiplies by k.",
        ),
        Slip(
            "upside down",
            lambda g: 20 * g["k"] * log10(g["x0"] / g["x"]),
            "Wrong way round: below unity a fader turns down, so the ratio is the position over that of unity.",
        ),
    ),
    hints=(
        "How many times the position of unity is the position asked for?",
        "A power in the ratio is a factor in dB.",
    ),
    explain=lambda g: fill(
        "20·k·log10(x/x₀) = 20 × {k} × log10({x}/{x0}) = {whole:g} × {log:.4f} = {db:.2f} dB.",
        {**g, "whole": 20 * g["k"], "log": log10(g["x"] / g["x0"]), "db": _law(g).db_at(g["x"])},
    ),
    cites=(EXAMPLE, LOGS),
)

SLOPE = Exercise(
    id="09-2",
    title="What one millimetre is worth",
    parts=(Number("Slope there", "dB/mm", relative=0.03, points=2, aliases=("dB per mm",)),),
    given=draws(f=grid(-50, 5), k=EXPONENTS, x0=UNITIES),
    statement=(
        "The gain of a fader, as a ratio, is (x/x₀) to the power k, with k = {k} and unity at x₀ = {x0} mm. It stands "
        "at {f} dB. How many dB is one millimetre worth there, for a small move?"
    ),
    solve=lambda g: _law(g).db_per_mm(g["f"]),
    slips=(
        Slip(
            "slope at unity",
            lambda g: _law(g).db_per_mm(0.0),
            "That is the slope at unity. The fader stands elsewhere: find its position first.",
        ),
        Slip(
            "logarithm forgotten",
            lambda g: 20 * g["k"] / _law(g).mm_at(g["f"]),
            "The derivative of log10 x is 1/(x·ln 10); you left out the ln 10, so the result is 2.3 times too large.",
        ),
        Slip(
            "position without the exponent",
            lambda g: DB_PER_NEPER * g["k"] / (g["x0"] * 10 ** (g["f"] / 20)),
            "The position does not follow from the gain alone: taking the law back, the dB are divided by 20·k.",
        ),
    ),
    hints=(
        "First find the position at which this fader has that gain.",
        "Then take the derivative of the law. How does it go with the position?",
    ),
    explain=lambda g: fill(
        "Position: x = x₀·10^(f/(20·k)) = {x0} × 10^({f}/{whole:g}) = {x:.2f} mm. Slope: 20·k/(x·ln 10) = 8.686·k/x = "
        "8.686 × {k}/{x:.2f} = {slope:.3f} dB/mm.",
        {**g, "whole": 20 * g["k"], "x": _law(g).mm_at(g["f"]), "slope": _law(g).db_per_mm(g["f"])},
    ),
    cites=(EXAMPLE, LOGS),
)

HANDED_OVER = Exercise(
    id="09-3",
    title="From the fader to the post trim",
    parts=(Number("New post trim", "dB", tolerance=0.05, points=1),),
    given=draws(
        f=grid(-35, -8, 0.5),
        n=grid(-3, 3, 0.5),
        t=grid(-6, 6, 0.5),
        where=lambda g: abs(g["t"] + g["f"] - g["n"]) <= 24,
    ),
    statement=(
        "A fader stands at {f} dB, the post trim ahead of it at {t} dB. You want the fader at {n} dB and the level at "
        "the bus as it is. Where does the post trim go?"
    ),
    solve=lambda g: g["t"] + g["f"] - g["n"],
    slips=(
        Slip(
            "wrong way",
            lambda g: g["t"] - (g["f"] - g["n"]),
            "Wrong way: what the fader goes up, the trim has to come down, so that their sum stays.",
        ),
        Slip(
            "old trim forgotten",
            lambda g: g["f"] - g["n"],
            "That is the move of the trim. It starts from where it stands, not from 0 dB.",
            active=lambda g: g["t"] != 0,
        ),
        Slip(
            "old fader for new trim",
            lambda g: g["t"] + g["f"],
            "That would be right for a fader at 0 dB. This one keeps a part of the gain itself.",
            active=lambda g: g["n"] != 0,
        ),
    ),
    hints=(
        "Which sum decides what arrives at the bus?",
        "By how much does the fader move? The trim moves by the opposite.",
    ),
    explain=lambda g: fill(
        "Trim and fader lie in series, so their dB add: {t} + ({f}) = {sum:g} dB, and that has to stay. With the fader "
        "at {n} dB the trim is {sum:g} − ({n}) = {new:.1f} dB.",
        {**g, "sum": g["t"] + g["f"], "new": g["t"] + g["f"] - g["n"]},
    ),
    cites=(GAINS,),
)


def _times_coarser(g):
    law = FaderLaw(exponent=g["k"])
    return law.mm_at(g["f2"]) / law.mm_at(g["f1"])


JITTER = Exercise(
    id="09-4",
    title="One hand, two places",
    parts=(Number("Spread at the first place over spread at the second", relative=0.03, points=2),),
    given=draws(s=grid(0.3, 0.8, 0.1), f1=grid(-50, -25), f2=grid(-3, 3), k=EXPONENTS),
    statement=(
        "The gain of a fader, as a ratio, is the position over that of unity, to the power k = {k}. A hand hits any "
        "place with a standard deviation of {s} mm. By what factor is the spread in dB larger when it means {f1} dB "
        "than when it means {f2} dB?"
    ),
    solve=_times_coarser,
    slips=(
        Slip(
            "upside down",
            lambda g: 1 / _times_coarser(g),
            "Upside down: the lower place has more dB in every millimetre.",
        ),
        Slip(
            "exponent left out",
            lambda g: 10 ** ((g["f2"] - g["f1"]) / 20),
            "That is the ratio of the gains. The ratio of the positions is its k-th root: divide the dB by 20·k.",
        ),
        Slip(
            "the same everywhere",
            lambda g: 1.0,
            "The hand is the same in millimetres, not in dB: the scale of a fader is not even.",
        ),
    ),
    hints=(
        "The spread in dB is the slope times the spread in mm. Which of the two is the same at both places?",
        "The slope goes as one over the position. So which ratio do you need?",
    ),
    explain=lambda g: fill(
        "Spread in dB = 8.686·k/x × {s} mm, so it goes as 1/x. The ratio is x₂/x₁ = 10^(({f2} − ({f1}))/(20 × {k})) = "
        "10^({exponent:.4f}) = {ratio:.3f}. Neither the {s} mm nor the place of unity matters.",
        {**g, "exponent": (g["f2"] - g["f1"]) / (20 * g["k"]), "ratio": _times_coarser(g)},
    ),
    cites=(EXAMPLE, "Handbook formula: a small spread passes a curve multiplied by its slope"),
)

UNITY, SAME = (None, near_unity.UNITY_BAND_DB), (None, near_unity.SAME_DB)

NEAR_UNITY = Exercise(
    id="09-5",
    title="Eight faders near unity",
    parts=(
        State(
            "Faders, post trims and sends",
            points=4,
            controls=near_unity.controls,
            checks=(
                Check(
                    "faders off unity by", near_unity.off_unity, (None, near_unity.UNITY_BAND_DB), too_high="too far"
                ),
                Check(
                    "levels at the bus moved by",
                    near_unity.moved_at_the_bus,
                    (None, near_unity.SAME_DB),
                    decimals=2,
                    too_high="too much",
                ),
                Check(
                    "sends moved by",
                    near_unity.moved_in_a_send,
                    (None, near_unity.SAME_DB),
                    decimals=2,
                    too_high="too much",
                ),
            ),
            from_session=near_unity.compact,
            nudges=near_unity.nudges,
        ),
    ),
    given=near_unity.draw,
    statement=(
        "A finished mix with its faders all over the place. Bring all eight within 3 dB of unity. What arrives at the "
        "bus from each track has to stay within 0.05 dB, and so has what leaves through the two sends, which are taken "
        "**ahead of the fader**: one to the musicians' cue, one to an effect. Post trims reach from −24 to +24 dB."
    ),
    solve=near_unity.handed_over,
    slips=(
        Slip(
            "sends forgotten",
            lambda g: near_unity.handed_over(g, sends=False),
            "Every level at the bus is kept, but a send taken ahead of the fader went along with the post trim. Move "
            "the level of that send by the opposite of what its trim moved.",
            spots=near_unity.only_sends_off,
        ),
        Slip(
            "trims the wrong way",
            lambda g: near_unity.handed_over(g, trims=-1),
            "At least one post trim went the way of its fader. It has to go the other way: their sum decides.",
            spots=near_unity.wrong_way,
        ),
        Slip(
            "faders only",
            lambda g: near_unity.handed_over(g, trims=0),
            "You moved faders and no post trim, which is another mix. The post trim takes over what a fader gives up.",
            spots=near_unity.faders_only,
        ),
        Slip(
            "one fader",
            lambda g: near_unity.handed_over(g, stems=near_unity.far_stems(g)[:1]),
            "You moved one fader. Every one that stands more than 3 dB from unity has to come in.",
            spots=near_unity.one_fader_moved,
        ),
    ),
    hints=(
        "Post trim plus fader decides what arrives at the bus. Keep that sum, strip by strip.",
        "Where is a pre-fader send taken: ahead of the post trim or behind it? What has to happen to its level?",
        "If a trim reaches its end, the fader need not stand at 0 dB: anything within 3 dB will do.",
    ),
    explain=near_unity.derivation,
    cites=(GAINS, "Faders near unity: common practice, no source"),
    material=near_unity.far_mix,
)


MEASURED = Exercise(
    id="09-6",
    title="Measure a fader",
    parts=(
        measured_fader.LAW,
        FromLaw("One millimetre is more than 1 dB below", "mm", relative=0.05, points=1, follows=measured_fader.steep),
    ),
    given=measured_fader.draw,
    statement=(
        "Somebody sent a steady tone through a fader and noted position and gain; the numbers stand in the panel. If "
        "you have a mixer, put your own there instead: at least six positions in mm from the bottom, and the gain in "
        "dB. Lay the law, 20·k·log10(x/x₀), through the points so that it fits best (least squares of the dB, over "
        "log10 of the mm). Then say below which position one millimetre changes the gain by more than 1 dB."
    ),
    solve=measured_fader.answer,
    slips=(
        Slip(
            "natural logarithm",
            lambda g: measured_fader.answer(g, exponent=1 / LN_10, steep=None),
            "That is the slope over the natural logarithm. Over log10 it is 2.3 times as large; divide that by 20.",
            spots=lambda answer, g: measured_fader.exponent_off_by(answer, g, 1 / LN_10),
        ),
        Slip(
            "ten for twenty in the slope",
            lambda g: measured_fader.answer(g, exponent=2.0, steep=None),
            "Twice the exponent: the slope over log10 of the mm is 20·k, not 10·k.",
            spots=lambda answer, g: measured_fader.exponent_off_by(answer, g, 2.0),
        ),
        Slip(
            "ln 10 forgotten",
            lambda g: [None, measured_fader.answer(g, steep=LN_10)[1]],
            "You set 20·k/x to 1 dB per mm. The derivative of log10 x brings in 1/ln 10: 8.686·k/x.",
            spots=lambda answer, g: measured_fader.steep_off_by(answer, g, LN_10),
        ),
    ),
    hints=(
        "Over log10 of the mm the law is a straight line. Its slope gives k, the place where it crosses 0 dB gives x₀.",
        "Leave out the bottom: silence has no logarithm. Then watch the misfit while you move the line.",
        "For the last question, take the derivative of the law and see where it is 1 dB/mm.",
    ),
    explain=measured_fader.derivation,
    cites=(EXAMPLE, LOGS, "Least squares: handbook formula"),
)

EXERCISES = (POSITION, SLOPE, HANDED_OVER, JITTER, NEAR_UNITY, MEASURED)
