"""Lab 04, word length: what turning down and up again costs in each arithmetic."""

from functools import cache, cached_property, lru_cache
from itertools import islice

import numpy as np
import scipy

from gainlib.audio import Audio, wav_bytes
from gainlib.boxes.repeated_gain import each_round, predicted_dbfs, programme, residuals_dbfs
from gainlib.exercises import Choice as Pick
from gainlib.exercises import Exercise, Multi, Number, Slip, draws, fill, grid, one_of
from gainlib.exercises import rounds as repeated
from gainlib.exercises.bypass import blind_run, options
from gainlib.exercises.experiment import Choice, Experiment, Listen, Slider, Take, picture
from gainlib.exercises.lab import Lab, Worked
from gainlib.exercises.listening import least_right
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.stems import bar, short_name
from gainlib.levels import ratio_to_db
from gainlib.words import Table, level_text, number_text

# ------------------------------------------------------------------------------------------------------------ the desk

ROUNDS, LOW_DB, LOUD_DB = 50, -200.0, -26.0
FLOATS = {"float64": "64-bit float", "float32": "32-bit float"}
ARITHMETICS = FLOATS | {"24 bit": "24-bit integer", "16 bit": "16-bit integer"}
ROWS = tuple((a, d) for a in ARITHMETICS for d in (False, True)[: 1 + (a not in FLOATS)])
SOUNDS = {stem: short_name(stem) for stem in ("05 bass", "06 guitar", "09 lead vocal")} | {"noise": "noise"}


@cache
def _sound(name):
    """Return a sound in mono, in 32-bit float."""
    audio = programme() if name == "noise" else bar(name)
    return audio.with_samples(audio.samples.mean(axis=1, keepdims=True).astype(np.float32)[:120_000], name)


@lru_cache(maxsize=64)
def _left(name, first_db, arithmetic, dither, clip):
    return residuals_dbfs(_sound(name), first_db, ROUNDS, arithmetic, dither=dither, clip=clip)


class Turned:
    """A sound after its rounds: what is left of the difference, and what it sounds like."""

    def __init__(self, setting):
        self.setting, self.sound = setting, _sound(setting.sound)

    def left(self, arithmetic=None, dither=None, first_db=None):
        """Return the residual after 1, 2, … rounds in dB, of what is set where nothing else is given."""
        s = self.setting
        arithmetic, first_db = arithmetic or s.arithmetic, s.first_db if first_db is None else first_db
        whole, dither = arithmetic not in FLOATS, s.dither if dither is None else dither
        return _left(s.sound, first_db, arithmetic, whole and dither, s.clip or whole)

    @cached_property
    def after(self) -> tuple[Audio, Audio]:
        """The sound after its rounds, and the difference."""
        s, whole = self.setting, self.setting.arithmetic not in FLOATS
        made = each_round(self.sound, s.first_db, s.arithmetic, dither=whole and s.dither, clip=s.clip or whole)
        held = next(made).astype(np.float64)
        after = next(islice(made, int(s.rounds) - 1, None)).astype(np.float64)
        return self.sound.with_samples(after), self.sound.with_samples(after - held)

    @property
    def predicted(self) -> np.ndarray:
        """Fresh noise every round: by the formula where dither makes it, from the first round on elsewhere."""
        s, first = self.setting, self.left()[0]
        if s.dither and s.arithmetic not in FLOATS and s.first_db < 0:
            first = predicted_dbfs(-s.first_db, 1, int(s.arithmetic[:2]))
        return first + 10 * np.log10(np.arange(1, ROUNDS + 1))


def _power_db(audio):
    return float(ratio_to_db(np.sqrt(np.mean(audio.samples.astype(np.float64) ** 2))))


def _against_rounds(run):
    seen, s = run.seen, run.setting
    curves = [seen.left(), seen.left(first_db=s.other_db), seen.predicted]
    return np.arange(1, ROUNDS + 1), curves, [(s.rounds, seen.left()[int(s.rounds) - 1])]


def _spectra(run):
    found = []
    for audio in (run.seen.sound, run.seen.after[1]):
        hz, power = scipy.signal.welch(
            audio.samples[:, 0].astype(float), audio.rate_hz, nperseg=4096, scaling="spectrum"
        )
        edges = np.geomspace(20, 20000, 61)
        found.append([power[(hz >= low) & (hz < 1.122 * low + 12)].max() for low in edges[:-1]])
    return edges[:-1], list(10 * np.log10(np.maximum(np.array(found), 1e-40)))


def _in_all(run):
    """Return the residual in every arithmetic and how it reads, and what the formula expects with dither."""
    seen, k, expected = run.seen, int(run.setting.rounds), []
    levels = [seen.left(arithmetic, dither)[k - 1] for arithmetic, dither in ROWS]
    for arithmetic, dither in ROWS:
        known = dither and run.setting.first_db < 0
        expected.append(predicted_dbfs(-run.setting.first_db, k, int(arithmetic[:2])) if known else np.nan)
    return levels, [level_text(each) if np.isfinite(each) else "nothing" for each in levels], expected


def _named(arithmetic, dither):
    return ARITHMETICS[arithmetic].removesuffix(" integer") + (", dither" if dither else "")


ROUNDS_AXIS = {"x": (0, ROUNDS, 5, "rounds"), "y": (LOW_DB, 0, 20, "dB"), "title": "Residual", "marks": "you"}
BARS = {"names": tuple(_named(*each) for each in ROWS), "low_db": -360.0, "high_db": 0.0, "step_db": 40,
        "title": "Residual", "heading": "Residual in each arithmetic: ◇ = predicted", "column": 0.22}  # fmt: skip
WIDE = {"left": 0.1}
PICTURES = (
    picture("Against the rounds", "curves", _against_rounds, margins=WIDE, digits=(0, 1),
            names=("this step", "compared", "10·log₁₀ of the rounds"), **ROUNDS_AXIS),
    picture("Spectrum", "curves", _spectra, margins=WIDE, names=("original", "residual"), y=(-220, 0, 20, "dB"),
            title="Spectrum", hertz=True, digits=(0, 0)),
    picture("Four arithmetics", "meters", _in_all, margins={"left": 0.15}, **BARS),
)  # fmt: skip
GROWN = (
    (1.0, "after the first few rounds nothing more is lost"), (8.0, "each round adds fresh error, about 10·log₁₀"),
    (np.inf, "each round adds the **same** error, up to 20·log₁₀"),
)  # fmt: skip


def _told(run):
    seen, s = run.seen, run.setting
    level, (ten, forty) = seen.left()[int(s.rounds) - 1], seen.left()[[9, 39]]
    if not np.isfinite(level):
        return "**Nothing at all** is left: every sample is what it was."
    under = level - _power_db(seen.sound)
    said = f"{number_text(s.rounds, 0)} rounds in {_named(s.arithmetic, s.dither and s.arithmetic not in FLOATS)} leave"
    said += f" **{level_text(level)}**, which is {level_text(under)} against the signal. From ten to forty rounds it "
    grown = forty - ten if np.isfinite(ten) else 0.0
    said += f"grows by {number_text(grown)} dB: {next(words for most, words in GROWN if grown < most)}. "
    return said + f"To be heard, the residual is raised by {number_text(LOUD_DB - level)} dB."


def _heard(run):
    after, residual = run.seen.after
    left = _power_db(residual)
    raised = residual.samples * 10 ** ((LOUD_DB - left) / 20) if np.isfinite(left) else residual.samples
    found = {"original": run.seen.sound, "after the rounds": after, "residual, raised": after.with_samples(raised)}
    return {name: each.with_samples(each.samples.astype(np.float32)) for name, each in found.items()}


def _step(name, label, start):
    return Slider(name, label, -80.0, 24.0, 0.01, start, home=0.0, page=1.0, decimals=2)


FRESH = "24 bit, dither"
FILE = Take("Download the noise (WAV)", lambda run: ("rounds-programme.wav", wav_bytes(programme(), "FLOAT")))


@cache
def rounds() -> Experiment:
    """A sound turned down and up again, many times."""
    controls = (
        Choice("sound", "Sound", SOUNDS),
        _step("first_db", "First step", -20.0), _step("other_db", "Compared with", -24.08),
        Slider("rounds", "Rounds", 1, ROUNDS, 1, 20, "", page=10, decimals=0),
        Choice("arithmetic", "Arithmetic", ARITHMETICS, "float32"),
        Choice("dither", "Dither", {False: "none", True: "at every rounding"},
               off=lambda s: "floating point is not dithered" if s.arithmetic in FLOATS else ""),
        Choice("clip", "Over full scale", {False: "kept", True: "clipped"},
               off=lambda s: "" if s.arithmetic in FLOATS else "an integer always ends at full scale"),
    )  # fmt: skip
    note = "Turn down first. The residual is raised, so that you hear it at all; as it is, it is far softer."
    return Experiment(
        controls, PICTURES, read=lambda run: Turned(run.setting), told=_told, title="Down and up again", take=FILE,
        listen=Listen(_heard, note=lambda s: note),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------- ten rounds foretell forty


def _ten(g):
    """Return the desk on which each mixer is measured, up to ten rounds."""
    settings = {name: (arithmetic, down) for name, arithmetic, down in repeated.three(g)}

    def read(run):
        k, measured = int(run.setting.rounds), repeated.residuals(*settings[run.setting.mixer])
        return k, measured[k - 1], np.where(np.arange(10) < k, measured[:10], np.nan)

    def told(run):
        k, level, _ = run.seen
        return f"Mixer {run.setting.mixer}, rounds: {k}. Residual **{level_text(level, decimals=2)}**."

    def shown(run):
        k, level, measured = run.seen
        return np.arange(1, 11), [measured], [(k, level)]

    axes = {"x": (0, 11, 1, "rounds"), "y": (-180, -80, 10, "dB"), "title": "Residual", "marks": "you"}
    names = {name: f"{name}: {FLOATS.get(a, FRESH)}, {number_text(down, 2)} dB" for name, a, down in repeated.three(g)}
    return Experiment(
        (Choice("mixer", "Mixer", names, turns=True), Slider("rounds", "Rounds", 1, 10, 1, 1, "", page=3, decimals=0)),
        (picture("Residual", "curves", shown, margins=WIDE, names=("measured",), digits=(0, 2), **axes),),
        read=read, told=told, title="Three mixers, ten rounds", lines=1,
    )  # fmt: skip


# --------------------------------------------------------------------------------------- three mixers at one residual

BRIEF = programme().with_samples(programme().samples[:5_000])


@lru_cache(maxsize=1024)
def _noise_db(down_db, rounds, bits):
    after = islice(each_round(BRIEF, -down_db, f"{bits} bit", dither=True), rounds, None)
    return _power_db(BRIEF.with_samples(next(after) - BRIEF.samples))


def _mixers(g):
    def read(run):
        s = run.setting
        a, b = _noise_db(s.down_db, g["rounds_a"], 24), _noise_db(g["down_b"], int(s.rounds), 16)
        return a, b, _noise_db(g["down_c"], g["rounds_c"], int(s.bits))

    def shown(run):
        return run.seen, [level_text(each) for each in run.seen], [g["t"]] * 3

    bars = {"names": ("A: 24 bit", "B: 16 bit", "C: your word"), "low_db": -120.0, "high_db": 0.0, "title": "Residual"}
    bars |= {"heading": "Residual: ◇ = wanted", "column": 0.17}
    controls = (
        Slider("down_db", "A, down by", 1.0, 110.0, 0.1, 20.0, page=5.0),
        Slider("rounds", "B, rounds", 1, 80, 1, 1, "", page=5, decimals=0),
        Slider("bits", "C, word", 10, 24, 1, 24, "bit", page=2, decimals=0),
    )
    return Experiment(
        controls,
        (picture("Residual", "meters", shown, margins={"left": 0.15}, **bars),),
        read=read,
        title="Three mixers",
    )


EQUAL = SetAndMeasure(_mixers, None, tuple(
    Aim(f"residual of {name}", lambda run, k=k: run.seen[k], lambda g, under=under: g["t"] - under, half, points=1)
    for k, (name, under, half) in enumerate((("A", 0.0, 0.5), ("B", 0.0, 0.5), ("C", 3.0, 3.0)))
), "attenuation of A, rounds of B, word of C", points=3)  # fmt: skip


def _equal(g, extra_db=0.0, times=10):
    """Return the controls by the formula, or by a wrong one: some dB more a round, or R counted as 20·log₁₀."""
    down = g["t"] - predicted_dbfs(0.0, 1, 24) - extra_db - times * np.log10(g["rounds_a"])
    rounds = 10 ** ((g["t"] - predicted_dbfs(g["down_b"], 1, 16) - extra_db) / times)
    over = predicted_dbfs(g["down_c"], 1, 24) + extra_db + times * np.log10(g["rounds_c"]) - g["t"]
    bits = np.clip(24 + np.ceil(over / 6.0206), 10, 24)
    ends = {"down_db": float(np.clip(down, 1, 110)), "rounds": float(np.clip(round(rounds), 1, 80))}
    return EQUAL.moved(g, **ends, bits=float(bits))


def _can_be_equal(g):
    down = g["t"] - predicted_dbfs(0.0, 1, 24) - 10 * np.log10(g["rounds_a"])
    over = predicted_dbfs(g["down_c"], g["rounds_c"], 24) - g["t"]
    near = [predicted_dbfs(g["down_b"], k, 16) - g["t"] for k in range(6, 41)]
    return 15 <= down <= 105 and -80 <= over < -12 and 1.0 <= -over % 6.0206 <= 5.0 and min(map(abs, near)) <= 0.2


# -------------------------------------------------------------------------------------------------------- the exercises

NOISE = "Noise of dithered rounding, q²/4: Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992 (handbook formula)"
FRESH_ADDS = "Independent noises add in power: handbook formula"
MEASURED = "A residual is measured against the original as the arithmetic holds it: a definition of this workbook"

FORTY = Exercise(
    id="04-1", title="Ten rounds foretell forty",
    parts=tuple(Number(f"Mixer {name} after 40 rounds", "dB", tolerance=1.0, read_off=True) for name in "ABC"),
    given=repeated.MIXERS,
    statement="Three mixers turn noise down and up again, two in 32-bit float and one in 24 bit, with dither at every "
        "rounding. Measure up to **ten** rounds of each, and predict the residual after **forty**.",
    solve=repeated.forty,
    slips=(
        Slip("fresh noise "
            "everywhere", lambda g: repeated.forty(g, 6.02, "fresh"), "You let all three grow like fresh noise, by "
            "10·log₁₀ of the rounds. Look at each curve: not all of them do."),
        Slip("nothing "
            "grows", lambda g: repeated.forty(g, 0.0, "flat"), "You let nothing grow. Look at each curve from one to "
            "ten rounds."),
        Slip("same error "
            "everywhere", lambda g: repeated.forty(g, 12.04, "same"), "You let all three add the same error every "
            "round, by 20·log₁₀. Look at each curve: not all of them do."),
    ),
    hints=("By how much does the residual grow from one round to ten: not at all, about 10 dB, or about 20 dB?",
           "Fresh noise adds in power: four times as many rounds, 6 dB more. An error that is always the same adds as "
           "an amplitude."),
    explain=repeated.explained,
    cites=(FRESH_ADDS, MEASURED),
)  # fmt: skip


def _sn(g, sine=True, level=True, dither=3.0):
    clean = 20 * np.log10(2) * g["b"] + sine * 10 * np.log10(1.5) + level * g["p"]
    return [float(clean), float(clean - 10 * np.log10(dither))]


WORD = Exercise(
    id="04-2", title="What a word can hold",
    parts=tuple(Number(label, "dB", points=0.5, tolerance=0.1) for label in ("Without dither", "With dither")),
    given=draws(b=one_of(12, 16, 20, 24), p=grid(-20, -1, 0.5)),
    statement="A sine peaks at {p} dBFS and is rounded to {b} bits. What is its signal-to-noise ratio without dither, "
        "taking the error as noise of q²/12, and with triangular dither, q²/4?",
    solve=_sn,
    slips=(
        Slip("full scale", lambda g: _sn(g, level=False), "That is for a sine at full scale. This one is lower; the "
            "noise is not."),
        Slip("1.76 forgotten", lambda g: _sn(g, sine=False), "You left out 1.76 dB: noise of q²/12 against the power "
            "of a sine."),
        Slip("dither turned", lambda g: [None, _sn(g, dither=1 / 3)[1]], "Dither adds noise: it takes from the ratio."),
        Slip("dither alone", lambda g: [None, _sn(g, dither=2.0)[1]], "That counts the dither alone, q²/6. The "
            "rounding adds its q²/12."),
    ),
    hints=("At full scale the ratio is 6.02 dB a bit and 1.76 dB.", "With dither there is three times the noise "
        "power."),
    explain="6.02 × {b} + 1.76 + ({p}) = {key[0]:.2f} dB; with dither 10·log₁₀(3) = 4.77 dB less: {key[1]:.2f} dB.",
    cites=("Noise of rounding, q²/12: handbook formula", NOISE),
)  # fmt: skip

SAME = Exercise(
    id="04-3", title="Three mixers, one residual", parts=(EQUAL.part(),),
    given=draws(t=grid(-70, -42, 0.5), rounds_a=grid(8, 40), down_b=grid(15, 40, 0.5), down_c=grid(20, 50, 0.5),
                rounds_c=grid(8, 40), where=_can_be_equal),
    statement="All three mixers dither at every rounding. Set A ({rounds_a} rounds in 24 bit), B (rounds of {down_b} "
        "dB in 16 bit) and C ({rounds_c} rounds of {down_c} dB) so that A and B leave {t} dB, ± 0.5 dB, and C no more "
        "than {t} dB with the **shortest** word that does.",
    solve=_equal,
    slips=(
        Slip("20·log₁₀", lambda g: _equal(g, times=20), "You counted the rounds by 20·log₁₀. Each round brings noise "
            "of its own: 10·log₁₀.", spots=lambda a, g: _near(a, _equal(g, times=20))),
        Slip("dither forgotten", lambda g: _equal(g, -4.77), "You took the noise of plain rounding, q²/12. Dither "
            "makes it q²/4.", spots=lambda a, g: _near(a, _equal(g, -4.77))),
    ),
    hints=("Noise that is added while the sound is low is raised with it.",
           "One round leaves q²/4 in power, raised by the attenuation; R rounds leave 10·log₁₀ R more. q = 2^(1 − "
           "bits)."),
    explain="In 24 bit, q²/4 is −144.5 dB. A: {t} + 144.5 − 10·log₁₀({rounds_a}) = {key[desk][down_db]:.1f} dB. In 16 "
        "bit it is −96.3 dB, so B: 10^(({t} + 96.3 − {down_b})/10) = {key[desk][rounds]:.0f} rounds. C would leave "
        "{c:.1f} dB in 24 bit; each bit fewer adds 6.02 dB, so {key[desk][bits]:.0f} bits are the shortest word.",
    terms=lambda g: {"c": predicted_dbfs(g["down_c"], g["rounds_c"], 24)},
    cites=(NOISE, FRESH_ADDS),
)  # fmt: skip


def _near(answer, wrong):
    """Whether attenuation or rounds stand where a wrong method puts them."""
    a, b = answer["desk"], wrong["desk"]
    return abs(a["down_db"] - b["down_db"]) < 0.6 or (b["rounds"] > 1 and a["rounds"] == b["rounds"])


COPIES = Exercise(
    id="04-4", title="Copies of copies", parts=(Number("Noise of the last copy", "dBu", tolerance=0.05),),
    given=draws(R=grid(3, 40), n=grid(-95, -60, 0.5)),
    statement="In an analogue chain, a tape is copied {R} times. Each pass adds noise of its own at {n} dBu. How much "
        "is there in the end?",
    solve=lambda g: g["n"] + 10 * np.log10(g["R"]),
    slips=(
        Slip("as amplitudes", lambda g: g["n"] + 20 * np.log10(g["R"]), "You added amplitudes. The noises are "
            "unrelated and add in power."),
        Slip("decibels added", lambda g: g["n"] + g["R"], "You added a decibel for each pass."),
    ),
    hints=("How much louder are two unrelated noises of one level than one of them?",),
    explain="{n} + 10·log₁₀({R}) = {key:.3f} dBu.",
    cites=(FRESH_ADDS,),
)  # fmt: skip

HEARD = Exercise(
    id="04-5", title="Twenty rounds, blind",
    parts=(
        blind_run(repeated.FLOAT_RUN, "order_1", repeated.COMPLETE, points=1, must_show=False),
            blind_run(repeated.WORD_RUN, "order_2", repeated.TRIALS, points=2),
        Pick("What the two runs allow you to say", options=options("sentences", repeated.SENTENCES),
            follows=repeated.allowed),
    ),
    given=repeated.RUNS,
    statement="A is the original, B the same after twenty rounds of 40 dB down and up, X one of them. Any count "
        "completes run 1. Run 2 has to show a difference: more right picks than guessing gets. Then choose the "
        "sentence that both counts allow. If you use the readings instead, judge another listener, who got {other_1} "
        "of 8 right in run 1, and {other_2} of 12 in run 2, first tries both.",
    solve=lambda g: [list(g["order_1"]), list(g["order_2"]), repeated.allowed([g["order_1"], g["order_2"]], g)],
    slips=(Slip("taken for proof", lambda g: [None, None, "proved"], "A run that shows nothing proves nothing: the "
        "difference may be smaller than this listener hears today."),),
    hints=("Listen where the sound fades: what is under it?", "How many right picks of 8, and of 12, does guessing "
        "reach in fewer than 5 of 100 runs?"),
    explain="Guessing reaches {one} of 8 and {two} of 12 in fewer than 5 of 100 first runs. From there on a difference "
        "is shown; below, nothing is.",
    terms=lambda g: {"one": least_right(repeated.COMPLETE), "two": least_right(repeated.TRIALS)},
    cites=("Binomial law, one-sided, 5 %: handbook formula", MEASURED),
)  # fmt: skip

HARMED = Exercise(
    id="04-6", title="What loses quality?",
    parts=(Multi("Chains that clip or leave more than −80 dB", points=2, options=lambda g: {
        key: fill(repeated.CHAINS[key][0], g) for key in g["chains"]}),),
    given=repeated.EIGHT_CHAINS,
    statement="Music that peaks at {peak} dBFS goes through each of these chains and comes back at its own level. Tick "
        "those that clip it, or leave a residual of more than −80 dB against the music. Each chain is rendered and "
        "measured.".replace("{peak}", number_text(repeated.PEAK_DBFS, 0)),
    solve=lambda g: [key for key, harm in repeated.harms(g).items() if harm > repeated.HARMED_DB],
    slips=(
        Slip("over is "
            "lost", lambda g: [key for key in g["chains"] if repeated.UP in repeated.CHAINS[key][2][:1]], "You ticked "
            "all that goes over full scale. Floating point keeps it, until something clips."),
        Slip("whole "
            "numbers", lambda g: [k for k in g["chains"] if "float" not in repeated.CHAINS[k][0]], "You ticked all "
            "whole numbers. A long word that is well filled loses nothing that is heard."),
    ),
    hints=("Follow each box: does it clip, and how long is its word?", "The word counts where the sound is at its "
        "**lowest**."),
    explain=lambda g: "Residuals against the music: " + "; ".join(
        f"{fill(repeated.CHAINS[key][0], g)}: {level_text(harm, decimals=0) if np.isfinite(harm) else 'nothing'}"
            for key, harm in repeated.harms(g).items()) + ".",
    cites=(NOISE, "Limit of −80 dB: a definition of this workbook"),
)  # fmt: skip

# ------------------------------------------------------------------------------------------------------------- the lab

CHOICES = {-50.0: "about −40 dB: I would hear it", -100.0: "about −80 dB: in a quiet room", -1000.0: "under −120 dB",
           -np.inf: "nothing at all"}  # fmt: skip


def compare() -> tuple[str, str, Table]:
    """Return what twenty rounds of 40 dB leave of a bass, in each arithmetic."""
    run = rounds().at(rounds().setting(first_db=-40.0))
    levels, _, expected = _in_all(run)
    music = _power_db(run.seen.sound)
    rows = tuple((_named(*each), level_text(level - music), level_text(known - music) if np.isfinite(known) else "–")
                 for each, level, known in zip(ROWS, levels, expected, strict=True))  # fmt: skip
    outcome = CHOICES[next(low for low in CHOICES if levels[1] - music > low)]
    sentence = f"In 32-bit float, **{level_text(levels[1] - music)}** is left against the bass. Which arithmetic it is "
    sentence += "decides; that the level went down and up does not."
    return outcome, sentence, Table("Twenty rounds of 40 dB", ("arithmetic", "left", "predicted"), rows)


WORKED = Worked(
    "A 16-bit mixer dithers at every rounding. It turns a track down by 12 dB and up again, 25 times. What is left?",
    ("One step of a 16-bit word is q = 2^(1 − 16) of full scale.",
     "A dithered rounding adds noise of q²/4: 10·log₁₀(q²/4) = −96.3 dB. (The textbook's theory: dither, twice q²/12, "
     "and the rounding itself, q²/12.)",
     "Noise made while the track is 12 dB lower is raised with it: −96.3 + 12 = −84.3 dB a round.",
     "Every round brings noise of its own, so 25 rounds add in power: 10·log₁₀(25) = 14.0 dB."),
    Number("Residual after 25 rounds", "dB", tolerance=0.2), -70.35, "−84.3 + 14.0 = −70.3 dB.",
)  # fmt: skip

LAB = Lab(
    "Word length and the rounds", "Does turning down and up in a digital mixer wear the sound out?", 50,
    "one lesson of 50 minutes", (FORTY, WORD, SAME, COPIES, HEARD, HARMED), {"rounds": rounds},
    tasks={"04-1": _ten, "04-3": EQUAL}, compare=compare, worked=WORKED,
)  # fmt: skip
