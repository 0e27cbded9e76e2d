"""Lab 01, decibels and the level diagram: levels through a chain, between the ceilings and the noise."""

import math
from functools import cache
from itertools import accumulate

import numpy as np

from gainlib.exercises import Exercise, Number, Order, Slip, draws, grid, one_of, pick, shuffled
from gainlib.exercises.experiment import Choice, Experiment, Listen, Sheet, Slider, db_slider, picture
from gainlib.exercises.lab import Lab, Worked
from gainlib.exercises.recordings import Chain
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.stems import STEMS, bar, short_name
from gainlib.levels import DBU_VOLTS, dbu_to_dbv, dbu_to_volts, dbv_to_dbu, sum_levels_db
from gainlib.meters import rms_dbfs, sample_peak_dbfs
from gainlib.processors import Converter, Preamp
from gainlib.session import Insert, Session, Strip
from gainlib.signals import tone
from gainlib.words import Table, level_text, number_text, percent_text

# ----------------------------------------------------------------------------------------------- a chain of four stages

NAMES = ("preamp", "insert", "bus amp", "output")
CEILINGS_DBU, NOISES_DBU = (22.0, 18.0, 24.0, 26.0), (-128.0, -95.0, -90.0, -95.0)
GAINS = tuple(f"gain{k}_db" for k in range(1, 5))
LOWEST_DB, HIGHEST_DB, NO_INPUT_CEILING_DBU = -30.0, 70.0, 60.0


@cache
def crest(stem: str) -> float:
    """Return by how much a bar's highest sample lies over its average, sine-referred, in dB."""
    return sample_peak_dbfs(bar(stem)) - rms_dbfs(bar(stem))


def chained(sound, source_dbu, gains_db, noises_dbu=NOISES_DBU, ceilings_dbu=CEILINGS_DBU) -> Session:
    """Return a sound of that average through four stages; a level in dBFS reads as dBu."""
    stages = zip(gains_db, noises_dbu, ceilings_dbu, strict=True)
    inserts = tuple(
        Insert(Preamp(gain, 0.0, noise, ceiling, NO_INPUT_CEILING_DBU, seed=k))
        for k, (gain, noise, ceiling) in enumerate(stages, 1)
    )
    return Session((Strip("chain", sound, trim_db=source_dbu - rms_dbfs(sound), inserts=inserts),))


def at_input(noises_dbu, gains_db) -> list[float]:
    """Return the noise of every stage in dBu, referred to the input of the chain."""
    before = accumulate(gains_db[:-1], initial=0.0)
    return [noise - gain for noise, gain in zip(noises_dbu, before, strict=True)]


class Stages(Chain):
    """What is read of such a session; by the formula as well."""

    @property
    def sources(self) -> list[float]:
        """Noise of every stage, referred to the input."""
        return at_input(*zip(*((stage.ein_dbu, stage.gain_db) for stage in self.stages), strict=True))

    @property
    def formula(self) -> float:
        """Signal to noise by the formula: source level less the power sum of the noises at the input."""
        return self.averages[0] - sum_levels_db(self.sources)


def _diagram(target=None):
    """Return the level diagram, a diamond where the output is wanted."""

    def read(run):
        seen, none = run.seen, [None]
        wanted = None if target is None else [*none * 4, target]
        return seen.averages, seen.peaks, none + seen.ceilings, none + seen.noises, wanted

    look = {"names": ("source", *NAMES), "low_db": -132.0, "high_db": 48.0, "unit": "dBu", "title": "Levels"}
    shows = ("ceiling", "noise", *(("wanted average",) if target is not None else ()))
    return picture("Level diagram", "diagram", read, margins={"left": 0.1}, shows=shows, **look)


def _numbers(run):
    seen, rows = run.seen, []
    powers = 10 ** (np.array(seen.sources) / 10)
    for k, name in enumerate(("source", *NAMES)):
        volts = f"{float(f'{dbu_to_volts(seen.averages[k]):.3g}'):g} V"
        own = "–" if k == 0 else number_text(seen.stages[k - 1].gain_db, signed=True)
        rest = [number_text(seen.rooms[k - 1]), number_text(seen.noises[k - 1])] if k else ["–"] * 2
        share = percent_text(100 * powers[k - 1] / powers.sum()) if k else "–"
        rows.append((name, own, number_text(seen.averages[k], 1, True), volts, *rest, share))
    heads = "point", "gain (dB)", "average (dBu)", "average", "room (dB)", "noise (dBu)", "share of all noise"
    return Table("The chain in numbers", heads, tuple(rows))


def _told(run):
    seen, k, full = run.seen, int(np.argmin(run.seen.rooms)), run.setting.full_scale_dbu
    level, room, noisy = seen.averages[-1], seen.rooms[k], NAMES[int(np.argmax(seen.sources))]
    said = f"Out of the chain: **{level_text(level, 'dBu')}**; where 0 dBFS is +{full:g} dBu, that is "
    said += f"**{level_text(level - full, 'dBFS')}**. "
    kept = f"The least room is {number_text(room)} dB, at the {NAMES[k]}. "
    said += kept if room >= 0 else f"**The {NAMES[k]} clips: its peaks are {number_text(-room)} dB too high.** "
    said += f"Signal to noise: **{number_text(seen.signal_to_noise)} dB** as rendered, {number_text(seen.formula)} dB "
    return said + f"by the formula; most of the noise is made by the {noisy}."


NUMBERS = Sheet("In numbers", _numbers)
CARE = "One bar, matched in loudness. Turn down first: clipped sound is hard on ears and tweeters."
HEARD = Listen(lambda run: run.seen.heard(**{"source": 0, "out of the chain": -1}), note=lambda s: CARE)


def _gains(starts):
    return [
        db_slider(name, f"Gain, {at}", LOWEST_DB, HIGHEST_DB, start, page=3.0)
        for name, at, start in zip(GAINS, NAMES, starts, strict=True)
    ]


@cache
def chain() -> Experiment:
    """Four stages in a row."""
    scales = {full: f"0 dBFS = +{full:g} dBu" for full in (15.0, 18.0, 22.0, 24.0)}
    controls = (
        Choice("sound", "Sound", {stem: short_name(stem) for stem in STEMS}, "09 lead vocal"),
        Slider("source_dbu", "Source, average", -70.0, 10.0, 0.1, -50.0, "dBu", page=3.0),
        *_gains((40.0, 5.0, 0.0, 0.0)), Choice("full_scale_dbu", "Converter", scales, 18.0),
    )  # fmt: skip
    return Experiment(
        controls, (_diagram(), NUMBERS), lambda s: chained(bar(s.sound), s.source_dbu, [s[name] for name in GAINS]),
        lambda run: Stages(run.session), told=_told, listen=HEARD, title="From a microphone to a line output",
    )  # fmt: skip


# ----------------------------------------------------------------------------------- the best way through four stages


def _of(g, name):
    return [float(g[f"{name}{k}"]) for k in range(1, 5)]


def _most(g, k):
    """Return the highest average that keeps the room behind stage k, counted from 0."""
    return g[f"ceiling{k + 1}"] - g["h"] - crest(g["stem"])


def _through(g, outputs):
    """Return the gains that lead to these averages behind the stages."""
    return [round(after - before, 1) for before, after in zip((g["u"], *outputs), outputs, strict=False)]


def _formula(g, gains):
    return g["u"] - sum_levels_db(at_input(_of(g, "noise"), gains))


def _best(g):
    """Return the gains by which every stage puts out the most it may, a little less for rounding."""
    return _through(g, [*(round(_most(g, k) - 0.2, 1) for k in range(3)), g["t"]])


def _found(g):
    return [0.0, *[round((g["t"] + 6 - g["u"]) / 3, 1)] * 3]


def _evenly(g):
    return [round((g["t"] - g["u"]) / 4, 1)] * 4


def _at_once(g):
    return [round(g["t"] - g["u"], 1), 0.0, 0.0, 0.0]


def _with_average(g):
    """Return the gains of those who keep the average under the ceilings and forget the peaks."""
    return _through(g, [*(g[f"ceiling{k}"] - g["h"] for k in range(1, 4)), g["t"]])


def _fair(g):
    if not 2 <= _most(g, 3) - g["t"] <= 5.5 or g["t"] - _most(g, 2) < LOWEST_DB:
        return False
    best = _formula(g, _best(g))
    return all(_formula(g, way(g)) < best - 2 for way in (_at_once, _evenly, _found)) and max(_best(g)) < HIGHEST_DB


def _asked(g):
    return Experiment(
        tuple(_gains(_found(g))), (_diagram(g["t"]), NUMBERS),
        lambda s: chained(bar(g["stem"]), g["u"], [s[name] for name in GAINS], _of(g, "noise"), _of(g, "ceiling")),
        lambda run: Stages(run.session), listen=HEARD, title=f"{short_name(g['stem'])} through four stages",
    )  # fmt: skip


WAY = SetAndMeasure(_asked, None, (
    Aim("least room over the peaks", lambda run: min(run.seen.rooms), at_least=lambda g: g["h"], points=1),
    Aim("average at the output", lambda run: run.seen.averages[-1], lambda g: g["t"], 0.5, unit="dBu", points=1),
    Aim("signal to noise", lambda run: run.seen.signal_to_noise, at_least=lambda g: round(_formula(g, _best(g)) - 1, 1),
        points=3),
), "four gains", points=5)  # fmt: skip


def _set(g, gains):
    return WAY.moved(g, **dict(zip(GAINS, gains, strict=True)))


# ---------------------------------------------------------------------------------------------------- a line-up tone

LINES = {"+4 dBu": 4.0, "−10 dBV": dbv_to_dbu(-10.0)}
HERTZ, TONE_S = 997.0, 0.5


def _lined_up(s, g):
    ways = Insert(Preamp(s.gain_db, 0.0, -110.0, 30.0, NO_INPUT_CEILING_DBU)), Insert(Converter(float(g["K"])))
    return Session((Strip("machine", tone(HERTZ, 0.0, TONE_S), trim_db=LINES[g["line"]], inserts=ways),))


def _line_up(g):
    def points(run):
        return *[run.seen.averages[:2]] * 2, [None, float(g["K"])]

    look = {"names": ("machine", "converter"), "shows": ("ceiling",), "low_db": -42.0, "high_db": 36.0, "unit": "dBu"}
    return Experiment(
        (db_slider("gain_db", "Gain", LOWEST_DB, 30.0),),
        (picture("Line-up", "diagram", points, title="Line-up tone", **look),), lambda s: _lined_up(s, g),
        lambda run: Chain(run.session), title="A machine's line-up tone into a converter",
    )  # fmt: skip


TONE = SetAndMeasure(
    _line_up, None, (Aim("tone on the converter", lambda run: run.seen.averages[-1], lambda g: g["t"], 0.1, unit="dBFS",
                         points=2),), "gain ahead of the converter", points=2,
)  # fmt: skip


def _gain(g, line=None):
    return g["t"] + g["K"] - (LINES[g["line"]] if line is None else line)


# ------------------------------------------------------------------------------------------------------- the exercises

VOLTS = "20·log₁₀ of a voltage ratio: handbook formula"
DBU = "0 dBu = √0.6 V ≈ 0.775 V: IEC 60027-3"
SERIES = "Gains in series add in dB: handbook formula"
SCALES = "0 dBFS = +18 dBu: EBU R 68; +24 dBu: SMPTE RP 155; +15 and +22 dBu: common practice"
MILLIVOLTS = 1000 * DBU_VOLTS


def _ratio(g, times=20.0, log=math.log10):
    return times * log(g["b"] / g["a"])


RATIO = Exercise(
    id="01-1", title="A voltage changes", parts=(Number("Change", "dB", tolerance=0.05, points=2),),
    given=draws(a=grid(100, 999, 1), b=grid(20, 3999, 1), where=lambda g: 2 <= abs(_ratio(g)) <= 28),
    statement="A voltage goes from {a} mV to {b} mV. By how many dB does the level change?",
    solve=_ratio,
    slips=(
        Slip("ten for twenty", lambda g: _ratio(g, 10), "10·log₁₀ is for powers. For a voltage ratio, take 20·log₁₀."),
        Slip("turned over", lambda g: -_ratio(g), "You divided the old voltage by the new one. It is new over old."),
        Slip("natural logarithm", lambda g: _ratio(g, log=math.log), "You took the natural logarithm. Take log₁₀."),
    ),
    hints=("Is it louder or softer at the end? That gives you the sign.", "Divide the new voltage by the old one, then "
           "take 20·log₁₀."),
    explain="20·log₁₀({b}/{a}) = 20·log₁₀ {ratio:.4g} = {key:+.3f} dB.", terms=lambda g: {"ratio": g["b"] / g["a"]},
    cites=(VOLTS,),
)  # fmt: skip

UNITS = Exercise(
    id="01-2", title="One level, three units",
    parts=(Number("In millivolts", "mV", relative=0.01), Number("In dBV", "dBV", tolerance=0.05)),
    given=draws(u=grid(-60, 6, 0.1), where=lambda g: abs(g["u"]) >= 1),
    statement="A level of {u:+.1f} dBu: how many millivolts are that, and how many dBV?",
    solve=lambda g: [1000 * dbu_to_volts(g["u"]), dbu_to_dbv(g["u"])],
    slips=(
        Slip("one volt", lambda g: [1000 * 10 ** (g["u"] / 20), g["u"]], "You took 0 dBu as 1 V. That is 0 dBV; "
             "0 dBu is 0.775 V."),
        Slip("wrong way to dBV", lambda g: [None, g["u"] + 2.218], "You went the wrong way: 0 dBV is the higher "
             "voltage, so the same level is a lower number in dBV."),
        Slip("ten for twenty", lambda g: [MILLIVOLTS * 10 ** (g["u"] / 10), None], "You divided by 10. The exponent of "
             "a voltage is dB/20."),
        Slip("volts", lambda g: [dbu_to_volts(g["u"]), None], "That is in volts. Give it in millivolts."),
    ),
    hints=("0 dBu is 775 mV, and 0 dBV is 1 V.", "Voltage: 775 mV times 10 to the power of dBu/20.", "From dBu to dBV "
           "is one subtraction. How many dBu is 1 V?"),
    explain="774.6 mV × 10^({u}/20) = {key[0]:.5g} mV. 1 V is +2.218 dBu, so {u} − 2.218 = {key[1]:.3f} dBV.",
    cites=(DBU,),
)  # fmt: skip


def _arriving(g, pad=-1, full=-1):
    return g["s"] + pad * g["p"] + g["g"] + g["i"] + full * g["K"]


ARRIVE = Exercise(
    id="01-3", title="From source to converter", parts=(Number("Level", "dBFS", tolerance=0.05, points=2),),
    given=draws(s=grid(-70, -10, 0.5), p=one_of(0, 10, 20), g=grid(10, 60), i=grid(-6, 6, 0.5),
                K=one_of(15, 18, 22, 24), where=lambda g: -40 <= _arriving(g) <= -3
                and g["s"] - g["p"] + g["g"] <= 20 and g["i"] != 0),
    statement="A source of {s} dBu passes a pad of {p} dB, a preamp with {g} dB of gain and an insert of {i:+.1f} dB. "
        "The converter has 0 dBFS at +{K} dBu. What does it read?",
    solve=_arriving,
    slips=(
        Slip("pad added", lambda g: _arriving(g, pad=1), "You added the pad. A pad takes away, whatever its sign in "
            "print.", active=lambda g: g["p"] > 0),
        Slip("stopped at dBu", lambda g: _arriving(g, full=0), "That is the level in dBu. The converter reads how "
            "far that is below its full scale."),
        Slip("full scale added", lambda g: _arriving(g, full=1), "You added the full scale. A level as high as that "
            "reads 0 dBFS, so subtract it."),
    ),
    hints=("Gains and losses in series simply add up in dB.", "What does the converter read for +{K} dBu?"),
    explain="{s} − {p} + {g} {i:+.1f} = {dbu:.1f} dBu; less {K} dB: {key:.1f} dBFS.",
    terms=lambda g: {"dbu": _arriving(g, full=0)},
    cites=(SERIES, SCALES),
)  # fmt: skip

LINE_UP = Exercise(
    id="01-4", title="Line-up",
    parts=(TONE.part(), Number("Full scale, at the machine's output", "dBu", tolerance=0.05)),
    given=draws(line=one_of(*LINES), K=one_of(15, 18, 22, 24), t=grid(-21, -9, 0.5),
                where=lambda g: abs(_gain(g)) >= 1.5),
    statement="A machine sends its line-up tone at {line}. The converter has 0 dBFS at +{K} dBu. Set the gain between "
        "them so that the tone reads {t} dBFS ± 0.1 dB. Which level at the machine's output will then just reach full "
        "scale?",
    solve=lambda g: [TONE.moved(g, gain_db=_gain(g)), LINES[g["line"]] - g["t"]],
    slips=(
        Slip("dBV taken as dBu", lambda g: [None, -10.0 - g["t"]], "You took −10 dBV as −10 dBu. It is −7.78 dBu.",
             active=lambda g: g["line"] != "+4 dBu"),
        Slip("the converter's own", lambda g: [None, float(g["K"])], "That is full scale at the converter. Between it "
             "and the machine there is your gain."),
        Slip("wrong way", lambda g: [None, LINES[g["line"]] + g["t"]], "You went down from the tone. Full scale is "
             "above it."),
    ),
    hints=("How far below full scale does the tone lie once it is lined up?", "The gain moves both, the tone and what "
           "would reach full scale. −10 dBV is −7.78 dBu."),
    explain="The tone is {u:.2f} dBu. It has to arrive at {K} + ({t}) = {at} dBu, so the gain is {gain:+.2f} dB. Full "
        "scale is {up} dB above the tone: {u:.2f} + {up} = {key[1]:.2f} dBu at the machine.",
    terms=lambda g: {"u": LINES[g["line"]], "at": g["K"] + g["t"], "gain": _gain(g), "up": -g["t"]},
    cites=("+4 dBu and −10 dBV as line levels: common practice, no source", SCALES),
    material=lambda g: tone(HERTZ, 0.0, TONE_S),
)  # fmt: skip

VOLTAGES, KEYS, SCALES_DBU = ("V", "mV"), "abcdef", (15, 18, 22, 24)
ZEROS_DBU = {"V": dbv_to_dbu(0.0), "mV": dbv_to_dbu(-60.0), "dBu": 0.0, "dBV": dbv_to_dbu(0.0), "dBFS": 0.0}


def _levels(g, **wrong):
    """Return all six in dBu; 1 V, 1 mV or 0 dB of each unit stand where `wrong` has them."""
    zeros = ZEROS_DBU | {"dBFS": g["K"]} | wrong
    pairs = zip(g["units"], g["values"], strict=True)
    return [(20 * math.log10(value) if unit in VOLTAGES else value) + zeros[unit] for unit, value in pairs]


def _draw_six(rng):
    """Draw six levels far enough apart for their order, which is not that of the bare numbers."""
    full, units, values = pick(rng, SCALES_DBU), shuffled(rng, [*ZEROS_DBU, pick(rng, tuple(ZEROS_DBU))]), []
    for unit in units:
        level = -32 + 44 * rng.random() - (ZEROS_DBU | {"dBFS": full})[unit]
        values.append(round(10 ** (level / 20) if unit in VOLTAGES else level, 3 if unit == "V" else 1))
    given = {"K": full, "units": units, "values": values}
    levels, bare = (
        sorted(_levels(given)),
        _keys([v / 1000 if u == "mV" else v for u, v in zip(units, values, strict=True)]),
    )
    fair = min(np.diff(levels)) >= 1.5 and -33 < levels[0] and levels[-1] < 13 and _ordered(given) != bare
    return given if fair else None


def _keys(levels):
    return [KEYS[k] for k in np.argsort(levels, kind="stable")]


def _ordered(g, **wrong):
    return _keys(_levels(g, **wrong))


def _options(g):
    texts = (level_text(v, u) if u[0] == "d" else f"{v:g} {u}" for v, u in zip(g["values"], g["units"], strict=True))
    return dict(zip(KEYS, texts, strict=True))


ORDER = Exercise(
    id="01-5", title="Quietest first", parts=(Order("Quietest first", points=2, options=_options),),
    given=_draw_six,
    statement="Put these six levels in order, the quietest first. Voltages are RMS; dBFS is that of a sine, with 0 "
        "dBFS at +{K} dBu.",
    solve=_ordered,
    slips=(
        Slip("bare numbers", lambda g: _keys(g["values"]), "You compared the numbers and left their units out."),
        Slip("dBV taken as dBu", lambda g: _ordered(g, dBV=0.0), "You took dBV as dBu. The same number in dBV "
             "is 2.2 dB louder.", active=lambda g: _ordered(g, dBV=0.0) != _ordered(g)),
        Slip("dBFS taken as dBu", lambda g: _ordered(g, dBFS=0.0), "You took dBFS as dBu; it is far louder.",
             active=lambda g: _ordered(g, dBFS=0.0) != _ordered(g)),
    ),
    hints=("Turn all six into dBu.", "775 mV is 0 dBu, 1 V is 0 dBV or +2.2 dBu, and 0 dBFS is +{K} dBu."),
    explain="In dBu: {levels}; that is {keys} of the list.",
    terms=lambda g: {"levels": [number_text(level, 1, True) for level in sorted(_levels(g))],
                     "keys": [key.upper() for key in _ordered(g)]},
    cites=(DBU, SCALES),
)  # fmt: skip

THROUGH = Exercise(
    id="01-6", title="The best way through", parts=(WAY.part(),),
    given=draws(
        stem=one_of("01 kick", "06 guitar", "09 lead vocal"), u=grid(-50, -30), h=one_of(6, 8, 10),
        t=grid(-16, 12, 0.5), **{f"ceiling{k}": grid(18, 26) for k in range(1, 5)}, noise1=grid(-128, -118),
        **{f"noise{k}": grid(-92, -78) for k in range(2, 5)}, where=_fair,
    ),
    statement="A source of {u} dBu average passes four stages. Their ceilings are {ceiling1:+}, {ceiling2:+}, "
        "{ceiling3:+} and {ceiling4:+} dBu at the output, their noise {noise1}, {noise2}, {noise3} and {noise4} dBu "
        "at the input. Set the four gains so that every stage keeps at least {h} dB of room over the **peaks**, the "
        "output has {t:+.1f} dBu average ± 0.5 dB, and the signal to noise comes within 1 dB of the best there is.",
    solve=lambda g: _set(g, _best(g)),
    slips=(
        Slip("average for peak", lambda g: _set(g, _with_average(g)), "You kept the room over the average. It is the "
             "peak that meets a ceiling.", spots=WAY.spots(False, None, True)),
        Slip("raised late", lambda g: _set(g, _evenly(g)), "You raise the level too late: the noise of a stage is only "
             "as far down as the signal at its input is up.", spots=WAY.spots(None, True, False)),
    ),
    hints=("Which stage's noise is amplified by all the others?", "Raise early and lower late: how high may each stage "
           "go?", "The peak meets the ceiling, not the average. Read both off the diagram."),
    explain="Peaks lie {crest:.1f} dB over the average here. So the first three stages may put out {most[0]:.1f}, "
        "{most[1]:.1f} and {most[2]:.1f} dBu average: ceiling − {h} − {crest:.1f}. From {u} dBu that takes gains of "
        "{best[0]:+.1f}, {best[1]:+.1f} and {best[2]:+.1f} dB, and {best[3]:+.1f} dB to arrive at {t:+.1f} dBu. Signal "
        "to noise by the formula: {sn:.1f} dB.",
    terms=lambda g: {"crest": crest(g["stem"]), "sn": _formula(g, _best(g)), "best": _best(g),
                     "most": [_most(g, k) for k in range(3)]},
    cites=(SERIES, "Noise of independent stages adds in power: handbook formula"), material=lambda g: bar(g["stem"]),
)  # fmt: skip

# ------------------------------------------------------------------------------------------------------------- the lab

CHOICES = {0.0: "not at all: the gain is the same", 3.0: "about 3 dB", 10.0: "about 10 dB", 30.0: "more than 20 dB"}
WORKED = Worked(
    "A microphone gives −48 dBu on average, and its peaks lie 14 dB higher. The preamp's ceiling is +22 dBu, and you "
    "want 6 dB of room over the peaks. The converter behind it has 0 dBFS at +18 dBu. Which gain do you set, and what "
    "does the converter read on average?",
    ("The peak meets the ceiling, so begin with it: −48 + 14 = −34 dBu at the input.",
     "With 6 dB of room, the peak may reach 22 − 6 = +16 dBu.",
     "The gain is what lies between: 16 − (−34) = 50 dB. Average and peak both rise by it.",
     "Behind the preamp the average is −48 + 50 = +2 dBu, with peaks at +16 dBu. The converter takes that: +16 is "
     "below +18."),
    Number("Average on the converter", "dBFS", tolerance=0.05), -16.0,
    "+18 dBu reads 0 dBFS, so +2 dBu reads 2 − 18 = −16 dBFS, with peaks at −2 dBFS.",
)  # fmt: skip


def compare() -> tuple[str, str, Table]:
    """Return what 54 dB of gain do to the noise, in the first stage or in the last."""
    rows, unity = [], dict.fromkeys(GAINS, 0.0)
    first, last = (chain().at(chain().setting(**unity | {name: 54.0})).seen for name in (GAINS[0], GAINS[-1]))
    for name, seen in (("first", first), ("last", last)):
        values = seen.averages[-1], seen.noises[-1], seen.signal_to_noise, seen.formula
        rows.append((f"all in the {name}", *map(number_text, values)))
    lost = first.signal_to_noise - last.signal_to_noise
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about - lost))]
    sentence = f"In the last stage it costs **{number_text(lost)} dB** of signal to noise, at the same level. Every "
    sentence += "stage adds its noise at its input, and a late gain raises all the noise made before it."
    heads = "54 dB of gain", "output (dBu)", "noise (dBu)", "signal to noise, rendered (dB)", "by the formula (dB)"
    return outcome, sentence, Table("The same gain, early and late", heads, tuple(rows))


LAB = Lab(
    "Decibels and the level diagram", "If I change something here, how many dB is it there?", 60,
    "two lessons of 45 minutes", (RATIO, UNITS, ARRIVE, LINE_UP, ORDER, THROUGH), {"chain": chain},
    tasks={"01-4": TONE, "01-6": WAY}, compare=compare, worked=WORKED,
)  # fmt: skip
