"""Lab 08, dynamics: a threshold is a level, so every gain ahead of it sets what it does."""

from gainlib.exercises.checks import Check
from gainlib.exercises.dynamics import readings, setting
from gainlib.exercises.model import Exercise, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.practical import State
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, either, grid, one_of
from gainlib.processors import Compressor

CURVE = (
    "Static curve with a knee: Giannoulis, Massberg, Reiss, Digital Dynamic Range Compressor Design, JAES 60(6), 2012, "
    "eq. 4 (handbook formula)"
)
GAINS = "Handbook formula: gains in series add in dB"
ENERGY = "Bypass matched by ungated energy: a decision of this workbook"
RATIOS = one_of(1.5, 2, 3, 4, 8)


def _over(g):
    return g["L"] - g["T"]


def _slope(g):
    return 1 - 1 / g["R"]


def _reduction(g, knee_db=0.0):
    return float(g["L"] - Compressor(g["T"], g["R"], knee_db).static_db(g["L"]))


def _bent(g, share=0.5):
    return _slope(g) * (_over(g) + share * g["W"]) ** 2 / (2 * g["W"])


def _in_knee(g):
    return 2 * abs(_over(g)) <= g["W"]


_STEADY = {"L": grid(-40, -4, 0.5), "T": grid(-40, -10, 0.5), "R": RATIOS, "W": one_of(3, 6, 10)}

STEADY = Exercise(
    id="08-1",
    title="A steady level through the curve",
    parts=(
        Number("Reduction, hard knee", "dB", tolerance=0.05, points=1),
        Number("Reduction, soft knee", "dB", tolerance=0.05, points=2),
    ),
    given=either(
        draws(**_STEADY, where=lambda g: 0 < _over(g) <= g["W"] / 2 - 0.5),
        draws(**_STEADY, where=lambda g: -g["W"] / 2 + 0.5 <= _over(g) <= 0),
        draws(**_STEADY, where=lambda g: g["W"] / 2 + 0.5 <= _over(g) <= 20),
    ),
    statement=(
        "A steady tone of {L} dBFS comes into a compressor with a threshold of {T} dBFS and a ratio of {R}:1. By how "
        "many dB is it turned down with a hard knee, and with a knee {W} dB wide? Give positive numbers."
    ),
    solve=lambda g: [_reduction(g), _reduction(g, g["W"])],
    slips=(
        Slip(
            "rise for reduction",
            lambda g: [_over(g) / g["R"], None],
            "That is by how much the output rises over the threshold. What is missing from the input is the reduction.",
            active=lambda g: _over(g) > 0 and g["R"] != 2,
        ),
        Slip(
            "whole level divided",
            lambda g: [-g["L"] * _slope(g), None],
            "You divided the whole level by the ratio. It works on what stands over the threshold, and on no more.",
        ),
        Slip(
            "knee ignored",
            lambda g: [None, _reduction(g)],
            "That is the hard knee again. This level lies inside the knee, where the curve is already bending.",
            active=_in_knee,
        ),
        Slip(
            "knee everywhere",
            lambda g: [None, _bent(g)],
            "You used the bend outside the knee. This level is past it, where both curves are the same.",
            active=lambda g: not _in_knee(g),
        ),
        Slip(
            "whole knee below",
            lambda g: [None, _bent(g, 1.0)],
            "The threshold is the middle of the knee: it begins half its width below, not the whole of it.",
            active=_in_knee,
        ),
    ),
    hints=(
        "How far over the threshold is the level, and how much of that is let through?",
        "Is the level inside the knee, that is nearer to the threshold than half its width?",
    ),
    explain=lambda g: fill(
        "Over the threshold: {L} − ({T}) = {over:.1f} dB. Hard knee: max(0, {over:.1f}) × (1 − 1/{R}) = {hard:.3f} dB. "
        + (
            "Half the knee is {half:.1f} dB, so the level is inside: (1 − 1/{R}) × ({over:.1f} + {half:.1f})²/(2 × "
            "{W}) = {soft:.3f} dB."
            if _in_knee(g)
            else "Half the knee is {half:.1f} dB, so the level is past it and the soft knee gives {soft:.3f} dB as "
            "well."
        ),
        {**g, "over": _over(g), "half": g["W"] / 2, "hard": _reduction(g), "soft": _reduction(g, g["W"])},
    ),
    cites=(CURVE,),
)

TRIMMED = Exercise(
    id="08-2",
    title="Trim ahead of a compressor",
    parts=(
        Number("New threshold", "dBFS", tolerance=0.05, points=1),
        Number("Change of the makeup", "dB", tolerance=0.05, points=1, may_be_printed=True),
    ),
    given=draws(x=grid(3, 15, 0.5), T=grid(-40, -10, 0.5), R=one_of(2, 3, 4, 6, 8)),
    statement=(
        "A compressor stands at a threshold of {T} dBFS and a ratio of {R}:1. You lower the trim ahead of it by {x} "
        "dB. Where does the threshold go for the same reduction, and by how much does the makeup change for the same "
        "level at the output?"
    ),
    solve=lambda g: [g["T"] - g["x"], g["x"]],
    slips=(
        Slip(
            "threshold the wrong way",
            lambda g: [g["T"] + g["x"], None],
            "Wrong way: the signal came down, so the threshold has to come down with it.",
        ),
        Slip(
            "threshold left",
            lambda g: [g["T"], None],
            "Left where it is, the threshold is reached by less of the signal, and the reduction shrinks. A threshold "
            "is a level.",
        ),
        Slip(
            "makeup the wrong way",
            lambda g: [None, -g["x"]],
            "Wrong way: what was taken off ahead is missing at the output and has to be added there.",
        ),
        Slip(
            "divided by the ratio",
            lambda g: [None, g["x"] / g["R"]],
            "The ratio would divide it if the threshold had stayed. With the threshold moved along, the reduction is "
            "as before, and the output is lower by all of it.",
        ),
    ),
    hints=(
        "The reduction depends on the distance between signal and threshold. What has to happen to it?",
        "With the same reduction, what is missing at the output?",
    ),
    explain=lambda g: fill(
        "Same distance, same reduction: {T} − {x} = {new:.1f} dBFS. The signal goes through everything {x} dB lower, "
        "so the makeup goes up by {x} dB.",
        {**g, "new": g["T"] - g["x"]},
    ),
    cites=(GAINS, CURVE),
)

MAKEUP = Exercise(
    id="08-3",
    title="Makeup for a fair bypass",
    parts=(Number("Makeup", "dB", tolerance=0.2, points=2),),
    given=readings.SqueezedStems(),
    statement=(
        "A bar of a stem goes through a compressor with a threshold of {threshold} dBFS, a ratio of {ratio}:1, "
        "{attack_ms} ms attack and {release_ms} ms release. What is read on both sides stands in the panel. Which "
        "makeup gives active and bypass the same energy?"
    ),
    solve=readings.makeup_db,
    slips=(
        Slip(
            "largest reduction",
            lambda g: g["most"],
            "That is the largest reduction, reached for a moment. Most of the sound is turned down by less, so that "
            "much makeup is louder than the bypass.",
        ),
        Slip(
            "mean reduction",
            lambda g: g["mean"],
            "That is the mean reduction over the time, pauses and all. Energy sits in the loud moments, which are "
            "turned down more.",
        ),
        Slip(
            "active level",
            lambda g: g["active_in"] - g["active_out"],
            "You matched active levels. Behind a compressor other blocks count as active than ahead of it; match the "
            "energy.",
        ),
        Slip(
            "makeup upside down",
            lambda g: -readings.makeup_db(g),
            "Wrong way round: the compressor turns down, so the makeup turns up.",
        ),
    ),
    hints=(
        "Which of the readings speak of the energy of the whole, on either side?",
        "The bypass is the reference. What has to be added to the output to get there?",
    ),
    explain=lambda g: fill(
        "RMS in {energy_in:.2f} dBFS, out {energy_out:.2f} dBFS: {energy_in:.2f} − ({energy_out:.2f}) = {makeup:+.2f} "
        "dB. The largest reduction is {most:.2f} dB, its mean over the time {mean:.2f} dB; neither weighs the moments "
        "by their energy.",
        {**g, "makeup": readings.makeup_db(g)},
    ),
    cites=(ENERGY, GAINS),
    material=lambda g: readings.through(g).before,
)


def _edges(g, moved=1, margin=1):
    return [g["N"] + moved * g["g"] + margin * 6, g["Q"] + moved * g["g"] - margin * 3]


GATED = Exercise(
    id="08-4",
    title="Room for a gate",
    parts=(
        Number("Lowest opening level", "dBFS", tolerance=0.1, points=1),
        Number("Highest opening level", "dBFS", tolerance=0.1, points=1),
    ),
    given=draws(
        N=grid(-75, -45, 0.5),
        Q=grid(-55, -20, 0.5),
        g=grid(-10, 15, 0.5),
        where=lambda g: 12 <= g["Q"] - g["N"] <= 30 and abs(g["g"]) >= 1,
    ),
    statement=(
        "In the pauses of a track noise peaks at {N} dBFS; the quietest note you want peaks at {Q} dBFS. Then the trim "
        "ahead of the gate moves by {g:+.1f} dB. The gate has to open at least 6 dB above the noise and at least 3 dB "
        "below the note. What is the lowest, what the highest opening level that does?"
    ),
    solve=_edges,
    slips=(
        Slip(
            "trim forgotten",
            lambda g: _edges(g, moved=0),
            "That was right before the trim moved. Noise and note both moved with it, and the gate hears them as they "
            "are now.",
        ),
        Slip(
            "trim turned round",
            lambda g: _edges(g, moved=-1),
            "Wrong way: a trim that goes up lifts noise and note alike, and the opening level goes up with them.",
        ),
        Slip(
            "margins turned round",
            lambda g: _edges(g, margin=-1),
            "Your margins point outwards: the gate would open for noise, or stay shut for the note. Go up from the "
            "noise and down from the note.",
        ),
    ),
    hints=(
        "Where do noise and note peak behind the trim?",
        "The opening level lies between them. From which side does each margin count?",
    ),
    explain=lambda g: fill(
        "Behind the trim the noise peaks at {N} + ({g}) = {noise:.1f} dBFS, the note at {Q} + ({g}) = {note:.1f} dBFS. "
        "Lowest: {noise:.1f} + 6 = {low:.1f} dBFS. Highest: {note:.1f} − 3 = {high:.1f} dBFS.",
        {**g, "noise": g["N"] + g["g"], "note": g["Q"] + g["g"], "low": _edges(g)[0], "high": _edges(g)[1]},
    ),
    cites=(GAINS, "Margins of 6 and 3 dB: common practice, no source"),
)

GROUP = Exercise(
    id="08-5",
    title="Faders into a group compressor",
    parts=(
        Number("Change at the group's output", "dB", tolerance=0.05, points=2),
        Number("Correction behind the compressor", "dB", tolerance=0.05, points=1),
    ),
    given=draws(
        L=grid(-20, -2, 0.5),
        T=grid(-40, -12, 0.5),
        R=RATIOS,
        x=grid(2, 8, 0.5),
        where=lambda g: 0.5 <= g["L"] - g["x"] - g["T"] and g["L"] - g["T"] <= 24,
    ),
    statement=(
        "A group plays a steady {L} dBFS into its compressor: threshold {T} dBFS, ratio {R}:1, hard knee. You lower "
        "all faders of the group by {x} dB. By how much does the level behind the compressor change? And which gain "
        "**behind** it makes the change the same as that of the faders?"
    ),
    solve=lambda g: [-g["x"] / g["R"], g["x"] / g["R"] - g["x"]],
    slips=(
        Slip(
            "taken for linear",
            lambda g: [-g["x"], None],
            "That would be right without the compressor. Over its threshold it gives less reduction to a lower level "
            "and takes back a part of your move.",
        ),
        Slip(
            "multiplied by the ratio",
            lambda g: [-g["x"] * g["R"], None],
            "Upside down: the ratio says how many dB going in make one dB coming out.",
        ),
        Slip(
            "change is a fall",
            lambda g: [g["x"] / g["R"], None],
            "The size is right. The faders go down, so the output goes down, and the change is negative.",
        ),
        Slip(
            "correction the wrong way",
            lambda g: [None, g["x"] - g["x"] / g["R"]],
            "Wrong way: the output has come down by too little, so the correction goes down as well.",
        ),
        Slip(
            "whole move again",
            lambda g: [None, -g["x"]],
            "The output has already come down by a part of it. Only the rest is missing.",
        ),
    ),
    hints=(
        "Over the threshold, how many dB at the output is one dB at the input worth?",
        "What is still missing from the change you wanted?",
        "Would you rather have left the faders alone and moved the output of the group?",
    ),
    explain=lambda g: fill(
        "The level stays over the threshold, so the output changes by −{x}/{R} = {change:+.3f} dB. Missing from −{x} "
        "dB is {rest:+.3f} dB, to be set behind the compressor. Moving that output alone by −{x} dB keeps the drive "
        "and the sound.",
        {**g, "change": -g["x"] / g["R"], "rest": g["x"] / g["R"] - g["x"]},
    ),
    cites=(CURVE,),
)

SET = Exercise(
    id="08-6",
    title="Set a compressor",
    parts=(
        State(
            "Trim, threshold and makeup",
            points=4,
            controls=setting.controls,
            checks=(
                Check("mean reduction while it plays", lambda a, g: setting.read(a, g).reduction_db, setting.wanted),
                Check(
                    "active against bypass",
                    lambda a, g: setting.read(a, g).difference_db,
                    (-setting.MATCH_DB, setting.MATCH_DB),
                    decimals=2,
                    too_high="too loud",
                    too_low="too soft",
                ),
                Check(
                    "peak at the output", lambda a, g: setting.read(a, g).peak_dbfs, (None, setting.PEAK_DBFS), "dBFS"
                ),
            ),
            nudges=setting.nudges,
        ),
    ),
    given=setting.DRAW,
    statement=(
        "Somebody left this compressor far too hot; its ratio is {ratio}:1. Set trim, threshold and makeup. While the "
        "stem plays, it has to be turned down by {g} dB on average, within 0.5 dB. Active has to be as loud as bypass "
        "within 0.2 dB, by energy; the trim is in both. The peak at the output must not pass −1 dBFS."
    ),
    solve=setting.by_the_book,
    slips=(
        Slip(
            "makeup by the largest reduction",
            setting.by_most,
            "Your makeup is as much as the largest reduction. That lasts a moment; over the whole it is too loud. "
            "Measure in and out instead.",
            active=lambda g: setting.made_up_by_most(setting.by_most(g), g),
            spots=setting.made_up_by_most,
        ),
        Slip(
            "makeup left",
            setting.unmatched,
            "The reduction is right, but the makeup still stands where you found it. Match last: every change ahead "
            "changes what is needed behind.",
            active=lambda g: setting.makeup_left(setting.unmatched(g), g),
            spots=setting.makeup_left,
        ),
        Slip(
            "peak too high",
            lambda g: setting.by_the_book(g, raised_db=setting.ROOM_DB + 2.0),
            "Reduction and match are right, and the peak is too high. Lower trim and threshold together: neither of "
            "the other two changes.",
            spots=setting.too_hot,
        ),
    ),
    hints=(
        "More trim or a lower threshold: either gives more reduction.",
        "Match last, not first: the makeup depends on the reduction.",
        "Peak too high? What happens to the reduction when trim and threshold go down together?",
    ),
    explain=setting.derivation,
    cites=(CURVE, ENERGY, "2 to 4 dB while it plays: common practice, no source"),
    material=lambda g: setting.sound(g["stem"], g["ratio"], g["trim"], g["threshold"]).before,
)

EXERCISES = (STEADY, TRIMMED, MAKEUP, GATED, GROUP, SET)
