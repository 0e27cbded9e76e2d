"""Lab 07, working range and matched bypass: how hot a box is fed, and whether it is better or just louder."""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.boxes.drive import DriveCurve, drive_curve, matched_output
from gainlib.boxes.ranges import WorkingRange, working_range
from gainlib.demo.recordings import recorded
from gainlib.exercises import bypass as runs
from gainlib.exercises import parts
from gainlib.exercises.box_tests import INTO, Boxed, behind_db, both_heard, boxed, loudness_words
from gainlib.exercises.experiment import Choice, Experiment, Later, Listen, Picture, Plot, db_slider, meters, picture
from gainlib.exercises.lab import Drawn, Lab, Worked
from gainlib.exercises.model import Before, Exercise, Slip
from gainlib.exercises.parts import Number
from gainlib.exercises.practical import applied, controls_of
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.stems import STEMS, bar, excerpt, one_strip, short_name, whole
from gainlib.exercises.text import fill
from gainlib.exercises.variants import InAnyOrder, Many, draws, either, grid, kept_by, one_of, run_number
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import NodeReading, envelope_of, level_counts, levels_of
from gainlib.meters.average import SINE_CREST_DB, averages
from gainlib.processors import AsymmetricSaturation, Filter, Processor, Saturation, Tape
from gainlib.session import Insert, Session, Strip
from gainlib.words import Table, level_text, number_text, percent_text

# ------------------------------------------------------------------------------------------------------- the experiment

SATURATING, LINEAR = "symmetrical saturation", "high-pass filter"
BOXES: dict[str, Processor] = {
    SATURATING: Saturation(),
    "asymmetrical saturation": AsymmetricSaturation(),
    "tape-like stage": Tape(),
    LINEAR: Filter("highpass", 30.0),
}
LEVELS_DBFS = tuple(float(step) for step in range(-60, 7, 3))
EDGES_DB = tuple(float(step) for step in range(-60, 7, 2))
METERS = ("needle, in", "active level, in", "sample peak, in", "sample peak, out")
WAVE_S, WINDOW, LOW_HZ, HIGH_HZ, BINS = 0.02, 4096, 20.0, 20000.0, 240


@dataclass(frozen=True, eq=False)
class Driven(Boxed):
    """A stem on both sides of a box, with the levels it is fed."""

    fed: NodeReading


def driven(run) -> Driven:
    """Return what the box of a setting gets and gives."""
    return Driven(*boxed(run), run.trace.levels([INTO], ("sample_peak", "rms", "active", "needle"))[INTO])


@cache
def curve(box: str) -> DriveCurve:
    """Return a box's gain and distortion for a sine, from −60 to 6 dBFS."""
    return drive_curve(BOXES[box], LEVELS_DBFS)


@cache
def working(box: str) -> WorkingRange | None:
    """Return a box's working range, None for a box that has none."""
    return working_range(BOXES[box])


def _out_db(run):
    return behind_db(run, "out_db")


def _transfer(run):
    own, fed = curve(run.setting.box), run.seen.fed.active_dbfs
    shares = level_counts(run.seen.before.samples, (-np.inf, *EDGES_DB, np.inf))[1:-1]
    return own.level_dbfs, own.level_dbfs + own.gain_db, shares, (fed, fed + run.seen.gain_db)


def _drive(run):
    own, found = curve(run.setting.box), working(run.setting.box)
    return own.level_dbfs, own.thd_percent, own.gain_db, found and found[:3], run.seen.fed.active_dbfs


def _waves(run):
    """Return 20 ms around the highest sample of the bypass, as shares of it."""
    before, after = run.seen.before.samples[:, 0], run.seen.after.samples[:, 0] * db_to_ratio(_out_db(run))
    centre, reach = int(np.argmax(np.abs(before))), round(WAVE_S * run.seen.before.rate_hz / 2)
    begin = min(max(centre - reach, 0), len(before) - 2 * reach)
    window = slice(begin, begin + 2 * reach)
    time_ms = (np.arange(begin, begin + 2 * reach) - centre) * 1000.0 / run.seen.before.rate_hz
    return time_ms, before[window] / abs(before[centre]), after[window] / abs(before[centre])


def _meters(run):
    fed = run.seen.fed
    peak = float(ratio_to_db(np.abs(run.seen.after.samples).max())) + _out_db(run)
    levels = fed.hover_dbfs, fed.active_dbfs, fed.clear_peak_dbfs, peak
    return levels, [level_text(fed.hover_vu, "VU"), *(level_text(level, "dBFS") for level in levels[1:])]


def _numbers(run):
    level, thd, gain, _, fed = _drive(run)
    sine = percent_text(np.interp(fed, level, thd)), level_text(np.interp(fed, level, gain))
    rows = [*zip(METERS, _meters(run)[1], strict=True), *zip(("THD of a sine as loud", "its gain"), sine, strict=True)]
    return Table("What is read", ("reading", "value"), tuple(rows))


@cache
def _edges_hz():
    return np.geomspace(LOW_HZ, HIGH_HZ, BINS + 1)


@cache
def bins_hz() -> np.ndarray:
    """Return the middles of the spectrum's bins."""
    return np.sqrt(_edges_hz()[1:] * _edges_hz()[:-1])


def spectrum_db(audio: Audio) -> np.ndarray:
    """Return the level in each bin, a full-scale sine reads 0: mean over every second window, plenty for a picture."""
    line = audio.samples[:, 0]
    frames = line[: len(line) // WINDOW * WINDOW].reshape(-1, WINDOW)[::2]
    window = np.hanning(WINDOW)
    power = (np.abs(np.fft.rfft(frames * window, axis=1)) ** 2).mean(axis=0) * (2.0 / window.sum()) ** 2
    first, behind = np.searchsorted(np.fft.rfftfreq(WINDOW, 1.0 / audio.rate_hz), [_edges_hz()[:-1], _edges_hz()[1:]])
    nearest = np.rint(bins_hz() * WINDOW / audio.rate_hz).astype(int)  # a bin between two lines takes the nearer
    first, behind = np.where(first == behind, nearest, first), np.where(first == behind, nearest + 1, behind)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    return 10.0 * np.log10(np.maximum((sums[behind] - sums[first]) / (behind - first), 1e-20))


def _spectra(run):
    trim = run.setting.trim_db
    return bins_hz(), spectrum_db(run.seen.before) - trim, spectrum_db(run.seen.after) + _out_db(run) - trim


def _told(run):
    setting, fed, found = run.setting, run.seen.fed.active_dbfs, working(run.setting.box)
    said = f"{short_name(setting.stem).capitalize()}, fed **{level_text(fed, 'dBFS')}** on average. "
    if found is None:
        said += "This box works alike at every level: the trim changes its level and nothing else. "
    else:
        place = "above" if fed > found.high_dbfs else "below" if fed < found.low_dbfs else "inside"
        said += f"That is **{place}** its working range. {found.reason} "
    if setting.matched:
        gain = level_text(_out_db(run), decimals=2)
        return said + f"The output gain adds **{gain}**, and active is as loud as bypass."
    difference = run.seen.gain_db + setting.out_db
    ear = ": enough to sway a quick comparison" if abs(difference) >= 0.05 else ""
    return said + f"Active is {loudness_words(difference)}{ear}."


def _match_whole(run, _progress):
    audio, setting = whole(run.setting.stem), run.setting
    fed = audio.with_samples(audio.samples * db_to_ratio(setting.trim_db))
    return levels_of(fed, ("sample_peak", "rms", "active")), matched_output(BOXES[setting.box], fed)


def _told_of_whole(_run, result):
    fed, match = result
    ahead = f"active level {level_text(fed.active_dbfs, 'dBFS')}, peak {level_text(fed.clear_peak_dbfs, 'dBFS')}"
    said = f"The whole stem, 40 s: {ahead}; matched output gain **{level_text(match.out_db, decimals=2)}**"
    peaks = f"Its peaks then reach {level_text(match.peak_dbfs, 'dBFS')}."
    return f"{said}. {match.warning or peaks}"


@cache
def drive() -> Experiment:
    """A box at the level it is fed, with a matched bypass."""
    return Experiment(
        title="A box and its drive",
        controls=(
            Choice("stem", "Stem", {stem: short_name(stem) for stem in STEMS}),
            Choice("box", "Box", dict(zip(BOXES, BOXES, strict=True))),
            Choice("matched", "Match", {True: "on, follows the drive", False: "off, by hand"}),
            db_slider("trim_db", "Trim", -18.0, 18.0),
            db_slider("out_db", "Output gain", -18.0, 18.0, off=lambda s: "follows the match" if s.matched else ""),
        ),
        session=lambda setting: one_strip(excerpt(setting.stem), BOXES[setting.box], setting.trim_db),
        read=driven,
        pictures=(
            Picture(
                "Out against in, distortion, gain, waves",
                ("CD", "WG"),
                {
                    "C": Plot("transfer", _transfer, {"edges_db": EDGES_DB}),
                    "DG": Plot("drive", _drive),
                    "W": Plot("waves", _waves, {"limit": 1.5, "one": "bypass peak"}),
                },
                margins={"top": 0.93, "wspace": 0.26},
            ),
            Picture(
                "Meters and spectrum",
                ("M", "S"),
                {
                    "M": Plot("meters", _meters, {"names": METERS, "title": "Meters"}),
                    "S": Plot("spectrum", _spectra, {"title": "Spectrum, trim left out"}),
                },
                heights=(0.8, 1.2),
                margins={"left": 0.19, "top": 0.93},
            ),
        ),
        told=_told,
        numbers=_numbers,
        later=Later(_match_whole, _told_of_whole, "Sending the whole stem through …"),
        listen=both_heard("out_db", "trim"),
    )


# -------------------------------------------------------------------------------------- a stem and the trim it asks for

_NOMINAL_DBFS = -18.0
WITH_PAUSES = ("01 kick", "02 snare", "03 overheads", "04 toms", "06 guitar", "09 lead vocal", "10 backing")
REFERENCES_DBFS = (-20, -18, -16, -14)
READ = {"peak": "sample peak", "whole": "RMS of the whole", "active": "active level"}


@cache
def _clean(stem):
    read = averages(recorded(stem))
    return {"active": read.active_dbfs, "whole": read.rms_dbfs, "peak": read.clear_peak_dbfs}


def levelled(given: dict) -> Audio:
    """Return the stem at its drawn level."""
    audio = recorded(given["stem"])
    return audio.with_samples((audio.samples * db_to_ratio(given["gain_db"])).astype(np.float32))


def from_end_to_end(given: dict) -> Experiment:
    """Return the stem of a variant, its wave and its meters."""
    audio, title = levelled(given), short_name(given["stem"]).capitalize()
    highest = float(np.abs(audio.samples).max())
    shape = {"duration_s": audio.duration_s, "limit": max(1.1, 1.1 * highest), "title": title}
    wave = (*envelope_of(audio.samples), int((np.abs(audio.samples) > 1.0).sum()))
    plots = {
        "E": Plot("envelope", lambda run: wave, shape),
        "M": meters(READ.values(), lambda run: [given[name] for name in READ], title="Its meters"),
    }
    picture = Picture("The stem from end to end", ("E", "M"), plots, heights=(1.3, 1.0), margins={"left": 0.19})
    return Experiment((), (picture,), title=title)


def _at_its_level(made):
    return {name: round(_clean(made["stem"])[name] + made["gain_db"], 1) for name in READ}


LEVELLED = Drawn(
    draws(stem=one_of(*WITH_PAUSES), gain_db=grid(-20, 8, 0.1), reference=one_of(*REFERENCES_DBFS)), _at_its_level
)


def _trim_db(given):
    return round(given["reference"] - given["active"], 1)


PERCUSSIVE, LIMITS_DBFS = ("01 kick", "02 snare", "03 overheads", "04 toms"), (-6, -3, 0)


def _by_peak(given):
    return round(given["limit"] - given["peak"], 1)


def _crest_db(given):
    return given["peak"] - given["active"] + SINE_CREST_DB


def _binds(average, peak):
    return "average" if average <= peak else "peak"


def _percussive(binds):
    """Return the draw of a percussive stem whose trim is bound by the "average" or by the "peak"."""

    def fits(given):
        apart = _by_peak(given) - _trim_db(given)
        bound = apart <= -1.0 if binds == "peak" else apart >= 1.0
        return bound and given["peak"] <= 6.0 and abs(_trim_db(given)) >= 1.0

    recipe = {"stem": one_of(*PERCUSSIVE), "gain_db": grid(-20, 8, 0.1), "reference": one_of(*REFERENCES_DBFS)}
    return Drawn(draws(**recipe, limit=one_of(*LIMITS_DBFS)), _at_its_level, fair=fits)


# ------------------------------------------------------------------------------------------ a box that is not matched

BYPASSED, ACTIVE_SIDE = "strip/trim", "strip/post"
SIDES = {BYPASSED: "bypass", ACTIVE_SIDE: "active"}
METERED, SIDES_READ = {"energy_dbfs": "RMS", "clear_peak_dbfs": "peak"}, ("sample_peak", "rms", "active")
LOUD_DB = 0.1
WARNED = "Turn down before you switch: active may be much louder. Clipping can harm tweeters."


def _box_with_a_gain(made, out_db=0.0):
    """Return the session of a box that distorts and changes the level besides, with an output gain behind it."""
    inserts = (Insert(stage(made["kind"], _NOMINAL_DBFS), out_db=made["inside"]),)
    trim_db = made["fed"] - _active_dbfs(made["stem"])
    return Session((Strip("strip", bar(made["stem"]), trim_db=trim_db, inserts=inserts, post_trim_db=out_db),))


def _apart(seen, name="energy_dbfs"):
    """Return by how much active reads more than bypass."""
    return getattr(seen[ACTIVE_SIDE], name) - getattr(seen[BYPASSED], name)


def _unmatched(given):
    names = [f"{what}, {side}" for what in METERED.values() for side in SIDES.values()]
    shown = meters(
        names, lambda run: [getattr(run.seen[node], name) for name in METERED for node in SIDES], digits=2,
        title="Meters",
    )  # fmt: skip
    return Experiment(
        (db_slider("out_db", "Output gain", -24.0, 24.0),),
        (Picture("Meters on both sides", ("M",), {"M": shown}, margins={"left": 0.19}),),
        lambda s: _box_with_a_gain(given, s.out_db), lambda run: run.trace.levels(SIDES, SIDES_READ),
        title="A box that is not matched",
        listen=Listen(
            lambda run: {side: run.audio(node) for node, side in SIDES.items()}, lambda s: False, lambda s: WARNED
        ),
    )  # fmt: skip


@kept_by("stem", "kind", "fed", "inside", most=256)
def _found_apart(made):
    seen = _box_with_a_gain(made).render().levels(SIDES, SIDES_READ)
    return {"louder": round(_apart(seen), 2), "higher": round(_apart(seen, "clear_peak_dbfs"), 2)}


BOX_WITH_A_GAIN = Drawn(
    draws(stem=one_of(*STEMS), kind=one_of("symmetrical", "asymmetrical", "tape-like"), fed=one_of(-18, -12, -6),
          inside=grid(-9, 9, 0.5)),
    _found_apart,
    fair=lambda g: 1 <= abs(g["louder"]) <= 12 and abs(g["higher"]) <= 24 and abs(g["louder"] - g["higher"]) >= 0.5,
)  # fmt: skip
MATCH_TASK = SetAndMeasure(_unmatched, None, (
    Aim("active against bypass", lambda run: _apart(run.seen), 0.0, LOUD_DB, decimals=2,
        too_high="too loud", too_low="too soft"),
), "output gain", points=2)  # fmt: skip


# ------------------------------------------------------------------------------------------------ three stages in a row

STAGES, NAME = 3, "strip"
BUILT_FOR_DBFS = (-20, -18, -14, -12)
KINDS = {
    "symmetrical": lambda softer: Saturation(2.79 * softer),
    "asymmetrical": lambda softer: AsymmetricSaturation(2.0 * softer),
    "tape-like": lambda softer: Tape(2.0 * softer),
}
WITHIN_DB, MATCH_DB = 1.0, 0.2
_LEAST_TRIM_DB, _NO_MOVE_DB = 1.2, 0.01

SOURCE, POST = f"{NAME}/source", f"{NAME}/post"
INTO_STAGES, BEHIND = ([f"{NAME}/insert {k}/{side}" for k in range(1, STAGES + 1)] for side in ("in", "out"))
AHEAD = [f"{NAME}/trim", *BEHIND[:-1]]
POINTS = {SOURCE: "stem", AHEAD[0]: "trim"}
for _k, _pair in enumerate(zip(INTO_STAGES, BEHIND, strict=True), start=1):
    POINTS |= dict(zip(_pair, (f"into {_k}", f"out of {_k}"), strict=True))
POINTS[POST] = "strip"

GAINS_DB = {"trim_db": "Trim"}
for _k in range(1, STAGES + 1):
    GAINS_DB |= {f"insert {_k} in_db": f"Into {_k}", f"insert {_k} out_db": f"Out of {_k}"}
GAINS_DB["post_trim_db"] = "Output trim"


def _fits(given):
    first, second, third = given["references"]
    apart = first != second != third and abs(first - _active_dbfs(given["stem"])) >= _LEAST_TRIM_DB
    return apart and not any(_fed_as_found(given))


CHAINS = draws(
    references=Many(one_of(*BUILT_FOR_DBFS), STAGES), stem=one_of(*STEMS), kinds=InAnyOrder(tuple(KINDS)), where=_fits
)
"""A stem, the order of the stages and their references: no two neighbours like the same level, the first a trim."""


@kept_by("stem", "kinds", "references", most=256)
def _fed_as_found(given):
    """Return for each stage whether it is fed well before anything is moved: then that would earn points by itself."""
    levels = [reading.active_dbfs for reading in chain(given).render().levels(INTO_STAGES, ("active",)).values()]
    return [abs(level - wanted) <= WITHIN_DB for level, wanted in zip(levels, given["references"], strict=True)]


@cache
def _active_dbfs(stem):
    return averages(bar(stem)).active_dbfs


def stage(kind: str, reference_dbfs: float) -> Processor:
    """Return a model that distorts at a reference as its usual form does at −18 dBFS: its drive moves with it.

    Examples
    --------
    >>> stage("symmetrical", -18.0), round(stage("symmetrical", -12.0).drive, 3)
    (Saturation(drive=2.79), 1.398)
    """
    if kind not in KINDS:
        raise GainlibError(f"there is no stage {kind!r}; there is {', '.join(KINDS)}")
    return KINDS[kind](float(db_to_ratio(_NOMINAL_DBFS - reference_dbfs)))


def chain(given: dict) -> Session:
    """Return the session that is handed out: one strip, everything at 0 dB."""
    inserts = (Insert(stage(kind, level)) for kind, level in zip(given["kinds"], given["references"], strict=True))
    return Session((Strip(NAME, bar(given["stem"]), inserts=tuple(inserts)),), name="Three stages")


def _three_stages(given):
    found = chain(given)
    controls = controls_of(found, GAINS_DB, (NAME,))
    wanted = [dict(zip(INTO_STAGES, given["references"], strict=True)).get(node) for node in POINTS]

    def levels(run):
        seen = [run.seen[node] for node in POINTS]
        return [each.active_dbfs for each in seen], [each.clear_peak_dbfs for each in seen], None, None, wanted

    options = {"names": list(POINTS.values()), "low_db": -42, "high_db": 12, "shows": ("wanted average",)}
    return Experiment(
        tuple(db_slider(c.name, GAINS_DB[c.name], c.low, c.high, c.start) for c in controls),
        (picture("Levels along the strip, active level to sample peak", "diagram", levels, **options),),
        lambda setting: applied(found, {NAME: dict(setting)}),
        lambda run: run.trace.levels(POINTS, ("sample_peak", "rms", "active")),
        title="Three stages in a row",
    )


def _difference(bypass, active):
    return lambda run: run.seen[active].energy_dbfs - run.seen[bypass].energy_dbfs


def _against_bypass(run, given):
    """Return the desk's table: what each stage gets, and how it comes out against its bypass."""
    rows = []
    pairs = [*zip(AHEAD, BEHIND, strict=True), (SOURCE, POST)]
    for place, (bypass, active) in enumerate(pairs):
        name, into, wanted = "strip", "–", "–"
        if place < STAGES:
            name, into = str(place + 1), number_text(run.seen[INTO_STAGES[place]].active_dbfs, 2)
            wanted = number_text(given["references"][place], 0)
        energies = (number_text(run.seen[node].energy_dbfs, 2) for node in (bypass, active))
        rows.append((name, into, wanted, *energies, number_text(_difference(bypass, active)(run), 2, signed=True)))
    heads = ("stage", "active level in", f"wanted ± {WITHIN_DB:g}", "RMS, bypass", "RMS, active")
    return Table("Each against its bypass, in dBFS", (*heads, f"difference, 0 ± {MATCH_DB:g} dB"), tuple(rows))


FED = tuple(f"active level into stage {k}" for k in range(1, STAGES + 1))
_LOUD = {"decimals": 2, "too_high": "too loud", "too_low": "too soft"}
THREE = SetAndMeasure(_three_stages, {name: (NAME, name) for name in GAINS_DB}, (
    *(Aim(name, lambda run, node=node: run.seen[node].active_dbfs, lambda given, k=k: given["references"][k], WITHIN_DB,
          unit="dBFS", points=0.5) for k, (name, node) in enumerate(zip(FED, INTO_STAGES, strict=True))),
    *(Aim(f"stage {k} against its bypass", _difference(*pair), 0.0, MATCH_DB, points=0.5, needs=FED[k - 1 : k], **_LOUD)
      for k, pair in enumerate(zip(AHEAD, BEHIND, strict=True), start=1)),
    Aim("the whole strip against the stem", _difference(SOURCE, POST), 0.0, MATCH_DB, points=1, needs=FED, **_LOUD),
), "Trim, in and out gains, output trim", points=4, tabled=_against_bypass)  # fmt: skip
ALL_OR_NOTHING = replace(THREE, aims=tuple(replace(aim, points=None) for aim in THREE.aims))


@kept_by("stem", "kinds", "references", most=32)
def walked(given: dict, match: str = "energy", post: bool = True) -> dict:
    """Return an answer set from left to right: feed each stage its reference, then match it to its bypass.

    What is made equal there is its "energy", the "active" level, the "peak", or "none", which leaves every out gain at
    0 dB; `post` tells whether the output trim brings back the level that the stem came with.
    """
    audio = bar(given["stem"])
    source = audio.samples.astype(np.float64)
    trim = round(given["references"][0] - _active_dbfs(given["stem"]), 2)
    placed, samples = {"trim_db": trim}, source * db_to_ratio(trim)
    for k, (kind, level) in enumerate(zip(given["kinds"], given["references"], strict=True), start=1):
        fed_db = round(level - averages(audio.with_samples(samples)).active_dbfs, 2) if k > 1 else 0.0
        out = stage(kind, level).process(audio.with_samples(samples * db_to_ratio(fed_db))).samples
        out_db = 0.0 if match == "none" else round(_level(audio, samples, match) - _level(audio, out, match), 2)
        placed |= {f"insert {k} in_db": fed_db, f"insert {k} out_db": out_db}
        samples = out * db_to_ratio(out_db)
    back_db = _level(audio, source, "energy") - _level(audio, samples, "energy")
    return {NAME: {**placed, "post_trim_db": round(back_db, 2) if post else 0.0}}


def _level(audio, samples, meter):
    read = averages(audio.with_samples(samples))
    levels = {"energy": read.rms_dbfs, "active": read.active_dbfs, "peak": read.clear_peak_dbfs}
    return levels[meter]


def _met(answer, given):
    """Return whether all stages are fed well, all are matched, and the strip is as loud as the stem."""
    met = [miss == 0.0 for miss in THREE.missed(answer, given)]
    return all(met[:STAGES]), all(met[STAGES:-1]), met[-1]


def _not_matched(answer, given):
    outs = [answer[NAME][f"insert {k} out_db"] for k in range(1, STAGES + 1)]
    return all(abs(out) <= _NO_MOVE_DB for out in outs) and _met(answer, given)[:2] == (True, False)


def _matched_by(level):
    """Return the test whether another level agrees at every bypass, and the energies do not."""

    def spots(answer, given):
        seen = THREE.run(answer, given).seen
        pairs = zip(BEHIND, AHEAD, strict=True)
        alike = all(
            abs(getattr(seen[out], level) - getattr(seen[ahead], level)) <= MATCH_DB / 2 for out, ahead in pairs
        )
        return alike and not _met(answer, given)[1]

    return spots


def _misleads(match):
    return lambda given: not _met(walked(given, match=match), given)[1]


def _no_output_trim(answer, given):
    return abs(answer[NAME]["post_trim_db"]) <= _NO_MOVE_DB and _met(answer, given) == (True, True, False)


def _derivation(given):
    """Return the walk from left to right with this variant's numbers, in Markdown."""
    placed = walked(given)[NAME]
    seen = THREE.run(walked(given), given).seen
    said = fill(
        "The stem arrives with an active level of {active:.1f} dBFS, so the trim is {trim:+.1f} dB. ",
        {"active": seen[SOURCE].active_dbfs, "trim": placed["trim_db"]},
    )
    for k, (wanted, ahead) in enumerate(zip(given["references"], AHEAD, strict=True), start=1):
        values = {"k": k, "wanted": wanted, "ahead": seen[ahead].energy_dbfs}
        values |= {"fed": placed[f"insert {k} in_db"], "out": placed[f"insert {k} out_db"]}
        said += fill(
            "Stage {k} wants {wanted} dBFS: in gain {fed:+.1f} dB. It puts out {ahead:.1f} dBFS RMS, as its bypass "
            "would, with an out gain of {out:+.1f} dB. ",
            values,
        )
    return said + fill(
        "Every stage is matched, so only the trim is left to undo: output trim {post:+.1f} dB.",
        {"post": placed["post_trim_db"]},
    )


# -------------------------------------------------------------------------------------------------------- the exercises

GAINS = "Handbook formula: gains in series add in dB"
ACTIVE = "Active level: a definition of this workbook"
REFERENCE = "A reference level of −18 dBFS: common practice, no source; the box and its maker decide"
ENERGY = "Bypass matched by ungated energy: a decision of this workbook"

TO_REFERENCE = Exercise(
    id="07-1", title="Into the reference", parts=(Number("Input trim", "dB", tolerance=0.3, points=2, read_off=True),),
    given=LEVELLED, edition=2,
    statement="This stem goes into a box built for an average of {reference} dBFS. The box is set by active level. "
        "Read the meters: which input trim brings the stem to {reference} dBFS?",
    solve=_trim_db,
    slips=(
        Slip("sign", lambda g: g["active"] - g["reference"], "You have it the wrong way round. A stem that is too hot "
             "needs a negative trim, and one that is too soft a positive one: reference minus reading."),
        Slip("peak for average", lambda g: g["reference"] - g["peak"], "You took the peak. The reference is an "
             "average, and the peak is far above it, especially on drums."),
        Slip("pauses counted", lambda g: g["reference"] - g["whole"], "You took the RMS of the whole file. The pauses "
             "lower it, so the box would be fed too hot where something plays."),
        Slip("3 dB slip", lambda g: g["reference"] - g["active"] + SINE_CREST_DB,
             "You are 3 dB off, because you used plain RMS. Average levels here are sine-referred: a full-scale sine "
             "reads 0."),
    ),
    hints=("The trim takes the reading to the reference: reference minus reading.",
           "Which of the readings is an average over the time in which something plays?"),
    explain="The active level is {active:.1f} dBFS and the reference {reference} dBFS: {reference} − ({active:.1f}) = "
        "{key:+.1f} dB. The peak ({peak:.1f} dBFS) moves along and has to be checked separately; the RMS of the whole "
        "({whole:.1f} dBFS) includes the pauses.",
    cites=(GAINS, ACTIVE, REFERENCE), material=levelled,
)  # fmt: skip


def _third(g, slope=2):
    return g["q"] * 10 ** (slope * g["delta"] / 20)


THIRD_HARMONIC = Exercise(
    id="07-2", title="How fast distortion grows",
    parts=(Number("Third harmonic", "%", relative=0.10, aliases=("percent",), points=2),),
    given=draws(a=grid(-30, -14, 0.5), q=grid(0.02, 0.1, 0.005), delta=grid(-10, 8, 0.5),
        where=lambda g: abs(g["delta"]) >= 3.5 and _third(g) < 1.0),
    statement="A gentle, symmetrical stage shows {q} % third harmonic with a sine of {a} dBFS. You turn its input by "
        "{delta:+.1f} dB. Estimate the third harmonic now, in percent of the fundamental, to two significant figures.",
    solve=_third,
    slips=(
        Slip("linear", lambda g: _third(g, 1), "You let the share grow with the level. In dB, the harmonic grows three "
             "times as fast as the level and the fundamental just as fast, so their ratio grows twice as fast."),
        Slip("cube", lambda g: _third(g, 3), "You took the growth of the harmonic itself. Its share is measured "
             "against a fundamental that grows as well."),
        Slip("wrong way", lambda g: _third(g, -2), "You have it the wrong way round: fed louder, the stage distorts "
             "more."),
    ),
    hints=("The distortion of a gentle symmetrical curve goes with the cube of its input. By how many dB does its "
           "harmonic grow for 1 dB more?",
           "And by how much does the fundamental grow? The share is the ratio of the two."),
    explain="The harmonic grows by 3 dB per dB and the fundamental by 1 dB, so their ratio grows by 2 dB: a change of "
        "{delta:+.1f} dB changes it by {change:+.1f} dB. {q} % × 10^({change:.1f}/20) = {key:.5f} %. This holds while "
        "the share is small, here below 1 %.", terms=lambda g: {"change": 2 * g["delta"]},
    cites=("Third harmonic of x − k·x³, k·A²/4 of the fundamental for small A: handbook formula",),
)  # fmt: skip


MATCHED = Exercise(
    id="07-3", title="Output gain for a fair bypass", parts=(MATCH_TASK.part(),), given=BOX_WITH_A_GAIN, edition=2,
    before=Before((Number("Output gain", "dB", tolerance=0.05, points=2),), lambda g: round(g["Li"] - g["Lo"], 1)),
    statement="This box changes the level. Read the meters in front of it and behind it, and set the output gain so "
        "that active is as loud as bypass by energy, within 0.1 dB.",
    solve=lambda g: MATCH_TASK.moved(g, out_db=-g["louder"]),
    slips=(
        MATCH_TASK.slip("sign", lambda g: {"out_db": g["louder"]}, "You have it the wrong way round: a box that makes "
            "the sound louder needs a negative output gain.", within=LOUD_DB),
        MATCH_TASK.slip("met half way", lambda g: {"out_db": -0.5 * g["louder"]}, "You went only half way. The bypass "
            "cannot move, so the output gain has to make up the whole difference.", within=LOUD_DB),
        MATCH_TASK.slip("peaks made equal", lambda g: {"out_db": -g["higher"]}, "You made the peaks equal. The box "
            "rounds them off, so with equal peaks active is louder. Match the RMS.", within=LOUD_DB),
    ),
    hints=("The bypass is the reference: it stays as it is.",
           "What do you have to add to the output to get the input?"),
    explain="Behind the box the RMS is {louder:+.2f} dB against the bypass, so the output gain is "
        "{key[desk][out_db]:+.2f} dB. By peak it would be {peak:+.2f} dB.", terms=lambda g: {"peak": -g["higher"]},
    cites=(ENERGY, GAINS, "Match within 0.1 dB: common practice, no source"),
    material=lambda g: bar(g["stem"]),
)  # fmt: skip


THREE_STAGES = Exercise(
    id="07-4", title="Three stages in a row", parts=(THREE.part(sessions=True),), given=CHAINS, edition=2,
    before=Before((ALL_OR_NOTHING.part(sessions=True),), walked),
    statement="The strip has three stages in a row: {kinds[0]}, built for {references[0]} dBFS, {kinds[1]}, built for "
        "{references[1]} dBFS, and {kinds[2]}, built for {references[2]} dBFS. Set the trim, the gain into and out of "
        "each stage, and the output trim. The active level at each stage's input has to be its reference within 1 dB. "
        "Each stage has to be as loud as its bypass within 0.2 dB, and the whole strip as loud as the stem within 0.2 "
        "dB; both by energy (RMS).",
    solve=walked,
    slips=(
        Slip("not matched", lambda g: walked(g, match="none"), "Every stage is fed well, but you moved no out gain: "
             "switch a stage off, and the level jumps. Take the gain that went in out again.", spots=_not_matched),
        Slip("matched by peak", lambda g: walked(g, match="peak"), "You made the peaks equal. A stage that saturates "
             "lowers the peaks more than the rest, so with equal peaks it sounds louder. Match by energy.",
             active=_misleads("peak"), spots=_matched_by("clear_peak_dbfs")),
        Slip("matched by active level", lambda g: walked(g, match="active"), "You made the active levels equal. A "
             "stage that saturates raises soft stretches until they count as active, and then the meter no longer "
             "measures the same stretches. Match by the energy of the whole.", active=_misleads("active"),
             spots=_matched_by("active_dbfs")),
        Slip("post trim forgotten", lambda g: walked(g, post=False), "Every stage is fed and matched correctly, but "
             "the strip is no longer as loud as the stem, because the trim is still in it. Undo the trim behind the "
             "last stage.", spots=_no_output_trim),
    ),
    hints=("Work from left to right, and leave stage 2 until stage 1 is fed and matched.",
           "Matching stage 1 changes what stage 2 gets. A stage with a higher reference needs gain in, and about as "
           "much less behind it.", "Once all stages are matched, the strip differs from the stem by the trim alone."),
    explain=_derivation, cites=(ACTIVE, REFERENCE, ENERGY), material=chain,
)  # fmt: skip

BETTER_OR_LOUDER = Exercise(
    id="07-5", title="Better, or just louder?",
    parts=(runs.blind_run("Run 1: the one you like better", "louder", runs.PREFERENCES, "From the readings: tick the "
           "trials in which A is the louder one", "A", runs.Preference, points=1),
           runs.blind_run("Run 2: stage against bypass", "order", runs.TRIALS, "From the readings: tick the trials in "
           "which X is the stage", points=1, must_show=False),
           parts.Choice("What the eight preferences of run 1 tell", points=1,
           options=runs.options("meanings", runs.MEANINGS)),
           parts.Choice("What the data of run 2 allow you to say", points=1,
           options=runs.options("verdicts", runs.VERDICTS), follows=runs.conclusion)),
    given=runs.RUNS,
    statement="**Run 1**: eight times you hear the same sound twice, one of the two louder by {louder_db} dB. Pick the "
        "one you like better. **Run 2**: A is the bypass and B the saturating stage at the drive you choose, both "
        "matched; X is one of them. Do exactly sixteen trials; any count is complete. Then say what the data allow; in "
        "later runs you need more right picks, and the page says how many. If you use the readings instead, judge "
        "someone else's count, {other} of 16 in a first run.",
    solve=lambda g: [list(g["louder"]), list(g["order"]), "level", runs.SHOWN],
    slips=(
        Slip("level taken for tone", lambda g: [None, None, "tone", None], "In run 1 both were the same sound, sample "
             "by sample, apart from their level. There was no difference in tone to choose by."),
        Slip("absence proved", lambda g: [None, None, None, runs.PROVED], "A count that guessing can reach shows "
             "nothing, either way. Sixteen trials cannot prove that two sounds are the same."),
        Slip("difference taken for quality", lambda g: [None, None, None, runs.BETTER],
             "Telling two sounds apart is not the same as liking one of them better. You were asked only which one X "
             "is."),
    ),
    hints=("Run 1 plays one sound at two levels. So what can you prefer about one of them?",
           "Guessing gets 12 or more of 16 right in fewer than 5 % of all runs. The best of several runs is a better "
           "guess, so that a later run needs more; the page says how many."),
    explain="In run 1 the louder one was {key[0]}; nothing else differed. In run 2, X was {key[1]}. Guessing alone "
        "gets 12 or more of 16 in 3.8 % of all runs (p = 0.038), 11 or more in 10.5 %, which is why a first run needs "
        "12. This was run {run}: it needs **{need} of 16**, because p times the number of runs has to stay within 5 "
        "%. A lower count shows no difference and proves nothing.",
    terms=lambda g: {"run": run_number(g), "need": runs.least_right(runs.TRIALS, run_number(g))},
    cites=("Handbook formula: tail of the binomial distribution with probability ½; Bonferroni's inequality",
           "The louder of two is often preferred: common practice, no source"),
    material=lambda g: runs.pair(g, 0),
)  # fmt: skip

WHICH = parts.Choice("Which rule binds?", options={
    "average": "The average: it reaches its reference before the peaks reach their limit.",
    "peak": "The peak: the peaks reach their limit before the average reaches its reference.",
})  # fmt: skip


def _two_limits_before(g):
    average, peak = round(g["ref"] - g["A"], 1), round(g["Pm"] - g["P"], 1)
    return [min(average, peak), _binds(average, peak)]


TWO_LIMITS = Exercise(
    id="07-6", title="Average or peak: which rule binds?",
    parts=(Number("Trim for the average", "dB", tolerance=0.1, read_off=True),
           Number("Highest trim for the peaks", "dB", tolerance=0.1, read_off=True), WHICH),
    given=either(_percussive("average"), _percussive("peak")), edition=2,
    before=Before((Number("Input trim", "dB", tolerance=0.1, points=2), WHICH), _two_limits_before),
    statement="This percussive stem goes into a box that is built for an average (active level) of {reference} dBFS; "
        "peaks at its input must not exceed {limit} dBFS. Read the meters: which trim brings the average to its "
        "reference, which trim is the highest that the peaks allow, and which of the two rules binds?",
    solve=lambda g: [_trim_db(g), _by_peak(g), _binds(_trim_db(g), _by_peak(g))],
    slips=(
        Slip("the larger", lambda g: [None, None, _binds(-_trim_db(g), -_by_peak(g))], "You let the larger of the two "
             "trims bind. It keeps one rule and breaks the other; the smaller keeps both."),
        Slip("peak for average", lambda g: [_trim_db({**g, "active": g["peak"]}), None, None], "You brought the peak "
             "to the reference. The reference is an average; the peaks have a limit of their own."),
        Slip("pauses counted in", lambda g: [_trim_db({**g, "active": g["whole"]}), None, None], "For the average you "
             "took the RMS of the whole file. Its pauses lower it, so the box would get too much where something "
             "plays."),
        Slip("signs turned", lambda g: [-_trim_db(g), -_by_peak(g), None], "You have it the wrong way round: the trim "
             "is the target minus the reading."),
    ),
    hints=("A trim is the target minus the reading: the reference for the average, the limit for the peaks.",
           "Which of the two trims keeps both rules?"),
    explain="By the average {reference} − ({active}) = {key[0]:+.1f} dB, by the peak {limit} − ({peak}) = "
        "{key[1]:+.1f} dB. The smaller keeps both, so the {key[2]} binds. The crest factor is {crest:.1f} dB.",
    terms=lambda g: {"crest": _crest_db(g)},
    cites=(ACTIVE, "Handbook formula: crest factor is peak over RMS", REFERENCE), material=levelled,
)  # fmt: skip

CHOICES = {1.0: "about 1 % as well", 4.0: "about 4 %", 11.0: "about 11 %", 50.0: "about 50 %"}


def compare() -> tuple[str, str, Table]:
    """Return distortion and gain of a saturating stage and of a filter, fed three ways."""
    rows, thd = [], {}
    for box in (SATURATING, LINEAR):
        for level in (-30.0, -18.0, -6.0):
            at = LEVELS_DBFS.index(level)
            thd[box, level], gain = curve(box).thd_percent[at], curve(box).gain_db[at]
            texts = percent_text(thd[box, level]), number_text(gain, 2, signed=True)
            rows.append((box, level_text(level, "dBFS", 0), *texts))
    hot = thd[SATURATING, -6.0]
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about - hot))]
    sentence = (
        f"Fed 12 dB hotter, the stage goes from {percent_text(thd[SATURATING, -18.0])} to **{percent_text(hot)}**, and "
        "its fundamental loses gain. While third-order distortion is small, its share grows by 2 dB per dB, which "
        "would be sixteenfold; up here the curve has begun to level off. The filter does the same at every level."
    )
    heads = ("box", "fed", "THD", "gain of the fundamental (dB)")
    return outcome, sentence, Table("A sine through two boxes", heads, tuple(rows))


WORKED = Worked(
    "A snare reads −30 dBFS active level and −8 dBFS peak. It goes into a box built for −18 dBFS, whose input must not "
    "get peaks over −1 dBFS. Behind the box, at the trim you find, the loudness is −24.5 LUFS; ahead of it, trimmed, "
    "−23 LUFS. Which trim, and which output gain?",
    (
        "By the average: reference minus active level, −18 − (−30) = +12 dB. The peak plays no part in this.",
        "By the peak: limit minus peak, −1 − (−8) = +7 dB.",
        "The smaller keeps both rules: +7 dB, and the peak binds. On average the box gets −30 + 7 = −23 dBFS, less "
        "than it was built for: that is the price of a sound with such peaks.",
    ),
    Number("Output gain", "dB", tolerance=0.05), 1.5,
    "The bypass is at −23 LUFS and the output at −24.5 LUFS: −23 − (−24.5) = +1.5 dB.",
)  # fmt: skip

LAB = Lab(
    title="Working range and level-matched bypass",
    question="How hot do I feed it, and is it better or just louder?",
    minutes=80, lessons="two lessons of 45 minutes",
    exercises=(TO_REFERENCE, THIRD_HARMONIC, MATCHED, THREE_STAGES, BETTER_OR_LOUDER, TWO_LIMITS),
    experiments={"drive": drive},
    tasks={"07-1": from_end_to_end, "07-3": MATCH_TASK, "07-4": THREE, "07-6": from_end_to_end},
    compare=compare, worked=WORKED,
)  # fmt: skip
