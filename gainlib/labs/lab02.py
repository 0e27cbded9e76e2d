"""Lab 02, meters: one sound has many levels, and each meter answers another question."""

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import chain
from math import cos, log10, pi

import numpy as np
import scipy

from gainlib import signals
from gainlib.audio import Audio
from gainlib.demo.recordings import BARS, BEAT_S, RATE_HZ, recorded
from gainlib.demo.rng import chance, noise
from gainlib.exercises import Before, Exercise, Number, Slip, draws, either, grid, kept_by, one_of
from gainlib.exercises.experiment import Choice, Experiment, Listen, Picture, Plot, Run, Slider, db_slider, picture
from gainlib.exercises.experiment import meters as level_bars
from gainlib.exercises.lab import Drawn, Lab, Worked
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.stems import one_strip
from gainlib.levels import db_to_ratio, ratio_to_db, sum_levels_db
from gainlib.meters import LoudnessMeter, NeedleMeter, NodeReading, Series, interpolator, upsample
from gainlib.meters.average import SINE_CREST_DB, averages
from gainlib.meters.loudness import ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU
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
TRIANGLE_DB = 10 * log10(3)  # mean square of a triangle: a third of its peak's square
NEEDLE_DB = 20 * log10(pi / 2)  # rectified mean of a sine: 2/π of its peak
MINE, TONE = "as you set it", "steady tone with the same highest sample"

SIGNALS = {
    "sine": "tone, 1 kHz", "square": "square wave, 200 Hz", "triangle": "triangle wave, 200 Hz",
    "between": "tone, 12 kHz", "noise": "pink noise", "snare": "snare drum",
}  # fmt: skip
RESTS = {-math.inf: "silence"} | {level: f"the same {-level:g} dB lower" for level in (-30.0, -15.0, -8.0)}
GATES = {"both": "both, as in the standard", "absolute": "only the one at −70 LUFS", "none": "none"}
ZERO_VU = {level: f"a sine at {level_text(level, 'dBFS', 0)}" for level in (-20.0, -18.0, -16.0, -14.0)}
ROWS = ("sample peak", "true peak", "RMS", "active level", "needle, highest", "loudest 400 ms", "loudness")
UNITS = ("dBFS", "dBTP", "dBFS", "dBFS", "VU", "LUFS", "LUFS")


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


def _gain(burst_s, rest_db, edge_s):
    """Return the gain over time; where a cut in mid-swing would ring, its edges have a slope."""
    time_s, endless = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ, burst_s == SECONDS
    begin_s, end_s = (0.0, SECONDS) if endless else (BEFORE_S, BEFORE_S + burst_s)
    rest = 0.0 if endless else db_to_ratio(rest_db)
    if edge_s == 0.0:
        return np.where((time_s >= begin_s - 1e-9) & (time_s < end_s - 1e-9), 1.0, rest)
    inside = edge_s if endless else edge_s / 2
    corners = [begin_s - (edge_s - inside), begin_s + inside, end_s - inside, end_s + (edge_s - inside)]
    slopes = 0.5 - 0.5 * np.cos(np.pi * np.interp(time_s, corners, [0.0, 1.0, 1.0, 0.0]))
    return rest + (1.0 - rest) * slopes


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
    """Return the bars, the needle's as the level of a steady sine, and what each of them reads."""
    seen, levels = run.seen, run.seen.levels
    ahead = [levels.sample_peak_dbfs, levels.true_peak_dbtp, levels.rms_dbfs, levels.active_dbfs]
    behind = [seen.momentary_max_lufs, seen.gating.loudness_lufs]
    read = [*ahead, seen.needle.highest, *behind]
    return [*ahead, needle_max_dbfs(run), *behind], list(map(level_text, read, UNITS))


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
    burst = f"a burst of {burst_text(setting.burst_ms)}, around it {RESTS[setting.rest_db]}"
    what = f"{name[:1].upper()}{name[1:]}, {'from end to end' if setting.burst_ms == STEADY_MS else burst}"
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


# ----------------------------------------------------------- a take with an offset, for the exercise on its crest
#
# A bar of two of the demo's stems, and noise that comes out the same everywhere. However much of the drums is in it,
# its RMS stays where the input gain puts it; the offset comes behind both.

DRUMS = ("01 kick", "02 snare", "03 overheads")
HELD = ("05 bass", "08 pad", "10 backing")
FADE_S, ROOM_DBFS, TELLS_DB = 0.005, -0.2, 0.6
TAKE_S, MADE = 4 * BEAT_S, ("drum", "held", "bar", "hiss_db")


@kept_by(*MADE, most=32)
def _parts(made):
    hits, chord = _bar(made["drum"], made["bar"]), _bar(made["held"], made["bar"])
    place = DRUMS.index(made["drum"]), HELD.index(made["held"])
    hiss = noise(chance(made["bar"], -made["hiss_db"], *place), len(hits))
    return hits, chord + hiss * db_to_ratio(made["hiss_db"])


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


def take(given: dict, drums_db: float, rms_dbfs: float) -> Audio:
    """Return the take of a variant, mono, with so much of the drums and at that RMS, sine-referred."""
    mixed = _mixed(given, drums_db)
    mixed *= db_to_ratio(rms_dbfs - SINE_CREST_DB) / math.sqrt(np.mean(mixed**2))
    return Audio(mixed + given["offset_percent"] / 100, RATE_HZ, "take")


def _mixed(given, drums_db):
    hits, rest = _parts(given)
    mixed = hits * db_to_ratio(drums_db) + rest
    return mixed - mixed.mean()


@kept_by(*MADE, most=8192)
def _ends(made, drums_db):
    """Return the highest and the lowest sample of a mix, and its RMS: a draw looks at many before one is fair."""
    mixed = _mixed(made, drums_db)
    return mixed.max(), mixed.min(), math.sqrt(np.mean(mixed**2))


def readings(audio: Audio) -> dict[str, float]:
    """Return extremes and offset, full scale = 1, and the RMS without offset, sine-referred."""
    read = averages(audio)
    ends = {"highest": float(audio.samples.max()), "lowest": float(audio.samples.min())}
    return ends | {"offset": read.dc_offset, "rms_dbfs": read.rms_dbfs}


def clear_peak(read: dict) -> float:
    """Return the highest distance of a sample from the offset, full scale = 1."""
    return max(read["highest"] - read["offset"], read["offset"] - read["lowest"])


def loaded_peak(read: dict) -> float:
    """Return the highest sample, offset included: what has to fit."""
    return max(read["highest"], -read["lowest"])


def half_swing(read: dict) -> float:
    """Return half of the way from the lowest to the highest sample, which is a peak only where both ends are alike."""
    return (read["highest"] - read["lowest"]) / 2


def crest_db(read: dict) -> float:
    """Return the crest factor: peak over plain RMS, both without the offset."""
    return float(ratio_to_db(clear_peak(read))) - (read["rms_dbfs"] - SINE_CREST_DB)


def _crest_at(given, drums_db, *peaks):
    """Return the crest factor at the wanted RMS, by each of these peaks."""
    high, low, rms = _ends(given, drums_db)
    gain, offset = db_to_ratio(given["R"]) / rms, given["offset_percent"] / 100
    read = {"highest": high * gain + offset, "lowest": low * gain + offset, "offset": offset}
    return [float(ratio_to_db(peak(read))) - given["R"] for peak in peaks]


def _tells(given):
    """Whether a wrong peak would show, more drums give more crest, and all of it fits."""
    right, loaded, half = _crest_at(given, given["at"], clear_peak, loaded_peak, half_swing)
    rise = _crest_at(given, given["at"] + 1, clear_peak)[0] - right
    apart = min(abs(right - loaded), abs(right - half), abs(loaded - half))
    return loaded + given["R"] <= ROOM_DBFS and rise >= TELLS_DB / 3 and apart >= TELLS_DB


TAKE = Drawn(
    draws(
        drum=one_of(*DRUMS), held=one_of(*HELD), bar=one_of(*range(REFRAIN_BARS)), hiss_db=one_of(-40, -34, -28),
        offset_percent=grid(-5, 5, 0.1), at=grid(-9, 3, 0.5), drums=grid(-15, 9, 0.5), level=grid(-32, -24, 0.5),
        R=grid(-22, -16, 0.5), where=lambda g: abs(g["offset_percent"]) >= 2 and abs(g["drums"] - g["at"]) >= 3,
    ),
    lambda made: {"X": round(_crest_at(made, made["at"], clear_peak)[0], 1)}, fair=_tells, digits={"X": 1},
)  # fmt: skip


def _seen_take(given):
    def wave(run):
        return run.audio(SOURCE).samples[:, 0], run.seen["offset"]

    return Experiment(
        (db_slider("drums_db", "Drums", -20.0, 14.0, given["drums"]), db_slider("gain_db", "Input gain", -24.0, 24.0)),
        (picture("The take from end to end", "take", wave, margins={"left": 0.1}, seconds=TAKE_S),),
        lambda s: one_strip(take(given, s.drums_db, given["level"] + s.gain_db)),
        lambda run: readings(run.audio(SOURCE)), title="A take with an offset",
    )  # fmt: skip


def _read_take(run, _given):
    named = {"highest": "highest sample", "lowest": "lowest sample", "offset": "offset, the mean of all samples"}
    rows = [(label, number_text(run.seen[name], 3, signed=True)) for name, label in named.items()]
    peak = level_text(ratio_to_db(loaded_peak(run.seen)), "dBFS", 2)
    rows += [("sample peak", peak), ("RMS, sine-referred", level_text(run.seen["rms_dbfs"], "dBFS", 2))]
    return Table("What the meters read; samples: full scale = 1", ("reading", "value"), tuple(rows))


CREST_TASK = SetAndMeasure(
    _seen_take, None,
    (
        Aim("plain RMS", lambda run: run.seen["rms_dbfs"] - SINE_CREST_DB, lambda g: g["R"], 0.1, unit="dBFS",
            decimals=2, points=1),
        Aim("crest factor", lambda run: crest_db(run.seen), lambda g: g["X"], 0.2, decimals=2, points=2),
    ),
    "drums and input gain", points=3, tabled=_read_take,
)  # fmt: skip


def _set_by(given, peak):
    """Return the answer of somebody who takes that for the peak."""
    ends = -20.0, 14.0

    def miss(drums_db):
        return _crest_at(given, drums_db, peak)[0] - given["X"]

    within = miss(ends[0]) * miss(ends[1]) < 0
    drums = scipy.optimize.brentq(miss, *ends, xtol=0.05) if within else min(ends, key=lambda end: abs(miss(end)))
    return CREST_TASK.moved(given, drums_db=drums, gain_db=given["R"] + SINE_CREST_DB - given["level"])


def _taken_for_peak(peak):
    """Return what recognises a take in which something else was taken for the peak."""

    def spots(answer, given):
        crest = float(ratio_to_db(peak(CREST_TASK.run(answer, given).seen))) - given["R"]
        return CREST_TASK.spots(True, False)(answer, given) and abs(crest - given["X"]) <= 0.2

    return {"spots": spots, "active": lambda given: spots(_set_by(given, peak), given)}


# ------------------------------------------------------------------------ shapes at one power, and a needle in a hurry

SHAPES = {"sine": 0.0, "square": SINE_CREST_DB, "triangle": SINE_CREST_DB - TRIANGLE_DB}
"""By how much the sine-referred RMS of each lies over its peak."""


@cache
def _plain_dbfs(shape):
    """Return the plain RMS of a wave with its peak at full scale, measured."""
    return averages(signals.waveform(shape, 200.0, 0.0, 1.0, RATE_HZ)).rms_dbfs - SINE_CREST_DB


def _shapes(given):
    rows = [f"{shape}, {what}" for shape in SHAPES for what in ("sample peak", "plain RMS")]
    bars = level_bars(rows, lambda run: chain(*run.seen.values()), digits=2, title="Peak and plain RMS")
    return Experiment(
        tuple(db_slider(f"{shape}_db", f"{shape.capitalize()}, gain", -30.0, 30.0) for shape in SHAPES),
        (Picture("Three shapes", ("M",), {"M": bars}, margins={"left": 0.22, "bottom": 0.12}),),
        read=lambda run: {
            shape: (peak := given["p"] + run.setting[f"{shape}_db"], peak + _plain_dbfs(shape)) for shape in SHAPES
        },
        title="Three shapes",
    )  # fmt: skip


SHAPES_TASK = SetAndMeasure(
    _shapes, None,
    tuple(Aim(f"RMS of the {shape}, sine-referred", lambda run, shape=shape: run.seen[shape][1] + SINE_CREST_DB,
              lambda g: g["R"], 0.1, unit="dBFS", decimals=2, points=1) for shape in SHAPES),
    "the gains of the three shapes", points=3,
    tabled=lambda run, given: Table(
        "What the meters read", ("shape", "sample peak (dBFS)", "plain RMS (dBFS)"),
        tuple((shape, *(number_text(each, 2, signed=True) for each in run.seen[shape])) for shape in SHAPES)),
)  # fmt: skip


def _gains(given, sign=1, more_db=0.0):
    """Return the gains that give each shape its RMS; with `sign` 0 equal peaks, with −1 the wrong way round."""
    return {f"{shape}_db": given["R"] - sign * rms + more_db - given["p"] for shape, rms in SHAPES.items()}


ALIGNMENTS, LONGEST_MS, FOUND_MS = (-20, -18, -16, -14), 600.0, 20.0


def _needle_at(given, peak_dbfs, burst_ms):
    audio = Audio(_without_offset(given["signal"], peak_dbfs, burst_ms, -math.inf), RATE_HZ)
    return feed(NeedleMeter(RATE_HZ, 1, given["al"]), audio).series()


def _swung(given):
    return Experiment(
        (db_slider("gain_db", "Gain", -40.0, 40.0),
         Slider("burst_ms", "Burst", 10.0, LONGEST_MS, 5.0, FOUND_MS, "ms", page=50.0, decimals=0)),
        (picture("The needle", "needle", _seen_needle, duration_s=2.0),),
        read=lambda run: Swing(given["level"] + run.setting.gain_db,
                               _needle_at(given, given["level"] + run.setting.gain_db, run.setting.burst_ms)),
        title="A burst and the needle",
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Swing:
    """The sample peak of a burst, and the needle over time."""

    peak_dbfs: float
    needle: Series


SWUNG = Drawn(
    draws(signal=one_of("sine", "square"), al=one_of(*ALIGNMENTS), P=grid(-24, -3, 0.5), at=grid(60, 240, 5),
          level=grid(-20, -3, 0.5), where=lambda g: abs(g["level"] - g["P"]) >= 3),
    lambda made: {"V": round(_needle_at(made, made["P"], made["at"]).highest, 1)},
    fair=lambda g: -18 <= g["V"] <= 3, digits={"V": 1},
)  # fmt: skip
SWING_TASK = SetAndMeasure(
    _swung, None,
    (Aim("sample peak", lambda run: run.seen.peak_dbfs, lambda g: g["P"], 0.1, unit="dBFS", points=0.5),
     Aim("needle, highest", lambda run: run.seen.needle.highest, lambda g: g["V"], 0.2, unit="VU", points=1.5)),
    "gain and burst", points=2,
)  # fmt: skip


def _swing(given, peak_dbfs, burst_ms):
    return SWING_TASK.moved(given, gain_db=peak_dbfs - given["level"], burst_ms=burst_ms)


def _rest_vu(given):
    """Return where a steady tone holds the needle."""
    return given["P"] - given["al"] + (NEEDLE_DB if given["signal"] == "square" else 0.0)


# ------------------------------------------------------------ a loud and a soft part through the gates of the loudness
#
# ITU-R BS.1770-5 Annex 1, equations (3) to (7): blocks at −70 LUFS or less are left out, then those at 10 LU or more
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


def edge_lufs(given: dict) -> float:
    """Return the level from which a soft part of so many seconds counts: where it stands at its own gate."""
    return given["L1"] + RELATIVE_GATE_LU + 10 * log10(given["t1"] / (given["t1"] + 0.9 * given["s"]))


def _parts_gated(run, given):
    levels = np.repeat([given["L1"], run.setting.soft_lufs], [10 * given["t1"], 10 * given["s"]])
    gate = threshold_lufs({"t1": given["t1"], "L1": given["L1"], "t2": given["s"], "L2": run.setting.soft_lufs})
    kept = (levels > gate) & (levels > ABSOLUTE_GATE_LUFS)
    return levels, kept, gate, float(10 * np.log10(np.mean(10 ** (levels[kept] / 10))))


def _two_parts(given):
    count = int(10 * max(given["t1"], given["s"]) / 0.9)
    return Experiment(
        (Slider("soft_lufs", "Soft part", -70.0, given["L1"], 0.1, -65.0, "LUFS", page=1.0),),
        (picture("Blocks and gates", "blocks", lambda run: run.seen, margins={"bottom": 0.13}, most=count),),
        read=lambda run: _parts_gated(run, given),
        told=lambda run: f"The soft part **{'counts' if run.seen[1].all() else 'is left out'}**.",
        title="A loud part and a soft one", lines=1,
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------------- the exercises

FULL_SCALE = "RMS in dBFS (a full-scale sine reads 0): AES17 (standard)"
LOUDNESS = "Loudness: ITU-R BS.1770-5, Annex 1 (standard)"

CREST = Exercise(
    id="02-1", title="Crest factor of a take with an offset", edition=2, parts=(CREST_TASK.part(),),
    before=Before((Number("Crest factor", "dB", tolerance=0.1, points=3),), crest_db),
    given=TAKE,
    statement="A take of drums, a held chord and hiss came through a faulty input that adds an offset. Set the input "
        "gain so that its plain RMS is {R} dBFS, and the drums so that its crest factor is {X} dB, both **without the "
        "offset**. The meters read as always here: RMS is sine-referred. The RMS stays where the input gain puts it.",
    solve=lambda g: CREST_TASK.moved(g, drums_db=g["at"], gain_db=g["R"] + SINE_CREST_DB - g["level"]),
    slips=(
        Slip("no 3.01", lambda g: CREST_TASK.moved(g, drums_db=g["at"], gain_db=g["R"] - g["level"]), "You took the "
            "sine-referred RMS for plain RMS, which is 3.01 dB lower.",
             spots=lambda a, g: abs(CREST_TASK.run(a, g).seen["rms_dbfs"] - g["R"]) <= 0.1),
        Slip("offset left in", lambda g: _set_by(g, loaded_peak), "Your peak still contains the offset. Subtract it "
            "from the highest and the lowest sample first; the larger of the two distances is the peak.",
             **_taken_for_peak(loaded_peak)),
        Slip("half of the swing", lambda g: _set_by(g, half_swing), "You took half of the way from the lowest to the "
            "highest sample. Drums swing further to one side: the larger distance from the offset is the peak.",
             **_taken_for_peak(half_swing)),
    ),
    hints=(
        "Set the input gain first. What does the sine-referred meter show when plain RMS is where you want it?",
        "Crest factor = peak − plain RMS. Which peak is that, and how far from the offset is it, full scale = 1?",
        "Move the drums until the sample farthest from the offset is that far away.",
    ),
    explain="Plain RMS of {R} dBFS shows as {R} + 3.01 = {shown:.2f} dBFS. The peak then has to be at {R} + {X} = "
        "{peak:.1f} dBFS, that is 10^({peak:.1f}/20) = {far:.3f} from the offset of {offset:+.3f}; drums at {at:+.1f} "
        "dB do it.",
    terms=lambda g: {"shown": g["R"] + SINE_CREST_DB, "peak": g["R"] + g["X"], "far": db_to_ratio(g["R"] + g["X"]),
                     "offset": g["offset_percent"] / 100},
    cites=("Crest factor, peak over plain RMS: handbook formula", FULL_SCALE),
    material=lambda g: take(g, g["drums"], g["level"]),
)  # fmt: skip

ONE_POWER = Exercise(
    id="02-2", title="Three shapes, one power", edition=2, parts=(SHAPES_TASK.part(),),
    before=Before(tuple(Number(name, "dBFS", tolerance=0.05) for name in ("Sine", "Square", "Triangle")),
                  lambda g: [g["p"] + rms for rms in SHAPES.values()]),
    given=draws(p=grid(-24, -1, 0.5), R=grid(-24, -3, 0.5), where=lambda g: abs(g["p"] - g["R"]) >= 4),
    statement="A sine, a square wave and a triangle wave each peak at {p} dBFS. Set their gains so that all three "
        "carry the same power: each has to read {R} dBFS, within 0.1 dB, on a **sine-referred** RMS meter. The meter "
        "on this desk shows plain RMS.",
    solve=lambda g: SHAPES_TASK.moved(g, **_gains(g)),
    slips=(
        SHAPES_TASK.slip("plain", lambda g: _gains(g, more_db=SINE_CREST_DB), "You brought the plain RMS to that "
            "level. A sine-referred meter (AES17) reads 3.01 dB more, so that a full-scale sine reads 0 dBFS.",
            within=0.15),
        SHAPES_TASK.slip("equal peaks", lambda g: _gains(g, sign=0), "You made the peaks alike. RMS depends on how "
            "long a wave stays near its peak: a square wave always does, a triangle wave seldom.", within=0.15),
        SHAPES_TASK.slip("wrong way", lambda g: _gains(g, sign=-1), "You have them the wrong way round: a square wave "
            "is always at its peak, so it needs a lower peak than the sine for the same power, and the triangle a "
            "higher one.", within=0.15),
    ),
    hints=(
        "What does a full-scale sine read on a sine-referred meter, and what is its plain RMS?",
        "The mean square of a sine is half of its peak's square; that of a square wave is all of it, and that of a "
        "triangle wave a third. Which of them needs the highest peak?",
    ),
    explain="Plain RMS has to read {R} − 3.01 = {square:.2f} dBFS. The peaks that give it: sine {R} dBFS; square "
        "{R} − 3.01 = {square:.2f} dBFS; triangle {R} − 10·log₁₀(2/3) = {triangle:.2f} dBFS. At equal peaks they would "
        "be up to 4.77 dB apart.", terms=lambda g: {shape: g["R"] - rms for shape, rms in SHAPES.items()},
    cites=(FULL_SCALE, "Mean squares of the three shapes: handbook formula"),
)  # fmt: skip

NEEDLE = Exercise(
    id="02-3", title="How far the needle swings", edition=2, parts=(SWING_TASK.part(),),
    before=Before((Number("Needle", "VU", tolerance=0.1, points=2, aliases=("dB",)),),
                  lambda g: g["p"] - g["al"] + (NEEDLE_DB if g["shape"] == "square wave" else 0.0)),
    given=SWUNG,
    statement="A burst of a {signal} wave plays into a VU meter on which a steady sine at {al} dBFS reads 0 VU. Set "
        "the gain so that the burst peaks at {P} dBFS, and its length so that the needle swings up to {V} VU and no "
        "further.",
    solve=lambda g: _swing(g, g["P"], g["at"]),
    slips=(
        Slip("by the gain", lambda g: _swing(g, g["P"] + g["V"] - _needle_at(g, g["P"], FOUND_MS).highest, FOUND_MS),
            "You brought the needle there with the gain, as if it showed peaks. Set the peak with the gain, and let "
            "the length decide how far the needle gets.", spots=SWING_TASK.spots(False, True)),
        Slip("as if it were there at once", lambda g: _swing(g, g["P"], LONGEST_MS), "This burst lasts so long that "
            "the needle comes to rest. It needs 300 ms to get there, and a shorter one ends before it arrives.",
             spots=lambda a, g: SWING_TASK.spots(True, False)(a, g) and a["desk"]["burst_ms"] >= 400),
    ),
    hints=("Gain first: what does the sample peak do when you change the length of the burst?",
           "The needle takes 300 ms to arrive. Is this burst to be longer than that, or shorter?"),
    explain="Gain: {P} − ({level}) = {gain:+.1f} dB. Without end, the tone would hold the needle at {rest:+.2f} "
        "VU{over}; {short:.1f} dB less is where it gets in {at} ms. The peak is {P} dBFS for any length.",
    terms=lambda g: {"gain": g["P"] - g["level"], "rest": _rest_vu(g), "short": _rest_vu(g) - g["V"],
                     "over": ", 3.92 dB over a sine of that peak" * (g["signal"] == "square")},
    cites=("VU: rectified average, scaled with a sine, 99 % in 300 ms: IEC 60268-17 (standard)",),
    material=lambda g: Audio(_without_offset(g["signal"], g["P"], g["at"], -math.inf), RATE_HZ),
)  # fmt: skip

# ---------------------------------------------------------------------------------------------------- between samples


def _under_read_db(g, turn=1.0):
    """Return by how much a crest is under-read half-way between two points, `turn` times as far from them.

    Wrongly turned past a quarter, the cosine is negative; its magnitude counts, so that there is always a number.
    """
    return -20 * log10(abs(cos(turn * pi * g["f"] / g["fs"] / g["n"])))


def _worth_asking(g):
    """From a tenth of the sample rate to 0.45 of it, and not so little that any small number would do."""
    return 0.1 <= g["f"] / g["fs"] <= 0.45 and _under_read_db(g) >= 0.09


# Slips are off where they could not be told from one another: with two points, and where little is under-read.
BETWEEN = Exercise(
    id="02-4", title="A crest between two points",
    parts=(Number("Largest under-read", "dB", tolerance=0.03, points=2),),
    given=either(*(draws(f=grid(4.5, 21.5, 0.1), fs=one_of(44.1, 48), n=one_of(n), where=_worth_asking) for n in (1, 2,
        4, 8))),
    statement="A tone burst of {f} kHz with a single crest, sampled at {fs} kHz, is read by a meter with {n}× "
        "oversampling (1× means at the samples alone). By how many dB at most does the meter read the crest too low, "
        "with the crest in its worst position? Give a positive number.",
    solve=_under_read_db,
    slips=(
        Slip("samples alone", lambda g: _under_read_db(g, turn=g["n"]), "You counted the samples alone. Oversampling "
             "brings the points closer together: divide the angle by its factor.", active=lambda g: g["n"] > 1),
        Slip("whole distance", lambda g: _under_read_db(g, turn=2.0), "You took the whole distance between two points. "
             "In the worst position the crest is half-way between them, so take half.",
             active=lambda g: g["n"] != 2 and 2 * g["f"] / g["fs"] / g["n"] < 0.495),
        Slip("degrees", lambda g: -20 * log10(cos(pi * g["f"] / g["fs"] / g["n"] * pi / 180)),
             "Your calculator read the angle as degrees. π·f/(n·fs) is in radians; in degrees it is 180·f/(n·fs)."),
        Slip("ten", lambda g: _under_read_db(g) / 2, "You took 10·log₁₀. A sample value is an amplitude and takes "
             "20·log₁₀.", active=lambda g: _under_read_db(g) >= 0.2),
        Slip("sign", lambda g: -_under_read_db(g), "The size is right, but the question asks for a positive number: by "
             "how much the meter reads too low."),
    ),
    hints=("The worst position of the crest is half-way between two points of the meter.",
           "What part of the tone's cycle is half the distance between two points? Take it as an angle; its cosine is "
           "what is left of the crest."),
    explain="The points are 1/({n} × {fs} kHz) apart; half of that, at {f} kHz, is an angle of 180° × {f}/({n} × "
        "{fs}) = {angle:.2f}°. What is left of the crest is its cosine, {left:.4f}, and −20·log₁₀({left:.4f}) = "
        "{key:.2f} dB.",
    terms=lambda g: {"angle": 180 * g["f"] / g["fs"] / g["n"], "left": cos(pi * g["f"] / g["fs"] / g["n"])},
    cites=("Largest under-read of a true-peak meter: ITU-R BS.1770-5, Annex 2, Attachment 1 (standard)",),
)  # fmt: skip

# ----------------------------------------------------------------------------------------------------------- loudness


TWO_CHANNELS = Exercise(
    id="02-5", title="Loudness of two channels", parts=(Number("Loudness", "LUFS", tolerance=0.1, points=2),),
    given=draws(pL=grid(-40, -6, 0.5), pR=grid(-40, -6, 0.5), where=lambda g: 1 <= abs(g["pL"] - g["pR"]) <= 12),
    statement="A steady sine of 997 Hz peaks at {pL} dBFS in the left channel and at {pR} dBFS in the right. How loud "
        "is it? For reference: at 0 dBFS it reads −3.01 LUFS in one channel alone, and 0 LUFS in both.",
    solve=lambda g: sum_levels_db([g["pL"], g["pR"]]) - SINE_CREST_DB,
    slips=(
        Slip("no 3.01", lambda g: sum_levels_db([g["pL"], g["pR"]]), "You added the channels correctly, but by peak. "
             "One channel at 0 dBFS reads −3.01 LUFS, so subtract 3.01."),
        Slip("mean of decibels", lambda g: (g["pL"] + g["pR"]) / 2, "You took the mean of two decibel figures. The "
             "meter adds the powers of the channels."),
        Slip("amplitudes added", lambda g: sum_levels_db([g["pL"], g["pR"]], correlation=1.0) - SINE_CREST_DB,
             "You added amplitudes, as if both channels met in one wire. The meter squares each channel first and then "
             "adds powers."),
        Slip("louder channel alone", lambda g: max(g["pL"], g["pR"]) - SINE_CREST_DB, "You counted the louder channel "
             "alone. The other one adds its power as well."),
    ),
    hints=("The meter squares each channel and adds the squares, so it adds powers.",
           "Turn both peaks into powers, add them and go back to decibels. Then use the reference for a single "
           "channel."),
    explain="10·log₁₀(10^({pL}/10) + 10^({pR}/10)) = {sum:.2f} dB, and a sine's power is 3.01 dB below its peak: "
        "{key:.2f} LUFS. At 997 Hz the weighting adds 0.69 dB, which the −0.691 in the formula subtracts again.",
    terms=lambda g: {"sum": sum_levels_db([g["pL"], g["pR"]])},
    cites=(LOUDNESS,),
)  # fmt: skip

_PARTS = {"t1": grid(20, 120, 5), "L1": grid(-34, -14, 0.5), "t2": grid(20, 120, 5), "L2": grid(-64, -18, 0.5)}


def _dropped(g):
    return is_clear(g) and is_dropped(g)


def _just_kept(g):
    return is_clear(g) and not is_dropped(g) and g["L1"] - g["L2"] > 10 + CLEAR_LU


GATED = Exercise(
    id="02-6", title="A loud part and a soft one", edition=2,
    parts=(
        Number("The soft part counts from", "LUFS", tolerance=0.3, points=2, read_off=True),
        Number("Integrated loudness", "LUFS", tolerance=0.1, points=1, may_be_printed=True),
    ),
    before=Before((Number("Integrated loudness", "LUFS", tolerance=0.1, points=3),), loudness_lufs),
    given=either(*(draws(**_PARTS, s=grid(20, 120, 5), where=lambda g, where=where: where(g) and g["s"] >= 0.4 * g["t1"]
                         and abs(edge_lufs(g) - threshold_lufs(g)) >= 0.9) for where in (_dropped, _just_kept))),
    statement="A programme has {t1} s at {L1} LUFS and then a soft part of {s} s, both steady. Raise the soft part on "
        "the desk: at which level does it begin to count? Then another programme, to be worked out: {t1} s at {L1} "
        "LUFS and {t2} s at {L2} LUFS. What is its integrated loudness? Ignore the blocks across the join.",
    solve=lambda g: [edge_lufs(g), loudness_lufs(g)],
    slips=(
        Slip("gate under the loud part", lambda g: [g["L1"] + RELATIVE_GATE_LU, None], "That is 10 LU below the loud "
            "part. The gate is 10 LU below the mean of both: see on the desk where it stands."),
        Slip("no gate", lambda g: [None, mean_lufs(g)], "You took the mean without the second gate. The soft part lies "
            "more than 10 LU below that mean, so it is left out.", active=is_dropped),
        Slip("dropped", lambda g: [None, float(g["L1"])], "You left the soft part out. The gate is 10 LU below the "
            "mean of both parts, not below the loud part, so here the soft one counts.",
             active=lambda g: not is_dropped(g)),
        Slip("mean of decibels", lambda g: [None, (g["t1"] * g["L1"] + g["t2"] * g["L2"]) / (g["t1"] + g["t2"])],
            "You averaged LUFS figures. Average the powers over time, then go back to LUFS."),
        Slip("time forgotten", lambda g: [None, sum_levels_db([g["L1"], g["L2"]]) - SINE_CREST_DB], "You counted both "
            "parts alike. The longer one has more blocks: weight the powers by the seconds.",
             active=lambda g: g["t1"] != g["t2"]),
    ),
    hints=("The gate moves while you raise the soft part. Where is it when the two meet?",
           "For the sum, first take the mean of both parts: powers, weighted by the seconds they last.",
           "The second gate is 10 LU below that mean. If the soft part is below it, take the mean without it."),
    explain="On the desk the soft part meets its gate at {key[0]:.2f} LUFS: the longer it is, the lower is the mean, "
        "and the gate with it. The other programme: 10·log₁₀(({t1}·10^({L1}/10) + {t2}·10^({L2}/10))/{seconds}) = "
        "{mean:.3f} LUFS, so its gate is at {gate:.2f} LUFS. The soft part, {L2} LUFS, is {fate}: {key[1]:.3f} LUFS.",
    terms=lambda g: {"seconds": g["t1"] + g["t2"], "mean": mean_lufs(g), "gate": threshold_lufs(g),
                     "fate": "below it and is left out" if is_dropped(g) else "above it and counts"},
    cites=(LOUDNESS + ", both gates",),
)  # fmt: skip

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
    rows = []
    for length, each in seen.items():
        values = each.levels.sample_peak_dbfs, each.needle.highest, each.momentary_max_lufs
        rows.append((burst_text(length), *(number_text(value, signed=True) for value in values)))
    heads = ("burst", "sample peak (dBFS)", "needle, highest (VU)", "loudest 400 ms (LUFS)")
    return outcome, sentence, Table("A 1 kHz tone at −18 dBFS, which is 0 VU", heads, tuple(rows))


WORKED = Worked(
    "The highest sample of a snare take is +0.42 of full scale, the lowest −0.18, its offset +0.02. The RMS meter, "
    "which leaves the offset out, reads −18.0 dBFS, sine-referred. What is the crest factor?",
    ("Without the offset, the highest sample is 0.42 − 0.02 = 0.40 away from rest, the lowest 0.18 + 0.02 = 0.20. The "
     "peak is the larger distance, not half of the way between the two: 20·log₁₀ 0.40 = −7.96 dBFS.",
     "A crest factor compares with plain RMS, 3.01 dB lower than sine-referred: −18.0 − 3.01 = −21.01 dBFS."),
    Number("Crest factor", "dB", tolerance=0.05), 13.05, "Peak − plain RMS: −7.96 − (−21.01) = 13.05 dB.",
)  # fmt: skip

LAB = Lab(
    title="Meters",
    question="Which meter answers which question?",
    minutes=60,
    lessons="two lessons of 45 minutes",
    exercises=(CREST, ONE_POWER, NEEDLE, BETWEEN, TWO_CHANNELS, GATED),
    experiments={"meters": meters},
    tasks={"02-1": CREST_TASK, "02-2": SHAPES_TASK, "02-3": SWING_TASK, "02-6": _two_parts},
    compare=compare,
    worked=WORKED,
)
