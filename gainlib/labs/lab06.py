"""Lab 06, linear or nonlinear: whether a box cares how loud it is fed, and whether a trim may cross it."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gainlib import processors as p
from gainlib.audio import Audio
from gainlib.boxes import classify
from gainlib.exercises.box_tests import FRAMES, HALF_DB, RATE_HZ, box_tester, fed, rms, two_tones
from gainlib.exercises.choosing import Matching, Multi
from gainlib.exercises.drawn import Drawn
from gainlib.exercises.experiment import Experiment, Listen
from gainlib.exercises.lab import Lab
from gainlib.exercises.model import Exercise, Option, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.refrain import refrain
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, grid, one_of, pick, shuffled
from gainlib.levels import db_to_ratio
from gainlib.meters.average import SINE_CREST_DB
from gainlib.processors.base import Noise
from gainlib.words import Table, level_text

# ------------------------------------------------------------------------------------------ black boxes, by their names

KINDS = {
    "linear": "linear",
    "drift": "linear, but drifting in time",
    "noisy": "linear, plus noise or offset",
    "upto": "linear up to a level",
    "nonlinear": "nonlinear",
}
SETTINGS = 3
LETTERS = "ABCDEFGH"
EIGHT = (
    *("equaliser", "delay", "reverberation", "tremolo"),
    *("hissing stage", "compressor", "clipper", "saturator"),
)
SOFT_DBFS = -40.0
STEM, SECONDS = "10 backing", 4.0
NOTE = (
    "You hear both with their gain undone, matched in loudness and without offset: if the box works alike at every "
    "level, they sound the same. Clipping can harm tweeters: start low."
)


@dataclass(frozen=True)
class Offset:
    """Add a constant to every sample: linear but for that."""

    offset: float = 0.01

    def process(self, audio: Audio) -> Audio:
        """Return the audio with the offset added."""
        return audio.with_samples(audio.samples + self.offset)


CATALOGUE = {
    "equaliser": ("linear", [p.Filter("peaking", hz, 1.0, 6.0) for hz in (700.0, 1000.0, 2000.0)]),
    "delay": ("linear", [p.Delay(s) for s in (0.003, 0.007, 0.012)]),
    "reverberation": ("linear", [p.Reverb(s, -6.0) for s in (0.15, 0.2, 0.25)]),
    "tremolo": ("drift", [p.Tremolo(hz, 0.5) for hz in (2.3, 3.7, 5.3)]),
    "hissing stage": ("noisy", [p.AnalogueStage(db, 24.0) for db in (-62.0, -68.0, -74.0)]),
    "offset stage": ("noisy", [Offset(x) for x in (0.004, 0.01, 0.02)]),
    "compressor": ("upto", [p.Compressor(db, 4.0, 0.0) for db in (-26.5, -20.5, -14.5)]),
    "clipper": ("upto", [p.HardClip(db) for db in (-11.5, -7.5, -3.5)]),
    "limiter": ("upto", [p.Limiter(db) for db in (-9.5, -6.5, -2.5)]),
    "saturator": ("nonlinear", [p.Saturation(d) for d in (1.5, 2.5, 3.5)]),
    "uneven saturator": ("nonlinear", [p.AsymmetricSaturation(d) for d in (1.5, 2.0, 3.0)]),
    "coarse converter": ("nonlinear", [p.Quantiser(bits, "none") for bits in (7, 8, 9)]),
}


def names() -> tuple[str, ...]:
    """Return the names of all boxes in all settings."""
    return tuple(f"{kind} {k}" for kind in CATALOGUE for k in range(1, SETTINGS + 1))


def kind_of(name: str) -> str:
    """Return what a box is called without its setting, "saturator" for "saturator 2"."""
    return name.rpartition(" ")[0]


def class_of(name: str) -> str:
    """Return the key in `KINDS` of a box."""
    return CATALOGUE[kind_of(name)][0]


def box(name: str):
    """Return the processor behind a name."""
    kind, _, setting = name.rpartition(" ")
    return CATALOGUE[kind][1][int(setting) - 1]


# ------------------------------------------------------------------------------------------------------- the experiment


def eight(rng: np.random.Generator) -> dict[str, object]:
    """Return the eight boxes of the experiment under their letters, in a drawn order and drawn settings."""
    kinds = shuffled(rng, EIGHT)
    return {letter: box(f"{kind} {pick(rng, (1, 2, 3))}") for letter, kind in zip(LETTERS, kinds, strict=True)}


@lru_cache(maxsize=1)
def music() -> Audio:
    """Return some seconds of a stem, mono, its highest sample at full scale."""
    whole = refrain(STEM)
    samples = np.asarray(whole.samples, np.float64)[: round(SECONDS * whole.rate_hz)].mean(axis=1)
    return Audio(samples / np.abs(samples).max(), whole.rate_hz, "stem")


def heard(processor, level_dbfs: float) -> Audio:
    """Return what a box makes of the music at that peak level, the gain undone and an offset taken off."""
    sound, gain = music(), db_to_ratio(level_dbfs)
    out = processor.process(sound.with_samples(sound.samples * gain)).samples / gain
    return sound.with_samples(out - out.mean(axis=0))


def _sounds(run):
    return {
        "fed as set": heard(run.seen, run.setting.drive_dbfs),
        f"fed {level_text(SOFT_DBFS, 'dBFS', 0)}": heard(run.seen, SOFT_DBFS),
    }


def _called(lettered_boxes):
    return {f"Box {letter}": each for letter, each in lettered_boxes.items()}


def experiment(rng: np.random.Generator) -> Experiment:
    """Eight boxes behind letters, each of which may be fed, compared and heard."""
    return box_tester(_called(eight(rng)), "Eight black boxes", Listen(_sounds, note=lambda setting: NOTE))


# ----------------------------------------------------------------------------------------- what the exercises are about

COUNT = 6
LIMIT_DB = -60.0
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
STOPS = ("saturator", "compressor", "gate", "converter")
MOVES = {name: name not in STOPS for name in ACROSS}  # may a trim cross it?
READ_RESIDUAL = {
    "soft_undone": "output at a, divided by the gain of a",
    "difference_undone": "difference: output at b divided by the gain of b, less output at a divided by the gain of a",
    "difference_as_is": "difference: output at b, less output at a",
    "difference_again": "difference: output at b times the gain of b, less output at a times the gain of a",
}
READ_NOISE = {"offset": "mean of all samples", "all": "RMS of all samples, with the mean"}


class SixBoxes:
    """The draw of six different boxes, one at least of each of the five kinds."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return ``boxes``, six names in any order."""
        by_class = {key: [kind for kind, (cls, _) in CATALOGUE.items() if cls == key] for key in KINDS}
        chosen = [pick(rng, kinds) for kinds in by_class.values()]
        chosen.append(pick(rng, [kind for kind in CATALOGUE if kind not in chosen]))
        return {"boxes": [f"{kind} {pick(rng, (1, 2, 3))}" for kind in shuffled(rng, chosen)]}

    def holds(self, given: dict) -> bool:
        """Whether six boxes could be drawn."""
        drawn = given["boxes"]
        return (
            len(drawn) == COUNT
            and all(name in names() for name in drawn)
            and len({kind_of(name) for name in drawn}) == COUNT
            and {class_of(name) for name in drawn} == set(KINDS)
        )


def lettered(names) -> dict[str, str]:
    """Return the boxes under the letters a learner sees."""
    return dict(zip(LETTERS, names, strict=False))


def sorted_out(given: dict, wrongly: str = "") -> dict:
    """Return the kind of every box; those of the kind `wrongly` are taken for nonlinear."""
    found = {letter: class_of(name) for letter, name in lettered(given["boxes"]).items()}
    return {letter: "nonlinear" if kind == wrongly else kind for letter, kind in found.items()}


def _fed_at(given, level_dbfs):
    return fed(box(given["box"]), two_tones(level_dbfs))[FRAMES:]


def residual_readings(given: dict) -> dict[str, float]:
    """Return RMS values in thousandths of full scale: the soft output and three differences of the loud from it."""
    a, b = db_to_ratio(given["a"]), db_to_ratio(given["b"])
    soft, loud = _fed_at(given, given["a"]), _fed_at(given, given["b"])
    made = (soft / a, loud / b - soft / a, loud - soft, loud * b - soft * a)
    return {name: round(1000 * rms(each), 3) for name, each in zip(READ_RESIDUAL, made, strict=True)}


def residual_db(given: dict, difference: str = "difference_undone", factor: float = 20.0) -> float:
    """Return the homogeneity residual from the readings, or what a wrong method makes of them."""
    return factor * math.log10(given[difference] / given["soft_undone"])


RESIDUALS = Drawn(
    draws(
        box=one_of(*(f"{kind} {k}" for kind in ("saturator", "uneven saturator", "compressor") for k in (1, 2, 3))),
        a=grid(-40, -20),
        b=grid(-12, 0),
    ),
    residual_readings,
    tuple((name, text, None) for name, text in READ_RESIDUAL.items()),
    fair=lambda given: min(given[name] for name in READ_RESIDUAL) > 1.0,
    caption="What was measured, once it had settled",
    heads=("RMS of the", "thousandths of full scale"),
    digits=dict.fromkeys(READ_RESIDUAL, 3),
)


def _plausible(given):
    low, high = (-29.5, -10.5) if given["device"] == "compressor" else (-11.5, -1.5)
    return low <= given["limit"] <= high


LIMITED = draws(device=one_of("compressor", "clipper"), limit=grid(-29.5, -1.5, 1), where=_plausible)
RATIO = 4.0


def limited_box(given: dict):
    """Return the box of the exercise on a limit."""
    if given["device"] == "compressor":
        return p.Compressor(given["limit"], RATIO, 0.0)
    return p.HardClip(given["limit"])


def limit_dbfs(given: dict) -> float:
    """Return the sine peak level at which the residual passes −60 dB, from the static curve of the box.

    A settled sine through a compressor is the sine again, softer by (L − T)(1 − 1/R): the residual is that gain less 1.
    Of a clipped sine the tops are missing, and their RMS against that of the whole is found by bisection.
    """
    share = db_to_ratio(LIMIT_DB)
    if given["device"] == "compressor":
        return given["limit"] + 20 * math.log10(1 + share) / (1 - 1 / RATIO)
    turn = np.sin(2 * np.pi * (np.arange(100_000) + 0.5) / 100_000)
    low, high = 0.0, 1.0
    for _ in range(40):
        over = (low + high) / 2
        wave = db_to_ratio(over) * turn
        missing = wave - np.clip(wave, -1.0, 1.0)
        low, high = (low, over) if rms(missing) > share * rms(wave - missing) else (over, high)
    return given["limit"] + low


def noise_readings(given: dict) -> dict[str, float]:
    """Return what a box gives for silence, in millionths of full scale: mean, and RMS with the mean in it."""
    hiss = Noise(given["hiss"], given["seed"], 1).next(RATE_HZ)[:, 0]
    out = hiss + given["share"] * rms(hiss)
    return {"offset": round(1e6 * float(out.mean()), 3), "all": round(1e6 * rms(out), 3)}


def noise_dbfs(given: dict, offset: float = 1.0, power: float = 2.0) -> float:
    """Return the noise without the offset, sine-referred; `offset` 0 leaves it in, `power` 1 is plain RMS."""
    square = given["all"] ** 2 - offset * given["offset"] ** 2
    return 10 * math.log10(power * square * 1e-12)


NOISES = Drawn(
    draws(hiss=grid(-95, -55, 0.5), share=grid(0.8, 2.5, 0.1), seed=grid(1, 9)),
    noise_readings,
    tuple((name, text, None) for name, text in READ_NOISE.items()),
    caption="Output with silence in",
    heads=("reading", "millionths of full scale"),
    digits=dict.fromkeys(READ_NOISE, 3),
)


class Orders:
    """The draw of six processors that a trim may or may not cross, two at least of each sort."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return ``across``, six names, and ``trim`` in dB."""
        may = [name for name, moves in MOVES.items() if moves]
        may_not = [name for name in MOVES if name not in may]
        count = pick(rng, (2, 3, 4))
        chosen = [*shuffled(rng, may, count), *shuffled(rng, may_not, COUNT - count)]
        return {"across": shuffled(rng, chosen), "trim": pick(rng, (-10, -8, -6, 6, 8, 10))}

    def holds(self, given: dict) -> bool:
        """Whether it could be drawn."""
        drawn = given["across"]
        known = len(drawn) == COUNT and len(set(drawn)) == COUNT and all(name in MOVES for name in drawn)
        return known and 2 <= sum(MOVES[name] for name in drawn) <= 4 and given["trim"] in (-10, -8, -6, 6, 8, 10)


def crossed(given: dict, also=(), without=()) -> list[str]:
    """Return what a trim may cross, with some added or left out among those asked for."""
    return [name for name in given["across"] if (MOVES[name] or name in also) and name not in without]


# -------------------------------------------------------------------------------------------------------- the exercises

LINEARITY = "Homogeneity, superposition, time invariance: definition of a linear system (any handbook of signals)"
FULL_SCALE = "RMS in dBFS (a full-scale sine reads 0): AES17 (standard)"
CURVE = "Static curve of a compressor, hard knee: handbook formula"
LIMIT = "A residual of −60 dB as the limit: a decision of this workbook"

FILTERS = ("equaliser", "reverberation")


def _letters(given):
    return tuple(Option(letter, f"Box {letter}") for letter in lettered(given["boxes"]))


def _sorted_text(given):
    found = lettered(given["boxes"]).items()
    told = "; ".join(
        f"{letter} is a box of the kind {kind_of(name)}: {KINDS[class_of(name)]}" for letter, name in found
    )
    return (
        f"{told}. A box whose output halves with its input at every level, and repeats, is linear; one that only fails "
        "to repeat drifts in time; one whose error shrinks as you feed it louder, and is there in silence too, adds "
        "something of its own; one that is exact below a level and fails above it is linear up to that level; any "
        "other is nonlinear."
    )


SORTED = Exercise(
    id="06-1",
    title="Six black boxes",
    parts=(
        Matching(
            "What each box is",
            points=4,
            items=_letters,
            options=tuple(Option(key, text) for key, text in KINDS.items()),
        ),
    ),
    given=SixBoxes(),
    statement=(
        "The panel has six unlabelled boxes. Feed them softly and loudly, twice, and with silence. What kind is each "
        "of them?"
    ),
    solve=sorted_out,
    slips=(
        Slip(
            "drift for nonlinear",
            lambda g: sorted_out(g, "drift"),
            "A box that changes in time is not nonlinear: at every moment half the input gives half the output, only "
            "the moments differ.",
        ),
        Slip(
            "noise for nonlinear",
            lambda g: sorted_out(g, "noisy"),
            "What a box adds of its own does not depend on how loud you feed it: an error that shrinks as the drive "
            "rises, and is there with silence too, is noise or offset.",
        ),
        Slip(
            "limit for nonlinear",
            lambda g: sorted_out(g, "upto"),
            "A box that is exact below a level and fails only above it is linear up to that level. Feed it softly, "
            "too.",
        ),
    ),
    hints=(
        "Halve the input. Does the output halve?",
        "Feed it the same input again. Is the output the same?",
        "Test it loud and soft, and with silence once.",
    ),
    explain=_sorted_text,
    cites=(LINEARITY,),
    material=lambda given: tuple(box(name) for name in given["boxes"]),
)

RESIDUAL = Exercise(
    id="06-2",
    title="How far from linear",
    parts=(Number("Residual", "dB", tolerance=0.5, points=2),),
    given=RESIDUALS,
    statement=(
        "Two tones are sent through a box, once at *a* = {a} dBFS RMS and once at *b* = {b} dBFS RMS. The panel shows "
        "what was measured. How large is the homogeneity residual, that is, the difference between the two outputs, "
        "each with its gain undone, against the output at *a* with its gain undone?"
    ),
    solve=residual_db,
    slips=(
        Slip(
            "gain the wrong way",
            lambda g: residual_db(g, "difference_again"),
            "You applied the gain once more instead of undoing it. Divide by it.",
        ),
        Slip(
            "gain not undone",
            lambda g: residual_db(g, "difference_as_is"),
            "That difference contains the change of level you made yourself. Undo the gain before you subtract.",
        ),
        Slip(
            "ten for twenty",
            lambda g: residual_db(g, factor=10.0),
            "RMS values are amplitudes: 20·log₁₀ of their ratio, not 10·log₁₀.",
        ),
    ),
    hints=(
        "Undo the gain before subtracting. Which row has that?",
        "If a tone went in at −20 dB, multiply its output by 10 to undo that. Then compare two RMS values.",
    ),
    explain=lambda g: fill(
        "With the gains undone, the difference is {difference_undone:.3f}and the soft output {soft_undone:.3f} "
        "thousandths of full scale: 20·log₁₀({difference_undone:.3f}/{soft_undone:.3f}) = {db:.2f} dB.",
        {**g, "db": residual_db(g)},
    ),
    cites=(LINEARITY, FULL_SCALE),
    material=lambda given: box(given["box"]),
)

UP_TO = Exercise(
    id="06-3",
    title="Linear up to a level",
    parts=(Number("Peak level of the sine", "dBFS", tolerance=1.0, points=2),),
    given=LIMITED,
    statement=(
        "The box in the panel is linear up to a level. Feed it a steady sine, let it settle, and compare the output "
        "with that for half the sine. At which peak level of the sine does the residual pass −60 dB?"
    ),
    solve=limit_dbfs,
    slips=(
        Slip(
            "plain RMS for peak",
            lambda g: limit_dbfs(g) - SINE_CREST_DB,
            "You are 3 dB too low, because you gave the plain RMS of the sine. The question asks for its peak level.",
        ),
        Slip(
            "level of the half",
            lambda g: limit_dbfs(g) + HALF_DB,
            "You are 6 dB too low, because you gave the level of the halved sine. The louder of the two reaches the "
            "limit first.",
        ),
    ),
    hints=(
        "Go up in steps of 1 dB and watch the residual.",
        "Between which two steps does it jump? Any level between them will do.",
    ),
    explain=lambda g: fill(
        "Below {limit} dBFS the box does nothing to the sine; above it, the error grows fast. It passes a thousandth, "
        "−60 dB, at {level:.2f} dBFS, {over:.2f} dB above the corner.",
        {**g, "level": limit_dbfs(g), "over": limit_dbfs(g) - g["limit"]},
    ),
    cites=(LINEARITY, LIMIT, CURVE),
    material=limited_box,
)

NOISE = Exercise(
    id="06-4",
    title="What comes out of silence",
    parts=(Number("Noise", "dBFS", tolerance=0.5, points=2),),
    given=NOISES,
    statement=(
        "With silence at its input, a box still puts out something: noise, and an offset. The panel shows the mean of "
        "all "
        "samples and their RMS, in millionths of full scale. What is the level of the noise alone, sine-referred (a "
        "full-scale sine reads 0 dBFS)?"
    ),
    solve=noise_dbfs,
    slips=(
        Slip(
            "offset left in",
            lambda g: noise_dbfs(g, offset=0.0),
            "Your figure still contains the offset. Subtract its square from the mean square before you take the "
            "logarithm.",
        ),
        Slip(
            "3 dB slip",
            lambda g: noise_dbfs(g, power=1.0),
            "You are 3.01 dB too low, because you gave plain RMS. Sine-referred, the mean square counts twice.",
        ),
    ),
    hints=(
        "Remove the mean first: mean squares can be subtracted, but RMS values cannot.",
        "Which RMS does a full-scale sine have, so that it reads 0 dBFS?",
    ),
    explain=lambda g: fill(
        "Mean square of the noise: {all:.3f}² − {offset:.3f}² = {square:.3f} (millionths squared). Sine-referred: "
        "10·log₁₀(2 × {square:.3f} × 10^(−12)) = {db:.2f} dBFS.",
        {**g, "square": g["all"] ** 2 - g["offset"] ** 2, "db": noise_dbfs(g)},
    ),
    cites=(FULL_SCALE, "Mean square of a sum of noise and a constant: handbook formula"),
)

ORDER = Exercise(
    id="06-5",
    title="Can the trim cross it?",
    parts=(
        Multi(
            "A trim can cross",
            points=3,
            options=lambda given: tuple(Option(name, ACROSS[name]) for name in given["across"]),
        ),
    ),
    given=Orders(),
    statement=(
        "A trim of {trim} dB sits ahead of a processor and is moved behind it. The signal is a drum loop that keeps "
        "the processor working. Which of these can the trim cross without changing anything (the difference is less "
        "than −80 dB against the signal)?"
    ),
    solve=crossed,
    slips=(
        Slip(
            "only distortion counts",
            lambda g: crossed(g, also=("compressor", "gate")),
            "A compressor and a gate distort little, but their thresholds are levels, and the trim decides what "
            "crosses them.",
            active=lambda g: {"compressor", "gate"} & set(g["across"]),
        ),
        Slip(
            "tremolo shut out",
            lambda g: crossed(g, without=("tremolo",)),
            "A tremolo changes its gain in time, whatever the level, and two gains can be swapped.",
            active=lambda g: "tremolo" in g["across"],
        ),
        Slip(
            "filters shut out",
            lambda g: crossed(g, without=FILTERS),
            "Equaliser and reverberation do not depend on level: half the input gives half the output.",
            active=lambda g: 0 < len(crossed(g, without=FILTERS)) < len(crossed(g)),
        ),
    ),
    hints=(
        "A trim can cross only boxes whose output halves with their input.",
        "Which of them depend on level? Try it: do a null test.",
    ),
    explain=lambda g: fill(
        "A trim can cross whatever scales with its input: {yes}. It cannot cross {no}, because what these do depends "
        "on the level.",
        {
            "yes": ", ".join(ACROSS[name] for name in crossed(g)),
            "no": ", ".join(ACROSS[name] for name in g["across"] if name not in crossed(g)),
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
        "{L1} to {L2} dBFS. By how many dB does the output rise once it has settled?"
    ),
    solve=_gap,
    slips=(
        Slip(
            "taken as linear",
            lambda g: g["L2"] - g["L1"],
            "You gave the rise at the input. A compressor passes that on only up to the threshold.",
        ),
        Slip(
            "ratio on everything",
            lambda g: (g["L2"] - g["L1"]) / g["R"],
            "You divided the whole rise by the ratio. Only the part above the threshold is divided.",
        ),
        Slip(
            "part below left out",
            lambda g: (g["L2"] - g["T"]) / g["R"],
            "You gave only the rise above the threshold. The part below it comes out in full.",
        ),
    ),
    hints=(
        "Which part of the rise lies below the threshold, and which above?",
        "Only the part above is divided by the ratio.",
    ),
    explain=lambda g: fill(
        "Below the threshold: {T} − ({L1}) = {below:g} dB, passed on in full. Above: ({L2} − ({T}))/{R} = {above:.3f} "
        "dB. Together {gap:.3f} dB.",
        {**g, "below": g["T"] - g["L1"], "above": (g["L2"] - g["T"]) / g["R"], "gap": _gap(g)},
    ),
    cites=(CURVE,),
)

CHOICES = {"one": 1, "two": 2, "three": 3, "five": 5, "all eight": 8}


def compare() -> tuple[str, str, Table]:
    """Return how many of eight boxes care, found by measurement."""
    found = {kind: classify(box(f"{kind} 2")) for kind in EIGHT}
    caring = [kind for kind, each in found.items() if each.kind in ("nonlinear", "linear up to a level")]
    outcome = next(choice for choice, count in CHOICES.items() if count == len(caring))
    sentence = (
        f"**{len(caring)} of {len(found)}** depend on how loud you feed them: {', '.join(caring)}. The tremolo changes "
        "in time, and the hissing stage adds the same noise to everything; neither depends on the level."
    )
    rows = tuple(
        (kind, each.kind, "" if each.linear_up_to_dbfs is None else level_text(each.linear_up_to_dbfs, "dBFS"))
        for kind, each in found.items()
    )
    return outcome, sentence, Table("Eight boxes measured", ("box", "measured as", "up to"), rows)


def _six(given):
    named = {letter: box(name) for letter, name in lettered(given["boxes"]).items()}
    return box_tester(_called(named), "Six black boxes")


LAB = Lab(
    title="Linear or nonlinear?",
    question="Does this box behave the same at every level?",
    minutes=60,
    lessons="two lessons of 45 minutes",
    exercises=(SORTED, RESIDUAL, UP_TO, NOISE, ORDER, STEP),
    personal={"boxes": experiment},
    tasks={
        "06-1": _six,
        "06-2": RESIDUALS,
        "06-3": lambda given: box_tester({"Box Y": limited_box(given)}, "A box that is linear up to a level"),
        "06-4": NOISES,
    },
    compare=compare,
)
