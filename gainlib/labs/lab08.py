"""Lab 08, dynamics: a threshold is a level, so every gain ahead of it sets what it does."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from gainlib.audio import GainlibError
from gainlib.boxes.drive import matched_output
from gainlib.exercises.box_tests import Boxed, behind_db, both_heard, boxed, loudness_words
from gainlib.exercises.experiment import Choice, Experiment, Later, Picture, Plot, Run, Slider, db_slider, meters
from gainlib.exercises.lab import Drawn, Lab, Worked
from gainlib.exercises.model import Before, Exercise, Slip
from gainlib.exercises.parts import Number
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.stems import BAR_S, DRUMS, EXCERPT_S, STEMS, bar, excerpt, one_strip, short_name, whole
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, either, grid, kept_by, one_of
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters.average import ACTIVE_RANGE_DB, averages
from gainlib.processors import Compressor, Gate
from gainlib.signals import tone
from gainlib.words import Table, level_text, number_text

# ------------------------------------------------------------------------------------------------------- the experiment

GROUP_OF_DRUMS = "drums"
SOUNDS = {name: short_name(name) for name in STEMS} | {GROUP_OF_DRUMS: "drums, as a group"}
COMPRESSOR, GATE = "compressor", "gate"
BLOCK_S, FLOOR_DB = 0.02, -96.0
EDGES_DB = tuple(float(step) for step in range(-72, 7, 2))
LEVELS_DBFS = np.arange(-72.0, 6.01, 0.5)


@dataclass(frozen=True, eq=False)
class Squeezed(Boxed):
    """A sound on both sides of a compressor or gate; lines are in blocks of 20 ms.

    Attributes
    ----------
    reduction_db : array
        Of every frame, not negative.
    """

    reduction_db: np.ndarray

    def lines(self, out_db: float):
        """Return times, largest reduction, peaks in and peaks out of every block."""
        rate_hz = self.before.rate_hz
        reduction = _highest(self.reduction_db, rate_hz)
        peaks = [_peaks(each.samples[:, 0], rate_hz) for each in (self.before, self.after)]
        return (np.arange(reduction.size) + 0.5) * BLOCK_S, reduction, peaks[0], peaks[1] + out_db

    @property
    def mean_while_playing_db(self) -> float:
        """Mean reduction where something plays: blocks of 0.1 s within 25 dB of the loudest block going in."""
        length = round(0.1 * self.before.rate_hz)
        count = max(1, len(self.reduction_db) // length)
        power = np.mean(np.asarray(self.before.samples, float)[: count * length] ** 2, axis=1)
        blocks = power.reshape(count, -1).mean(axis=1)
        playing = blocks >= blocks.max() * 10.0 ** (-ACTIVE_RANGE_DB / 10.0)
        return float(self.reduction_db[: count * length].reshape(count, -1)[playing].mean())

    @property
    def peak_dbfs(self) -> float:
        """Highest sample behind the processor."""
        return float(ratio_to_db(np.abs(self.after.samples).max()))

    @property
    def settled_db(self) -> float:
        """Mean reduction in the second half, where that of a steady sound has settled."""
        return float(_late(self.reduction_db).mean())

    @property
    def settled_dbfs(self) -> float:
        """RMS behind the processor in the second half."""
        return averages(self.after.with_samples(_late(self.after.samples))).rms_dbfs


def _late(values):
    return values[len(values) // 2 :]


def _highest(values, rate_hz):
    length = round(BLOCK_S * rate_hz)
    return values[: len(values) // length * length].reshape(-1, length).max(axis=1)


def _peaks(line, rate_hz):
    return np.maximum(ratio_to_db(_highest(np.abs(line), rate_hz)), FLOOR_DB)


def squeezed(run: Run) -> Squeezed:
    """Return what the insert of a strip does to it."""
    before, after, gain_db = boxed(run)
    return Squeezed(before, after, gain_db, _processor(run).reduction_db(before))


def _stems(sound):
    return DRUMS if sound == GROUP_OF_DRUMS else (sound,)


def processor_of(setting) -> Compressor | Gate:
    """Return the compressor or gate as it is set, without makeup."""
    attack, release = setting.attack_ms / 1000.0, setting.release_ms / 1000.0
    if setting.box == GATE:
        return Gate(setting.threshold_dbfs, setting.hysteresis_db, 60.0, attack, setting.hold_ms / 1000.0, release)
    return Compressor(setting.threshold_dbfs, setting.ratio, setting.knee_db, attack, release)


def _makeup(run):
    return behind_db(run, "makeup_db")


def _processor(run):
    return run.session.strips[0].inserts[0].processor


def _threshold(run):
    processor = _processor(run)
    return processor.open_dbfs if isinstance(processor, Gate) else processor.threshold_dbfs


def _transfer(run):
    before = run.seen.lines(0.0)[2]
    makeup = _makeup(run)
    playing = before >= before.max() - 25.0
    after = run.seen.lines(makeup)[3]
    here = float(before[playing].mean()), float(after[playing].mean())
    percent = 100.0 * np.histogram(before, EDGES_DB)[0] / before.size
    curve = _processor(run).static_db(LEVELS_DBFS) + makeup
    return LEVELS_DBFS, curve, percent, here, _threshold(run)


def _seen_reduction(run):
    time_s, reduction, *_ = run.seen.lines(0.0)
    return time_s, reduction, float(run.seen.reduction_db.mean())


def _seen_levels(run):
    time_s, _, before, after = run.seen.lines(_makeup(run))
    return time_s, before, after, _threshold(run)


def _told(run):
    setting, seen, makeup = run.setting, run.seen, _makeup(run)
    before = seen.lines(0.0)[2]
    share, most, mean = (before >= setting.threshold_dbfs).mean(), seen.reduction_db.max(), seen.reduction_db.mean()
    place = "the opening level" if setting.box == GATE else "the threshold"
    said = (
        f"**{number_text(100 * share, 0)} %** of the time a peak is over {place}. The {setting.box} turns it down by "
    )
    said += f"**{number_text(most)} dB** at most, {number_text(mean)} dB on average. "
    peak = f"its peak is {level_text(seen.peak_dbfs + makeup, 'dBFS')}"
    if setting.matched:
        return said + f"The makeup is **{level_text(makeup, decimals=2)}**, and active is as loud as bypass; {peak}."
    return said + f"Active is {loudness_words(makeup + seen.gain_db)}; {peak}."


def _match_whole(run, _progress):
    audio, setting = whole(*_stems(run.setting.sound)), run.setting
    try:
        return matched_output(processor_of(setting), audio.with_samples(audio.samples * db_to_ratio(setting.drive_db)))
    except GainlibError:  # a gate may let nothing through
        return None


def _told_of_whole(_run, match):
    if match is None:
        return "Nothing comes through in the whole song, so there is nothing to match."
    said = (
        f"Over the whole song, 40 s, a makeup of **{level_text(match.out_db, decimals=2)}** matches the bypass; the "
        f"peaks then reach {level_text(match.peak_dbfs, 'dBFS')}."
    )
    return f"{said} {match.warning}" if match.warning else said


def _only(box):
    return lambda setting: "" if setting.box == box else f"only the {box} has it"


def dynamics_pictures(seconds: float, insert: bool = True) -> tuple[Picture, ...]:
    """Return the picture of a compressor or gate: curve over the sound's levels, reduction, levels in and out."""
    time = {"duration_s": seconds}
    plots = {"R": Plot("reduction", _seen_reduction, time), "L": Plot("levels", _seen_levels, time)}
    if not insert:
        return (Picture("Gain reduction, levels in and out", ("R", "L"), plots),)
    plots["C"] = Plot("transfer", _transfer, {"edges_db": EDGES_DB})
    title = "Static curve, gain reduction, levels in and out"
    return (Picture(title, ("CR", "CL"), plots, widths=(1.0, 1.15)),)


@cache
def dynamics() -> Experiment:
    """A compressor or a gate under the hand, with a matched bypass."""
    return Experiment(
        title="A compressor or a gate",
        controls=(
            Choice("sound", "Sound", SOUNDS, GROUP_OF_DRUMS),
            Choice("box", "Processor", {COMPRESSOR: COMPRESSOR, GATE: GATE}),
            Choice("matched", "Match", {True: "active as loud as bypass", False: "off: you set the makeup"}),
            db_slider("drive_db", "Drive", -18.0, 18.0),
            Slider("threshold_dbfs", "Threshold", -60.0, 0.0, 0.1, -20.0, "dBFS", page=1.0),
            Slider("ratio", "Ratio, x:1", steps=(1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 20.0), start=4.0, unit=":1",
                   off=_only(COMPRESSOR)),
            Slider("knee_db", "Knee", 0.0, 18.0, 1.0, 6.0, decimals=0, page=3.0, off=_only(COMPRESSOR)),
            Slider("attack_ms", "Attack", steps=(0.0, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0), start=10.0,
                   unit="ms"),
            Slider("release_ms", "Release", steps=(40.0, 60.0, 80.0, 120.0, 200.0, 300.0, 500.0, 1000.0), start=120.0,
                   unit="ms"),
            Slider("hysteresis_db", "Hysteresis", 0.0, 12.0, 1.0, 4.0, decimals=0, page=3.0, off=_only(GATE)),
            Slider("hold_ms", "Hold", steps=(0.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0), start=40.0, unit="ms",
                   off=_only(GATE)),
            db_slider("makeup_db", "Makeup", -12.0, 24.0,
                      off=lambda setting: "follows the match" if setting.matched else ""),
        ),
        session=lambda setting: one_strip(excerpt(*_stems(setting.sound)), processor_of(setting), setting.drive_db),
        read=squeezed,
        pictures=dynamics_pictures(EXCERPT_S),
        told=_told,
        later=Later(_match_whole, _told_of_whole, "Sending the whole song through …"),
        listen=both_heard("makeup_db", "drive"),
    )  # fmt: skip


# ------------------------------------------------------------------------- a stem through a compressor, for an exercise

HEARD = both_heard("makeup_db")
READ = {
    "energy_in": "RMS, in", "energy_out": "RMS, out", "active_in": "active level, in",
    "active_out": "active level, out", "most": "largest reduction", "mean": "mean reduction",
}  # fmt: skip
TAKEN = ("most", "mean")
PLUCKED = ("01 kick", "02 snare", "04 toms")  # of what sounds longer, active level and energy change alike


def _bar_through(made):
    attack_s, release_s = made["attack_ms"] / 1000, made["release_ms"] / 1000
    compressor = Compressor(made["threshold"], made["ratio"], attack_s=attack_s, release_s=release_s)
    title, time = f"{short_name(made['stem']).capitalize()} through the compressor", {"duration_s": BAR_S}
    units = ["dB" if name in TAKEN else "dBFS" for name in READ]

    def read(_run):  # a reduction is a level under 0 dB
        return [-value if name in TAKEN else value for name, value in _readings(made).items()]

    shown = meters(READ.values(), read, units, 2, title="Meters over the bar, makeup at 0 dB")
    plots = {"R": Plot("reduction", _seen_reduction, time), "M": shown}
    picture = Picture(title, ("R", "M"), plots, heights=(0.8, 1.2), margins={"left": 0.19})
    return Experiment((), (picture,), lambda _: one_strip(bar(made["stem"]), compressor), squeezed, title=title)


@kept_by("stem", "threshold", "ratio", "attack_ms", "release_ms", most=256)
def _readings(made):
    experiment = _bar_through(made)
    seen = experiment.at(experiment.start).seen
    ahead, behind = averages(seen.before), averages(seen.after)
    values = (ahead.rms_dbfs, behind.rms_dbfs, ahead.active_dbfs, behind.active_dbfs)
    values += (seen.reduction_db.max(), seen.reduction_db.mean())
    return {name: round(float(value), 2) for name, value in zip(READ, values, strict=True)}


SQUEEZED = Drawn(
    draws(stem=one_of(*PLUCKED), threshold=grid(-44, -12), ratio=one_of(2, 3, 4, 6, 8),
          attack_ms=one_of(1, 5, 10, 20), release_ms=one_of(60, 120, 250)),
    _readings, fair=lambda given: 6.0 <= given["most"] <= 15.0, experiment=_bar_through,
)  # fmt: skip


def _makeup_for(given):
    return round(given["energy_in"] - given["energy_out"], 2)


# ------------------------------------------------------------------------------- a compressor that was right before

KEEP_DB, TONE_DB, STEADY_S = 0.05, 0.1, 1.0


def _threshold_slider(start):
    return Slider("threshold_dbfs", "Threshold", -60.0, 0.0, 0.1, float(start), "dBFS", page=1.0)


def _tone_through(given):
    sound = tone(997.0, given["L"], STEADY_S)
    return Experiment(
        (_threshold_slider(-60.0), db_slider("makeup_db", "Makeup", 0.0, 24.0)), dynamics_pictures(STEADY_S),
        lambda s: one_strip(sound, Compressor(s.threshold_dbfs, given["R"], 0.0)), squeezed,
        title="A steady tone through the compressor",
    )  # fmt: skip


STEADY_TASK = SetAndMeasure(_tone_through, None, (
    Aim("reduction", lambda run: run.seen.settled_db, lambda g: g["g"], TONE_DB, decimals=2, points=1),
    Aim("output against input", lambda run: run.setting.makeup_db - run.seen.settled_db, 0.0, TONE_DB, decimals=2,
        points=1, too_high="too loud", too_low="too soft"),
), "threshold and makeup", points=2)  # fmt: skip


def _moved_ahead(given, sound, controls, **more):
    """Return an experiment on a compressor ahead of which something was moved, compared with how it was before."""
    compressor = Compressor(given["T"], given["R"], 0.0)
    before, moved = (one_strip(sound, compressor, trim_db) for trim_db in (0.0, -given["x"]))
    places = {"threshold_dbfs": ("strip", "insert 1 threshold_dbfs"), "faders_db": ("strip", "trim_db")}
    pictures = dynamics_pictures(sound.duration_s)
    return Experiment(controls, pictures, moved, squeezed, before=before, places=places, **more)


def _trimmed(given):
    controls = _threshold_slider(given["T"]), db_slider("makeup_db", "Makeup", -24.0, 24.0)
    title = f"{short_name(given['stem']).capitalize()}, the trim lowered"
    return _moved_ahead(given, bar(given["stem"]), controls, title=title, listen=HEARD)


def _group_lowered(given):
    controls = (
        db_slider("faders_db", "All faders", -24.0, 12.0, -float(given["x"])),
        db_slider("makeup_db", "Group output", -24.0, 12.0),
    )
    return _moved_ahead(given, tone(997.0, given["L"], STEADY_S), controls, title="A group, its faders lowered")


def _as_before(target=0.0):
    return (
        Aim("mean reduction, change", lambda run: run.seen.settled_db, 0.0, KEEP_DB, decimals=2, points=1,
            too_high="too much", too_low="too little", change=True),
        Aim("level at the output, change", lambda run: run.seen.settled_dbfs + run.setting.makeup_db, target, KEEP_DB,
            decimals=2, points=1, change=True),
    )  # fmt: skip


TRIM_TASK = SetAndMeasure(_trimmed, None, _as_before(), "threshold and makeup", points=2)
GROUP_TASK = SetAndMeasure(_group_lowered, None, _as_before(lambda g: -g["x"]), "faders and group output", points=2)


def _of_desk(spots):
    """Return what recognises a mistake on the desk where a number is asked for besides."""
    return lambda answer, given: answer[0] is not None and spots(answer[0], given)


# -------------------------------------------------------------------------------------------- a compressor to be set

WITHIN_DB, MATCH_DB, PEAK_DBFS, ROOM_DB = 0.5, 0.2, -1.0, 1.0
_STEPS = 14


def _found_too_hot(given):
    ends = -60.0, 24.0
    return Experiment(
        (
            db_slider("trim_db", "Trim", *ends, float(given["trim"])),
            Slider("threshold_db", "Threshold", *ends, 0.1, float(given["threshold"]), "dBFS", page=1.0),
            db_slider("makeup_db", "Makeup", *ends, float(given["makeup"])),
        ),
        dynamics_pictures(BAR_S, insert=False),
        lambda s: one_strip(bar(given["stem"]), Compressor(s.threshold_db, given["ratio"]), s.trim_db),
        squeezed,
        title=f"{short_name(given['stem']).capitalize()} through the compressor",
        listen=HEARD,
    )  # fmt: skip


SET_TASK = SetAndMeasure(
    _found_too_hot,
    {name: ("compressor", name) for name in ("trim_db", "threshold_db", "makeup_db")},
    (
        Aim("mean reduction while it plays", lambda run: run.seen.mean_while_playing_db, lambda g: g["g"], WITHIN_DB),
        Aim(
            "active against bypass", lambda run: run.setting.makeup_db + run.seen.gain_db, 0.0, MATCH_DB, decimals=2,
            too_high="too loud", too_low="too soft",
        ),
        Aim(
            "peak at the output", lambda run: run.seen.peak_dbfs + run.setting.makeup_db, at_most=PEAK_DBFS,
            unit="dBFS",
        ),
    ),
    "Trim, threshold and makeup",
    points=4,
    shown=lambda run: (("largest reduction", f"{number_text(run.seen.reduction_db.max(), 2)} dB", "–"),),
)  # fmt: skip


def by_the_book(given: dict, raised_db: float = 0.0, makeup_db: float | None = None) -> dict:
    """Return an answer: threshold for the reduction, makeup for the match, then both ends down for the peak.

    `raised_db` is by how much trim and threshold stand higher than the peak allows with a decibel to spare, `makeup_db`
    another makeup.
    """
    threshold, makeup, down = _book(given)
    ahead = {"trim_db": raised_db - down, "threshold_db": threshold + raised_db - down}
    return SET_TASK.moved(given, **ahead, makeup_db=makeup if makeup_db is None else makeup_db)


@kept_by("stem", "ratio", "g", most=4096)  # three numbers each
def _book(given):
    flat = given | {"trim": 0.0, "threshold": 0.0, "makeup": 0.0}

    def seen(threshold):
        return SET_TASK.run(SET_TASK.moved(flat, threshold_db=threshold), flat).seen

    low, high = -40.0, 0.0
    for _ in range(_STEPS):
        middle = (low + high) / 2
        low, high = (middle, high) if seen(middle).mean_while_playing_db > given["g"] else (low, middle)
    threshold = round((low + high) / 2, 2)
    found = seen(threshold)
    return threshold, -found.gain_db, round(found.peak_dbfs - found.gain_db - (PEAK_DBFS - ROOM_DB), 2)


_LOUD_BY_ITS_MAKEUP = SET_TASK.spots(True, False, None)


def _most(answer, given):
    return float(SET_TASK.run(answer, given).seen.reduction_db.max())


def _by_most(given):
    return by_the_book(given, makeup_db=_most(by_the_book(given), given))


def _unmatched(given):
    return by_the_book(given, makeup_db=given["makeup"])


def _untouched(answer, given):
    return abs(answer["compressor"]["makeup_db"] - given["makeup"]) < 0.01


def _made_up_by_most(answer, given):
    near = abs(answer["compressor"]["makeup_db"] - _most(answer, given)) <= MATCH_DB / 2
    return near and not _untouched(answer, given) and _LOUD_BY_ITS_MAKEUP(answer, given)


def _makeup_left(answer, given):
    return _untouched(answer, given) and _LOUD_BY_ITS_MAKEUP(answer, given)


def _as_set(given):
    run = SET_TASK.run(by_the_book(given), given)
    found = {"mean": run.seen.mean_while_playing_db, "most": float(run.seen.reduction_db.max())}
    return by_the_book(given)["compressor"] | found | {"peak": SET_TASK.aims[2].read(run)}


# -------------------------------------------------------------------------------------------------------- the exercises

CURVE = (
    "Static curve with a knee: Giannoulis, Massberg, Reiss, Digital Dynamic Range Compressor Design, JAES 60(6), 2012, "
    "eq. 4 (handbook formula)"
)
GAINS = "Handbook formula: gains in series add in dB"
ENERGY = "Bypass matched by ungated energy: a decision of this workbook"
RATIOS = one_of(1.5, 2, 3, 4, 8)


def _slope(g):
    return 1 - 1 / g["R"]


def _placed(g):
    """Return the threshold at which the tone is turned down by as much as is asked for."""
    return g["L"] - g["g"] / _slope(g)


def _over(g, level):
    return level - _placed(g)


def _reduction(g, level, knee_db=0.0):
    return float(level - Compressor(_placed(g), g["R"], knee_db).static_db(level))


def _bent(g, level, share=0.5):
    return _slope(g) * max(0.0, _over(g, level) + share * g["W"]) ** 2 / (2 * g["W"])


def _in_knee(g, level):
    return abs(_over(g, level)) <= g["W"] / 2 - 0.5


def _past_knee(g, level):
    return g["W"] / 2 + 0.5 <= _over(g, level) <= 16


def _knees(inside, past):
    """Return the draw of a tone for the desk and of two levels, one inside the knee and one past it."""
    return draws(
        L=grid(-24, -4, 0.5), R=RATIOS, g=grid(2, 9, 0.5), W=one_of(6, 10), a=grid(-44, -2, 0.5), b=grid(-44, -2, 0.5),
        where=lambda g: _placed(g) >= -44 and _in_knee(g, g[inside]) and _past_knee(g, g[past]),
    )  # fmt: skip


def _both(reduction):
    return lambda g: [None, reduction(g, g["a"]), reduction(g, g["b"])]


def _steady(g, over):
    return {"threshold_dbfs": g["L"] - over, "makeup_db": g["g"]}


def _how_steady(g):
    said = "The tone has to lie {g}/(1 − 1/{R}) = {over:.3f} dB over the threshold: {L} − {over:.3f} = {T:.3f} dBFS. "
    said += "It is steady, so the makeup is the reduction. Half the knee is {half:g} dB. "
    told, half = [fill(said, {**g, "over": g["g"] / _slope(g), "T": _placed(g), "half": g["W"] / 2})], g["W"] / 2
    for level in (g["a"], g["b"]):
        inside = "inside the knee: (1 − 1/{R}) × ({by:.3f} + {half:g})²/(2 × {W}) = {red:.3f} dB. "
        past = "past the knee, as with a hard one: {by:.3f} × (1 − 1/{R}) = {red:.3f} dB. "
        more = "{level} dBFS is {by:.3f} dB over the threshold, " + (inside if _in_knee(g, level) else past)
        values = {"level": level, "by": _over(g, level), "half": half, "red": _reduction(g, level, g["W"])}
        told.append(fill(more, {**g, **values}))
    return "".join(told).rstrip()


def _steady_before(g):
    return [float(g["L"] - Compressor(g["T"], g["R"], knee).static_db(g["L"])) for knee in (0.0, g["W"])]


STEADY = Exercise(
    id="08-1", title="A steady level through the curve",
    parts=(STEADY_TASK.part(),
           Number("Reduction at {a} dBFS, soft knee", "dB", tolerance=0.1, points=0.5, may_be_printed=True),
           Number("Reduction at {b} dBFS, soft knee", "dB", tolerance=0.1, points=0.5, may_be_printed=True)),
    given=either(_knees("a", "b"), _knees("b", "a")), edition=2,
    before=Before((Number("Hard knee", "dB", tolerance=0.05), Number("Soft knee", "dB", tolerance=0.05, points=2)),
        _steady_before),
    statement="A steady tone of {L} dBFS enters a compressor with a ratio of {R}:1 and a hard knee. Set the threshold "
        "so that the tone is turned down by {g} dB, and the makeup so that it comes out as loud as it went in, both "
        "within 0.1 dB. Then, with that threshold, the knee is made {W} dB wide: by how many dB is a tone of {a} dBFS "
        "turned down, and one of {b} dBFS? Give positive numbers.",
    solve=lambda g: [STEADY_TASK.moved(g, **_steady(g, g["g"] / _slope(g))),
        *(_reduction(g, g[name], g["W"]) for name in "ab")],
    slips=(
        STEADY_TASK.slip("threshold a reduction below", lambda g: _steady(g, g["g"]), "You set the threshold below the "
            "tone by the reduction itself. Of what exceeds the threshold, only the part 1 − 1/R is turned down.",
            "threshold_dbfs", within=KEEP_DB, beside=2),
        STEADY_TASK.slip("rise for reduction", lambda g: _steady(g, g["g"] * g["R"]), "You set the threshold so that "
            "the output exceeds it by that many dB. The reduction is the difference between input and output.",
            "threshold_dbfs", within=KEEP_DB, beside=2, active=lambda g: g["R"] != 2),
        Slip("knee ignored", _both(_reduction), "You gave the hard knee for both. One of the two levels lies inside "
             "the knee, where the curve is already bending."),
        Slip("knee everywhere", _both(_bent), "You used the bend for both. One of the two levels is past the knee, "
             "where both curves are the same."),
        Slip("whole knee below",
             _both(lambda g, level: _bent(g, level, 1.0) if _in_knee(g, level) else _reduction(g, level)),
             "The threshold is the middle of the knee: it begins half its width below, not the whole of it."),
    ),
    hints=("How many dB over the threshold are turned down by 1 dB? The desk tells whether you are right.",
           "Is a level inside the knee, that is nearer to the threshold than half its width?"),
    explain=_how_steady, cites=(CURVE,),
)  # fmt: skip


def _trims(threshold=-1, makeup=1.0):
    return lambda g: {"threshold_dbfs": g["T"] + threshold * g["x"], "makeup_db": makeup * g["x"]}


TRIMMED = Exercise(
    id="08-2", title="Trim ahead of a compressor", parts=(TRIM_TASK.part(),),
    given=draws(stem=one_of(*STEMS), x=grid(3, 15, 0.5), T=grid(-40, -24, 0.5), R=one_of(2, 3, 4, 6, 8)), edition=2,
    before=Before((Number("Threshold", "dBFS", tolerance=0.05), Number("Makeup", "dB", tolerance=0.05)),
        lambda g: [g["T"] - g["x"], g["x"]]),
    statement="This compressor, at {R}:1, was set just right. Then someone lowered the trim ahead of it by {x} dB, "
        "and there the trim stays. Set threshold and makeup so that the compressor turns down as much as before and "
        "the sound comes out as loud as before, both within 0.05 dB.",
    solve=lambda g: TRIM_TASK.moved(g, **_trims()(g)),
    slips=(
        TRIM_TASK.slip("threshold the wrong way", _trims(1), "You moved the threshold the wrong way: the signal came "
            "down, so the threshold has to come down with it.", "threshold_dbfs", within=KEEP_DB),
        TRIM_TASK.slip("threshold left", _trims(0), "You left the threshold where it was, so less of the signal "
            "reaches it and the reduction shrinks. A threshold is a level.", "threshold_dbfs", within=KEEP_DB),
        TRIM_TASK.slip("makeup the wrong way", _trims(makeup=-1), "You moved the makeup the wrong way: what you took "
            "off ahead is missing at the output, so add it there.", "makeup_db", within=KEEP_DB),
        TRIM_TASK.slip("divided by the ratio", lambda g: _trims(makeup=1 / g["R"])(g), "The ratio would divide the "
            "makeup if the threshold had stayed. Because the threshold moved along, the reduction is the same, and the "
            "output is lower by the whole amount.", "makeup_db", within=KEEP_DB),
    ),
    hints=("The reduction depends on the distance between signal and threshold. What has to happen to that distance?",
           "With the same reduction, how much is missing at the output?"),
    explain="The same distance gives the same reduction: {T} − {x} = {key[desk][threshold_dbfs]:.1f} dBFS. The signal "
        "goes through everything {x} dB lower, so the makeup goes up by {x} dB.",
    cites=(GAINS, CURVE), material=lambda g: bar(g["stem"]),
)  # fmt: skip

MAKEUP = Exercise(
    id="08-3", title="Makeup for a fair bypass",
    parts=(Number("Makeup", "dB", tolerance=0.2, points=2, read_off=True),), given=SQUEEZED, edition=2,
    statement="A bar of a stem goes through a compressor with a threshold of {threshold} dBFS, a ratio of {ratio}:1, "
        "{attack_ms} ms attack and {release_ms} ms release. Its meters read both sides. Which makeup gives active and "
        "bypass the same energy?",
    solve=_makeup_for,
    slips=(
        Slip("largest reduction", lambda g: g["most"], "You took the largest reduction, which lasts only a moment. "
             "Most of the sound is turned down by less, so that much makeup is louder than the bypass."),
        Slip("mean reduction", lambda g: g["mean"], "You took the mean reduction over time, including the pauses. The "
             "energy is in the loud moments, which are turned down more."),
        Slip("active level", lambda g: g["active_in"] - g["active_out"], "You matched active levels. Behind a "
             "compressor, different blocks count as active than ahead of it, so match the energy."),
        Slip("makeup upside down", lambda g: -_makeup_for(g), "You have it the wrong way round: the compressor turns "
             "down, so the makeup turns up."),
    ),
    hints=("Which of the meters show the energy of the whole, on either side?",
           "The bypass is the reference. What do you have to add to the output to get there?"),
    explain="RMS in {energy_in:.2f} dBFS, out {energy_out:.2f} dBFS: {energy_in:.2f} − ({energy_out:.2f}) = {key:+.2f} "
        "dB. The largest reduction is {most:.2f} dB, its mean over the time {mean:.2f} dB; neither weighs the moments "
        "by their energy.",
    cites=(ENERGY, GAINS), material=lambda g: bar(g["stem"]),
)  # fmt: skip


def _edges(g, moved=1, margin=1):
    return [g["N"] + moved * g["g"] + margin * 6, g["Q"] + moved * g["g"] - margin * 3]


GATED = Exercise(
    id="08-4", title="Room for a gate",
    parts=(Number("Lowest opening level", "dBFS", tolerance=0.1, points=1),
           Number("Highest opening level", "dBFS", tolerance=0.1, points=1)),
    given=draws(N=grid(-75, -45, 0.5), Q=grid(-55, -20, 0.5), g=grid(-10, 15, 0.5),
        where=lambda g: 12 <= g["Q"] - g["N"] <= 30 and abs(g["g"]) >= 1),
    statement="In the pauses of a track, noise peaks at {N} dBFS; the quietest note you want to keep peaks at {Q} "
        "dBFS. Then the trim ahead of the gate moves by {g:+.1f} dB. The gate has to open at least 6 dB above the "
        "noise and at least 3 dB below the note. What are the lowest and the highest opening levels that do this?",
    solve=_edges,
    slips=(
        Slip("trim forgotten", lambda g: _edges(g, moved=0), "That was right before the trim moved. Noise and note "
             "both moved with it, and the gate gets them as they are now."),
        Slip("trim turned round", lambda g: _edges(g, moved=-1), "You moved it the wrong way: a trim that goes up "
             "raises noise and note alike, and the opening level goes up with them."),
        Slip("margins turned round", lambda g: _edges(g, margin=-1), "Your margins point outwards: the gate would open "
             "for noise or stay shut for the note. Go up from the noise and down from the note."),
    ),
    hints=("Where do noise and note peak behind the trim?",
           "The opening level lies between them. From which side do you count each margin?"),
    explain="Behind the trim, the noise peaks at {N} + ({g}) = {noise:.1f} dBFS, the note at {Q} + ({g}) = {note:.1f} "
        "dBFS. Lowest: {noise:.1f} + 6 = {key[0]:.1f} dBFS. Highest: {note:.1f} − 3 = {key[1]:.1f} dBFS.",
    terms=lambda g: {"noise": g["N"] + g["g"], "note": g["Q"] + g["g"]},
    cites=(GAINS, "Margins of 6 and 3 dB: common practice, no source"),
)  # fmt: skip


def _group_answer(g, faders=0, output=-1.0):
    return [GROUP_TASK.moved(g, faders_db=faders * g["x"], makeup_db=output * g["x"]), -g["x"] / g["other"]]


GROUP = Exercise(
    id="08-5", title="Faders into a group compressor",
    parts=(GROUP_TASK.part(), Number("Change with {other}:1, by the faders alone", "dB", tolerance=0.05, points=1)),
    given=draws(L=grid(-20, -2, 0.5), T=grid(-40, -12, 0.5), R=RATIOS, other=one_of(1.5, 3, 4, 8), x=grid(2, 8, 0.5),
        where=lambda g: 0.5 <= g["L"] - g["x"] - g["T"] and g["L"] - g["T"] <= 24 and g["R"] != g["other"]),
    edition=2,
    before=Before((Number("Change", "dB", tolerance=0.05, points=2), Number("Correction", "dB", tolerance=0.05)),
        lambda g: [-g["x"] / g["R"], g["x"] / g["R"] - g["x"]]),
    statement="A group plays a steady {L} dBFS into its compressor: threshold {T} dBFS, ratio {R}:1, hard knee. It has "
        "to be {x} dB softer, so someone lowered all its faders by {x} dB. Set faders and group output so that the "
        "group comes out {x} dB lower than before, turned down as before, both within 0.05 dB. And with a ratio of "
        "{other}:1: by how much would the faders alone have changed the level behind the compressor?",
    solve=_group_answer,
    slips=(
        Slip("rest taken behind", lambda g: [_group_answer(g, -1, 1 / g["R"] - 1)[0], None],
             "The level is right, but the faders are still down, ahead of the compressor, so it does less than before. "
             "Put them back and move the **output** of the group.", spots=_of_desk(GROUP_TASK.spots(False, True))),
        Slip("faders back, output left", lambda g: [_group_answer(g, 0, 0)[0], None],
             "The compressor does as before, but now the group is as loud as before. Its output is behind the "
             "compressor: lower that.", spots=_of_desk(GROUP_TASK.spots(True, False))),
        Slip("taken for linear", lambda g: [None, -g["x"]], "That would be right without the compressor. Above its "
             "threshold, it reduces a lower level less and so takes back a part of your move."),
        Slip("multiplied by the ratio", lambda g: [None, -g["x"] * g["other"]],
             "You have it the wrong way round: the ratio says how many dB at the input make one dB at the output."),
        Slip("change is a fall", lambda g: [None, g["x"] / g["other"]], "The size is right. The faders go down, so the "
             "output goes down, and the change is negative."),
        Slip("what the compressor takes back", lambda g: [None, g["x"] / g["other"] - g["x"]],
             "That is the part of the move which the compressor takes back. Asked for is what is left of it."),
        Slip("ratio of the desk", lambda g: [None, -g["x"] / g["R"]], "That is what the faders did with the ratio on "
             "the desk. Here another one is asked for."),
    ),
    hints=("Which of the two controls is ahead of the compressor, and which behind it?",
           "Above the threshold, how many dB at the output does one dB at the input make?"),
    explain="Faders back to 0 dB: the compressor gets what it got and does what it did. The output, behind it, goes to "
        "−{x} dB. The faders alone, above the threshold, change the output by −{x}/{other} = {key[1]:+.3f} dB; the "
        "compressor takes back the rest.",
    cites=(CURVE,),
)  # fmt: skip

SET = Exercise(
    id="08-6", title="Set a compressor", parts=(SET_TASK.part(),),
    given=draws(stem=one_of(*STEMS), g=one_of(2, 3, 4), ratio=one_of(2, 3, 4), trim=grid(4, 12, 0.5),
        threshold=grid(-58, -50, 0.5), makeup=grid(12, 18, 0.5)),
    statement="Someone has fed this compressor far too hot; its ratio is {ratio}:1. Set trim, threshold and makeup. "
        "While the stem plays, the compressor has to turn it down by {g} dB on average, within 0.5 dB. Active has to "
        "be as loud as bypass within 0.2 dB, by energy; the trim is in both. The peak at the output must not exceed −1 "
        "dBFS.",
    solve=by_the_book,
    slips=(
        Slip("makeup by the largest reduction", _by_most, "Your makeup equals the largest reduction. That lasts only a "
             "moment, so the whole is too loud. Measure input and output instead.",
             active=lambda g: _made_up_by_most(_by_most(g), g), spots=_made_up_by_most),
        Slip("makeup left", _unmatched, "The reduction is right, but you have not moved the makeup. Match last: every "
             "change ahead changes what you need behind.", active=lambda g: _makeup_left(_unmatched(g), g),
             spots=_makeup_left),
        Slip("peak too high", lambda g: by_the_book(g, raised_db=ROOM_DB + 2.0),
             "Reduction and match are right, but the peak is too high. Lower trim and threshold together: neither of "
             "the other two changes.", spots=SET_TASK.spots(True, True, False)),
    ),
    hints=("More trim and a lower threshold both give more reduction.",
           "Match last, not first: the makeup depends on the reduction.",
           "If the peak is too high: what happens to the reduction when trim and threshold go down together?"),
    explain="With the trim at {trim_db:+.1f} dB, a threshold of {threshold_db:.1f} dBFS takes off {mean:.2f} dB on "
        "average while something plays, and {most:.1f} dB at most. As measured behind it, a makeup of {makeup_db:+.2f} "
        "dB brings the energy back to that of the bypass. The peak is then {peak:.1f} dBFS. Any other trim is right as "
        "well, if the threshold moves along and the peak stays below −1 dBFS.",
    terms=_as_set, cites=(CURVE, ENERGY, "2 to 4 dB while it plays: common practice, no source"),
    material=lambda g: bar(g["stem"]),
)  # fmt: skip

MOVE_DB = -6.0
CHOICES = {6.0: "6 dB, as the faders", 3.0: "about 3 dB", 1.5: "1.5 dB, a quarter of it", 0.0: "not at all"}


def _energy_behind(setting):
    return averages(dynamics().at(setting).seen.after).rms_dbfs


def compare() -> tuple[str, str, Table]:
    """Return what 6 dB less ahead of a group compressor changes behind it."""
    start = dynamics().start
    rows, drums = [], 0.0
    for ratio in (1.0, 2.0, 4.0, 8.0):
        setting = start.with_(ratio=ratio)
        change = _energy_behind(setting.with_(drive_db=MOVE_DB)) - _energy_behind(setting)
        level = -20.0 + 18.0
        steady = processor_of(setting).static_db([level + MOVE_DB, level])
        drums = change if ratio == start.ratio else drums
        texts = (number_text(value, 2, signed=True) for value in (steady[0] - steady[1], change))
        rows.append((f"{ratio:g}:1", *texts))
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about + drums))]
    sentence = (
        f"The drums come out **{number_text(-drums)} dB** softer. A steady tone above the threshold would lose a "
        "quarter of the 6 dB; the drums lose more, because some of their energy lies below the threshold or passes "
        "before the attack is over. In any case, the compressor takes back a part of what the faders do."
    )
    heads = ("ratio", "a tone 18 dB over the threshold (dB)", "the drums (dB)")
    return outcome, sentence, Table("All faders 6 dB down", heads, tuple(rows))


WORKED = Worked(
    "A steady tone of −14 dBFS goes into a compressor with a threshold of −26 dBFS, a ratio of 4:1, a hard knee and no "
    "makeup. Then the trim ahead goes down by 8 dB, for good. Which threshold and which makeup bring back what was?",
    (
        "Over the threshold lie −14 − (−26) = 12 dB. Of these, 1 − 1/4 are turned down: 9 dB. The tone comes out at "
        "−14 − 9 = −23 dBFS.",
        "Behind the trim the tone arrives at −22 dBFS, only 4 dB over the threshold. For the same reduction it has to "
        "be 12 dB over it again, so the threshold comes down with the tone: −26 − 8 = −34 dBFS.",
        "Check it: −22 − (−34) = 12 dB over, again 9 dB of reduction. What comes out now is −22 − 9 = −31 dBFS.",
    ),
    Number("Makeup", "dB", tolerance=0.05), 8.0,
    "It was −23 dBFS and is −31 dBFS, so the makeup adds 8 dB: as much as the trim has taken off.",
)  # fmt: skip

LAB = Lab(
    title="Dynamics: thresholds are levels",
    question="What does a level change do to a compressor, gate or limiter?",
    minutes=70, lessons="two lessons of 45 minutes",
    exercises=(STEADY, TRIMMED, MAKEUP, GATED, GROUP, SET), experiments={"dynamics": dynamics},
    tasks={"08-1": STEADY_TASK, "08-2": TRIM_TASK, "08-3": SQUEEZED, "08-5": GROUP_TASK, "08-6": SET_TASK},
    compare=compare, worked=WORKED,
)  # fmt: skip
