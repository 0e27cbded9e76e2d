"""Lab 02, meters: which meter answers which question."""

from math import cos, log10, pi

from gainlib.exercises.metering import gates, takes
from gainlib.exercises.model import Exercise, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, either, grid, one_of
from gainlib.levels import sum_levels_db
from gainlib.levels.printing import number
from gainlib.meters.average import SINE_CREST_DB

TRIANGLE_DB = 10 * log10(3)  # mean square of a triangle: a third of its peak's square
NEEDLE_DB = 20 * log10(pi / 2)  # rectified mean of a sine: 2/π of its peak

FULL_SCALE = "RMS in dBFS, a full-scale sine reads 0: AES17 (standard)"
LOUDNESS = "Loudness: ITU-R BS.1770-5, Annex 1 (standard)"

CREST = Exercise(
    id="02-1",
    title="Crest factor of a take with an offset",
    parts=(Number("Crest factor", "dB", tolerance=0.1, points=3),),
    given=takes.Takes(),
    statement=(
        "The panel below reads a take of drums, a held chord and hiss, recorded through a faulty input that adds an "
        "offset. What is the crest factor of the take once the offset is taken off?"
    ),
    solve=takes.crest_db,
    slips=(
        Slip(
            "no 3.01",
            lambda g: takes.crest_db(g) - SINE_CREST_DB,
            "You set the peak against the sine-referred RMS. A crest factor is against plain RMS, which lies 3.01 dB "
            "lower.",
        ),
        Slip(
            "offset left in",
            lambda g: takes.peak_dbfs(g) - takes.plain_rms_dbfs(g),
            "Your peak still holds the offset. Take it off the highest and the lowest sample first; the larger of the "
            "two distances is the peak.",
        ),
        Slip(
            "both",
            lambda g: takes.peak_dbfs(g) - g["rms_dbfs"],
            "Two things at once: the offset is still in your peak, and the RMS you took is sine-referred, 3.01 dB "
            "above plain RMS.",
        ),
        Slip(
            "ten",
            lambda g: takes.crest_db(g) / 2,
            "That is 10·log10 of an amplitude ratio. Amplitudes take 20·log10, powers 10·log10.",
        ),
    ),
    hints=(
        "How far is the sample that lies farthest from the offset? That distance, as a level, is the peak.",
        "The RMS shown has no offset in it, but it is sine-referred: plain RMS is 3.01 dB less.",
        "Crest factor = peak − plain RMS, both in dBFS, both without the offset.",
    ),
    explain=lambda g: fill(
        "Farthest from the offset {offset:+.3f} is {far:+.3f}: {clear:.3f} away, that is 20·log10({clear:.3f}) = "
        "{peak:.2f} dBFS. Plain RMS: {rms:.2f} − 3.01 = {plain:.2f} dBFS. Crest factor: {peak:.2f} − ({plain:.2f}) = "
        "{crest:.2f} dB.",
        {
            "offset": g["offset"],
            "far": g["highest"] if g["highest"] - g["offset"] >= g["offset"] - g["lowest"] else g["lowest"],
            "clear": takes.clear_peak(g),
            "peak": takes.clear_peak_dbfs(g),
            "rms": g["rms_dbfs"],
            "plain": takes.plain_rms_dbfs(g),
            "crest": takes.crest_db(g),
        },
    ),
    cites=("Crest factor, peak over plain RMS: handbook formula", FULL_SCALE),
    material=takes.take,
)

SHAPES = Exercise(
    id="02-2",
    title="Three shapes, one peak",
    parts=(
        Number("Sine", "dBFS", tolerance=0.05, points=1, may_be_printed=True),
        Number("Square", "dBFS", tolerance=0.05, points=1),
        Number("Triangle", "dBFS", tolerance=0.05, points=1),
    ),
    given=draws(p=grid(-24, -1, 0.1)),
    statement=(
        "A sine, a square wave and a triangle wave, each with its peaks at {p} dBFS. What does the RMS meter of this "
        "workbook read for each?"
    ),
    solve=lambda g: [g["p"], g["p"] + SINE_CREST_DB, g["p"] + SINE_CREST_DB - TRIANGLE_DB],
    slips=(
        Slip(
            "plain",
            lambda g: [g["p"] - SINE_CREST_DB, g["p"], g["p"] - TRIANGLE_DB],
            "Those are plain RMS values. The meter here is sine-referred (AES17): add 3.01 dB, so that a full-scale "
            "sine reads 0 dBFS.",
        ),
        Slip(
            "peak",
            lambda g: [None, g["p"], g["p"]],
            "You gave the peak for all of them. RMS asks how long a wave stays near its peak: always for a square, "
            "seldom for a triangle.",
        ),
        Slip(
            "wrong way",
            lambda g: [None, g["p"] - SINE_CREST_DB, g["p"] + TRIANGLE_DB - SINE_CREST_DB],
            "Wrong way round: a square wave is always at its peak, so it carries more power than the sine, and the "
            "triangle less.",
        ),
    ),
    hints=(
        "What does a full-scale sine read on this meter? What does a sine of a lower peak read, then?",
        "Mean squares: a sine half of its peak's square, a square wave all of it, a triangle wave a third.",
    ),
    explain=lambda g: fill(
        "A sine reads its peak, {p} dBFS; that is how the scale is set. A square wave has twice the sine's power: "
        "{p} + 3.01 = {square:.2f} dBFS. A triangle has two thirds of it, 10·log10(2/3) = −1.76 dB: {triangle:.2f} "
        "dBFS.",
        {"p": g["p"], "square": g["p"] + SINE_CREST_DB, "triangle": g["p"] + SINE_CREST_DB - TRIANGLE_DB},
    ),
    cites=(FULL_SCALE, "Mean squares of the three shapes: handbook formula"),
)

# --------------------------------------------------------------------------------------------------------- needle

ALIGNMENTS = one_of(-20, -18, -16, -14)


def _needle_vu(g):
    return g["p"] - g["al"] + (NEEDLE_DB if g["shape"] == "square wave" else 0.0)


def _on_the_scale(g):
    """The printed scale ends at +3; near 0 VU a turned sign would not show."""
    return -20 <= _needle_vu(g) <= 3


def _is_square(g):
    return g["shape"] == "square wave"


NEEDLE = Exercise(
    id="02-3",
    title="Where the needle comes to rest",
    parts=(Number("Needle", "VU", tolerance=0.1, points=2, aliases=("dB",)),),
    given=either(
        *(
            draws(shape=one_of(shape), p=grid(-40, -6, 0.1), al=ALIGNMENTS, where=_on_the_scale)
            for shape in ("sine", "square wave")
        )
    ),
    statement=(
        "A steady {shape} with its peaks at {p} dBFS plays into a VU meter on which a sine at {al} dBFS reads 0 VU. "
        "Where does the needle come to rest?"
    ),
    solve=_needle_vu,
    slips=(
        Slip(
            "as RMS",
            lambda g: g["p"] - g["al"] + SINE_CREST_DB,
            "That is where an RMS meter would stand. The needle answers to the rectified average, which for a square "
            "wave is the peak itself.",
            active=_is_square,
        ),
        Slip(
            "as a sine",
            lambda g: g["p"] - g["al"],
            "That holds for a sine. The average of a rectified square wave is π/2 times that of a sine of the same "
            "peak.",
            active=_is_square,
        ),
        Slip(
            "scale forgotten",
            lambda g: g["p"] - g["al"] - NEEDLE_DB,
            "A rectified sine does average 2/π of its peak, but the scale allows for it: a sine at the alignment level "
            "reads 0.",
            active=lambda g: not _is_square(g),
        ),
        Slip(
            "sign",
            lambda g: g["al"] - g["p"] + (NEEDLE_DB if _is_square(g) else 0.0),
            "Wrong way round: the needle shows how far the signal lies above the alignment level, so level minus "
            "alignment.",
        ),
    ),
    hints=(
        "A sine at the alignment level reads 0 VU. How far above or below that is this one?",
        "The needle answers to the average of the rectified wave: 2/π of the peak for a sine. What is it for a wave "
        "that is always at its peak?",
    ),
    explain=lambda g: fill(
        (
            "A square wave, rectified, is its peak all the time, a sine of that peak averages 2/π of it: 20·log10(π/2) "
            "= 3.92 dB. So {p} − ({al}) + 3.92 = {vu:+.2f} VU."
            if _is_square(g)
            else "The scale is set with a sine, so the needle shows its distance from the alignment level: "
            "{p} − ({al}) = {vu:+.2f} VU."
        ),
        {"p": g["p"], "al": g["al"], "vu": _needle_vu(g)},
    ),
    cites=("VU: rectified average, scaled with a sine: IEC 60268-17 (standard, from memory)",),
)

# ---------------------------------------------------------------------------------------------------- between samples


def _under_read_db(g, turn=1.0):
    """Return by how much a crest is under-read half-way between two points, `turn` times as far from them.

    Wrongly turned past a quarter, the cosine is negative; its magnitude counts, so that there is always a number.
    """
    return -20 * log10(abs(cos(turn * pi * g["f"] / g["fs"] / g["n"])))


def _worth_asking(g):
    """From a tenth of the sample rate to 0.45 of it, and not so little that any small number would do."""
    return 0.1 <= g["f"] / g["fs"] <= 0.45 and _under_read_db(g) >= 0.09


BETWEEN = Exercise(
    id="02-4",
    title="A crest between two points",
    parts=(Number("Largest under-read", "dB", tolerance=0.03, points=2),),
    given=either(
        *(draws(f=grid(4.5, 21.5, 0.1), fs=one_of(44.1, 48), n=one_of(n), where=_worth_asking) for n in (1, 2, 4, 8))
    ),
    statement=(
        "A tone burst of {f} kHz with a single crest, sampled at {fs} kHz, is read by a meter with {n}× oversampling "
        "(1× means at the samples alone). By how many dB does the meter read the crest too low at most, that is in the "
        "crest's worst position? Give a positive number."
    ),
    solve=_under_read_db,
    slips=(
        Slip(
            "samples alone",
            lambda g: _under_read_db(g, turn=g["n"]),
            "That is for the samples alone. Oversampling brings the points closer together: divide the angle by its "
            "factor.",
            active=lambda g: g["n"] > 1,
        ),
        Slip(
            "whole distance",
            lambda g: _under_read_db(g, turn=2.0),
            "You took the whole distance between two points. In the worst position the crest is half-way, so half of "
            "it.",
            active=lambda g: g["n"] != 2 and 2 * g["f"] / g["fs"] / g["n"] < 0.495,  # with two points: as above
        ),
        Slip(
            "degrees",
            lambda g: -20 * log10(cos(pi * g["f"] / g["fs"] / g["n"] * pi / 180)),
            "Your calculator took the angle for degrees. π·f/(n·fs) is in radians; in degrees it is 180·f/(n·fs).",
        ),
        Slip(
            "ten",
            lambda g: _under_read_db(g) / 2,
            "That is 10·log10. A sample value is an amplitude and takes 20·log10.",
            active=lambda g: _under_read_db(g) >= 0.2,  # half of less could not be told from the slip before
        ),
        Slip(
            "sign",
            lambda g: -_under_read_db(g),
            "The size is right. It was asked for as a positive number: by how much it reads too low.",
        ),
    ),
    hints=(
        "The worst position of the crest is half-way between two points of the meter.",
        "How large a part of the tone's turn is half the distance between two points? As an angle, its cosine is what "
        "is left of the crest.",
    ),
    explain=lambda g: fill(
        "The points are 1/({n} × {fs} kHz) apart; half of that, at {f} kHz, is an angle of 180° × {f}/({n} × {fs}) = "
        "{angle:.2f}°. What is left of the crest is its cosine, {left:.4f}, and −20·log10({left:.4f}) = {db:.2f} dB.",
        {
            **{name: g[name] for name in ("n", "f", "fs")},
            "angle": 180 * g["f"] / g["fs"] / g["n"],
            "left": cos(pi * g["f"] / g["fs"] / g["n"]),
            "db": _under_read_db(g),
        },
    ),
    cites=("Largest under-read of a true-peak meter: ITU-R BS.1770-5, Annex 2, Attachment 1 (standard)",),
)

# ----------------------------------------------------------------------------------------------------------- loudness


def _two_channels(g):
    return sum_levels_db([g["pL"], g["pR"]]) - SINE_CREST_DB


TWO_CHANNELS = Exercise(
    id="02-5",
    title="Loudness of two channels",
    parts=(Number("Loudness", "LUFS", tolerance=0.1, points=2),),
    given=draws(pL=grid(-40, -6, 0.5), pR=grid(-40, -6, 0.5), where=lambda g: 1 <= abs(g["pL"] - g["pR"]) <= 12),
    statement=(
        "A steady sine of 997 Hz, its peaks at {pL} dBFS in the left channel and at {pR} dBFS in the right. How loud "
        "is it? Two anchors: at 0 dBFS in one channel alone it reads −3.01 LUFS, and in both channels 0 LUFS."
    ),
    solve=_two_channels,
    slips=(
        Slip(
            "no 3.01",
            lambda g: sum_levels_db([g["pL"], g["pR"]]),
            "You added the channels rightly, but by peak. One channel at 0 dBFS reads −3.01 LUFS, so 3.01 has to come "
            "off.",
        ),
        Slip(
            "mean of decibels",
            lambda g: (g["pL"] + g["pR"]) / 2,
            "That is the mean of two decibel figures. The meter adds the powers of the channels.",
        ),
        Slip(
            "amplitudes added",
            lambda g: sum_levels_db([g["pL"], g["pR"]], correlation=1.0) - SINE_CREST_DB,
            "You added amplitudes, as if both channels met in one wire. The meter squares each channel first and adds "
            "powers.",
        ),
        Slip(
            "louder channel alone",
            lambda g: max(g["pL"], g["pR"]) - SINE_CREST_DB,
            "You counted the louder channel alone. The other one adds its power as well.",
        ),
    ),
    hints=(
        "The meter squares each channel and adds the squares: powers.",
        "Turn both peaks into powers, add them, go back to decibels. Then use the anchor for a single channel.",
    ),
    explain=lambda g: fill(
        "10·log10(10^({pL}/10) + 10^({pR}/10)) = {sum:.2f} dB, and −3.01 for a sine's power under its peak: {lufs:.2f} "
        "LUFS. At 997 Hz the weighting lifts by 0.69 dB, which the −0.691 of the formula takes off again.",
        {"pL": g["pL"], "pR": g["pR"], "sum": sum_levels_db([g["pL"], g["pR"]]), "lufs": _two_channels(g)},
    ),
    cites=(LOUDNESS,),
)

_PARTS = {"t1": grid(20, 120, 5), "L1": grid(-34, -14, 0.5), "t2": grid(20, 120, 5), "L2": grid(-64, -18, 0.5)}


def _dropped(g):
    return gates.is_clear(g) and gates.is_dropped(g)


def _kept(g):
    return gates.is_clear(g) and not gates.is_dropped(g) and g["L1"] - g["L2"] <= 10


def _just_kept(g):
    return gates.is_clear(g) and not gates.is_dropped(g) and g["L1"] - g["L2"] > 10


GATED = Exercise(
    id="02-6",
    title="A loud part and a soft one",
    parts=(Number("Integrated loudness", "LUFS", tolerance=0.1, points=3, may_be_printed=True),),
    given=either(*(draws(**_PARTS, where=where) for where in (_dropped, _dropped, _kept, _just_kept))),
    statement=(
        "A programme has {t1} s at {L1} LUFS and then {t2} s at {L2} LUFS, both steady. What is its integrated "
        "loudness? Leave the blocks across the join aside."
    ),
    solve=gates.loudness_lufs,
    slips=(
        Slip(
            "no gate",
            gates.mean_lufs,
            "That is the mean without the second gate. The soft part lies more than 10 LU under it, so it is left out.",
            active=gates.is_dropped,
        ),
        Slip(
            "dropped",
            lambda g: float(g["L1"]),
            "You left the soft part out. The gate stands 10 LU under the mean of both parts, not under the loud part: "
            "here the soft one stays in.",
            active=lambda g: not gates.is_dropped(g),
        ),
        Slip(
            "mean of decibels",
            lambda g: (g["t1"] * g["L1"] + g["t2"] * g["L2"]) / (g["t1"] + g["t2"]),
            "You averaged LUFS figures. Average powers over time, then go back to LUFS.",
        ),
        Slip(
            "time forgotten",
            lambda g: sum_levels_db([g["L1"], g["L2"]]) - SINE_CREST_DB,
            "Both parts counted alike. The longer one has more blocks: weigh the powers by the seconds.",
            active=lambda g: g["t1"] != g["t2"],
        ),
    ),
    hints=(
        "First the mean of both parts: powers, weighed by the seconds they last.",
        "The second gate stands 10 LU under that mean. On which side of it is the soft part?",
        "If the soft part falls under the gate, take the mean again without it.",
    ),
    explain=lambda g: fill(
        "Mean of both: 10·log10(({t1}·10^({L1}/10) + {t2}·10^({L2}/10))/{seconds}) = {mean:.2f} LUFS, so the gate "
        "stands at {gate:.2f} LUFS. The soft part, {L2} LUFS, is "
        + ("under it and left out" if gates.is_dropped(g) else "above it and stays")
        + ": {loudness} LUFS.",
        {
            **{name: g[name] for name in _PARTS},
            "seconds": g["t1"] + g["t2"],
            "mean": gates.mean_lufs(g),
            "gate": gates.threshold_lufs(g),
            "loudness": number(gates.loudness_lufs(g), 2),
        },
    ),
    cites=(LOUDNESS + ", both gates",),
)

EXERCISES = (CREST, SHAPES, NEEDLE, BETWEEN, TWO_CHANNELS, GATED)
