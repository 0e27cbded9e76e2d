"""Lab 03, recording level: how high the preamp should be, and what is traded for it."""

import math
from functools import cache

import numpy as np

from gainlib.exercises import Exercise, Matching, Number, Slip, draws, either, grid, one_of
from gainlib.exercises import recordings as rec
from gainlib.exercises.experiment import Choice, Experiment, Listen, Picture, Plot, Slider, db_slider, picture
from gainlib.exercises.lab import Drawn, Lab, Worked
from gainlib.exercises.practical import Measured
from gainlib.exercises.recordings import MOST_DB, PADS_DB, Rig, crest, sound
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.stems import short_name
from gainlib.levels import BOLTZMANN, DBU_VOLTS, dbu_to_volts, sum_levels_db, thermal_noise_dbu
from gainlib.processors import Converter, Preamp
from gainlib.processors.recording import PASCAL_SPL
from gainlib.words import Table, level_text, number_text, percent_text

# ------------------------------------------------------------------------------------------- microphone to converter

SOUNDS = {stem: short_name(stem) for stem in ("01 kick", "02 snare", "05 bass", "06 guitar", "09 lead vocal")}
GAINS_DB, MEAN_DB = np.arange(0.0, MOST_DB + 1.0), 5.5
SENSITIVITIES_MV = (1.2, 1.5, 2.0, 4.0, 8.0, 15.0, 20.0, 30.0)


POINTS = {"names": ("microphone", "behind the pad", "preamp", "converter"), "unit": "dBu", "title": "Levels"}
POINTS |= {"low_db": -156.0, "high_db": 60.0, "shows": ("ceiling", "noise")}
DIAGRAM = picture("Level diagram", "diagram", lambda run: run.seen.points, margins={"left": 0.1}, **POINTS)
AXES = {"x": (0, 65, 5, "gain (dB)"), "marks": "your gain"}


def _stacked(run):
    ways = [run.seen.at(gain) for gain in GAINS_DB]
    now, knee = run.seen.way, run.seen.at(np.clip(run.seen.way.knee, *GAINS_DB[[0, -1]]))
    marks = [(way.preamp.gain_db, -way.signal_to_noise) for way in (now, knee)]
    return GAINS_DB, np.array([way.under for way in ways]).T, marks


def _chances(run):
    louder, seen = run.setting.get("louder_db", MEAN_DB), run.seen
    curve = [seen.at(gain).chance(louder) for gain in GAINS_DB]
    return GAINS_DB, [curve], [(seen.stages[0].gain_db, seen.way.chance(louder))]


NOISE = AXES | {"names": ("microphone", "preamp", "converter", "all"), "y": (-100, 0, 20, "dB against average")}
TRADE = Picture("What gain buys", ("N", "C"), {
    "N": Plot("curves", _stacked, NOISE | {"title": "Noise", "marks": "your gain, knee"}),
    "C": Plot("curves", _chances, AXES | {"names": ("take clips",), "y": (0, 100, 50, "%"), "title": "Chance"}),
}, heights=(2, 1), margins={"left": 0.1})  # fmt: skip
PAD = Slider("pad_db", "Pad", steps=PADS_DB, words={0.0: "none"}, decimals=0)
CARE = "Matched in loudness. Turn down first: clipped sound is hard on ears and tweeters."
HEARD = Listen(lambda run: run.seen.heard(microphone=0, rehearsal=-1), note=lambda s: CARE)
HEARD_TAKE = Listen(lambda run: run.seen.both_heard(), note=lambda s: CARE)


def _told(run):
    seen, take = run.seen, run.seen.take
    rooms, place = take.rooms, ("preamp", "converter")[int(np.argmin(take.rooms))]
    average, peak = level_text(take.averages[2], "dBFS"), level_text(take.peaks[2], "dBFS")
    said = f"The take averages **{average}**, its peaks come to **{peak}**. "
    kept = f"{number_text(min(rooms))} dB of room are left, at the {place}. "
    said += kept if min(rooms) >= 0 else f"**The {place} clips by {number_text(-min(rooms))} dB.** "
    sn, formula, costs = number_text(seen.signal_to_noise), number_text(seen.way.signal_to_noise), seen.way.costs
    said += f"Signal to noise of the rehearsal: **{sn} dB** as rendered, {formula} dB by the formula. "
    return said + f"The converter costs {number_text(costs, 2)} dB of it: more gain can win no more than that."


def _set_up(s):
    preamp = Preamp(0.0, 0.0, s.ein_dbu, s.ceiling_dbu, 0.0, s.sensitivity_mv, s.self_noise_dba or None)
    rig = Rig(s.sound, s.spl_db, preamp, Converter(s.full_scale_dbu, s.noise_dbfs))
    return rig.rehearsal(s.pad_db, s.gain_db, s.louder_db)


@cache
def recording() -> Experiment:
    """A microphone, a preamplifier and a converter."""
    controls = (
        Choice("sound", "Sound", SOUNDS, "09 lead vocal"),
        Slider("spl_db", "Average, SPL", 50.0, 130.0, 0.5, 100.0, page=3.0),
        db_slider("louder_db", "Take louder by", 0.0, 12.0, 3.0),
        Slider("sensitivity_mv", "Sensitivity", steps=SENSITIVITIES_MV, start=2.0, unit="mV/Pa"),
        Slider("self_noise_dba", "Self-noise", 0.0, 30.0, 1.0, 0.0, "dBA", words={0.0: "none"}, decimals=0),
        PAD, db_slider("gain_db", "Preamp gain", 0.0, 65.0, 20.0, page=5.0),
        Slider("ein_dbu", "EIN", -130.0, -115.0, 0.5, -128.0, "dBu"),
        Slider("ceiling_dbu", "Preamp ceiling", 10.0, 28.0, 1.0, 22.0, "dBu", decimals=0),
        Slider("full_scale_dbu", "0 dBFS is at", 12.0, 26.0, 1.0, 18.0, "dBu", decimals=0),
        Slider("noise_dbfs", "Converter noise", -122.0, -95.0, 1.0, -110.0, "dBFS", decimals=0),
    )  # fmt: skip
    return Experiment(
        controls, (DIAGRAM, TRADE), read=lambda run: _set_up(run.setting), told=_told, listen=HEARD_TAKE,
        title="A microphone, a preamp and a converter",
    )  # fmt: skip


# ------------------------------------------------------------------------------- a gain from what the meters show

S_GRID, FULL_SCALES = one_of(*SENSITIVITIES_MV), one_of(15, 18, 20, 22, 24)


def _rehearsed(g):
    return Rig(g["stem"], g["P"], Preamp(0.0, 0.0, -128.0, 30.0, 0.0, g["S"]), Converter(float(g["K"])))


def _meters(g):
    average = _rehearsed(g).way(0.0, g["g"]).average
    return {"average": round(average, 1), "peak": round(average + crest(g["stem"]), 1)}


METERS = Drawn(
    draws(stem=one_of(*SOUNDS), P=grid(65, 110), S=S_GRID, K=FULL_SCALES, g=grid(10, 40, 2), m=one_of(3, 6, 9),
          t=one_of(-3, -6, -10)),
    _meters, (("average", "average (RMS)", "dBFS"), ("peak", "sample peak", "dBFS")),
    lambda g: -50 <= g["peak"] <= -4 and 0 <= _to(g) <= 65 and abs(_to(g) - g["g"]) >= 2,
    lambda g: Experiment((), (DIAGRAM,), read=lambda run: _rehearsed(g).take(0.0, g["g"]), listen=HEARD,
                         title="The rehearsal"),
    caption="The rehearsal at the converter", digits={"average": 1, "peak": 1},
)  # fmt: skip


def _to(g, reading="peak", louder=1):
    return g["g"] + g["t"] - louder * g["m"] - g[reading]


# ------------------------------------------------------------------------------------------------------- the knee


def _noisy(g):
    rig = Rig("09 lead vocal", 80.0, Preamp(0.0, 0.0, float(g["E"]), 30.0, 0.0, 8.0), Converter(g["K"], g["Nc"]))
    gain = db_slider("gain_db", "Preamp gain", 0.0, MOST_DB, float(g["G"]), page=5.0)
    return Experiment(
        (gain,), (TRADE, DIAGRAM), read=lambda run: rig.take(0.0, run.setting.gain_db), title="Two noises"
    )


KNEE = SetAndMeasure(
    _noisy, None, (Aim("what the converter adds", lambda run: run.seen.added, 0.41, 0.05, decimals=2, points=2),),
    "preamp gain", points=2,
)  # fmt: skip


def _to_knee(g, over=rec.KNEE_OVER_DB):
    return g["Nc"] + over + g["K"] - g["E"]


def _knee(g, over=rec.KNEE_OVER_DB):
    return KNEE.moved(g, gain_db=float(np.clip(_to_knee(g, over), 0, 65)))


def _total(g, full=1):
    return sum_levels_db([g["E"] + g["G"] - full * g["K"], g["Nc"]])


# ------------------------------------------------------------------------------------------------------- bad takes

KINDS = {"good": "good", "preamp": "preamp clipped", "converter": "converter clipped", "low": "recorded too low"}
TAKES, AROUND = "abcd", 192
AROUND_MS = np.arange(-AROUND, AROUND + 1) / 48


def _chosen(g, letter):
    return rec.bad_take(g["stem"], g[f"kind_{letter}"], g[f"over_{letter}"], g[f"peak_{letter}"], TAKES.index(letter))


def _readings(run):
    found = rec.looked_at(run.seen)
    rows = {"sample peak": level_text(found["peak"], "dBFS"), "average (RMS)": level_text(found["average"], "dBFS")}
    rows |= {"equal samples at the top": f"{found['flat']}", "within 0.5 dB of the peak": percent_text(found["near"])}
    rows["average over the noise ahead of it"] = level_text(found["noise"], signed=False)
    return Table("This take", ("reading", "value"), tuple(rows.items()))


def takes(g) -> Experiment:
    """Four takes, one at a time: the highest peak, and readings."""
    view = {"names": ("take",), "x": (-4, 4, 1, "ms from the highest sample"), "y": (-1.5, 1.5, 0.5, "of the peak")}
    return Experiment(
        (Choice("take", "Take", {letter: f"take {letter.upper()}" for letter in TAKES}, turns=True),),
        (picture("Highest peak", "curves", lambda run: (AROUND_MS, [rec.around_peak(run.seen, AROUND)]),
                 title="Highest peak", **view),),
        read=lambda run: _chosen(g, run.setting.take), numbers=_readings, title="Four takes",
        listen=Listen(lambda run: {"take": run.seen}, note=lambda s: CARE),
    )  # fmt: skip


# ------------------------------------------------------------------------------------- rehearsal and performance


def _rig(g):
    preamp = Preamp(0.0, 0.0, float(g["E"]), float(g["V"]), 0.0, g["S"], float(g["N"]) or None)
    return Rig(g["stem"], g["P"], preamp, Converter(float(g["K"]), -110.0))


def _careful(g):
    _, pad, gain = _rig(g).best(8.0)
    return pad, round(gain - 0.3, 1)


def _fair(g):
    rig = _rig(g)
    best, soft, loud = (rig.best(louder) for louder in (g["D"], 3.0, 8.0))
    if loud is None or loud[1] != soft[1] or not 16 <= loud[2] <= 55 or (loud[1] > 0) != g["loud"]:
        return False
    wrong = [(loud[1], loud[2] / 2)] + ([] if g["loud"] else [(20.0, min(loud[2] + 20, MOST_DB))])
    lost = [best[0] - rig.way(*way, g["D"]).signal_to_noise for way in (_careful(g), *wrong)]
    return lost[0] <= 5.5 and min(lost[1:]) > 7


def _stage(g):
    rig, gain = _rig(g), round(min(_rig(g).best(g["D"])[2] + (0 if g["loud"] else 12), MOST_DB), 1)
    return Experiment(
        (PAD, db_slider("gain_db", "Preamp gain", 0.0, MOST_DB, gain, page=5.0)), (DIAGRAM, TRADE),
        read=lambda run: rig.rehearsal(run.setting.pad_db, run.setting.gain_db, g["D"]), listen=HEARD,
        title="The rehearsal",
    )  # fmt: skip


def _rehearsal_table(run, given):
    seen = run.seen
    rows = {"sample peak": level_text(seen.peaks[2], "dBFS"), "room, preamp": level_text(seen.rooms[0])}
    rows |= {"room, converter": level_text(seen.rooms[1]), "signal to noise": level_text(seen.signal_to_noise)}
    return Table("The rehearsal; the take is measured when you check", ("reading", "measured"), tuple(rows.items()))


def _over_noise(run):
    take, clips = run.seen.take, min(run.seen.take.rooms) < 0
    return Measured(None if clips else take.signal_to_noise, f"signal to noise of the take{', which clips' * clips}")


PERFORM = SetAndMeasure(_stage, None, (
    Aim("least room of the take", lambda run: min(run.seen.take.rooms), at_least=0.0, points=2),
    Aim("signal to noise of the take", _over_noise, at_least=lambda g: round(_rig(g).best(g["D"])[0] - 6, 1), points=3),
), "pad and gain", points=5, tabled=_rehearsal_table)  # fmt: skip


def _set(g, pad, gain):
    return PERFORM.moved(g, pad_db=pad, gain_db=float(np.clip(gain, 0.0, 65.0)))


def _hot(g):
    """Return pad and gain of those who bring the rehearsal's peaks to −1 dBFS."""
    pad, _ = _careful(g)
    return pad, -1.0 - _rig(g).way(pad, 0.0).average - crest(g["stem"])


# ------------------------------------------------------------------------------------------------------- the exercises

MICROPHONE = "Level of a microphone, 20·log₁₀(S / 0.7746 V) + SPL − 94: handbook formula"
THERMAL = "Thermal noise √(4kTRB): handbook formula; k = 1.380649·10⁻²³ J/K (SI)"
POWERS = "Independent noises add in power: handbook formula"


def _output(g, volts=0.001, times=20.0, less=PASCAL_SPL):
    return times * math.log10(g["S"] * volts / DBU_VOLTS) + g["P"] - less


OUTPUT = Exercise(
    id="03-1", title="What the microphone gives", parts=(Number("Output", "dBu", tolerance=0.1),),
    given=draws(S=S_GRID, P=grid(50, 130), where=lambda g: g["P"] != 94),
    statement="A microphone has a sensitivity of {S} mV/Pa. It stands where the level is {P} dB SPL. What is its "
        "output in dBu?",
    solve=_output,
    slips=(
        Slip("millivolts as volts", lambda g: _output(g, volts=1.0), "You took millivolts for volts: 60 dB too much."),
        Slip("ten for twenty", lambda g: _output(g, times=10.0), "A voltage ratio takes 20·log₁₀, not 10·log₁₀."),
        Slip("94 left out", lambda g: _output(g, less=0.0), "The sensitivity is for 94 dB SPL: count from there."),
    ),
    hints=("At 94 dB SPL, or 1 Pa, it gives {S} mV. How many dBu are that?", "Output and dB SPL move by as many dB."),
    explain="20·log₁₀(0.001 × {S}/0.7746) = {at:.2f} dBu at 94 dB SPL; {P} − 94 = {more} dB from there make {key:.2f} "
        "dBu.", terms=lambda g: {"at": _output(g | {"P": 94}), "more": g["P"] - 94},
    cites=(MICROPHONE,),
)  # fmt: skip

AHEAD = Exercise(
    id="03-2", title="A gain from the rehearsal",
    parts=(Number("Preamp gain", "dB", tolerance=0.5, points=2, read_off=True),), given=METERS,
    statement="This is the loudest place of the rehearsal, at a preamp gain of {g} dB. The take may be {m} dB louder. "
        "To which gain do you set the preamp so that the peaks of such a take come to {t} dBFS?",
    solve=_to,
    slips=(
        Slip("average for peak", lambda g: _to(g, "average"), "You went by the average. It is the peak that clips."),
        Slip("louder take forgotten", lambda g: _to(g, louder=0), "That is for the rehearsal. The take may be louder."),
        Slip("louder the wrong way", lambda g: _to(g, louder=-1), "A louder take needs less gain, not more."),
    ),
    hints=("Which of the two readings meets full scale first?", "Where may the rehearsal peak, before a louder take?"),
    explain="The take would peak at {peak} + {m} = {now:.1f} dBFS. To {t} dBFS is a change of {by:+.1f} dB: {g} "
        "{by:+.1f} = {key:.1f} dB.", terms=lambda g: {"now": g["peak"] + g["m"], "by": _to(g) - g["g"]},
    cites=("Room for a louder take: common practice, no source",), material=lambda g: sound(g["stem"]),
)  # fmt: skip


def _thermal(g, root=True, reference=DBU_VOLTS, times=20.0, width=1000.0):
    volts = 4 * BOLTZMANN * 293.0 * g["R"] * g["B"] * width
    return times * math.log10((math.sqrt(volts) if root else volts) / reference)


FLOOR = Exercise(
    id="03-3", title="The floor under every gain", parts=(Number("Noise", "dBu", tolerance=0.2),),
    given=draws(R=grid(50, 5000, 10), B=one_of(3, 5, 8, 10, 15, 18, 20, 22)),
    statement="What is the thermal noise of {R} Ω in {B} kHz at 20 °C? (*k* = 1.381·10⁻²³ J/K, *T* = 293 K)",
    solve=lambda g: thermal_noise_dbu(g["R"], 1000.0 * g["B"], 293.0),
    slips=(
        Slip("root left out", lambda g: _thermal(g, root=False), "4kTRB is a voltage squared. Take the root first."),
        Slip("dBV", lambda g: _thermal(g, reference=1.0), "That is in dBV, against 1 V. 0 dBu is 0.775 V."),
        Slip("ten for twenty", lambda g: _thermal(g, times=10.0), "Behind the root it is a voltage: 20·log₁₀."),
        Slip("kilohertz", lambda g: _thermal(g, width=1.0), "Put the band in hertz."),
    ),
    hints=("The noise voltage is √(4kTRB), with B in hertz.", "It is less than a few microvolts; 0 dBu is 0.7746 V."),
    explain="√(4 × 1.381·10⁻²³ × 293 × {R} × {B}000) = {volts:.3f} µV, and 20·log₁₀ over 0.7746 V is {key:.2f} dBu.",
    terms=lambda g: {"volts": 1e6 * dbu_to_volts(_thermal(g))},
    cites=(THERMAL,),
)  # fmt: skip

ENOUGH = Exercise(
    id="03-4", title="Enough gain", parts=(Number("All noise", "dBFS", tolerance=0.2), KNEE.part()),
    given=draws(E=grid(-129, -118), G=grid(10, 60), Nc=grid(-118, -98), K=FULL_SCALES,
                where=lambda g: 10 <= _to_knee(g) <= 58 and abs(_to_knee(g) - g["G"]) >= 3
                and abs(g["E"] + g["G"] - g["K"] - g["Nc"]) <= 12),
    statement="A preamp has an EIN of {E} dBu, the converter a noise of {Nc} dBFS, sine-referred, with 0 dBFS at +{K} "
        "dBu. What noise do both make together at a gain of {G} dB, in dBFS? Then set the gain so that the converter "
        "adds only 0.41 dB ± 0.05 dB to the noise of the preamp.",
    solve=lambda g: [_total(g), _knee(g)],
    slips=(
        Slip("levels averaged", lambda g: [(g["E"] + g["G"] - g["K"] + g["Nc"]) / 2, None], "Noises add in "
             "power; you took a mean of levels.", active=lambda g: abs(g["E"] + g["G"] - g["K"] - g["Nc"]) > 1),
        Slip("added as voltages", lambda g: [sum_levels_db([g["E"] + g["G"] - g["K"], g["Nc"]], 1.0), None],
             "You added voltages, as for one wave twice. Two noises are unrelated: add powers."),
        Slip("full scale left out", lambda g: [_total(g, full=0), None], "Bring the preamp's noise to dBFS first."),
        Slip("as loud as the converter", lambda g: [None, _knee(g, over=0.0)], "There both are equally loud, and the "
             "sum is 3 dB higher. How far must one lie below the other to add only 0.41 dB?"),
        Slip("the wrong one lower", lambda g: [None, _knee(g, over=-10.0)], "Now it is the preamp that adds 0.41 dB. "
             "The converter has to be the lower one.", active=lambda g: _to_knee(g, -10) >= 0),
    ),
    hints=("What does the preamp's noise come to at its output, and how many dBFS is that?", "10·log₁₀(1 + "
           "10^(−d/10)) is what a noise adds that lies d dB lower. For which d is it 0.41 dB?"),
    explain="Preamp: {E} + {G} − {K} = {pre} dBFS. 10·log₁₀(10^({pre}/10) + 10^({Nc}/10)) = {key[0]:.2f} dBFS. A noise "
        "10 dB lower adds 10·log₁₀ 1.1 = 0.41 dB, so the preamp's has to come to {Nc} + 10 = {at} dBFS: {at} + {K} − "
        "({E}) = {gain:.0f} dB of gain.",
    terms=lambda g: {"pre": g["E"] + g["G"] - g["K"], "at": g["Nc"] + 10, "gain": _to_knee(g)},
    cites=(POWERS, "Preamp noise 10 dB above the converter's: common practice, no source"),
    material=lambda g: sound("09 lead vocal"),
)  # fmt: skip


def _judged(g):
    return {letter: g[f"kind_{letter}"] for letter in TAKES}


def _swapped(g, first, second):
    return {each: {first: second, second: first}.get(kind, kind) for each, kind in _judged(g).items()}


BAD = Exercise(
    id="03-5", title="Three kinds of bad take",
    parts=(Matching("What each take is", points=4, items={each: f"take {each.upper()}" for each in TAKES},
                    options=KINDS, partly_from=0.75, by_chance=0.25, read_off=True),),
    given=draws(stem=one_of("01 kick", "06 guitar", "09 lead vocal"),
                **{f"kind_{letter}": one_of(*KINDS) for letter in TAKES},
                **{f"over_{letter}": grid(3, 8, 0.5) for letter in TAKES},
                **{f"peak_{letter}": grid(-12, -1, 0.5) for letter in TAKES},
                where=lambda g: len(set(_judged(g).values())) >= 2),
    statement="Four takes of one player, each brought to another level afterwards, so their level tells nothing. Some "
        "clipped in the preamp, some in the converter, some were recorded so low that the noise is less than 50 dB "
        "under the average, some are good; a kind may come twice or not at all. Turn through them: what is each?",
    solve=_judged,
    slips=(
        Slip("preamp and converter", lambda g: _swapped(g, "preamp", "converter"), "A converter cuts at one number, a "
             "preamp rounds.", active=lambda g: bool({"preamp", "converter"} & set(_judged(g).values()))),
        Slip("low and good", lambda g: _swapped(g, "low", "good"), "You went by the level. Compare the noise ahead of "
             "the first note with the average.", active=lambda g: bool({"low", "good"} & set(_judged(g).values()))),
    ),
    hints=("How many samples in a row have exactly the highest value?", "Where nothing is cut, hardly anything "
           "lies near the peak.", "What stands ahead of the first note is noise alone."),
    explain=lambda g: "; ".join(
        f"take {letter.upper()}: flat top {seen['flat']:.0f} samples, {percent_text(seen['near'])} near the peak, "
        f"noise {number_text(seen['noise'])} dB under the average: **{KINDS[g[f'kind_{letter}']]}**"
        for letter in TAKES for seen in [rec.looked_at(_chosen(g, letter))]) + ".",
    cites=("Flat tops of equal samples for a clipped converter: common practice, no source",),
    material=lambda g: sound(g["stem"]),
)  # fmt: skip

DRAWN = {"stem": one_of(*SOUNDS), "K": FULL_SCALES, "V": grid(14, 24), "E": grid(-129, -122), "D": grid(3, 8, 0.5)}
TAKEN = Exercise(
    id="03-6", title="Rehearsal and take", parts=(PERFORM.part(),),
    given=either(
        draws(**DRAWN, loud=one_of(False), S=one_of(1.2, 1.5, 2.0, 4.0), N=one_of(0), P=grid(70, 100), where=_fair),
        draws(**DRAWN, loud=one_of(True), S=one_of(8.0, 15.0, 20.0, 30.0), N=grid(6, 18), P=grid(105, 125),
              where=_fair),
    ),
    statement="A microphone of {S} mV/Pa stands before the player; its self-noise is {N} dBA (0 stands for none). At "
        "the rehearsal it takes {P} dB SPL on average. The preamp has an EIN of {E} dBu, takes 0 dBu at its input "
        "behind the pad, and its ceiling is +{V} dBu; the converter has 0 dBFS at +{K} dBu and −110 dBFS of noise. "
        "Set both on the **rehearsal**. The take will be 3 to 8 dB louder; when you check, it is performed, recorded "
        "and measured: nothing may clip, and its signal to noise has to come within 6 dB of the best without a clip.",
    solve=lambda g: _set(g, *_careful(g)),
    slips=(
        Slip("too hot", lambda g: _set(g, *_hot(g)), "That suits the rehearsal, not a louder take.",
             spots=lambda a, g: PERFORM.missed(a, g)[0] < 0 and a["desk"]["pad_db"] == _careful(g)[0]),
        Slip("input overloaded", lambda g: _set(g, 0.0, _careful(g)[1]), "The input stage clips ahead of the gain. "
             "Only a pad cures that.", active=lambda g: g["loud"],
             spots=lambda a, g: g["loud"] and a["desk"]["pad_db"] < _careful(g)[0]),
        Slip("pad not needed", lambda g: _set(g, 20.0, _careful(g)[1]), "You took a pad that is not needed. It takes "
             "the sound down, but not the noise of the preamp.", active=lambda g: not g["loud"],
             spots=lambda a, g: not g["loud"] and a["desk"]["pad_db"] > 0),
    ),
    hints=("How loud may the take get? Leave that much room over the peaks of the rehearsal.", "Which stage is nearest "
           "to its ceiling? Look behind the pad as well.", "A pad is for an input that would clip, and for nothing "
           "else."),
    explain="With 8 dB of room, a pad of {key[desk][pad_db]:.0f} dB and {key[desk][gain_db]:.1f} dB of gain are right. "
        "The take was {D} dB louder; its best signal to noise without a clip is {best:.1f} dB.",
    terms=lambda g: {"best": _rig(g).best(g["D"])[0]},
    cites=(MICROPHONE, POWERS, "White noise reads 2.05 dB lower through the A curve of IEC 61672-1"),
    material=lambda g: sound(g["stem"]),
)  # fmt: skip

# ------------------------------------------------------------------------------------------------------------- the lab

CHOICES = {20.0: "by 20 dB: it follows the gain", 10.0: "by about 10 dB", 1.0: "by about 1 dB", -10.0: "it gets worse"}
WORKED = Worked(
    "A microphone of 20 mV/Pa gets 80 dB SPL on average; peaks lie 12 dB higher. The preamp has an EIN of −127 "
    "dBu, the converter 0 dBFS at +18 dBu and −112 dBFS of noise. How much gain is enough, and where are the peaks?",
    ("The microphone gives 20·log₁₀(0.020/0.7746) = −31.8 dBu at 94 dB SPL, so −31.8 + 80 − 94 = −45.8 dBu.",
     "Enough is where the preamp's noise lies 10 dB above the converter's: then the converter adds only 0.41 dB.",
     "That is at −112 + 10 = −102 dBFS, or −102 + 18 = −84 dBu at the output. So the gain is −84 + 127 = 43 dB.",
     "Behind it the average is −45.8 + 43 = −2.8 dBu, and −2.8 − 18 = −20.8 dBFS."),
    Number("Peaks at that gain", "dBFS", tolerance=0.1), -8.8,
    "Peaks lie 12 dB over the average: −20.8 + 12 = −8.8 dBFS. A take up to 8 dB louder does not clip.",
)  # fmt: skip


def compare() -> tuple[str, str, Table]:
    """Return what gains from 10 to 60 dB do to signal to noise."""
    found = recording().setting(spl_db=74.0)
    seen = {g: recording().at(found.with_(gain_db=float(g))).seen for g in (10, 30, 40, 50, 60)}
    figures = {g: (take.signal_to_noise, take.way.signal_to_noise, take.way.costs) for g, take in seen.items()}
    rows = tuple((f"{g}", *(number_text(each, 2) for each in values)) for g, values in figures.items())
    gained = figures[60][0] - figures[40][0]
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about - gained))]
    sentence = f"From 40 to 60 dB it gains **{number_text(gained)} dB**. Once the preamp's own noise is well above the "
    sentence += "converter's, more gain raises sound and noise alike, and only the room shrinks."
    heads = "gain (dB)", "signal to noise, rendered (dB)", "by the formula (dB)", "the converter costs (dB)"
    return outcome, sentence, Table("2 mV/Pa at 74 dB SPL", heads, rows)


LAB = Lab(
    "Recording level", "How high should the preamp be, and what am I trading?", 70, "two lessons of 45 minutes",
    (OUTPUT, AHEAD, FLOOR, ENOUGH, BAD, TAKEN), {"recording": recording},
    tasks={"03-2": METERS, "03-4": KNEE, "03-5": takes, "03-6": PERFORM}, compare=compare, worked=WORKED,
)  # fmt: skip
