"""Lab 09, faders: what a millimetre is worth, and the second trim that brings a fader back to where it is fine."""

import math
from functools import cache, lru_cache
from math import log, log10
from typing import ClassVar

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.experiment import (
    Again,
    Choice,
    Experiment,
    Listen,
    ListenToMix,
    Mixer,
    Picture,
    Plot,
    Slider,
    Text,
    Trims,
    db_slider,
    picture,
)
from gainlib.exercises.fader_fit import LAW, OWN, FromLaw, LaidLaw, points_as_text, points_from_text, read_points
from gainlib.exercises.lab import Lab, Worked
from gainlib.exercises.model import Before, Exercise, Slip
from gainlib.exercises.parts import Number
from gainlib.exercises.practical import RANGES, Control, Measured
from gainlib.exercises.refrain import STEMS as ALL_STEMS
from gainlib.exercises.refrain import refrain, rough_faders_db, short_name
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.text import Unreadable, fill
from gainlib.exercises.variants import draws, grid, kept_by, one_of, pick, shuffled
from gainlib.processors import Reverb, Saturation
from gainlib.session import FaderLaw, Group, Insert, Send, Session, Strip, TapLevels
from gainlib.session.fader import hits_db, misfit_db, moved_db, nudged, spread_db, steep_mm, travel_db, usable_points
from gainlib.words import Table, level_text, number_text

STEM, SECONDS = "08 pad", 8.0
FADER = "fader"


@cache
def sound():
    """Return the steady stem that the desks play."""
    stem = refrain(STEM)
    return stem.with_samples(stem.samples[: round(SECONDS * stem.rate_hz)], "pad")


def _fader_mm(start_db: float, **more) -> Mixer:
    look = {"options": (), "look": "", "scale": "mm", "owners": {FADER: "strip"}}
    return Mixer((FADER,), (start_db,), "fader_db", "Fader in mm", **look, **more)


# ----------------------------------------------------------------------------------------- the travel, and a hand on it

PLACES_DB, MOVE_MM = (0.0, -40.0), -2.0
SHOWN_DB = (10, 5, 0, -5, -10, -15, -20, -30, -40, -50, -60)
CURVE_MM = np.linspace(0.25, 100, 400)
TRAVEL_NOTE = (
    "Both begin at the same level: at −40 dB, the trims ahead make up for the fader. Every second, the fader goes 2 mm "
    "down or back."
)


def _law(setting):
    return FaderLaw(exponent=setting.exponent)


def _here_db(run):
    """Return where the fader stands; a law with less above unity may have brought it down."""
    return min(run.setting.fader_db[FADER], _law(run.setting).top_db)


def _places(run):
    """Return the places a hand aims at, by name: two that are given, and where the fader is unless it is closed."""
    here = _here_db(run)
    return {level_text(db): db for db in PLACES_DB} | ({f"here, {level_text(here)}": here} if here > -math.inf else {})


def _seen_law(run):
    law, here = _law(run.setting), _here_db(run)
    return CURVE_MM, travel_db(law.exponent, law.unity_mm, CURVE_MM), (law.mm_at(here), here), steep_mm(law.exponent)


def _seen_slope(run):
    law, here = _law(run.setting), _here_db(run)
    levels = np.linspace(-60, law.top_db, 200)
    rows = [(db, law.mm_at(db), law.db_per_mm(db)) for db in SHOWN_DB if db <= law.top_db + 0.01]
    return levels, [law.db_per_mm(db) for db in levels], (here, law.db_per_mm(here)), rows


def _seen_hits(run):
    setting, places = run.setting, _places(run)
    hits = [hits_db(_law(setting), db, setting.hand_mm, seed=setting.hits - 1) for db in places.values()]
    return list(places), hits, [spread_db(each) for each in hits]


def _told_moves(run):
    places = [*PLACES_DB, *([_here_db(run)] if _here_db(run) > -math.inf else [])]
    moves = [(level_text(db), number_text(moved_db(_law(run.setting), db, MOVE_MM).item(), 2)) for db in places]
    return f"Moving 2 mm down changes the level {', '.join(f'from {at} by **{by} dB**' for at, by in moves)}."


@lru_cache(maxsize=4)
def _nudged(exponent):
    law = FaderLaw(exponent=exponent)
    return {f"2 mm at {level_text(db)}": nudged(sound(), moved_db(law, db, MOVE_MM).item()) for db in PLACES_DB}


@cache
def travel() -> Experiment:
    """One fader in mm, its law, and a hand that does not hit exactly."""
    plots = {
        "C": Plot("fader law", _seen_law),
        "S": Plot("fader slope", _seen_slope),
        "H": Plot("hits", _seen_hits),
    }
    return Experiment(
        (
            Again("hits", "Try 60 more moves", hint="The same hand moves the fader again"),
            _fader_mm(-12.0, law=_law),
            Slider("exponent", "Exponent k", 2.0, 6.0, 0.1, 4.0, "", page=0.5),
            Slider("hand_mm", "Hand σ", 0.1, 2.0, 0.1, 0.5, "mm", page=0.5),
        ),
        (Picture("Travel of a fader, and where a hand stops it", ("CS", "HH"), plots, heights=(1.7, 1.0)),),
        told=_told_moves,
        listen=Listen(lambda run: _nudged(run.setting.exponent), lambda _: False, lambda _: TRAVEL_NOTE),
        title="A fader's travel",
        lines=1,
    )


@kept_by("k", "x0")
def unknown(given: dict) -> Experiment:
    """A fader with a law that is drawn, to be moved and read."""
    law = _law_of(given)
    axes = {"x": (0, 100, 10, "position (mm)"), "y": (-80, 20, 20, "dB"), "digits": (1, 2)}
    levels = [travel_db(law.exponent, law.unity_mm, CURVE_MM)]

    def here(run):
        return max(run.setting.fader_db[FADER], -200.0)

    def gain(run):
        return [here(run)], [level_text(run.setting.fader_db[FADER], decimals=2)]

    plots = {
        "C": Plot("curves", lambda run: (CURVE_MM, levels, [(law.mm_at(here(run)), here(run))]),
                  {"names": ("gain",), "title": "Gain against position", "marks": "here", **axes}),
        "M": Plot("meters", gain, {"names": ("gain",), "low_db": -84.0, "high_db": 12.0, "title": "Measured"}),
    }  # fmt: skip
    return Experiment(
        (_fader_mm(-6.0, law=lambda _: law),), (Picture("A fader", ("C", "M"), plots, heights=(3.0, 0.6)),),
        title="A fader whose law is not known",
    )  # fmt: skip


# ------------------------------------------------------------------------------------- one strip: fader and output trim

POINTS = {
    "into the processor": "strip/insert 1/in",
    "out of the processor": "strip/insert 1/out",
    "cue send, ahead of the fader": "strip/send cue",
    "effect send, behind it": "strip/send effect",
    "at the bus": "strip/out",
}
SEND_DB, SIGMA_MM, TRIM_END_DB = -14.0, 0.5, 24.0


@cache
def _one_strip():
    """Return a session of one strip: a processor, a send ahead of the fader and one behind it."""
    sends = Send("cue", SEND_DB, "pre"), Send("effect", SEND_DB, "post")
    strip = Strip("strip", sound(), inserts=Insert(Saturation()), sends=sends)
    return Session((strip,), (Group("cue", to=()), Group("effect")))


ON_STRIP = {"post_trim_db": "post_trim_db", "cue_db": "send cue level_db", "effect_db": "send effect level_db"}
STRIP_PLACES = {name: ("strip", control) for name, control in ON_STRIP.items()}
STRIP_NOTE = "The two are matched in loudness: listen to what the processor does, not to how loud it is."


STRIP_HEARD = ListenToMix(note=lambda _: STRIP_NOTE)


def _total(setting):
    return setting.fader_db[FADER] + setting.post_trim_db


def _kept(rested, setting, moved):
    """Return the setting with fader and output trim adding up to what they did when the hand last let go."""
    total = _total(rested)
    if not setting.keep or total == -math.inf:
        return setting
    if moved == "fader_db" and setting.fader_db[FADER] > -math.inf:
        trim = min(max(total - setting.fader_db[FADER], -TRIM_END_DB), TRIM_END_DB)
        return setting.with_(post_trim_db=round(trim, 4))
    if moved == "post_trim_db":
        return setting.with_(fader_db={FADER: round(min(total - setting.post_trim_db, FaderLaw().top_db), 4)})
    return setting


def _told_sum(run):
    setting, law = run.setting, FaderLaw()
    fader, trim = setting.fader_db[FADER], setting.post_trim_db
    said = f"Output trim {level_text(trim)}, fader {level_text(fader)}: together **{level_text(_total(setting))}**."
    if fader > -math.inf:
        mm, slope = law.mm_at(fader), law.db_per_mm(fader)
        said += f" At {number_text(mm)} mm one millimetre is **{number_text(slope, 2)} dB**."
    if setting.keep and (abs(trim) >= TRIM_END_DB or fader >= law.top_db - 1e-3):
        said += " One of the two is at its end, and beyond that the level changes."
    return said


@cache
def _strip_taps():
    return TapLevels(_one_strip())


def _levels(run):
    """Return the levels along the strip now, and as it was found."""
    return [[each.seen[node] for node in POINTS.values()] for each in (run, run.before)]


LADDER = Plot("levels along a strip", _levels, {"names": list(POINTS)})


def strip(rng: np.random.Generator) -> Experiment:
    """A strip whose fader stands low, in another place for every learner."""
    start_db = pick(rng, grid(-23.5, -16, 0.5).values)
    begun = f"start, {level_text(start_db)}", hits_db(FaderLaw(), start_db, SIGMA_MM)

    def hits(run):
        fader_db, rows = run.setting.fader_db[FADER], [begun]
        if fader_db > -math.inf:
            rows.append((f"now, {level_text(fader_db)}", hits_db(FaderLaw(), fader_db, SIGMA_MM)))
        return (*zip(*rows, strict=True), [spread_db(each) for _, each in rows])

    hand = {"count": 2, "reach_db": 2.5, "title": "Where the hand stops: each ● is one move", "above": True}
    plots = {"L": LADDER, "H": Plot("hits", hits, hand)}
    margins = {"left": 0.28, "right": 0.985, "hspace": 0.45, "bottom": 0.13}
    return Experiment(
        (
            Choice("keep", "Keep the level", {False: "no", True: "yes: the other makes up for it"}),
            _fader_mm(start_db),
            db_slider("post_trim_db", "Output trim", -TRIM_END_DB, TRIM_END_DB),
            db_slider("cue_db", "Cue send", -48.0, 24.0, SEND_DB),
            db_slider("effect_db", "Effect send", -48.0, 24.0, SEND_DB),
        ),
        (Picture("Levels along a strip, and where a hand stops its fader", ("L", "H"), plots, margins=margins),),
        _one_strip(),
        lambda run: _strip_taps().read(run.session),
        told=_told_sum,
        listen=STRIP_HEARD,
        places=STRIP_PLACES,
        link=_kept,
        title="Fader and output trim",
        lines=1,
    )


def _handed(given):
    """Return the strip of an exercise: its fader stands low, and the bus is to get what it gets."""
    fader = Slider(
        "fader_db", "Fader", -60.0, FaderLaw().top_db, 0.1, float(given["f"]), home=0.0, page=1.0, travel=FaderLaw()
    )  # fmt: skip
    return Experiment(
        (fader, db_slider("post_trim_db", "Output trim", -TRIM_END_DB, TRIM_END_DB, float(given["t"]))),
        (Picture("Levels along a strip", ("L",), {"L": LADDER}, margins={"left": 0.28}),),
        _one_strip(), lambda run: _strip_taps().read(run.session), title="Fader and output trim", listen=STRIP_HEARD,
        places=STRIP_PLACES | {"fader_db": ("strip", "fader_db")},
    )  # fmt: skip


HANDED_TASK = SetAndMeasure(_handed, None, (
    Aim("fader", lambda run: run.setting.fader_db, lambda g: g["n"], 0.1),
    Aim("level at the bus, change", lambda run: run.seen["strip/out"], 0.0, 0.05, decimals=2, change=True),
), "fader and output trim")  # fmt: skip


# --------------------------------------------------------------------------------------------- eight faders near unity

LEFT_OUT = ("03 overheads", "04 toms")
STEMS = tuple(stem for stem in ALL_STEMS if stem not in LEFT_OUT)
CUE, EFFECT = "cue", "effect"
UNITY_BAND_DB, SAME_DB, LEAST_TRIM_DB, LEAST_FAR = 3.0, 0.05, RANGES["post_trim_db"][0], 5
FADERS, TRIMS = grid(-25, 8, 0.5), grid(0, 4, 0.5)
# where the two with a send stand: far enough for the send to matter, near enough for it to be taken back by hand
SENDING = (*grid(-16, -6, 0.5).values, *grid(6, 8, 0.5).values)
CUES, EFFECTS = grid(-22, -10, 0.5), grid(-26, -14, 0.5)
_RULE = (
    "What arrives at the bus depends on output trim + fader, so that sum stays. A send taken ahead of the fader "
    "follows the trim and not the fader, so its level has to move the other way by as much as the trim moved."
)


def _draw_far(rng):
    """Draw faders and output trims, and which two tracks have a send ahead of the fader; those two stand far off."""
    faders = [pick(rng, FADERS.values) for _ in STEMS]
    trims = [pick(rng, TRIMS.values) for _ in STEMS]
    cue, effect = shuffled(rng, STEMS, 2)
    for stem in (cue, effect):
        faders[STEMS.index(stem)] = pick(rng, SENDING)
    levels = {"cue_db": pick(rng, CUES.values), "effect_db": pick(rng, EFFECTS.values)}
    given = {"faders_db": faders, "trims_db": trims, "cue": cue, "effect": effect, **levels}
    return given if sum(abs(fader) > UNITY_BAND_DB for fader in faders) >= LEAST_FAR else None


@kept_by("faders_db", "trims_db", CUE, EFFECT, "cue_db", "effect_db", most=16)
def far_mix(given: dict) -> Session:
    """Return the session that is handed out."""
    if given[CUE] not in STEMS or given[EFFECT] not in STEMS or given[CUE] == given[EFFECT]:
        raise GainlibError(f"the sends come from {given[CUE]!r} and {given[EFFECT]!r}; which are two of the tracks")
    rough = dict(zip(ALL_STEMS, rough_faders_db(), strict=True))
    sends = {given[to]: (Send(to, given[f"{to}_db"], "pre"),) for to in (CUE, EFFECT)}
    strips = [
        Strip(
            stem,
            refrain(stem),
            trim_db=round(rough[stem] - fader - trim, 1),  # the mix is the rough balance, wherever the faders stand
            post_trim_db=trim,
            fader_db=fader,
            sends=sends.get(stem, ()),
        )
        for stem, fader, trim in zip(STEMS, given["faders_db"], given["trims_db"], strict=True)
    ]
    return Session(strips, (Group(CUE, to=()), Group(EFFECT, inserts=(Reverb(dry=False),))), name="Near unity")


def _sends(given):
    """Return track and control of the two sends, by their names in the setting."""
    return {f"{to}_db": (given[to], f"send {to} level_db") for to in (CUE, EFFECT)}


def _near_unity(given):
    """Return the experiment: eight faders with output trims, and the two sends."""
    session, taps = far_mix(given), cache(TapLevels)
    sends = [
        db_slider(f"{to}_db", f"{to.capitalize()} send of {short_name(given[to])}", -60.0, 40.0, given[f"{to}_db"])
        for to in (CUE, EFFECT)
    ]

    def changes(run):
        moved, by_send = _moved(run), {}
        for to in (CUE, EFFECT):
            stem = given[to]
            by_send[f"{to} send of {short_name(stem)}"] = STEMS.index(stem), moved[f"{stem}/send {to}"]
        faders, found = (list(setting.faders_db.values()) for setting in (run.setting, run.experiment.start))
        return faders, [moved[f"{stem}/out"] for stem in STEMS], by_send, found

    look = {"names": [short_name(stem) for stem in STEMS], "band_db": UNITY_BAND_DB}
    plots = {"FC": Plot("faders and changes", changes, look)}
    title = "Faders against unity, and what has moved at the bus and in the sends"
    return Experiment(
        (
            Mixer(STEMS, tuple(given["faders_db"]), options=(), look="", low_db=-100.0),
            Trims(STEMS, tuple(given["trims_db"])),
            *sends,
        ),
        (Picture(title, ("FC",), plots, widths=(1.0, 1.1), margins={"left": 0.115, "bottom": 0.13}),),
        session,
        lambda run: taps(session).read(run.session),
        listen=ListenToMix(note=lambda _: "Matched in loudness; the cue is not on the bus and not heard."),
        places=_sends(given),
        title="Eight strips",
    )  # fmt: skip


def _moved(run):
    """Return what every level of the strips has moved by since it was found."""
    now = run.seen
    return {node: 0.0 if now[node] == level else now[node] - level for node, level in run.before.seen.items()}


def _off_unity(run):
    """Return how far the farthest fader stands from unity."""
    off = {stem: abs(fader) for stem, fader in run.setting.faders_db.items()}
    stem = max(off, key=off.get)
    return Measured(off[stem], f"distance of the {short_name(stem)} fader from unity")


def _widest(run, kind):
    """Return the track whose level of that kind has moved most, by how much, and what the level is called."""
    moved = {node: abs(by) for node, by in _moved(run).items() if node.partition("/")[2].startswith(kind)}
    node = max(moved, key=moved.get)
    stem, _, place = node.partition("/")
    return short_name(stem), moved[node], place


def _moved_at_the_bus(run):
    name, by, _ = _widest(run, "out")
    return Measured(by, f"change of {name} at the bus")


def _moved_in_a_send(run):
    name, by, place = _widest(run, "send")
    return Measured(by, f"change in the {place.removeprefix('send ')} send of {name}")


FAR_TASK = SetAndMeasure(
    _near_unity,
    lambda given: {"faders_db": (None, "fader_db"), "post_trims_db": (None, "post_trim_db")} | _sends(given),
    (
        Aim("farthest fader from unity", _off_unity, at_most=UNITY_BAND_DB, too_high="too far"),
        Aim("largest change at the bus", _moved_at_the_bus, at_most=SAME_DB, decimals=2, too_high="too much"),
        Aim("largest change in a send", _moved_in_a_send, at_most=SAME_DB, decimals=2, too_high="too much"),
    ),
    "Faders, output trims and sends",
    points=4,
)


def handed_over(given: dict, stems=STEMS, sends: int = 1, trims: int = 1) -> dict:
    """Return an answer: the faders of some tracks at unity, or as near as the output trim reaches, the rest as found.

    `sends` says whether their sends are taken back (1), stay (0) or move the wrong way (−1); `trims` whether the output
    trim takes what the fader gives up.
    """
    answer, sending = FAR_TASK.found(given), dict(_sends(given).values())
    for stem in stems:
        fields = answer[stem]
        fader, trim = fields["fader_db"], fields["post_trim_db"]
        new_fader = round(min(0.0, fader + trim - LEAST_TRIM_DB), 3)
        moved = trims * (fader - new_fader)
        moved = round(max(LEAST_TRIM_DB - trim, min(moved, -LEAST_TRIM_DB - trim)), 3)
        fields |= {"fader_db": new_fader, "post_trim_db": round(trim + moved, 3)}
        if stem in sending:
            fields[sending[stem]] = round(fields[sending[stem]] - sends * moved, 3)
    return answer


def far_stems(given: dict) -> tuple[str, ...]:
    """Return the tracks whose fader has to move."""
    return tuple(stem for stem, fader in zip(STEMS, given["faders_db"], strict=True) if abs(fader) > UNITY_BAND_DB)


def _moves(answer, given):
    """Return what each fader and each output trim was moved by, as pairs; only where the fader moved."""
    found = FAR_TASK.found(given)
    moves = [tuple(answer[stem][name] - found[stem][name] for name in ("fader_db", "post_trim_db")) for stem in STEMS]
    return [(fader, trim) for fader, trim in moves if abs(fader) > SAME_DB]


def _faders_only(answer, given):
    moves = _moves(answer, given)
    return len(moves) > 1 and all(abs(trim) <= SAME_DB for _, trim in moves)


def _wrong_way(answer, given):
    moves = _moves(answer, given)
    return len(moves) > 1 and any(fader * trim > 0 and abs(trim) > SAME_DB for fader, trim in moves)


def _only_sends_off(wrong_way):
    """Return what recognises a kept bus with a send off that was moved the wrong way, or with none moved so."""

    def spots(answer, given):
        found, run = FAR_TASK.found(given), FAR_TASK.run(answer, given)
        kept = _moved_at_the_bus(run).value <= SAME_DB < _moved_in_a_send(run).value
        moves = [
            [answer[stem][name] - found[stem][name] for name in (send, "post_trim_db")]
            for stem, send in _sends(given).values()
        ]
        along = any(send * trim > 0 and min(abs(send), abs(trim)) > SAME_DB for send, trim in moves)
        return kept and len(_moves(answer, given)) > 1 and along == wrong_way

    return spots


def _how_handed_over(given):
    found, answer, sending = FAR_TASK.found(given), handed_over(given), dict(_sends(given).values())
    line = "- {name}: fader {f:.1f} → {nf:.1f} dB, so output trim {t:.1f} + ({f:.1f}) − ({nf:.1f}) = {nt:.1f} dB"
    more = "; the trim moved by {by:+.1f} dB, so the {to} send goes from {s:.1f} to {ns:.1f} dB"
    lines = []
    for stem in far_stems(given):
        old, new, send = found[stem], answer[stem], sending.get(stem)
        values = {"name": short_name(stem), "f": old["fader_db"], "nf": new["fader_db"]}
        values |= {"t": old["post_trim_db"], "nt": new["post_trim_db"], "by": new["post_trim_db"] - old["post_trim_db"]}
        if send:
            values |= {"to": send.split()[1], "s": old[send], "ns": new[send]}
        lines.append(fill(line + (more if send else ""), values))
    return f"{_RULE} This is one of many right settings:\n\n" + "\n".join(lines)


# -------------------------------------------------------------------------------------------------- a measured fader

LAW_RANGES = (
    Control("k", "exponent", 2.0, 0.5, 12.0, ""),
    Control("x₀", "unity_mm", 50.0, 10.0, 150.0, "mm"),
)
AROUND_MM = (14, 20, 28, 37, 48, 60, 73, 86, 98)
BESIDE_MM, READING_DB = grid(-2, 2), grid(-0.4, 0.4, 0.1)
DRAWN_K, DRAWN_X0 = grid(2.5, 4.5, 0.05), grid(60, 85)
SILENT = "-inf"
_OFF = 0.05


def _draw_measured(rng):
    """Draw a law and read it at some positions, with the errors of somebody who reads a ruler and a meter."""
    law = FaderLaw(unity_mm=pick(rng, DRAWN_X0.values), exponent=pick(rng, DRAWN_K.values))
    mm = [around + pick(rng, BESIDE_MM.values) for around in AROUND_MM]
    db = [round(law.db_at(each) + pick(rng, READING_DB.values), 1) + 0.0 for each in mm]
    return {"mm": [0, *mm], "db": [SILENT, *db]}


def _points(given):
    return given["mm"], [-np.inf if level == SILENT else level for level in given["db"]]


MEASURED_LAW = LaidLaw("The law through the points", points=2, points_of=_points, ranges=LAW_RANGES)


def _steep(values, given):
    """Return where a millimetre is a decibel on the law through the points handed in; None before there is one."""
    return None if values[0] is None else steep_mm(MEASURED_LAW.fit(values[0], given).exponent)


def measured_answer(given: dict, exponent: float = 1.0, steep: float | None = 1.0) -> list:
    """Return an answer, exponent and position taken times something; None leaves the position open."""
    found = MEASURED_LAW.fit(None, given)
    law = {"exponent": round(exponent * found.exponent, 6), "unity_mm": round(found.unity_mm, 6)}
    return [{"law": law}, None if steep is None else round(steep * steep_mm(found.exponent), 6)]


def _exponent_off_by(handed_in, given, factor):
    law, wanted = handed_in[0], factor * MEASURED_LAW.fit(handed_in[0], given).exponent
    return law is not None and abs(law["law"]["exponent"] / wanted - 1) <= _OFF


def _steep_off_by(handed_in, given, factor):
    law, position = handed_in
    wanted = factor * steep_mm(MEASURED_LAW.fit(law, given).exponent)
    return position is not None and abs(position / wanted - 1) <= _OFF


def _how_measured(given):
    found = MEASURED_LAW.fit(None, given)
    mm, db = _points(given)
    pairs = zip(mm[1:], db[1:], strict=True)
    row = "| {mm} | {log:.4f} | {db:.1f} |"
    rows = "\n".join(fill(row, {"mm": x, "log": float(log10(x)), "db": y}) for x, y in pairs)
    words = (
        "\n\nThe straight line through dB over log₁₀ x rises by {slope:.2f} dB per decade; k = {slope:.2f}/20 = "
        "{k:.3f}. It crosses 0 dB at x₀ = {x0:.2f} mm. The remaining misfit is {misfit:.2f} dB (root mean square). One "
        "millimetre is worth 1 dB at x = 8.686·k = {steep:.2f} mm, and more below that."
    )
    values = {"slope": 20 * found.exponent, "k": found.exponent, "x0": found.unity_mm, "misfit": found.misfit_db}
    return f"| mm | log₁₀ mm | dB |\n|---|---|---|\n{rows}" + fill(words, {**values, "steep": steep_mm(found.exponent)})


def _read_law(run):
    """Return the usable points and the law's misfit to them, or what is wrong with the points."""
    try:
        points = read_points(run.setting.points)
    except Unreadable as problem:
        return str(problem)
    positions, levels = usable_points(points["mm"], points["db"])
    return positions, levels, misfit_db(run.setting.exponent, run.setting.unity_mm, positions, levels)


def _seen_points(run):
    if isinstance(run.seen, str):
        return None
    (positions, levels, misfit), k, x0 = run.seen, run.setting.exponent, run.setting.unity_mm
    which = f"k = {number_text(k, 2)}, x₀ = {number_text(x0)} mm"
    return positions, levels, travel_db(k, x0, positions), which, misfit


def _told_misfit(run):
    if isinstance(run.seen, str):
        return f"**These points cannot be used.** {run.seen}"
    count = f"{len(run.seen[0])} points with a finite gain."
    return f"{count} **Misfit {number_text(run.seen[2], 2)} dB.**"


def _measured(given):
    k, x0 = LAW_RANGES
    return Experiment(
        (
            Text("points", "mm and dB, one pair per line", points_as_text(given["mm"], given["db"]), rows=13),
            Slider("exponent", "k", k.low, k.high, 0.01, k.start, "", page=0.1, decimals=2),
            Slider("unity_mm", "x₀", x0.low, x0.high, 0.1, x0.start, "mm", page=2.0),
        ),
        (
            picture(
                "Gain of a measured fader, and a law through it", "laid law", _seen_points, margins={"bottom": 0.13}
            ),
        ),
        read=_read_law, told=_told_misfit, title="A measured fader", lines=1,
    )  # fmt: skip


class MeasuredTask(SetAndMeasure):
    """The law laid through printed points, or through a learner's own, as a task of the desk."""

    rows: ClassVar = ()

    def answer(self, setting, given: dict) -> dict:
        """Return the law, with the learner's own points where they were changed, as they were typed if unreadable."""
        law, typed = super().answer(setting, given), setting.points.strip()
        if typed == self.of(given).start.points:
            return law
        try:
            return law | {OWN: points_from_text(typed)}
        except Unreadable:
            return law | {OWN: typed}

    def values(self, answer: dict, given: dict) -> dict:
        """Return an answer's values by the names of the setting."""
        own = answer.get(OWN)
        points = {"points": points_as_text(own["mm"], own["db"])} if isinstance(own, dict) else {}
        return super().values(answer, given) | points


MEASURED_TASK = MeasuredTask(_measured, {"exponent": (LAW, "exponent"), "unity_mm": (LAW, "unity_mm")}, ())


# -------------------------------------------------------------------------------------------------------- the exercises

EXAMPLE = "The power law of travel is our own example; no standard ties millimetres to dB"
LOGS = "Handbook formula: 20·log₁₀ of an amplitude ratio; the derivative of log₁₀ x is 1/(x·ln 10)"
GAINS = "Handbook formula: gains in series add in dB"

LN_10 = log(10)
EXPONENTS, UNITIES = one_of(3, 3.5, 4, 4.5), one_of(70, 75, 80)


def _law_of(g):
    return FaderLaw(unity_mm=g["x0"], exponent=g["k"])


def _slope_at(g):
    return _law_of(g).db_per_mm(g["f"])


POSITION = Exercise(
    id="09-1", title="From millimetres to dB", parts=(Number("Gain", "dB", tolerance=0.1, points=2),),
    given=draws(k=EXPONENTS, x0=UNITIES, x=grid(8, 100)),
    statement="A fader has 100 mm of travel. Its gain as a ratio is (x/x₀) to the power k, with k = {k} and unity at "
        "x₀ = {x0} mm from the bottom. What is its gain at x = {x} mm?",
    solve=lambda g: _law_of(g).db_at(g["x"]),
    slips=(
        Slip("ten for twenty", lambda g: 10 * g["k"] * log10(g["x"] / g["x0"]),
             "It is a ratio of amplitudes, so take 20·log₁₀, not 10·log₁₀."),
        Slip("exponent left out", lambda g: 20 * log10(g["x"] / g["x0"]), "You took the ratio of the positions as the "
             "gain. Raise it to the power k first, which in dB means multiplying by k."),
        Slip("upside down", lambda g: 20 * g["k"] * log10(g["x0"] / g["x"]), "You have it the wrong way round: below "
             "unity a fader turns down, so the ratio is the position over that of unity."),
    ),
    hints=("How many times the position of unity is the position in the question?",
           "A power in the ratio is a factor in dB."),
    explain="20·k·log₁₀(x/x₀) = 20 × {k} × log₁₀({x}/{x0}) = {whole:g} × {log:.6f} = {key:.3f} dB.",
    terms=lambda g: {"whole": 20 * g["k"], "log": log10(g["x"] / g["x0"])},
    cites=(EXAMPLE, LOGS),
)  # fmt: skip


def _chord(g):
    return -g["f"] / (g["x0"] - _law_of(g).mm_at(g["f"]))


def _around(g):
    law, x = _law_of(g), _law_of(g).mm_at(g["f"])
    up, down = law.db_at(x + 1), law.db_at(x - 1)
    return {"x": x, "up": up, "down": down, "half": (up - down) / 2}


SLOPE = Exercise(
    id="09-2", title="What one millimetre is worth",
    parts=(Number("One millimetre there", "dB/mm", relative=0.05, points=2, aliases=("dB per mm",), read_off=True),),
    given=draws(f=grid(-40, -4), k=grid(2.5, 4.5, 0.1), x0=grid(60, 85),
        where=lambda g: _law_of(g).mm_at(g["f"]) >= 15),
    edition=2,
    before=Before((Number("Slope there", "dB/mm", relative=0.03, points=2, aliases=("dB per mm",)),), _slope_at),
    statement="Nobody has written down the law of the fader on the desk. How many dB is one millimetre worth around "
        "{f} dB, for a small move? Go there, move it a little up and down, and read position and gain.",
    solve=_slope_at,
    slips=(
        Slip("slope at unity", lambda g: _law_of(g).db_per_mm(0.0), "That is the slope around 0 dB. Measure it where "
             "the question asks for it."),
        Slip("all the way to unity", _chord, "You divided the whole way to 0 dB by its millimetres. The slope changes "
             "on the way: make a small move."),
        Slip("level over position", lambda g: abs(g["f"]) / _law_of(g).mm_at(g["f"]),
             "You divided the gain by the position. Divide a change of the gain by a change of the position."),
        Slip("upside down", lambda g: 1 / _slope_at(g), "You gave millimetres per dB. Divide the change of the gain by "
             "the change of the position."),
    ),
    hints=("Set the fader to that gain and note the position. How much does the gain change in 2 mm?",
           "Half of the move up and half of it down from there is nearer to the slope than a move to one side."),
    explain="At {f} dB the fader is at {x:.3f} mm. A millimetre up it reads {up:.4f} dB, one down {down:.4f} dB: half "
        "of the difference is {half:.4f} dB. By the law of this fader, k = {k} and x₀ = {x0} mm, it is 8.6859·k/x = "
        "{key:.4f} dB/mm.", terms=_around, cites=(EXAMPLE, LOGS),
)  # fmt: skip


def _handed_to(trim_db):
    return lambda g: {"fader_db": g["n"], "post_trim_db": trim_db(g)}


HANDED_OVER = Exercise(
    id="09-3", title="From the fader to the output trim", parts=(HANDED_TASK.part(),),
    given=draws(f=grid(-35, -8, 0.5), n=grid(-3, 3, 0.5), t=grid(-6, 6, 0.5),
        where=lambda g: -24 <= g["f"] - g["n"] + min(g["t"], 0) and abs(g["t"]) >= 1 and g["n"] not in (0, g["t"])),
    edition=2,
    before=Before((Number("New output trim", "dB", tolerance=0.05),), lambda g: g["t"] + g["f"] - g["n"]),
    statement="The fader of this strip is at {f} dB, and the output trim ahead of it at {t} dB. Bring the fader to {n} "
        "dB, within 0.1 dB, and keep the level at the bus, within 0.05 dB.",
    solve=lambda g: HANDED_TASK.moved(g, fader_db=g["n"], post_trim_db=g["t"] + g["f"] - g["n"]),
    slips=(
        HANDED_TASK.slip("trim left", _handed_to(lambda g: g["t"]), "You moved the fader and not the output trim, so "
            "the bus gets more. The trim has to take it back.", "post_trim_db", within=0.05),
        HANDED_TASK.slip("wrong way", _handed_to(lambda g: g["t"] - g["f"] + g["n"]), "You moved the trim the wrong "
            "way: as much as the fader goes up, the trim has to come down, so that their sum stays.", "post_trim_db",
            within=0.05),
        HANDED_TASK.slip("old trim forgotten", _handed_to(lambda g: g["f"] - g["n"]), "You set the trim to its move. "
            "It starts from where it is now, not from 0 dB.", "post_trim_db", within=0.05),
        HANDED_TASK.slip("old fader for new trim", _handed_to(lambda g: g["t"] + g["f"]), "That would be right with "
            "the fader at 0 dB. Here the fader keeps a part of the gain itself.", "post_trim_db", within=0.05),
    ),
    hints=("Which sum decides what arrives at the bus?",
           "By how much does the fader move? The trim moves by the opposite."),
    explain="Trim and fader are in series, so their dB add: {t} + ({f}) = {sum:g} dB, and that has to stay. With the "
        "fader at {n} dB the trim is {sum:g} − ({n}) = {key[desk][post_trim_db]:.1f} dB.",
    terms=lambda g: {"sum": g["t"] + g["f"]},
    cites=(GAINS,), material=lambda g: sound(),
)  # fmt: skip


def _times_coarser(g):
    law = FaderLaw(exponent=g["k"])
    return law.mm_at(g["f2"]) / law.mm_at(g["f1"])


JITTER = Exercise(
    id="09-4", title="One hand, two places",
    parts=(Number("Spread at the first place over spread at the second", relative=0.03, points=2),),
    given=draws(s=grid(0.3, 0.8, 0.1), f1=grid(-50, -25), f2=grid(-3, 3), k=EXPONENTS),
    statement="The gain of a fader, as a ratio, is the position over that of unity, to the power k = {k}. A hand stops "
        "the fader with a standard deviation of {s} mm everywhere. By what factor is the spread in dB larger when the "
        "hand aims for {f1} dB than when it aims for {f2} dB?",
    solve=_times_coarser,
    slips=(
        Slip("upside down", lambda g: 1 / _times_coarser(g), "You have it the wrong way round: at the lower place, "
             "each millimetre is worth more dB."),
        Slip("exponent left out", lambda g: 10 ** ((g["f2"] - g["f1"]) / 20), "You gave the ratio of the gains. The "
             "ratio of the positions is its k-th root: divide the dB by 20·k."),
        Slip("the same everywhere", lambda g: 1.0, "The hand's error is the same in millimetres, not in dB, because "
             "the scale of a fader is not even."),
    ),
    hints=("The spread in dB is the slope times the spread in mm. Which of the two is the same at both places?",
           "The slope is proportional to one over the position. So which ratio do you need?"),
    explain="The spread in dB is 8.686·k/x × {s} mm, so it is proportional to 1/x. The ratio is x₂/x₁ = 10^(({f2} − "
        "({f1}))/(20 × {k})) = 10^({exponent:.5f}) = {key:.3f}. Neither the {s} mm nor the place of unity matters.",
    terms=lambda g: {"exponent": (g["f2"] - g["f1"]) / (20 * g["k"])},
    cites=(EXAMPLE, "Handbook formula: a small spread passes a curve multiplied by its slope"),
)  # fmt: skip

NEAR_UNITY = Exercise(
    id="09-5", title="Eight faders near unity", parts=(FAR_TASK.part(sessions=True),), given=_draw_far,
    statement="The faders of a finished mix are all over the place. Bring all eight within 3 dB of unity. What arrives "
        "at the bus from each track has to stay the same within 0.05 dB, and so does what leaves through the two "
        "sends, which are taken **ahead of the fader**: one to the musicians' cue, one to an effect. Output trims "
        "range from −24 to +24 dB.",
    solve=handed_over,
    slips=(
        Slip("sends forgotten", lambda g: handed_over(g, sends=0), "You kept every level at the bus, but a send taken "
             "ahead of the fader is no longer at its level, because it follows the output trim. Move that send by the "
             "opposite of what its trim moved.", spots=_only_sends_off(False)),
        Slip("sends the wrong way", lambda g: handed_over(g, sends=-1), "You kept every level at the bus, but you "
             "moved a send in the same direction as its output trim, which it follows anyway. It has to go the other "
             "way.", spots=_only_sends_off(True)),
        Slip("trims the wrong way", lambda g: handed_over(g, trims=-1), "You moved at least one output trim in the "
             "same direction as its fader. It has to go the other way: their sum decides.", spots=_wrong_way),
        Slip("faders only", lambda g: handed_over(g, trims=0), "You moved faders and no output trim, which makes "
             "another mix. The output trim has to make up for each fader's move.", spots=_faders_only),
        Slip("one fader", lambda g: handed_over(g, stems=far_stems(g)[:1]), "You moved one fader. Bring in every fader "
             "that is more than 3 dB from unity.", spots=lambda answer, g: len(_moves(answer, g)) == 1),
    ),
    hints=("Output trim plus fader decides what arrives at the bus. Keep that sum, strip by strip.",
           "Where is a pre-fader send taken: ahead of the output trim or behind it? What has to happen to its level?",
           "If a trim reaches its end, the fader need not be at 0 dB: anything within 3 dB will do."),
    explain=_how_handed_over, cites=(GAINS, "Faders near unity: common practice, no source"), material=far_mix,
)  # fmt: skip


MEASURED = Exercise(
    id="09-6", title="Measure a fader",
    parts=(MEASURED_LAW,
           FromLaw("One millimetre is more than 1 dB below", "mm", relative=0.05, points=1, follows=_steep)),
    given=_draw_measured,
    statement="Someone sent a steady tone through a fader and noted position and gain; the numbers are in the panel. "
        "If you have a mixer, enter your own there instead: at least six positions in mm from the bottom, and the gain "
        "in dB. Put the law, 20·k·log₁₀(x/x₀), through the points so that it fits best (least squares of the dB, over "
        "log₁₀ of the mm). Then say below which position one millimetre changes the gain by more than 1 dB.",
    solve=measured_answer,
    slips=(
        Slip("natural logarithm", lambda g: measured_answer(g, exponent=1 / LN_10, steep=None),
             "You took the slope over the natural logarithm. Over log₁₀ it is 2.3 times as large; divide that by 20.",
             spots=lambda answer, g: _exponent_off_by(answer, g, 1 / LN_10)),
        Slip("ten for twenty in the slope", lambda g: measured_answer(g, exponent=2.0, steep=None),
             "You gave twice the exponent: the slope over log₁₀ of the mm is 20·k, not 10·k.", spots=lambda answer,
             g: _exponent_off_by(answer, g, 2.0)),
        Slip("ln 10 forgotten", lambda g: [None, measured_answer(g, steep=LN_10)[1]],
             "You set 20·k/x to 1 dB per mm. The derivative of log₁₀ x brings in 1/ln 10: 8.686·k/x.",
             spots=lambda answer, g: _steep_off_by(answer, g, LN_10)),
    ),
    hints=("Over log₁₀ of the mm, the law is a straight line. Its slope gives k, and the place where it crosses 0 dB "
           "gives x₀.",
           "Leave out the bottom: silence has no logarithm. Then watch the misfit while you move the line.",
           "For the last question, take the derivative of the law and see where it is 1 dB/mm."),
    explain=_how_measured, cites=(EXAMPLE, LOGS, "Least squares: handbook formula"),
)  # fmt: skip

CHOICES = {1.0: "about 1 dB as well", 3.0: "about 3 dB", 10.0: "about 10 dB", 40.0: "about 40 dB"}


def compare() -> tuple[str, str, Table]:
    """Return what two millimetres amount to at the two places the prediction was about."""
    law = FaderLaw()
    high, low = (float(moved_db(law, db, MOVE_MM)) for db in PLACES_DB)
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about + low))]
    sentence = (
        f"Moving 2 mm down from 0 dB takes off {number_text(-high, 2)} dB, from −40 dB "
        f"**{number_text(-low, 2)} dB**: at −40 dB the fader is at {number_text(law.mm_at(-40))} mm, "
        "a third of the way to unity, and the slope is proportional to one over the position."
    )
    rows = tuple(
        (
            level_text(db),
            number_text(law.mm_at(db)),
            number_text(law.db_per_mm(db), 2),
            number_text(float(moved_db(law, db, MOVE_MM)), 2, True),
            number_text(spread_db(hits_db(law, db)), 2),
        )
        for db in (10.0, 0.0, -15.0, -30.0, -40.0, -50.0, -60.0)
    )
    heads = ("fader", "position (mm)", "one mm is (dB)", "2 mm down (dB)", "hand of σ 0.5 mm (dB)")
    return outcome, sentence, Table("The example law along its travel", heads, rows)


WORKED = Worked(
    "A fader is at −24 dB, its output trim, ahead of it, at +2 dB. With the example law, k = 4 and unity at 75 mm, "
    "what is one millimetre worth there? And how does the fader come to 0 dB with no change at the bus or in the cue, "
    "a send taken ahead of the fader?",
    (
        "Where is it? x = 75 × 10^(−24/(20 × 4)) = 75 × 10^(−0.3) = 37.6 mm. One millimetre is 8.686 × 4/37.6 = 0.92 "
        "dB there, and 8.686 × 4/75 = 0.46 dB at unity: half as much.",
        "What has to stay? At the bus the sum of trim and fader: 2 + (−24) = −22 dB.",
        "With the fader at 0 dB, the trim goes to −22 − 0 = −22 dB. It has moved by −22 − 2 = −24 dB.",
    ),
    Number("Change of the cue send", "dB", tolerance=0.05), 24.0,
    "The send follows the trim and not the fader, so the cue has lost 24 dB: raise the send by 24 dB.",
)  # fmt: skip

LAB = Lab(
    title="Faders: resolution and the second trim",
    question="Why does taking gain after the processors make a fader finer?",
    minutes=50, lessons="one lesson of 50 minutes",
    exercises=(POSITION, SLOPE, HANDED_OVER, JITTER, NEAR_UNITY, MEASURED),
    experiments={"travel": travel}, personal={"strip": strip},
    tasks={"09-2": unknown, "09-3": HANDED_TASK, "09-5": FAR_TASK, "09-6": MEASURED_TASK},
    compare=compare, worked=WORKED,
)  # fmt: skip
