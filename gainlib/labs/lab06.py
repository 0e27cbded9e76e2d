"""Lab 06, linear or nonlinear: whether a box cares how loud it is fed, and whether a trim may cross it."""

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from gainlib import processors as p
from gainlib.audio import Audio
from gainlib.boxes import classify
from gainlib.exercises import Before, Exercise, Matching, Multi, Number, Slip, draws, grid, one_of, pick, shuffled
from gainlib.exercises.box_tests import FRAMES, HALF_DB, LOWEST_DB, RATE_HZ, box_tester, fed, rms, two_tones
from gainlib.exercises.experiment import Choice, Experiment, Listen, Slider, db_slider, picture
from gainlib.exercises.lab import Lab, Worked
from gainlib.exercises.refrain import refrain
from gainlib.exercises.variants import kept_by
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters.average import SINE_CREST_DB
from gainlib.processors.base import Noise
from gainlib.words import Table, level_text

# ------------------------------------------------------------------------------------------ black boxes, by their names

KINDS = {
    "linear": "linear",
    "drift": "linear, but drifting in time",
    "noisy": "linear, plus noise or offset",
    "upto": "linear up to a level (a corner, exact below it)",
    "nonlinear": "nonlinear",
}
LETTERS = "ABCDEFGH"
EIGHT = "equaliser", "delay", "reverberation", "tremolo", "hissing stage", "compressor", "clipper", "saturator"
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


def eight(rng: np.random.Generator) -> dict[str, str]:
    """Return the names of the experiment's eight boxes by letter, in a drawn order and drawn settings."""
    kinds = shuffled(rng, EIGHT)
    return {letter: f"{kind} {pick(rng, (1, 2, 3))}" for letter, kind in zip(LETTERS, kinds, strict=True)}


NAMING = Matching(
    "Which box is which?", items={letter: f"Box {letter}" for letter in LETTERS}, options={kind: kind for kind in EIGHT}
)
"""Task 7 of the panel, worth nothing."""


@cache
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


def _called(named):
    return {f"Box {letter}": box(name) for letter, name in named.items()}


def experiment(rng: np.random.Generator) -> Experiment:
    """Eight boxes behind letters, each of which may be fed, compared and heard."""
    return box_tester(_called(eight(rng)), "Eight black boxes", Listen(_sounds, note=lambda setting: NOTE))


# ----------------------------------------------------------------------------------------- what the exercises are about

SHORT_MS = np.arange(480) / 48
CROSSING = 8
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
IN_TIME = ("delay", "tremolo", "reverberation")
STOPS = ("saturator", "compressor", "gate", "converter")
MOVES = {name: name not in STOPS for name in ACROSS}  # may a trim cross it?


def _draw_six(rng):
    """Draw six different boxes, one at least of each of the five kinds, in any order."""
    by_class = {key: [kind for kind, (cls, _) in CATALOGUE.items() if cls == key] for key in KINDS}
    chosen = [pick(rng, kinds) for kinds in by_class.values()]
    chosen.append(pick(rng, [kind for kind in CATALOGUE if kind not in chosen]))
    return {"boxes": [f"{kind} {pick(rng, (1, 2, 3))}" for kind in shuffled(rng, chosen)]}


def lettered(names) -> dict[str, str]:
    """Return the boxes under the letters a learner sees."""
    return dict(zip(LETTERS, names, strict=False))


def sorted_out(given: dict, wrongly: str = "") -> dict:
    """Return the kind of every box; those of the kind `wrongly` are taken for nonlinear."""
    found = {letter: class_of(name) for letter, name in lettered(given["boxes"]).items()}
    return {letter: "nonlinear" if kind == wrongly else kind for letter, kind in found.items()}


@kept_by("box", "a", "b")
def _two_out(given):
    return [fed(box(given["box"]), two_tones(given[name]))[FRAMES:] for name in "ab"]


def _passes(given, a_db, b_db):
    """Return what two passes leave behind their gains, and the difference."""
    soft, loud = (out * db_to_ratio(db) for out, db in zip(_two_out(given), (a_db, b_db), strict=True))
    return soft, loud, loud - soft


def residual_db(given: dict, a_db: float | None = None, b_db: float | None = None) -> float:
    """Return the homogeneity residual: with the gains undone, or with others behind the two passes."""
    gains = (-given[name] if db is None else db for name, db in (("a", a_db), ("b", b_db)))
    soft, _, difference = _passes(given, *gains)
    return float(ratio_to_db(rms(difference) / rms(soft)))


TWICE = draws(
    box=one_of(*(f"{kind} {k}" for kind in ("saturator", "uneven saturator", "compressor") for k in (1, 2, 3))),
    a=grid(-40, -20), b=grid(-12, 0), where=lambda given: residual_db(given) > -45,
)  # fmt: skip


def _level(samples):
    return max(LOWEST_DB, float(ratio_to_db(max(rms(samples), 1e-12))) + SINE_CREST_DB)


def _two_passes(given):
    axes = {"x": (0, 10, 2, "time (ms)"), "y": (-2, 2, 0.5, "full scale = 1"), "digits": (1, 2)}
    names = *(f"{name}, fed {level_text(given[name], 'dBFS', 0)}" for name in "ab"), "difference"
    return Experiment(
        tuple(db_slider(f"{name}_db", f"Gain behind {name}", -60.0, 60.0) for name in "ab"),
        (picture("Two passes through one box", "curves", lambda run: (SHORT_MS, [e[: SHORT_MS.size] for e in run.seen]),
                 names=names, title="Behind the gains", **axes),),
        read=lambda run: _passes(given, run.setting.a_db, run.setting.b_db),
        numbers=lambda run: Table("RMS behind the gains", ("of", "level"), tuple(
            (name, level_text(_level(each), "dBFS", 2)) for name, each in zip(names, run.seen, strict=True))),
        title="Two passes through one box",
    )  # fmt: skip


def _plausible(given):
    low, high = (-47.5, -10.5) if given["device"] == "compressor" else (-21.5, -1.5)
    return low <= given["limit"] <= high and abs(given["limit"] + 18) > 1


LIMITED = draws(device=one_of("compressor", "clipper"), limit=grid(-47.5, -1.5, 1), where=_plausible)
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


@kept_by("hiss", "share", "seed", most=16)
def out_of_silence(given: dict) -> np.ndarray:
    """Return what a box gives for silence in millionths of full scale: noise, and an offset."""
    hiss = Noise(given["hiss"], given["seed"], 1).next(RATE_HZ)[:, 0]
    return 1e6 * (hiss + given["share"] * rms(hiss))


def metered_dbfs(samples: np.ndarray, meter: str = "referred") -> float:
    """Return what one of the desk's meters reads of samples in millionths of full scale."""
    highest = np.abs(samples).max() if meter == "peak" else rms(samples)
    return float(ratio_to_db(highest)) - 120.0 + (SINE_CREST_DB if meter == "referred" else 0.0)


def noise_dbfs(given: dict, meter: str = "referred") -> float:
    """Return the level of the noise alone."""
    out = out_of_silence(given)
    return metered_dbfs(out - out.mean(), meter)


METERS = {"peak": "sample peak", "plain": "plain RMS", "referred": "RMS, sine-referred"}
NOISES = draws(hiss=grid(-95, -55, 0.5), share=grid(-2.5, 2.5, 0.1), seed=grid(1, 9),
               where=lambda given: abs(given["share"]) >= 0.8)  # fmt: skip


def _silent_box(given):
    reach = float(f"{20 * rms(out_of_silence(given)):.1g}")
    axes = {"x": (0, 10, 2, "time (ms)"), "y": (-reach / 2, reach / 2, reach / 8, "millionths of full scale")}
    return Experiment(
        (
            Slider("added", "Constant", *axes["y"][:2], reach / 2000, 0.0, "", page=reach / 100),
            Choice("meter", "Meter", METERS),
        ),
        (picture("Output with silence in", "curves",
                 lambda run: (SHORT_MS, [run.seen[: SHORT_MS.size], np.full(SHORT_MS.size, run.seen.mean())]),
                 margins={"left": 0.13}, names=("output", "its mean"), title="Output with silence in", **axes),),
        read=lambda run: out_of_silence(given) + run.setting.added,
        told=lambda run: f"The meter reads **{level_text(metered_dbfs(run.seen, run.setting.meter), 'dBFS', 2)}**.",
        title="Box Z, with silence in", lines=1,
    )  # fmt: skip


def _draw_crossings(rng):
    """Draw eight processors that a trim may or may not cross, some of each sort, one at least that takes time."""
    may = [name for name, moves in MOVES.items() if moves]
    count = pick(rng, (4, 5, 6))
    chosen = [*shuffled(rng, may, count), *shuffled(rng, STOPS, CROSSING - count)]
    given = {"across": shuffled(rng, chosen), "trim": pick(rng, (-10, -8, -6, 6, 8, 10))}
    return given if set(IN_TIME) & set(chosen) else None


def crossed(given: dict, also=(), without=()) -> list[str]:
    """Return what a trim may cross, with some added or left out among those asked for."""
    return [name for name in given["across"] if (MOVES[name] or name in also) and name not in without]


# -------------------------------------------------------------------------------------------------------- the exercises

LINEARITY = "Homogeneity, superposition, time invariance: definition of a linear system (any handbook of signals)"
FULL_SCALE = "RMS in dBFS (a full-scale sine reads 0): AES17 (standard)"
CURVE = "Static curve of a compressor, hard knee: handbook formula"
LIMIT = "A residual of −60 dB as the limit: a decision of this workbook"

FILTERS = ("equaliser", "reverberation")


def _found(given):
    found = lettered(given["boxes"]).items()
    return "; ".join(
        f"{letter}, a box of the kind {kind_of(name)}, is {KINDS[class_of(name)]}" for letter, name in found
    )


KIND_OF_EACH = Matching(
    "What each box is", points=4, options=KINDS,
    items=lambda given: {letter: f"Box {letter}" for letter in lettered(given["boxes"])},
    partly_from=0.5, by_chance=0.2, read_off=True,
)  # fmt: skip

SORTED = Exercise(
    id="06-1", title="Six black boxes", edition=2, parts=(KIND_OF_EACH,),
    before=Before((replace(KIND_OF_EACH, partly_from=1.0),), sorted_out), given=_draw_six,
    statement="The panel has six unlabelled boxes. Feed them softly and loudly, twice, and with silence. What kind is "
        "each of them?",
    solve=sorted_out,
    slips=(
        Slip("drift for nonlinear", lambda g: sorted_out(g, "drift"), "A box that changes in time is not nonlinear: at "
             "every moment half the input gives half the output, only the moments differ."),
        Slip("noise for nonlinear", lambda g: sorted_out(g, "noisy"), "What a box adds of its own does not depend on "
             "how loud you feed it: an error that shrinks as the drive rises, and is there with silence too, is noise "
             "or offset."),
        Slip("limit for nonlinear", lambda g: sorted_out(g, "upto"), "A box that is exact below a level and fails only "
             "above it is linear up to that level. Feed it softly, too."),
    ),
    hints=("Halve the input. Does the output halve?",
           "Feed it the same input again. Is the output the same?",
           "Test it loud and soft, and with silence once."),
    explain="{found}. A box whose output halves with its input at every level, and repeats, is linear; one that only "
        "fails to repeat drifts in time; one whose error shrinks as you feed it louder, and is there with silence in, "
        "adds something of its own; one that has a corner, and is exact below it, is linear up to that level; any "
        "other is nonlinear, also where its residual is small.",
    terms=lambda given: {"found": _found(given)}, cites=(LINEARITY,),
    material=lambda given: tuple(box(name) for name in given["boxes"]),
)  # fmt: skip

RESIDUAL = Exercise(
    id="06-2", title="How far from linear", edition=2,
    parts=(Number("Residual", "dB", tolerance=0.5, points=2, read_off=True),),
    before=Before((Number("Residual", "dB", tolerance=0.5, points=2),),
                  lambda g: 20 * math.log10(g["difference_undone"] / g["soft_undone"])),
    given=TWICE,
    statement="Two tones went through one box twice: fed at *a* = {a} dBFS RMS and at *b* = {b} dBFS RMS. The desk has "
        "a gain behind each pass, and takes one from the other. Set both gains so that the drive is undone. How "
        "large is the homogeneity residual: the level of the difference against that of the pass fed at *a*?",
    solve=residual_db,
    slips=(
        Slip("gain the wrong way", lambda g: residual_db(g, g["a"], g["b"]), "You applied the gain once more instead "
            "of undoing it: what went in at −20 dBFS needs +20 dB behind the box."),
        Slip("gain not undone", lambda g: residual_db(g, 0.0, 0.0), "That difference contains the change of level you "
            "made yourself. Undo the gain before you subtract."),
        Slip("one gain undone", lambda g: residual_db(g, -g["a"], 0.0), "You undid the gain of one pass alone. Both "
            "have to come back to 0 dB before they are compared."),
    ),
    hints=("Undo the gain before subtracting: by how much was each pass fed below 0 dBFS?",
           "What went in at −20 dB needs +20 dB behind the box. Then compare two levels."),
    explain="Behind +{up_a} dB and +{up_b} dB, the difference reads {read[2]:.2f} dBFS and the pass fed at {a} dBFS "
        "{read[0]:.2f} dBFS: {read[2]:.2f} − ({read[0]:.2f}) = {key:.2f} dB.",
    terms=lambda g: {"up_a": -g["a"], "up_b": -g["b"], "read": [_level(e) for e in _passes(g, -g["a"], -g["b"])]},
    cites=(LINEARITY, FULL_SCALE),
    material=lambda given: box(given["box"]),
)  # fmt: skip

UP_TO = Exercise(
    id="06-3", title="Linear up to a level", edition=3,
    parts=(Number("Peak level of the sine", "dBFS", tolerance=0.6, points=2, read_off=True),),
    before=Before((Number("Peak level of the sine", "dBFS", tolerance=1.0, points=2),), limit_dbfs), given=LIMITED,
    statement="The box in the panel is linear up to a level. Feed it a steady sine, let it settle, and compare the "
        "output with that for half the sine. At which peak level of the sine does the residual pass −60 dB?",
    solve=limit_dbfs,
    slips=(
        Slip("plain RMS for peak", lambda g: limit_dbfs(g) - SINE_CREST_DB, "You are 3 dB too low, because you gave "
             "the plain RMS of the sine. The question asks for its peak level."),
        Slip("level of the half", lambda g: limit_dbfs(g) + HALF_DB, "You are 6 dB too low, because you gave the level "
             "of the halved sine. The louder of the two reaches the limit first."),
    ),
    hints=("Go up in steps of 1 dB and watch the residual.",
           "Between which two steps does it jump? Any level between them will do."),
    explain="Below {limit} dBFS the box does nothing to the sine; above it, the error grows fast. It passes a "
        "thousandth, −60 dB, at {key:.2f} dBFS, {over:.2f} dB above the corner.",
    terms=lambda g: {"over": limit_dbfs(g) - g["limit"]},
    cites=(LINEARITY, LIMIT, CURVE), material=limited_box,
)  # fmt: skip

NOISE = Exercise(
    id="06-4", title="What comes out of silence", edition=2,
    parts=(Number("Noise", "dBFS", tolerance=0.5, points=2, read_off=True),),
    before=Before((Number("Noise", "dBFS", tolerance=0.5, points=2),),
                  lambda g: 10 * math.log10(2e-12 * (g["all"] ** 2 - g["offset"] ** 2))),
    given=NOISES,
    statement="With silence at its input, box Z still puts out something: noise, and an offset. You may add a constant "
        "to its output and choose the meter. What is the level of the noise alone, sine-referred (a full-scale sine "
        "reads 0 dBFS)?",
    solve=noise_dbfs,
    slips=(
        Slip("offset left in", lambda g: metered_dbfs(out_of_silence(g)), "Your figure still contains the offset. Add "
            "the constant that brings the mean to zero, then read."),
        Slip("3 dB slip", lambda g: noise_dbfs(g, "plain"), "You are 3.01 dB too low, because you gave plain RMS. "
            "Sine-referred, a full-scale sine reads 0 dBFS."),
        Slip("peak", lambda g: noise_dbfs(g, "peak"), "That is the highest sample of the noise. Its level is its RMS."),
    ),
    hints=("Where does the reading stop falling while you change the constant?",
           "A peak meter, plain RMS or sine-referred: on which of the three does a full-scale sine read 0 dBFS as an "
               "average?"),
    explain="The mean of the output is {offset:.1f} millionths of full scale; with {off:.1f} added, only the noise is "
        "left: {plain:.2f} dBFS plain RMS, and + 3.01 = {key:.2f} dBFS sine-referred. With the offset it read "
        "{with_it:.2f} dBFS.",
    terms=lambda g: {"offset": out_of_silence(g).mean(), "off": -out_of_silence(g).mean(),
                     "plain": noise_dbfs(g, "plain"), "with_it": metered_dbfs(out_of_silence(g))},
    cites=(FULL_SCALE, "Mean square of a sum of noise and a constant: handbook formula"),
)  # fmt: skip

CROSSED = Multi(
    "A trim can cross", points=3, partly_from=0.8, by_chance=0.75,
    options=lambda given: {name: ACROSS[name] for name in given["across"]},
)  # fmt: skip

ORDER = Exercise(
    id="06-5", title="Can the trim cross it?", edition=3, parts=(CROSSED,),
    before=Before((CROSSED,), crossed, before=Before((replace(CROSSED, partly_from=1.0),), crossed)),
    given=_draw_crossings,
    statement="A trim of {trim} dB sits ahead of a processor and is moved behind it. The signal is a drum loop that "
        "keeps the processor working. Which of these can the trim cross without changing anything (the difference is "
        "less than −80 dB against the signal)?",
    solve=crossed,
    slips=(
        Slip("only distortion counts", lambda g: crossed(g, also=("compressor", "gate")), "A compressor and a gate "
             "distort little, but their thresholds are levels, and the trim decides what crosses them.",
             active=lambda g: {"compressor", "gate"} & set(g["across"])),
        Slip("tremolo shut out", lambda g: crossed(g, without=("tremolo",)), "A tremolo changes its gain in time, "
             "whatever the level, and two gains can be swapped.", active=lambda g: "tremolo" in g["across"]),
        Slip("filters shut out", lambda g: crossed(g, without=FILTERS), "Equaliser and reverberation do not depend on "
             "level: half the input gives half the output.",
             active=lambda g: 0 < len(crossed(g, without=FILTERS)) < len(crossed(g))),
    ),
    hints=("A trim can cross only boxes whose output halves with their input.",
           "Which of them depend on level? Try it: do a null test."),
    explain="A trim can cross whatever scales with its input: {yes}. It cannot cross {no}, because what these do "
        "depends on the level.",
    terms=lambda g: {"yes": [ACROSS[name] for name in crossed(g)],
                     "no": [ACROSS[name] for name in g["across"] if name not in crossed(g)]},
    cites=(LINEARITY, "The limit of −80 dB: a decision of this workbook"),
)  # fmt: skip


STEP = Exercise(
    id="06-6", title="A step across the threshold",
    parts=(Number("Difference at the output", "dB", tolerance=0.05, points=2),),
    given=draws(T=grid(-30, -12), R=one_of(1.5, 2, 3, 4, 8), L1=grid(-45, -15), L2=grid(-25, -2),
        where=lambda g: g["L1"] + 3 <= g["T"] <= g["L2"] - 3),
    statement="A compressor with a hard knee has its threshold at {T} dBFS and a ratio of {R}:1. A steady sine goes "
        "from {L1} to {L2} dBFS. By how many dB does the output rise once it has settled?",
    solve=lambda g: g["T"] + (g["L2"] - g["T"]) / g["R"] - g["L1"],
    slips=(
        Slip("taken as linear", lambda g: g["L2"] - g["L1"], "You gave the rise at the input. A compressor passes that "
             "on only up to the threshold."),
        Slip("ratio on everything", lambda g: (g["L2"] - g["L1"]) / g["R"], "You divided the whole rise by the ratio. "
             "Only the part above the threshold is divided."),
        Slip("part below left out", lambda g: (g["L2"] - g["T"]) / g["R"], "You gave only the rise above the "
             "threshold. The part below it comes out in full."),
    ),
    hints=("Which part of the rise lies below the threshold, and which above?",
           "Only the part above is divided by the ratio."),
    explain="Below the threshold: {T} − ({L1}) = {below:g} dB, passed on in full. Above: ({L2} − ({T}))/{R} = "
        "{above:.3f} dB. Together {key:.3f} dB.",
    terms=lambda g: {"below": g["T"] - g["L1"], "above": (g["L2"] - g["T"]) / g["R"]},
    cites=(CURVE,),
)  # fmt: skip

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


WORKED = Worked(
    "Two tones go through a box, at −30 and at −6 dBFS RMS. Does its gain depend on the level, and how much?",
    ("Undo the drive: what went in at −30 dBFS gets +30 dB behind the box, and what went in at −6 dBFS gets +6 dB. "
     "Were the box linear, both would now be the same.",
     "Take one from the other. The meters read −0.2 dBFS for the soft pass, and −21.4 dBFS for the difference.",
     "The homogeneity residual is the difference against the soft pass, both as levels."),
    Number("Residual", "dB", tolerance=0.05), -21.2,
    "−21.4 − (−0.2) = −21.2 dB: a tenth of the wave depends on how loud it was fed, so the box is not linear.",
)  # fmt: skip

LAB = Lab(
    title="Linear or nonlinear?",
    question="Does this box behave the same at every level?",
    minutes=60,
    lessons="two lessons of 45 minutes",
    exercises=(SORTED, RESIDUAL, UP_TO, NOISE, ORDER, STEP),
    personal={"boxes": experiment},
    tasks={
        "06-1": lambda given: box_tester(_called(lettered(given["boxes"])), "Six black boxes"),
        "06-2": _two_passes,
        "06-3": lambda given: box_tester({"Box Y": limited_box(given)}, "A box that is linear up to a level"),
        "06-4": _silent_box,
    },
    compare=compare,
    worked=WORKED,
)
