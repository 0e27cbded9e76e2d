"""Lab 06, linear or nonlinear: whether a box cares how loud it is fed, and whether a trim may cross it."""

from gainlib.exercises.choosing import Matching, Multi
from gainlib.exercises.linearity import boxes, tasks
from gainlib.exercises.model import Exercise, Option, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, grid, one_of
from gainlib.meters.average import SINE_CREST_DB

LINEARITY = "Homogeneity, superposition, time invariance: definition of a linear system (any handbook of signals)"
FULL_SCALE = "RMS in dBFS, a full-scale sine reads 0: AES17 (standard; clause not checked)"
CURVE = "Static curve of a compressor, hard knee: handbook formula"
LIMIT = "A residual of −60 dB as the limit: a decision of this workbook"

KINDS = tuple(Option(key, text) for key, text in boxes.KINDS.items())
FILTERS = ("equaliser", "reverberation")
ACROSS = {
    "equaliser": "an equaliser",
    "delay": "a delay",
    "tremolo": "a tremolo",
    "pan": "a pan control",
    "reverberation": "a reverberation",
    "polarity": "a polarity switch",
    "saturator": "a saturator",
    "compressor": "a compressor at work",
    "gate": "a gate that opens and closes",
    "converter": "a converter of 8 bits, without dither",
}


def _letters(given):
    return tuple(Option(letter, f"Box {letter}") for letter in tasks.lettered(given["boxes"]))


def _sorted_text(given):
    found = tasks.lettered(given["boxes"]).items()
    told = "; ".join(
        f"{letter} is a box of the kind {boxes.kind_of(name)}: {_kind_text(name)}" for letter, name in found
    )
    return (
        f"{told}. A box that halves with its input at every level and repeats itself is linear; one that only fails to "
        "repeat itself drifts; one whose error gets smaller the louder it is fed adds something of its own; one that "
        "fails from a level on is linear up to there; the rest is nonlinear."
    )


def _kind_text(name):
    return boxes.KINDS[boxes.class_of(name)]


SORTED = Exercise(
    id="06-1",
    title="Six black boxes",
    parts=(Matching("What each box is", points=4, items=_letters, options=KINDS),),
    given=tasks.SixBoxes(),
    statement=(
        "Six boxes without a label stand in the panel. Feed them soft and loud, twice, and with silence. Which kind is "
        "each of them?"
    ),
    solve=tasks.sorted_out,
    slips=(
        Slip(
            "drift for nonlinear",
            lambda g: tasks.sorted_out(g, "drift"),
            "A box that moves in time is not nonlinear: half in gives half out at every moment, only the moments "
            "differ.",
        ),
        Slip(
            "noise for nonlinear",
            lambda g: tasks.sorted_out(g, "noisy"),
            "What a box adds of its own is no matter of how loud it is fed: an error that gets smaller as the drive "
            "rises is noise or offset.",
        ),
        Slip(
            "limit for nonlinear",
            lambda g: tasks.sorted_out(g, "upto"),
            "A box that is exact below a level and fails only above it is linear up to there. Feed it softly, too.",
        ),
    ),
    hints=(
        "Halve the input. Does the output halve?",
        "Repeat with the same input. Does the output repeat?",
        "Test loud and soft, and send silence once.",
    ),
    explain=_sorted_text,
    cites=(LINEARITY,),
    material=lambda given: tuple(boxes.box(name) for name in given["boxes"]),
)

RESIDUAL = Exercise(
    id="06-2",
    title="How far from linear",
    parts=(Number("Residual", "dB", tolerance=0.5, points=2),),
    given=tasks.RESIDUALS,
    statement=(
        "Two tones are sent through a box, once at *a* = {a} dBFS and once at *b* = {b} dBFS of RMS. The panel shows "
        "what was measured. How large is the homogeneity residual: the difference between the two outputs, each with "
        "its gain undone, against the output at *a* with its gain undone?"
    ),
    solve=tasks.residual_db,
    slips=(
        Slip(
            "gain the wrong way",
            lambda g: tasks.residual_db(g, "difference_again"),
            "There the gain was put on once more instead of being undone. Divide by it.",
        ),
        Slip(
            "gain not undone",
            lambda g: tasks.residual_db(g, "difference_as_is"),
            "That difference holds the change of level you made yourself. Undo the gain before you subtract.",
        ),
        Slip(
            "ten for twenty",
            lambda g: tasks.residual_db(g, factor=10.0),
            "RMS values are amplitudes: 20·log10 of their ratio, not 10·log10.",
        ),
    ),
    hints=(
        "Undo the gain before subtracting. Which row has that?",
        "An output that went in at −20 dB is multiplied by 10 to undo it. Then compare two RMS values.",
    ),
    explain=lambda g: fill(
        "With the gains undone the difference has {difference_undone:.3f}, the soft output {soft_undone:.3f} "
        "thousandths of full scale: 20·log10({difference_undone:.3f}/{soft_undone:.3f}) = {db:.2f} dB.",
        {**g, "db": tasks.residual_db(g)},
    ),
    cites=(LINEARITY, FULL_SCALE),
    material=lambda given: boxes.box(given["box"]),
)

UP_TO = Exercise(
    id="06-3",
    title="Linear up to a level",
    parts=(Number("Peak level of the sine", "dBFS", tolerance=1.0, points=2),),
    given=tasks.LIMITED,
    statement=(
        "The box in the panel is linear up to a level. Feed it a steady sine, let it settle and compare with "
        "what comes out for half of it. At which peak level of the sine does the residual pass −60 dB?"
    ),
    solve=tasks.limit_dbfs,
    slips=(
        Slip(
            "plain RMS for peak",
            lambda g: tasks.limit_dbfs(g) - SINE_CREST_DB,
            "You are 3 dB under it: that is the plain RMS of the sine. Its peak level is asked for.",
        ),
        Slip(
            "level of the half",
            lambda g: tasks.limit_dbfs(g) + boxes.HALF_DB,
            "You are 6 dB under it: that is the level of the halved sine. The louder of the two meets the limit first.",
        ),
    ),
    hints=(
        "Go up in steps of 1 dB and watch the residual.",
        "Between which two steps does it jump? Anything between them will do.",
    ),
    explain=lambda g: fill(
        "Below {limit} dBFS the box does nothing to the sine; above, the error grows fast. It passes a thousandth, "
        "−60 dB, at {level:.2f} dBFS, {over:.2f} dB over the corner.",
        {**g, "level": tasks.limit_dbfs(g), "over": tasks.limit_dbfs(g) - g["limit"]},
    ),
    cites=(LINEARITY, LIMIT, CURVE),
    material=tasks.limited_box,
)

NOISE = Exercise(
    id="06-4",
    title="What comes out of silence",
    parts=(Number("Noise", "dBFS", tolerance=0.5, points=2),),
    given=tasks.NOISES,
    statement=(
        "With silence at its input a box still gives something: noise, and an offset. The panel shows the mean of all "
        "samples and their RMS, in millionths of full scale. What is the level of the noise alone, sine-referred (a "
        "full-scale sine reads 0 dBFS)?"
    ),
    solve=tasks.noise_dbfs,
    slips=(
        Slip(
            "offset left in",
            lambda g: tasks.noise_dbfs(g, offset=0.0),
            "The offset is still in it. Its square comes off the mean square before you take the logarithm.",
        ),
        Slip(
            "3 dB slip",
            lambda g: tasks.noise_dbfs(g, power=1.0),
            "You are 3.01 dB low: that is plain RMS. Sine-referred, the mean square counts twice.",
        ),
    ),
    hints=(
        "Remove the mean first: squares subtract, RMS values do not.",
        "Against which RMS does a full-scale sine read 0?",
    ),
    explain=lambda g: fill(
        "Mean square of the noise: {all:.3f}² − {offset:.3f}² = {square:.3f} (millionths squared). Sine-referred: "
        "10·log10(2 × {square:.3f} × 10^(−12)) = {db:.2f} dBFS.",
        {**g, "square": g["all"] ** 2 - g["offset"] ** 2, "db": tasks.noise_dbfs(g)},
    ),
    cites=(FULL_SCALE, "Mean square of a sum of noise and a constant: handbook formula"),
)

ORDER = Exercise(
    id="06-5",
    title="May the trim cross it?",
    parts=(
        Multi(
            "A trim may cross",
            points=3,
            options=lambda given: tuple(Option(name, ACROSS[name]) for name in given["across"]),
        ),
    ),
    given=tasks.Orders(),
    statement=(
        "A trim of {trim} dB stands ahead of a processor and is moved behind it. The signal is a drum loop that keeps "
        "the processor busy. Across which of these may the trim be moved so that nothing changes (difference under "
        "−80 dB, against the signal)?"
    ),
    solve=tasks.crossed,
    slips=(
        Slip(
            "only distortion counts",
            lambda g: tasks.crossed(g, also=("compressor", "gate")),
            "A compressor and a gate distort little, but their thresholds are levels: the trim decides what crosses "
            "them.",
            active=lambda g: {"compressor", "gate"} & set(g["across"]),
        ),
        Slip(
            "tremolo shut out",
            lambda g: tasks.crossed(g, without=("tremolo",)),
            "A tremolo moves the gain by the clock, whatever the level. A gain commutes with a gain.",
            active=lambda g: "tremolo" in g["across"],
        ),
        Slip(
            "filters shut out",
            lambda g: tasks.crossed(g, without=FILTERS),
            "Equaliser and reverberation have no favourite level: half in, half out.",
            active=lambda g: 0 < len(tasks.crossed(g, without=FILTERS)) < len(tasks.crossed(g)),
        ),
    ),
    hints=(
        "Only boxes that halve with their input may be crossed.",
        "Which of them ask how loud it is? Try it out: null it.",
    ),
    explain=lambda g: fill(
        "A trim may cross what scales with its input: {yes}. It may not cross {no}: what these do "
        "depends on the level.",
        {
            "yes": ", ".join(ACROSS[name] for name in tasks.crossed(g)),
            "no": ", ".join(ACROSS[name] for name in g["across"] if name not in tasks.crossed(g)),
        },
    ),
    cites=(LINEARITY, "The limit of −80 dB: a decision of this workbook"),
)


def _gap(given):
    return given["T"] + (given["L2"] - given["T"]) / given["R"] - given["L1"]


STEP = Exercise(
    id="06-6",
    title="A step across the threshold",
    parts=(Number("Difference at the output", "dB", tolerance=0.05, points=2),),
    given=draws(
        T=grid(-30, -12),
        R=one_of(1.5, 2, 3, 4, 8),
        L1=grid(-45, -15),
        L2=grid(-25, -2),
        where=lambda g: g["L1"] + 3 <= g["T"] <= g["L2"] - 3,
    ),
    statement=(
        "A compressor with a hard knee has its threshold at {T} dBFS and a ratio of {R}:1. A steady sine goes from "
        "{L1} to {L2} dBFS. By how many dB does the output rise, once settled?"
    ),
    solve=_gap,
    slips=(
        Slip(
            "taken as linear",
            lambda g: g["L2"] - g["L1"],
            "That is the rise at the input. A compressor passes it on only up to the threshold.",
        ),
        Slip(
            "ratio on everything",
            lambda g: (g["L2"] - g["L1"]) / g["R"],
            "You divided the whole rise by the ratio. Only the part above the threshold is divided.",
        ),
        Slip(
            "part below left out",
            lambda g: (g["L2"] - g["T"]) / g["R"],
            "That is the rise above the threshold alone. The part below it comes out whole.",
        ),
    ),
    hints=(
        "Which part of the rise lies below the threshold, which above?",
        "Only the part above is divided by the ratio.",
    ),
    explain=lambda g: fill(
        "Below the threshold: {T} − ({L1}) = {below:g} dB, passed on whole. Above: ({L2} − ({T}))/{R} = {above:.3f} "
        "dB. Together {gap:.3f} dB.",
        {**g, "below": g["T"] - g["L1"], "above": (g["L2"] - g["T"]) / g["R"], "gap": _gap(g)},
    ),
    cites=(CURVE,),
)

EXERCISES = (SORTED, RESIDUAL, UP_TO, NOISE, ORDER, STEP)
