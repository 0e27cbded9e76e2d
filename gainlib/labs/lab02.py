"""Lab 02, meters: one sound has many levels, and each meter answers another question."""

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from math import cos, log10, pi

import numpy as np

from gainlib import signals
from gainlib.audio import Audio
from gainlib.demo.recordings import BARS, BEAT_S, RATE_HZ, recorded
from gainlib.demo.rng import chance, noise
from gainlib.exercises.drawn import Drawn
from gainlib.exercises.experiment import Choice, Experiment, Listen, Picture, Plot, Run, Slider
from gainlib.exercises.lab import Lab
from gainlib.exercises.model import Exercise, Slip
from gainlib.exercises.numeric import Number
from gainlib.exercises.stems import one_strip
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, either, grid, one_of
from gainlib.levels import db_to_ratio, ratio_to_db, sum_levels_db
from gainlib.levels.printing import number
from gainlib.meters import LoudnessMeter, NeedleMeter, NodeReading, Series, interpolator, upsample
from gainlib.meters.average import SINE_CREST_DB, averages
from gainlib.meters.loudness import RELATIVE_GATE_LU
from gainlib.meters.overview import Crest, Gating, gating_of, highest_crest
from gainlib.meters.series import feed
from gainlib.words import Table, level_text, number_text

# ------------------------------------------------------------------------------------------------------- the experiment
#
# Whatever is set, the highest sample of the sound lies at one level, before an offset is added: what else the meters
# read is then no matter of turning it up or down.

SECONDS, BEFORE_S, EDGE_S = 6.0, 0.5, 0.002
BETWEEN_HZ = RATE_HZ / 4
BURSTS_MS = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 300.0, 500.0, 1000.0, 2000.0)
STEADY_MS = 1000.0 * SECONDS
PREDICTED_MS = 50.0
REFRAIN_BARS = 4
SOURCE = "strip/source"
TONE_CEILING_DBTP = -20.0  # no test tone above it through loudspeakers, see the cautions
MINE, TONE = "as you set it", "steady tone with the same highest sample"

SIGNALS = {
    "sine": "tone, 1 kHz",
    "square": "square wave, 200 Hz",
    "triangle": "triangle wave, 200 Hz",
    "between": "tone, 12 kHz",
    "noise": "pink noise",
    "snare": "snare drum",
}
RESTS = {
    -math.inf: "silence",
    -30.0: "the same 30 dB lower",
    -15.0: "the same 15 dB lower",
    -8.0: "the same 8 dB lower",
}
GATES = {"both": "both, as in the standard", "absolute": "only the one at −70 LUFS", "none": "none"}
ZERO_VU = {level: f"a sine at {level_text(level, 'dBFS', 0)}" for level in (-20.0, -18.0, -16.0, -14.0)}
ROWS = ("sample peak", "true peak", "RMS", "active level", "needle, highest", "loudest 400 ms", "loudness")


@dataclass(frozen=True, eq=False)
class Metered:
    """What the meters make of a sound: levels, needle over time, loudness blocks, and the surroundings of its peak."""

    levels: NodeReading
    needle: Series
    momentary_max_lufs: float
    gating: Gating
    crest: Crest


@cache
def _line(signal):
    if signal == "snare":  # hits of the refrain, the first of them where a burst begins
        song = recorded("02 snare").samples[:, 0].astype(np.float64)
        refrain = round((BARS - REFRAIN_BARS) * 4 * BEAT_S * RATE_HZ)
        first = refrain + int(np.argmax(np.abs(song[refrain:]) > 0.1 * np.abs(song).max()))
        start = first - round(BEFORE_S * RATE_HZ)
        return song[start : start + round(SECONDS * RATE_HZ)]
    made = {
        "sine": lambda: signals.tone(1000.0, 0.0, SECONDS, RATE_HZ),
        "square": lambda: signals.waveform("square", 200.0, 0.0, SECONDS, RATE_HZ),
        "triangle": lambda: signals.waveform("triangle", 200.0, 0.0, SECONDS, RATE_HZ),
        "between": lambda: signals.tone(BETWEEN_HZ, 0.0, SECONDS, RATE_HZ, phase_deg=45.0),
        "noise": lambda: signals.pink_noise(-20.0, SECONDS, RATE_HZ, lowest_hz=20.0, seed=2),
    }
    return made[signal]().samples[:, 0]


@lru_cache(maxsize=64)
def _gain(burst_s, rest_db, edge_s):
    """Return the gain over time; where a cut in mid-swing would ring, its edges have a slope."""
    rest = db_to_ratio(rest_db)
    time_s = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    if burst_s == SECONDS:
        corners = [0.0, edge_s, SECONDS - edge_s, SECONDS]
        return _slopes(time_s, corners) if edge_s else np.ones_like(time_s)
    end_s = BEFORE_S + burst_s
    if edge_s == 0.0:
        return np.where((time_s >= BEFORE_S - 1e-9) & (time_s < end_s - 1e-9), 1.0, rest)
    corners = [BEFORE_S - edge_s / 2, BEFORE_S + edge_s / 2, end_s - edge_s / 2, end_s + edge_s / 2]
    return rest + (1.0 - rest) * _slopes(time_s, corners)


def _slopes(time_s, corners):
    """Return a gain that rises from 0 to 1 between the first two corners and falls between the last two, smoothly."""
    return 0.5 - 0.5 * np.cos(np.pi * np.interp(time_s, corners, [0.0, 1.0, 1.0, 0.0]))


@lru_cache(maxsize=8)
def _without_offset(signal, level_dbfs, burst_ms, rest_db):
    line = _line(signal) * _gain(burst_ms / 1000.0, rest_db, EDGE_S if signal == "between" else 0.0)
    return line * (db_to_ratio(level_dbfs) / np.abs(line).max())


def played(setting) -> Audio:
    """Return what is played to ears: without the offset, which would only push the cone out of its place."""
    line = _without_offset(setting.signal, setting.level_dbfs, setting.burst_ms, setting.rest_db)
    return Audio(line, RATE_HZ, setting.signal)


def _session(setting):
    sound = played(setting)
    return one_strip(sound.with_samples(sound.samples + setting.offset_percent / 100.0))


def metered(run: Run) -> Metered:
    """Return what every meter makes of a run."""
    audio = run.trace.audio(SOURCE)
    levels = run.trace.levels([SOURCE], ("sample_peak", "true_peak", "rms", "active"))[SOURCE]
    loudness = feed(LoudnessMeter(audio.rate_hz, audio.channels), audio)
    gating = gating_of(loudness, run.setting.gates)
    return Metered(levels, _needle(run, audio), loudness.momentary().highest, gating, highest_crest(audio))


def _needle(run, audio):
    """Return the needle over time; it rectifies a curve, which four samples a turn are too few to stand for."""
    if run.setting.signal == "between":
        audio = Audio(upsample(audio.samples, audio.rate_hz), interpolator(audio.rate_hz).factor * audio.rate_hz)
    return feed(NeedleMeter(audio.rate_hz, audio.channels, run.setting.alignment_dbfs), audio).series()


def needle_max_dbfs(run: Run) -> float:
    """Return the level of the steady sine that would hold the needle at its highest position."""
    return run.seen.needle.highest + run.setting.alignment_dbfs


def _seen_rows(run):
    seen, levels = run.seen, run.seen.levels
    rows = (
        (levels.sample_peak_dbfs, levels.sample_peak_dbfs, "dBFS"),
        (levels.true_peak_dbtp, levels.true_peak_dbtp, "dBTP"),
        (levels.rms_dbfs, levels.rms_dbfs, "dBFS"),
        (levels.active_dbfs, levels.active_dbfs, "dBFS"),
        (needle_max_dbfs(run), seen.needle.highest, "VU"),
        (seen.momentary_max_lufs, seen.momentary_max_lufs, "LUFS"),
        (seen.gating.loudness_lufs, seen.gating.loudness_lufs, "LUFS"),
    )
    return [bar for bar, _, _ in rows], [level_text(value, unit) for _, value, unit in rows]


def _seen_needle(run):
    burst_ms, needle = run.setting.burst_ms, run.seen.needle
    begin_s = 0.0 if burst_ms == STEADY_MS else BEFORE_S
    return needle.time_s, needle.value, (begin_s, begin_s + burst_ms / 1000.0)


def _seen_crest(run):
    crest = run.seen.crest
    start_s = crest.time_s[len(crest.samples) // 2]
    samples, curve, peak = ((t - start_s) * RATE_HZ for t in (crest.time_s, crest.curve_time_s, crest.peak_time_s))
    return samples, crest.samples, curve, crest.curve, (peak, crest.peak)


def _seen_blocks(run):
    gating = run.seen.gating
    return gating.blocks_lufs, gating.kept, gating.relative_gate_lufs, gating.loudness_lufs, gating.gates


def burst_text(burst_ms: float) -> str:
    """Return a length of a burst in words.

    Examples
    --------
    >>> burst_text(5.0), burst_text(2000.0), burst_text(6000.0)
    ('5 ms', '2 s', 'no end')
    """
    if burst_ms == STEADY_MS:
        return "no end"
    return f"{burst_ms / 1000:g} s" if burst_ms >= 1000 else f"{burst_ms:g} ms"


def _told(run):
    setting, levels = run.setting, run.seen.levels
    name = SIGNALS[setting.signal]
    what = f"{name[:1].upper()}{name[1:]}, "
    if setting.burst_ms == STEADY_MS:
        what += "from end to end"
    else:
        what += f"a burst of {burst_text(setting.burst_ms)}, around it {RESTS[setting.rest_db]}"
    rise = levels.true_peak_dbtp - levels.sample_peak_dbfs
    below = levels.sample_peak_dbfs - needle_max_dbfs(run)
    return (
        f"{what}. The true peak lies {number_text(rise)} dB over the sample peak; the highest position of the needle "
        f"**{number_text(abs(below))} dB {'under' if below >= 0 else 'over'}** it."
    )


def _sounds(run):
    return {MINE: played(run.setting), TONE: played(meters().setting(level_dbfs=run.setting.level_dbfs))}


@cache
def meters() -> Experiment:
    """A signal in bursts under the hand, and what every meter makes of it."""
    return Experiment(
        title="One sound, many meters",
        controls=(
            Choice("signal", "Signal", SIGNALS),
            Slider("burst_ms", "Burst", steps=(*BURSTS_MS, STEADY_MS), start=STEADY_MS, unit="ms",
                   words={STEADY_MS: burst_text(STEADY_MS)}),
            Choice("rest_db", "Around it", RESTS,
                   off=lambda setting: "the signal has no end" if setting.burst_ms == STEADY_MS else ""),
            Slider("level_dbfs", "Highest sample", -40.0, 0.0, 0.1, -18.0, "dBFS", page=1.0),
            Slider("offset_percent", "Offset", 0.0, 10.0, 0.1, 0.0, "%", page=1.0),
            Choice("alignment_dbfs", "0 VU is", ZERO_VU, -18.0),
            Choice("gates", "Gates", GATES),
        ),
        session=_session,
        read=metered,
        pictures=(
            Picture(
                "One sound, four views: meters, needle, crest, blocks",
                ("MN", "CB"),
                {
                    "M": Plot("meters", _seen_rows, {"names": ROWS}),
                    "N": Plot("needle", _seen_needle, {"duration_s": SECONDS}),
                    "C": Plot("crest", _seen_crest),
                    "B": Plot("blocks", _seen_blocks),
                },
                margins={"left": 0.165, "right": 0.99, "bottom": 0.125, "wspace": 0.24},
            ),
        ),
        told=_told,
        lines=2,
        listen=Listen(
            _sounds,
            lambda setting: False,
            lambda setting: "You do not hear the offset, because it is left out: it makes no sound and only moves the "
                "cone.",
            TONE_CEILING_DBTP,
        ),
    )  # fmt: skip


# ----------------------------------------------------------------- a take with an offset, for the exercise on its crest
#
# A bar of two of the demo's stems, and noise that comes out the same everywhere. The crest factor follows from the
# readings as they are shown, rounded.

DRUMS = ("01 kick", "02 snare", "03 overheads")
HELD = ("05 bass", "08 pad", "10 backing")
FADE_S, ROOM = 0.005, 0.98
TAKE_S = 4 * BEAT_S
# Under these a forgotten offset would change the crest factor by hardly more than the tolerance.
LEAST_PERCENT = ((-20.0, 2.0), (-12.0, 3.0))
DIGITS = {"highest": 3, "lowest": 3, "offset": 3, "rms_dbfs": 2}
MADE = ("drum", "held", "bar", "drum_db", "hiss_db", "level_dbfs", "offset_percent")


def take(given: dict) -> Audio:
    """Return the take of a variant, mono."""
    return _made(*(given[name] for name in MADE))


@lru_cache(maxsize=32)
def _made(drum, held, bar, drum_db, hiss_db, level_dbfs, offset_percent):
    hits, chord = _bar(drum, bar), _bar(held, bar)
    hiss = noise(chance(bar, -hiss_db, DRUMS.index(drum), HELD.index(held)), len(hits))
    mixed = hits * db_to_ratio(drum_db) + chord + hiss * db_to_ratio(hiss_db)
    mixed -= mixed.mean()
    plain = math.sqrt(np.mean(mixed**2))
    mixed *= db_to_ratio(level_dbfs - SINE_CREST_DB) / plain
    return Audio(mixed + offset_percent / 100, RATE_HZ, "take")


@lru_cache(maxsize=32)
def _bar(stem, bar):
    """Return a bar of the refrain at an RMS of 1, both channels in one, its ends faded."""
    frames = round(TAKE_S * RATE_HZ)
    start = round((BARS - REFRAIN_BARS + bar) * 4 * BEAT_S * RATE_HZ)
    samples = recorded(stem).samples[start : start + frames].astype(np.float64).mean(axis=1)
    fade = round(FADE_S * RATE_HZ)
    slope = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    samples[:fade] *= slope
    samples[-fade:] *= slope[::-1]
    return samples / math.sqrt(np.mean(samples**2))


def _readings(made):
    audio = take(made)
    read = averages(audio)
    ends = float(audio.samples.max()), float(audio.samples.min())
    exact = dict(zip(DIGITS, (*ends, read.dc_offset, read.rms_dbfs), strict=True))
    return {name: round(value, DIGITS[name]) for name, value in exact.items()}


def _tells(made):
    """Whether the offset is large enough for the level of the take."""
    return abs(made["offset_percent"]) >= np.interp(made["level_dbfs"], *zip(*LEAST_PERCENT, strict=True))


def plain_rms_dbfs(given: dict) -> float:
    """Return the plain RMS that belongs to the reading: 3.01 dB under the sine-referred one."""
    return given["rms_dbfs"] - SINE_CREST_DB


def peak_dbfs(given: dict) -> float:
    """Return the sample peak, offset included."""
    return float(ratio_to_db(max(abs(given["highest"]), abs(given["lowest"]))))


def clear_peak(given: dict) -> float:
    """Return the highest distance of a sample from the offset, full scale = 1."""
    return max(given["highest"] - given["offset"], given["offset"] - given["lowest"])


def clear_peak_dbfs(given: dict) -> float:
    """Return the peak with the offset taken off."""
    return float(ratio_to_db(clear_peak(given)))


def crest_db(given: dict) -> float:
    """Return the crest factor: peak over plain RMS, both without the offset."""
    return clear_peak_dbfs(given) - plain_rms_dbfs(given)


def _seen_take(given):
    wave = Plot("take", lambda run: (run.trace.audio(SOURCE).samples[:, 0], given["offset"]), {"seconds": TAKE_S})
    picture = Picture("The take from end to end", ("T",), {"T": wave}, margins={"left": 0.1})
    return Experiment((), (picture,), lambda _setting: one_strip(take(given)), title="A take with an offset")


TAKE = Drawn(
    draws(
        drum=one_of(*DRUMS),
        held=one_of(*HELD),
        bar=one_of(*range(REFRAIN_BARS)),
        drum_db=one_of(-9, -6, -3, 0),
        hiss_db=one_of(-40, -34, -28),
        level_dbfs=grid(-20, -12, 0.1),
        offset_percent=grid(-5, 5, 0.1),
        where=_tells,
    ),
    _readings,
    (
        ("highest", "highest sample (full scale = 1)", ""),
        ("lowest", "lowest sample (full scale = 1)", ""),
        ("offset", "offset: mean of all samples (full scale = 1)", ""),
        (peak_dbfs, "sample peak, with the offset", "dBFS"),
        ("rms_dbfs", "RMS without the offset (a full-scale sine reads 0)", "dBFS"),
    ),
    fair=lambda given: np.abs(take(given).samples).max() <= ROOM,
    experiment=_seen_take,
    caption="What the meters read",
    digits=DIGITS,
)

# ------------------------------------------------------------ a loud and a soft part through the gates of the loudness
#
# ITU-R BS.1770-4 Annex 1, equations (3) to (7): blocks at −70 LUFS or less are left out, then those at 10 LU or more
# under the mean of the rest; the mean of what stays is the loudness. Steady parts, blocks across the join left aside.

CLEAR_LU = 0.3


def mean_lufs(given: dict) -> float:
    """Return the mean of both parts as powers over time, before the second gate."""
    seconds = given["t1"] + given["t2"]
    return 10 * log10(sum(given[f"t{part}"] * 10 ** (given[f"L{part}"] / 10) for part in (1, 2)) / seconds)


def threshold_lufs(given: dict) -> float:
    """Return where the second gate stands."""
    return mean_lufs(given) + RELATIVE_GATE_LU


def is_dropped(given: dict) -> bool:
    """Whether the soft part lies under the second gate."""
    return given["L2"] < threshold_lufs(given)


def loudness_lufs(given: dict) -> float:
    """Return the integrated loudness."""
    return float(given["L1"]) if is_dropped(given) else mean_lufs(given)


def is_clear(given: dict) -> bool:
    """Whether the parts lie 4 to 30 LU apart and the soft one not so near the gate that the join could decide."""
    return 4 <= given["L1"] - given["L2"] <= 30 and abs(given["L2"] - threshold_lufs(given)) >= CLEAR_LU


# ------------------------------------------------------------------------------------------------------- the exercises

TRIANGLE_DB = 10 * log10(3)  # mean square of a triangle: a third of its peak's square
NEEDLE_DB = 20 * log10(pi / 2)  # rectified mean of a sine: 2/π of its peak

FULL_SCALE = "RMS in dBFS (a full-scale sine reads 0): AES17 (standard)"
LOUDNESS = "Loudness: ITU-R BS.1770-5, Annex 1 (standard)"

CREST = Exercise(
    id="02-1",
    title="Crest factor of a take with an offset",
    parts=(Number("Crest factor", "dB", tolerance=0.1, points=3),),
    given=TAKE,
    statement=(
        "The panel below shows a take of drums, a held chord and hiss, recorded through a faulty input that adds an "
        "offset. What is the crest factor of the take without the offset?"
    ),
    solve=crest_db,
    slips=(
        Slip(
            "no 3.01",
            lambda g: crest_db(g) - SINE_CREST_DB,
            "You compared the peak with the sine-referred RMS. A crest factor compares it with plain RMS, which is "
            "3.01 dB lower.",
        ),
        Slip(
            "offset left in",
            lambda g: peak_dbfs(g) - plain_rms_dbfs(g),
            "Your peak still contains the offset. Subtract it from the highest and the lowest sample first; the larger "
            "of the two distances is the peak.",
        ),
        Slip(
            "both",
            lambda g: peak_dbfs(g) - g["rms_dbfs"],
            "You made two slips at once: your peak still contains the offset, and the RMS you took is sine-referred, "
            "3.01 dB above plain RMS.",
        ),
        Slip(
            "ten",
            lambda g: crest_db(g) / 2,
            "You took 10·log₁₀ of an amplitude ratio. Amplitudes take 20·log₁₀, and powers 10·log₁₀.",
        ),
    ),
    hints=(
        "How far from the offset is the sample that lies farthest from it? That distance, as a level, is the peak.",
        "The RMS shown excludes the offset, but it is sine-referred: plain RMS is 3.01 dB less.",
        "Crest factor = peak − plain RMS, both in dBFS, both without the offset.",
    ),
    explain=lambda g: fill(
        "The sample farthest from the offset {offset:+.3f} is {far:+.3f}: {clear:.3f} away, which is "
        "20·log₁₀({clear:.3f}) = "
        "{peak:.2f} dBFS. Plain RMS: {rms:.2f} − 3.01 = {plain:.2f} dBFS. Crest factor: {peak:.2f} − ({plain:.2f}) = "
        "{crest:.2f} dB.",
        {
            "offset": g["offset"],
            "far": g["highest"] if g["highest"] - g["offset"] >= g["offset"] - g["lowest"] else g["lowest"],
            "clear": clear_peak(g),
            "peak": clear_peak_dbfs(g),
            "rms": g["rms_dbfs"],
            "plain": plain_rms_dbfs(g),
            "crest": crest_db(g),
        },
    ),
    cites=("Crest factor, peak over plain RMS: handbook formula", FULL_SCALE),
    material=take,
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
        "A sine, a square wave and a triangle wave each peak at {p} dBFS. What does the RMS meter of this workbook "
        "read for each?"
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
            "You gave the peak for all of them. RMS depends on how long a wave stays near its peak: a square wave "
            "always does, a triangle wave seldom.",
        ),
        Slip(
            "wrong way",
            lambda g: [None, g["p"] - SINE_CREST_DB, g["p"] + TRIANGLE_DB - SINE_CREST_DB],
            "You have them the wrong way round: a square wave is always at its peak, so it carries more power than the "
            "sine, and the triangle less.",
        ),
    ),
    hints=(
        "What does a full-scale sine read on this meter? What does a sine of a lower peak read, then?",
        "The mean square of a sine is half of its peak's square; that of a square wave is all of it, and that of a "
        "triangle wave a third.",
    ),
    explain=lambda g: fill(
        "A sine reads its peak, {p} dBFS; that is how the scale is set. A square wave has twice the sine's power: "
        "{p} + 3.01 = {square:.2f} dBFS. A triangle has two thirds of it, 10·log₁₀(2/3) = −1.76 dB: {triangle:.2f} "
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
            "That is what an RMS meter would read. The needle follows the rectified average, which for a square wave "
            "is the peak itself.",
            active=_is_square,
        ),
        Slip(
            "as a sine",
            lambda g: g["p"] - g["al"],
            "That is right for a sine. The average of a rectified square wave is π/2 times that of a sine of the same "
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
            "You subtracted the wrong way round: the needle shows how far the signal lies above the alignment level, "
            "so take level minus alignment.",
        ),
    ),
    hints=(
        "A sine at the alignment level reads 0 VU. How far above or below that is this one?",
        "The needle follows the average of the rectified wave: 2/π of the peak for a sine. What is it for a wave "
        "that is always at its peak?",
    ),
    explain=lambda g: fill(
        (
            "A rectified square wave is at its peak all the time, and a sine of that peak averages 2/π of it: "
            "20·log₁₀(π/2) "
            "= 3.92 dB. So {p} − ({al}) + 3.92 = {vu:+.2f} VU."
            if _is_square(g)
            else "The scale is set with a sine, so the needle shows its distance from the alignment level: "
            "{p} − ({al}) = {vu:+.2f} VU."
        ),
        {"p": g["p"], "al": g["al"], "vu": _needle_vu(g)},
    ),
    cites=("VU: rectified average, scaled with a sine: IEC 60268-17 (standard)",),
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
        "(1× means at the samples alone). By how many dB at most does the meter read the crest too low, with the crest "
        "in its worst position? Give a positive number."
    ),
    solve=_under_read_db,
    slips=(
        Slip(
            "samples alone",
            lambda g: _under_read_db(g, turn=g["n"]),
            "You counted the samples alone. Oversampling brings the points closer together: divide the angle by its "
            "factor.",
            active=lambda g: g["n"] > 1,
        ),
        Slip(
            "whole distance",
            lambda g: _under_read_db(g, turn=2.0),
            "You took the whole distance between two points. In the worst position the crest is half-way between them, "
            "so take half.",
            active=lambda g: g["n"] != 2 and 2 * g["f"] / g["fs"] / g["n"] < 0.495,  # with two points: as above
        ),
        Slip(
            "degrees",
            lambda g: -20 * log10(cos(pi * g["f"] / g["fs"] / g["n"] * pi / 180)),
            "Your calculator read the angle as degrees. π·f/(n·fs) is in radians; in degrees it is 180·f/(n·fs).",
        ),
        Slip(
            "ten",
            lambda g: _under_read_db(g) / 2,
            "You took 10·log₁₀. A sample value is an amplitude and takes 20·log₁₀.",
            active=lambda g: _under_read_db(g) >= 0.2,  # half of less could not be told from the slip before
        ),
        Slip(
            "sign",
            lambda g: -_under_read_db(g),
            "The size is right, but the question asks for a positive number: by how much the meter reads too low.",
        ),
    ),
    hints=(
        "The worst position of the crest is half-way between two points of the meter.",
        "What part of the tone's cycle is half the distance between two points? Take it as an angle; its cosine is "
        "what is left of the crest.",
    ),
    explain=lambda g: fill(
        "The points are 1/({n} × {fs} kHz) apart; half of that, at {f} kHz, is an angle of 180° × {f}/({n} × {fs}) = "
        "{angle:.2f}°. What is left of the crest is its cosine, {left:.4f}, and −20·log₁₀({left:.4f}) = {db:.2f} dB.",
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
        "A steady sine of 997 Hz peaks at {pL} dBFS in the left channel and at {pR} dBFS in the right. How loud is it? "
        "For reference: at 0 dBFS it reads −3.01 LUFS in one channel alone, and 0 LUFS in both."
    ),
    solve=_two_channels,
    slips=(
        Slip(
            "no 3.01",
            lambda g: sum_levels_db([g["pL"], g["pR"]]),
            "You added the channels correctly, but by peak. One channel at 0 dBFS reads −3.01 LUFS, so subtract 3.01.",
        ),
        Slip(
            "mean of decibels",
            lambda g: (g["pL"] + g["pR"]) / 2,
            "You took the mean of two decibel figures. The meter adds the powers of the channels.",
        ),
        Slip(
            "amplitudes added",
            lambda g: sum_levels_db([g["pL"], g["pR"]], correlation=1.0) - SINE_CREST_DB,
            "You added amplitudes, as if both channels met in one wire. The meter squares each channel first and then "
            "adds powers.",
        ),
        Slip(
            "louder channel alone",
            lambda g: max(g["pL"], g["pR"]) - SINE_CREST_DB,
            "You counted the louder channel alone. The other one adds its power as well.",
        ),
    ),
    hints=(
        "The meter squares each channel and adds the squares, so it adds powers.",
        "Turn both peaks into powers, add them and go back to decibels. Then use the reference for a single channel.",
    ),
    explain=lambda g: fill(
        "10·log₁₀(10^({pL}/10) + 10^({pR}/10)) = {sum:.2f} dB, and a sine's power is 3.01 dB below its peak: "
        "{lufs:.2f} "
        "LUFS. At 997 Hz the weighting adds 0.69 dB, which the −0.691 in the formula subtracts again.",
        {"pL": g["pL"], "pR": g["pR"], "sum": sum_levels_db([g["pL"], g["pR"]]), "lufs": _two_channels(g)},
    ),
    cites=(LOUDNESS,),
)

_PARTS = {"t1": grid(20, 120, 5), "L1": grid(-34, -14, 0.5), "t2": grid(20, 120, 5), "L2": grid(-64, -18, 0.5)}


def _dropped(g):
    return is_clear(g) and is_dropped(g)


def _kept(g):
    return is_clear(g) and not is_dropped(g) and g["L1"] - g["L2"] <= 10


def _just_kept(g):
    return is_clear(g) and not is_dropped(g) and g["L1"] - g["L2"] > 10


GATED = Exercise(
    id="02-6",
    title="A loud part and a soft one",
    parts=(Number("Integrated loudness", "LUFS", tolerance=0.1, points=3, may_be_printed=True),),
    given=either(*(draws(**_PARTS, where=where) for where in (_dropped, _dropped, _kept, _just_kept))),
    statement=(
        "A programme has {t1} s at {L1} LUFS and then {t2} s at {L2} LUFS, both steady. What is its integrated "
        "loudness? Ignore the blocks across the join."
    ),
    solve=loudness_lufs,
    slips=(
        Slip(
            "no gate",
            mean_lufs,
            "You took the mean without the second gate. The soft part lies more than 10 LU below that mean, so it is "
            "left out.",
            active=is_dropped,
        ),
        Slip(
            "dropped",
            lambda g: float(g["L1"]),
            "You left the soft part out. The gate is 10 LU below the mean of both parts, not below the loud part, so "
            "here the soft one counts.",
            active=lambda g: not is_dropped(g),
        ),
        Slip(
            "mean of decibels",
            lambda g: (g["t1"] * g["L1"] + g["t2"] * g["L2"]) / (g["t1"] + g["t2"]),
            "You averaged LUFS figures. Average the powers over time, then go back to LUFS.",
        ),
        Slip(
            "time forgotten",
            lambda g: sum_levels_db([g["L1"], g["L2"]]) - SINE_CREST_DB,
            "You counted both parts alike. The longer one has more blocks: weight the powers by the seconds.",
            active=lambda g: g["t1"] != g["t2"],
        ),
    ),
    hints=(
        "First take the mean of both parts: powers, weighted by the seconds they last.",
        "The second gate is 10 LU below that mean. On which side of it is the soft part?",
        "If the soft part falls below the gate, take the mean again without it.",
    ),
    explain=lambda g: fill(
        "Mean of both: 10·log₁₀(({t1}·10^({L1}/10) + {t2}·10^({L2}/10))/{seconds}) = {mean:.2f} LUFS, so the gate is "
        "at {gate:.2f} LUFS. The soft part, {L2} LUFS, is "
        + ("below it and is left out" if is_dropped(g) else "above it and counts")
        + ": {loudness} LUFS.",
        {
            **{name: g[name] for name in _PARTS},
            "seconds": g["t1"] + g["t2"],
            "mean": mean_lufs(g),
            "gate": threshold_lufs(g),
            "loudness": number(loudness_lufs(g), 2),
        },
    ),
    cites=(LOUDNESS + ", both gates",),
)

# ------------------------------------------------------------------------------------------------------- the prediction

CHOICES = {"0 VU": 0.0, "about −3 VU": -3.0, "about −11 VU": -11.0, "under −20 VU": -25.0}


def compare() -> tuple[str, str, Table]:
    """Return how high the needle swings for bursts of every length."""
    runs = {length: meters().at(meters().setting(burst_ms=length)) for length in (*BURSTS_MS, STEADY_MS)}
    seen = {length: run.seen for length, run in runs.items()}
    burst, steady = seen[PREDICTED_MS], seen[STEADY_MS]
    outcome = min(CHOICES, key=lambda choice: abs(CHOICES[choice] - burst.needle.highest))
    sentence = (
        f"The burst of {burst_text(PREDICTED_MS)} has its highest sample at "
        f"{level_text(burst.levels.sample_peak_dbfs, 'dBFS')}, like the steady tone. The needle swings up to "
        f"**{level_text(burst.needle.highest, 'VU')}**; for the steady tone it reaches "
        f"{level_text(steady.needle.highest, 'VU')}. The movement needs 300 ms to get there, and a shorter burst ends "
        "before it arrives."
    )
    rows = tuple(
        (
            burst_text(length),
            number_text(each.levels.sample_peak_dbfs, sign=True),
            number_text(each.needle.highest, sign=True),
            number_text(each.momentary_max_lufs, sign=True),
        )
        for length, each in seen.items()
    )
    heads = ("burst", "sample peak (dBFS)", "needle, highest (VU)", "loudest 400 ms (LUFS)")
    return outcome, sentence, Table("A 1 kHz tone at −18 dBFS, which is 0 VU", heads, rows)


LAB = Lab(
    title="Meters",
    question="Which meter answers which question?",
    minutes=60,
    lessons="two lessons of 45 minutes",
    exercises=(CREST, SHAPES, NEEDLE, BETWEEN, TWO_CHANNELS, GATED),
    experiments={"meters": meters},
    tasks={"02-1": TAKE},
    compare=compare,
)
