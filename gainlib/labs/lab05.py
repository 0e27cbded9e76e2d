"""Lab 05, summing and the mix bus: why the mix clips when no track does, and what to pull."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, lru_cache, partial
from math import ceil, log10, sqrt

import numpy as np

from gainlib.demo import demo_session
from gainlib.exercises import Before, Exercise, Measured, Multi, Number, Slip, draws, either, fill, grid, one_of
from gainlib.exercises import Choice as Pick
from gainlib.exercises.box_tests import relative_db
from gainlib.exercises.experiment import (
    Again,
    Choice,
    Experiment,
    Later,
    ListenToMix,
    Mixer,
    Picture,
    Plot,
    Setting,
    Sheet,
    db_slider,
    picture,
)
from gainlib.exercises.lab import Lab, Worked
from gainlib.exercises.refrain import REFRAIN_S, STEMS, mix, refrain, rough_faders_db, short_name
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.variants import Recipe, kept_by, pick, shuffled
from gainlib.levels import db_to_ratio, ratio_to_db, sum_levels_db
from gainlib.meters import envelope_of, level_counts
from gainlib.mix import Contributions, common_offset, contributions
from gainlib.mix.bus import REACH_S, Stretches
from gainlib.processors import HardClip
from gainlib.session import Group, Insert, Master, Remeter, Session, Strip
from gainlib.words import Table, depth_text, level_text, number_text, peak_text

# ------------------------------------------------------------------------------------- a mix and its bus under the hand

MASTER = "master"
METERS = {"sample peak": "dBFS", "true peak": "dBTP", "RMS": "dBFS", "loudness": "LUFS"}
KINDS = {"float": "floating point: nothing is cut off", "fixed": "fixed point: cut off at full scale"}
AHEAD, BEHIND = "the sum ahead of the cut", "behind the cut"
EDGES_DB = tuple(range(-60, 13, 3))
NOTE = (
    "You hear the refrain through a converter that cuts off at full scale. Move a fader while it plays. Clipping can "
    "harm tweeters: start low."
)
HEARD = ListenToMix(lambda session: REFRAIN_S, same=("take",), note=lambda _: NOTE, cut=True)


@dataclass(frozen=True, eq=False)
class BusLoad:
    """What is worked out for one setting of a session as found, when the hand has let go.

    The worst peaks are those of the sum, of a fixed bus ahead of the master; the stretches around them are followed
    from move to move. `behind` is what the meters read behind a fixed bus; the rest is there where shown.
    """

    start: Session
    setting: Setting
    peaks: Contributions
    stretches: Stretches
    behind: object = None
    envelope: tuple | None = None
    percent: np.ndarray | None = None


@lru_cache(maxsize=4)
def _surveyed(session):
    return Remeter(session)


@lru_cache(maxsize=4)
def _on_faders(session):
    """Return a mix with its input trims on the faders where nothing lies between: one survey serves all such mixes."""
    if any(strip.inserts or strip.sends for strip in session.strips):
        return session
    strips = (strip.with_(fader_db=strip.fader_db + strip.trim_db, trim_db=0.0) for strip in session.strips)
    return session.with_(strips=tuple(strips))


@lru_cache(maxsize=4)
def _remeter(start):
    session = _on_faders(start)
    master = session.master.with_(fader_db=0.0)
    return _surveyed(session.with_faders(dict.fromkeys(session.names, 0.0)).with_(bus="float", master=master, name=""))


@lru_cache(maxsize=8)  # back at an earlier setting, nothing is worked out twice
def _peaks(session, start):
    """Return the contributions to what a bus has to carry: float, and for a fixed bus ahead of the master."""
    if session.bus == "fixed":
        session = session.with_(bus="float").with_("bus", fader_db=0.0)
    return contributions(_on_faders(session).with_(name=""), remeter=_remeter(start))


@lru_cache(maxsize=4)
def _as_found(start):
    """Return stretches and meters of a session as it was found."""
    return Stretches(start, _peaks(start, start).peaks), _levels(_read(start, {}))


def _read(start, moves):
    """Return the meters of a session, as found or moved."""
    faders = {strip.name: strip.fader_db for strip in start.strips} | moves.get("faders", {})
    pairs = zip(start.strips, _on_faders(start).strips, strict=True)
    faders |= {was.name: faders[was.name] + was.trim_db - now.trim_db for was, now in pairs}
    return _remeter(start).read(**moves | {"faders": faders})


def _levels(reading):
    values = (reading.sample_peak_dbfs, reading.true_peak_dbtp, reading.rms_dbfs, reading.loudness_lufs)
    return {name: (value, unit) for (name, unit), value in zip(METERS.items(), values, strict=True)}


class MixBus:
    """A session's faders and its bus, as an experiment with more or fewer parts.

    It is a session as found, or ``found(setting)`` returns one, the same object for the same setting; nothing but gain
    may lie behind its faders. With `whole` the kind of bus can be switched, other takes opened, and the bus seen from
    end to end and heard. `limit` is the height of the pictures, full scale = 1; `named` whether one names who makes a
    peak.
    """

    def __init__(self, found, *, whole=False, mutes=True, master=True, limit=2.4, named=True):
        self._found = found if callable(found) else lambda _: found
        self._whole, self._mutes, self._master, self._limit, self._named = whole, mutes, master, limit, named

    def experiment(self) -> Experiment:
        """Return the experiment."""
        start = self._found(Setting({"take": 1}))
        faders = {strip.name: strip.fader_db for strip in start.strips}
        if self._master:
            faders[MASTER] = start.master.fader_db
        options = ("mute", "solo") if self._mutes else ()
        look = {"options": options, "look": "fill", "apart": (MASTER,), "low_db": -100.0}
        controls = (Mixer(tuple(faders), tuple(faders.values()), **look),)
        if self._whole:
            again = Again("take", "Another take", fresh=True, hint="The same song with other faults")
            controls = (again, *controls, Choice("bus", "Bus", KINDS, start.bus))
        return Experiment(
            controls,
            self._pictures(start),
            self.session,
            self.read,
            listen=HEARD if self._whole else None,
            later=Later(self._work, lambda _, load: self._told(load), "Measuring …"),
            title="The mix bus",
        )

    def read(self, run):
        """Return the meters of the sum."""
        return _read(self._found(run.setting), self._moves(run.setting))

    def session(self, setting) -> Session:
        """Return the session of a setting."""
        return self._found(setting).with_(bus=self._kind(setting))

    def _kind(self, setting):
        return setting.get("bus", self._found(setting).bus)

    def _moves(self, setting):
        """Return where faders and mutes stand, as remeter and stretches take them."""
        faders, mute, solo = dict(setting.faders_db), setting.get("mute", ()), setting.get("solo", ())
        master = faders.pop(MASTER, 0.0)
        silent = tuple(name for name in faders if name in mute or (solo and name not in solo))
        return {"faders": faders, "mute": silent, "master_trim_db": master}

    # ---- what follows the hand -------------------------------------------------------------------------------------

    def _pictures(self, start):
        height = {"limit": self._limit}
        sources = height | {"names": [short_name(strip.name) for strip in start.strips], "named": self._named}
        following = {
            "M": Plot("bus meters", self._seen_meters, {"marks": start.bus == "float"}),
            "W": Plot("peak waves", self._seen_waves, height | {"reach_ms": REACH_S * 1000}),
            "P": Plot("contributions", lambda run: self._followed(run)[:2], sources),
        }
        margins = {"left": 0.14, "right": 0.995, "hspace": 0.6, "bottom": 0.055}
        pictures = (Picture("The bus and its worst peaks", ("M", "W", "P"), following, (), (1.1, 1.0, 2.1), margins),)
        if not self._whole:
            return pictures
        level = {"edges_db": EDGES_DB, "title": "Bus level"}
        overview = {
            "E": Plot("envelope", self._seen_envelope, height | {"duration_s": start.frames / start.rate_hz}),
            "H": Plot("histogram", lambda run: run.found and (run.found.percent,), level),
        }
        return (
            *pictures,
            Picture("The whole mix", ("E", "H"), overview, margins={"left": 0.11, "right": 0.97, "bottom": 0.13}),
            Sheet(
                "Without one source", lambda run: run.found and without_table(run.found.peaks), after_prediction=True
            ),
        )

    def _followed(self, run):
        """Return times, parts, waves and samples over full scale around the worst peaks known."""
        start, load = self._found(run.setting), run.found
        stretches = load.stretches if load is not None and load.start is start else _as_found(start)[0]
        found = stretches.at(**self._moves(run.setting), fixed=self._kind(run.setting) == "fixed")
        return found.time_s, found.parts, found.waves, found.over

    def _seen_waves(self, run):
        return (*self._followed(run)[2:], self._kind(run.setting) == "fixed")

    def _seen_meters(self, run):
        start, load, fixed = self._found(run.setting), run.found, self._kind(run.setting) == "fixed"
        measured = fixed and load is not None and load.start is start and load.setting == run.setting
        read = _levels(load.behind if measured else self.read(run))
        return read, (BEHIND if measured else AHEAD) * fixed, _as_found(start)[1] if start.bus == "float" else None

    @staticmethod
    def _seen_envelope(run):
        return run.found and (*run.found.envelope, run.found.peaks.bus.over_samples)

    # ---- what is worked out when the hand lets go ------------------------------------------------------------------

    def _work(self, run, progress):
        start, session = self._found(run.setting), run.session
        progress(0.1, "Looking for the worst peaks …")
        peaks = _peaks(session, start)
        load = BusLoad(start, run.setting, peaks, Stretches(start, peaks.peaks))
        if session.bus == "float" and not self._whole:
            return load
        progress(0.6, "Rendering the bus …")
        trace = session.render()  # not the run's own: a dozen of them would hold as many songs
        if session.bus == "fixed":
            load = replace(load, behind=trace.reading("bus"))
        if not self._whole:
            return load
        return replace(load, envelope=envelope_of(trace.bus.samples), percent=level_counts(trace.bus.samples, EDGES_DB))

    def _told(self, load):
        """Return what the setting amounts to."""
        over, peak = load.peaks.bus.over_samples, peak_text(load.peaks.bus.sample_peak_dbfs)
        if self._kind(load.setting) == "fixed":
            if not over:
                return "The fixed-point bus has clipped nothing: its sum stays below full scale."
            said = f"The fixed-point bus has clipped **{over:,} samples**: its sum would have reached {peak}."
            return f"{said} No fader behind it can restore them."
        if not over:
            return "No sample leaves the bus above full scale."
        said = f"**{over:,} samples** leave the bus above full scale, up to {peak}. A floating-point bus carries them;"
        return f"{said} the first converter or fixed-point file clips them."


def without_table(found: Contributions) -> Table:
    """Return what the bus would read if one source were missing."""
    whole = found.bus.sample_peak_dbfs
    rows = [("whole bus", *_texts(found.bus), "")]
    for name, each in found.without.items():
        peak = each.sample_peak_dbfs
        change = number_text(peak - whole, signed=True) if np.isfinite(peak) and np.isfinite(whole) else ""
        rows.append((f"without {name}", *_texts(each), change))
    heads = ("", "sample peak (dBFS)", "samples over full scale", "loudness (LUFS)", "change of the peak (dB)")
    return Table("What the bus would read without one source", heads, tuple(rows))


def _texts(found):
    return number_text(found.sample_peak_dbfs, signed=True), f"{found.over_samples:,}", number_text(found.loudness_lufs)


@cache
def song(take: int = 1) -> Session:
    """Return the song with all faders at 0: take 1 as the lab knows it, later ones with other faults."""
    return demo_session(1, True, "unity") if take == 1 else demo_session(take - 1, "drawn", "unity")


def work_out() -> None:
    """Measure what is the same for all learners; at set-up it is kept for them (:mod:`gainlib.audio.prepared`)."""
    for session in (song(), mix([0.0] * len(STEMS))):
        _remeter(session)


@cache
def bus() -> Experiment:
    """The song's eleven stems on their bus."""
    return MixBus(lambda setting: song(setting.take), whole=True).experiment()


# ------------------------------------------------------------------------------------------------------ one loud source

CEILING_DBFS = -1.0
LOUD = {
    "01 kick": (9.8, -7.7, 5.2, -19.8, -6.0, -9.9, -2.7, 7.2, -5.2, -14.1),
    "03 overheads": (2.8, 1.0, 7.8, 4.5, -8.4, 3.2, -8.4, -1.7, -2.7, -8.5),
    "06 guitar": (-8.5, 1.3, -0.2, 3.3, -9.0, 9.1, 3.7, -7.0, 5.1, -14.4),
    "07 e-piano": (-5.7, 5.5, -1.5, -12.8, -10.1, -3.8, 12.1, 8.0, -9.6, -10.8),
}
"""Gains in dB of ten stems, found by trying, at which one track makes the bus clip and another peaks higher by itself;
by the first. Every learner's are up to half a decibel off, and are drawn again where that is not so any more."""


def _parts_at(gains_db):
    """Yield every stem as it reaches the bus at a gain, both channels in turn, float32."""
    for stem, gain_db in zip(STEMS, gains_db, strict=True):
        samples = refrain(stem).samples
        if samples.shape[1] == 1:
            samples = np.repeat((samples * sqrt(0.5)).astype(np.float32), 2, axis=1)
        yield samples.ravel() * np.float32(10.0 ** (gain_db / 20.0))


def _peak_dbfs(samples):
    return float(ratio_to_db(max(float(samples.max()), -float(samples.min()))))


@dataclass(frozen=True)
class Leaving:
    """Sample peaks of a mix: of the bus, of the bus without each track, and of each track as it reaches the bus."""

    bus_dbfs: float
    without_dbfs: dict[str, float]
    own_dbfs: dict[str, float]

    @property
    def culprit(self) -> str:
        """The track without which the bus is lowest."""
        return min(self.without_dbfs, key=self.without_dbfs.get)


@kept_by("gains_db", most=24)
def _leave_one_out(given):
    total, without, own = sum(_parts_at(given["gains_db"])), {}, {}
    for stem, part in zip(STEMS, _parts_at(given["gains_db"]), strict=True):
        without[stem], own[stem] = _peak_dbfs(total - part), _peak_dbfs(part)
    return Leaving(_peak_dbfs(total), without, own)


@kept_by("gains_db", most=24)
def _least_attenuation_db(given, stem):
    """Return how far one track has to come down for the bus to peak at the ceiling; None if that is not enough.

    Between silence and where the track is, every sample of the bus moves in a straight line, so only the samples that
    are over with the track as it is count, and the tightest of them decides.
    """
    total = sum(part.astype(np.float64) for part in _parts_at(given["gains_db"]))
    own = next(part for name, part in zip(STEMS, _parts_at(given["gains_db"]), strict=True) if name == stem)
    limit = 10.0 ** (CEILING_DBFS / 20.0)
    over = np.abs(total) > limit
    if not over.any():
        return 0.0
    own = own[over].astype(np.float64)
    rest = total[over] - own
    if not own.all():
        return None
    allowed = (np.copysign(limit, total[over]) - rest) / own
    return float(-ratio_to_db(allowed.min())) if allowed.min() > 0 else None


def _draw_loud_source(rng, suspect):
    """Draw a mix in which one source alone makes the bus clip; None where that, or a higher meter, is not to be had.

    Nor where the bus hardly follows that fader near the limit, so that the answer could not be read.
    """
    gains = [round(gain + pick(rng, grid(-0.5, 0.5, 0.1).values), 1) for gain in LOUD[suspect]]
    given = {"gains_db": gains}
    seen = _leave_one_out(given)
    others = min(peak for stem, peak in seen.without_dbfs.items() if stem != suspect)
    higher = max(seen.own_dbfs.values()) - seen.own_dbfs[suspect]
    if seen.without_dbfs[suspect] > -1.2 or others < 0.1 or max(seen.own_dbfs.values()) >= 0 or higher < 0.3:
        return None
    least = _least_attenuation_db(given, suspect)
    if least is None or least < 1:
        return None
    nearly = [gain - (least - 0.5) * (stem == suspect) for stem, gain in zip(STEMS, gains, strict=True)]
    return given if _peak_dbfs(sum(_parts_at(nearly))) > CEILING_DBFS + 0.08 else None


@kept_by("gains_db", most=4)
def loud_mix(given: dict) -> Session:
    """Return the session that is handed out: all faders at 0, the levels on the input trims."""
    return mix([0.0] * len(STEMS), given["gains_db"], name="One loud source")


def _cure_db(given):
    """Return the least attenuation of the culprit, rounded up to 0.1 dB."""
    return ceil(10 * _least_attenuation_db(given, _leave_one_out(given).culprit) - 1e-6) / 10


def _loudest_other(given):
    seen = _leave_one_out(given)
    return max((stem for stem in STEMS if stem != seen.culprit), key=seen.own_dbfs.get)


def _why_loud(given):
    seen, highest = _leave_one_out(given), _loudest_other(given)
    others = min(peak for stem, peak in seen.without_dbfs.items() if stem != seen.culprit)
    names = {"name": short_name(seen.culprit), "highest": short_name(highest)}
    levels = {"bus": seen.bus_dbfs, "rest": seen.without_dbfs[seen.culprit], "others": others}
    return names | levels | {"own": seen.own_dbfs[seen.culprit], "top": seen.own_dbfs[highest]}


# ----------------------------------------------------------------------------------------------- all faders to be moved

WINDOW_DBTP, AIM_DBTP, APART_DB = 0.5, -6.5, 0.1


def _draw_all_faders(rng):
    """Draw faders around the rough balance, and one trim for all that takes the float sum 3 to 9 dB over full scale."""
    faders = [round(rough + pick(rng, grid(-5, 5, 0.5).values), 1) for rough in rough_faders_db()]
    over_dbtp = pick(rng, grid(3, 9, 0.1).values)
    trim = round(over_dbtp + common_offset(mix(faders), 0.0), 1)
    return {"faders_db": faders, "trim_db": trim}


@kept_by("faders_db", "trim_db", most=4)
def hot_mix(given: dict) -> Session:
    """Return the session that is handed out."""
    return mix(given["faders_db"], given["trim_db"], bus="fixed", name="All faders")


def offset_db(given: dict) -> float:
    """Return the move of all faders that brings the float sum to the middle of the window, to 0.1 dB."""
    return round(common_offset(hot_mix(given), AIM_DBTP), 1)


def moved(given: dict, by_db: float, stems=STEMS, master_db: float = 0.0) -> dict:
    """Return an answer: some faders moved by the same number, the master fader somewhere."""
    faders = zip(STEMS, given["faders_db"], strict=True)
    placed = {stem: {"fader_db": round(fader + (by_db if stem in stems else 0.0), 3)} for stem, fader in faders}
    return {**placed, MASTER: {"fader_db": master_db}}


@dataclass(frozen=True)
class MixReading:
    """True peak of the bus, samples that its sum holds at full scale, and RMS of every strip as added to the sum."""

    true_peak_dbtp: float
    cut_samples: int
    levels_dbfs: dict[str, float]


@lru_cache(maxsize=24)
def read_mix(session: Session) -> MixReading:
    """Render a mix and measure it; the last few are kept, since several checks look at one answer."""
    cut, outs = [], {strip.name: f"{strip.name}/out" for strip in session.strips}
    watch = {"bus/in": lambda block: cut.append(int(np.count_nonzero(np.abs(block) >= 1.0)))}
    meters = {"bus": ("true_peak",)} | dict.fromkeys(outs.values(), ("rms",))
    levels = session.render().levels(meters, meters, watch=watch)
    rms = {name: levels[node].rms_dbfs for name, node in outs.items()}
    return MixReading(levels["bus"].true_peak_dbtp, sum(cut), rms)


def _balance(run):
    """Return how far the level between any two tracks has moved, and which two."""
    before, after = (read_mix(each.session).levels_dbfs for each in (run.before, run))
    moves = {name: after[name] - level for name, level in before.items()}
    louder, softer = max(moves, key=moves.get), min(moves, key=moves.get)
    said = f"change of balance between {short_name(louder)} and {short_name(softer)}"
    return Measured(moves[louder] - moves[softer], said)


def _faders_moved(answer, given):
    start = zip(STEMS, given["faders_db"], strict=True)
    return sum(abs(answer[stem]["fader_db"] - fader) > APART_DB for stem, fader in start)


def _loudest(given):
    levels = read_mix(hot_mix(given)).levels_dbfs
    return max(levels, key=levels.get)


ALL_TASK = SetAndMeasure(
    lambda g: MixBus(hot_mix(g), mutes=False, limit=3.4).experiment(), {"faders_db": (None, "fader_db")},
    (Aim("bus", lambda run: read_mix(run.session).true_peak_dbtp, AIM_DBTP, WINDOW_DBTP, unit="dBTP",
         too_high="too hot"),
     Aim("balance", _balance, at_most=APART_DB, too_high="too much"),
     Aim("samples cut off", lambda run: read_mix(run.session).cut_samples, 0, unit="samples", decimals=0,
         too_high="too many")),
    "Faders and master fader", points=4,
)  # fmt: skip


# ----------------------------------------------------------------------------- one fader to be put back, then all moved


TAKEN_DB, TARGETS_DBTP = grid(4, 9, 0.5), (-6, -3, -1)


def _draw_pulled_down(rng):
    """Draw faders around the rough balance, one of them pulled down, and one trim for all; None where it is not missed.

    The bus has to be read again once that fader is back.
    """
    faders = [round(rough + pick(rng, grid(-4, 4, 0.5).values), 1) for rough in rough_faders_db()]
    over_dbtp, place = pick(rng, grid(2, 7, 0.1).values), STEMS.index(pick(rng, STEMS))
    trim, y = round(over_dbtp - _read(mix(faders), {}).true_peak_dbtp, 1), pick(rng, TAKEN_DB.values)
    faders[place] = round(faders[place] - y, 1)
    given = {"faders_db": faders, "trim_db": trim, "track": short_name(STEMS[place]), "y": y}
    missed = abs(_common(given, y, 0.0) - _common(given, 0.0, 0.0)) >= 0.6
    return given | {"t": pick(rng, TARGETS_DBTP)} if missed and max(faders) <= 9 else None


@kept_by("faders_db", "trim_db", most=4)
def pulled_down(given: dict) -> Session:
    """Return the session that is handed out."""
    return mix(given["faders_db"], given["trim_db"], name="One fader pulled down")


def _raised(given, by_db):
    """Return the faders with the one that was pulled down raised."""
    faders = zip(STEMS, given["faders_db"], strict=True)
    return {stem: fader + by_db * (short_name(stem) == given["track"]) for stem, fader in faders}


def _common(given, raised_db, target_dbtp):
    """Return the move of all faders that brings the bus to a true peak once that fader is raised."""
    return target_dbtp - _read(pulled_down(given), {"faders": _raised(given, raised_db)}).true_peak_dbtp


def _restored(given, raised_db, target_dbtp):
    by_db = 0.0 if target_dbtp is None else _common(given, raised_db, target_dbtp)
    return {stem: {"fader_db": round(each + by_db, 2)} for stem, each in _raised(given, raised_db).items()}


def _pulled_down_desk(given):
    desk, wanted = MixBus(pulled_down(given), mutes=False, master=False), _raised(given, given["y"])

    def read(run):
        moves = [run.setting.faders_db[stem] - level for stem, level in wanted.items()]
        return desk.read(run).true_peak_dbtp, max(moves) - min(moves)

    return replace(desk.experiment(), read=read)


OFFSET_TASK = SetAndMeasure(
    _pulled_down_desk, {"faders_db": (None, "fader_db")},
    (Aim("bus", lambda run: run.seen[0], lambda g: g["t"], 0.2, unit="dBTP", points=1),
     Aim("balance", lambda run: run.seen[1], at_most=APART_DB, too_high="too much", points=1)),
    "the faders", points=2,
)  # fmt: skip


# -------------------------------------------------------------------------------------------- ten set-ups that clip

PLAYED, HOT, SECONDS = ("01 kick", "05 bass", "08 pad", "10 backing"), "08 pad", 2.0
TAKE = "clipped take"
OVER_DB, PULLED_DB, SAME_DB = (2, 3, 4, 5, 6), -14.0, -80.0


@dataclass(frozen=True)
class SetUp:
    """One way to clip, by so many dB: what a learner reads, and the session with its master fader at 0.

    In each the last thing is a converter behind the master fader, which cuts off what exceeds full scale. It is cured
    when, with the master fader pulled far enough, what comes out is the unclipped mix, only lower.
    """

    text: str
    build: Callable[[float], Session]


@cache
def _played():
    """Return the stems at one peak level, so that their sum alone exceeds what none of them does."""
    cut = [refrain(stem) for stem in PLAYED]
    frames = round(SECONDS * cut[0].rate_hz)
    samples = [audio.samples[:frames].astype(np.float64) for audio in cut]
    return tuple(
        audio.with_samples(part / np.abs(part).max(), audio.name) for audio, part in zip(cut, samples, strict=True)
    )


def _session(trim_db, group=None, **fields):
    """Return the stems as a mix, through a group or straight to the bus."""
    way = {"to": (group.name,)} if group else {}
    strips = tuple(Strip(audio.name, audio, trim_db=trim_db, **way) for audio in _played())
    return Session(strips, groups=(group,) if group else (), **fields)


@cache
def _unity_db():
    """Return the sample peak of the stems' sum at unity."""
    return float(ratio_to_db(float(np.abs(_session(0.0).render().audio("bus/in").samples).max())))


def _sum(over_db, group=None, **fields):
    """Return a mix whose sum, in the group or on the bus, is so far above full scale."""
    return _session(over_db - _unity_db(), group, **fields)


def _hot_track(over_db, **fields):
    """Return a mix well below full scale but for one track, which is trimmed beyond it by itself."""
    return _sum(-12.0).with_(HOT, trim_db=over_db, **fields)


def _clipped_take(over_db):
    """Return a mix in which one track was recorded into a converter that it exceeded."""
    session = _sum(over_db)
    take = session.strip(HOT).audio
    cut = np.clip(take.samples * db_to_ratio(over_db), -1.0, 1.0) / db_to_ratio(over_db)
    return session.with_(HOT, audio=take.with_samples(cut))


_CUTS = (Insert(HardClip()),)

FLOATING = "Floating-point mixer: "
SET_UPS = {
    "float sum": SetUp(FLOATING + "the sum of the tracks exceeds full scale by {over} dB.", _sum),
    "float group": SetUp(
        FLOATING + "the tracks meet in a group, whose sum exceeds full scale by {over} dB, and go on to the bus at "
        "unity.", lambda over: _sum(over, Group("group"))),
    "hot track": SetUp(
        FLOATING + "one track without inserts is trimmed to {over} dB above full scale, and the rest is low.",
        _hot_track),
    "bypassed ceiling": SetUp(
        FLOATING + "a processor that cuts off at full scale sits on the master, bypassed; the sum exceeds full scale "
        "by {over} dB.", lambda over: _sum(over, master=Master(inserts=(replace(_CUTS[0], bypass=True),)))),
    "raised master trim": SetUp(
        FLOATING + "the sum stays below full scale, but the trim of the master, ahead of its fader, lifts it to {over} "
        "dB above.", lambda over: _sum(-3.0, master=Master(trim_db=over + 3.0))),
    "fixed sum": SetUp(
        "Fixed-point mixer: the sum of the tracks exceeds full scale by {over} dB.",
        lambda over: _sum(over, bus="fixed")),
    "fixed group": SetUp(
        "Fixed-point mixer: the tracks meet in a group, whose sum exceeds full scale by {over} dB; the group's fader "
        "then brings it down, so that the bus itself stays below.",
        lambda over: _sum(over, Group("group", fader_db=-over - 3.0), bus="fixed")),
    "ceiling on the master": SetUp(
        FLOATING + "a processor that cuts off at full scale sits on the master, ahead of its fader; the sum exceeds "
        "full scale by {over} dB.", lambda over: _sum(over, master=Master(inserts=_CUTS))),
    "ceiling on a track": SetUp(
        FLOATING + "one track is driven {over} dB above full scale into an insert that cuts off there; everything "
        "behind it stays below.", lambda over: _hot_track(over, inserts=_CUTS, fader_db=-6.0)),
    TAKE: SetUp(
        FLOATING + "one track was recorded {over} dB too hot and has flat tops; the sum exceeds full scale by {over} "
        "dB as well.", _clipped_take),
}  # fmt: skip


@lru_cache(maxsize=8)
def _unclipped(name, over_db):
    """Return the mix that was meant: nothing cuts off, no converter, the take as it was played."""
    session = SET_UPS[name].build(over_db).with_(bus="float")
    played = {audio.name: audio for audio in _played()}
    strips = tuple(strip.with_(audio=played[strip.name], inserts=()) for strip in session.strips)
    return session.with_(strips=strips, master=session.master.with_(inserts=())).render().bus.samples


def _at_master(name, over_db, master_db):
    """Return the mix that was meant and what comes out of the converter, with the master fader there."""
    session = SET_UPS[name].build(over_db).with_("bus", fader_db=master_db)
    return _unclipped(name, over_db) * db_to_ratio(master_db), np.clip(session.render().bus.samples, -1.0, 1.0)


def _set_up_desk(given):
    """Return the six set-ups with their master fader, and what leaves the converter beside the mix that was meant."""
    names = {name: f"{k}. {name}" for k, name in enumerate(given["set_ups"], 1)}
    axes = {"x": (-4, 4, 1, "around where they differ most (ms)"), "y": (-2.5, 2.5, 0.5, "full scale = 1")}
    lines = {"names": ("mix that was meant", "what comes out"), "title": "With that master", "digits": (1, 2), **axes}

    def read(run):
        meant, out = _at_master(run.setting.set_up, given["over_db"], run.setting.master_db)
        off = np.abs(out - meant).max(axis=1)
        at = max(192, int((off if off.max() > 1e-6 else np.abs(meant).max(axis=1)).argmax()))
        around = [each[at - 192 : at + 193, 0] for each in (meant, out)]
        return np.arange(len(around[0])) / 48 - 4, around, relative_db(out - meant, meant)

    return Experiment(
        (Choice("set_up", "Set-up", names, turns=True), db_slider("master_db", "Master fader", -24.0, 0.0)),
        (picture("What comes out", "curves", lambda run: run.seen[:2], **lines),), read=read,
        told=lambda run: f"The difference, against the mix that was meant: **{depth_text(run.seen[2])}**.",
        title="Six set-ups", lines=1,
    )  # fmt: skip


def residual_db(name: str, over_db: float, master_db: float) -> float:
    """Return how far a set-up's output is from the mix that was meant: RMS of the difference over that of the mix."""
    meant, out = _at_master(name, over_db, master_db)
    return relative_db(out - meant, meant)


@lru_cache(maxsize=256)
def is_cured(name: str, over_db: float) -> bool:
    """Whether pulling only the master fader gives the unclipped mix, 80 dB below which nothing differs."""
    return residual_db(name, over_db, PULLED_DB) < SAME_DB


def _draw_set_ups(rng):
    """Draw six of the ten, the clipped take among them and two to four of them curable, in any order."""
    curable = [name for name in SET_UPS if is_cured(name, OVER_DB[0])]
    hopeless = [name for name in SET_UPS if name not in curable]
    count = pick(rng, (2, 3, 4))
    others = [name for name in hopeless if name != TAKE]
    names = [*shuffled(rng, curable, count), *shuffled(rng, others, 5 - count), TAKE]
    return {"set_ups": shuffled(rng, names), "over_db": pick(rng, OVER_DB)}


def _texts_of(given):
    return {name: fill(SET_UPS[name].text, {"over": given["over_db"]}) for name in given["set_ups"]}


def _cured(given):
    return [name for name in given["set_ups"] if is_cured(name, given["over_db"])]


def _not_cured(given):
    return [name for name in given["set_ups"] if not is_cured(name, given["over_db"])]


def _verdicts(given):
    words = {
        True: "An unclipped mix comes out: nothing cuts off ahead of the master fader.",
        False: "Clipped tops stay: something cuts off ahead of the master fader.",
    }
    return "\n".join(f"- {text} {words[name in _cured(given)]}" for name, text in _texts_of(given).items())


# -------------------------------------------------------------------------------------------------------- the exercises

HANDBOOK = "Handbook formula: unrelated signals add as powers, identical ones as amplitudes"


UNRELATED = Exercise(
    id="05-1", title="Many tracks at one level", edition=2,
    parts=(Number("Bus level", "dBFS", tolerance=0.1, points=2),), given=draws(N=grid(3, 48), L=grid(-30, -14, 0.5)),
    statement="{N} unrelated tracks feed the bus, each at {L} dBFS RMS. What is the RMS level of the bus?",
    solve=lambda g: sum_levels_db([g["L"]] * g["N"]),
    slips=(
        Slip("coherent", lambda g: g["L"] + 20 * log10(g["N"]), "You took the sum of identical tracks. Unrelated "
             "tracks add as powers: 10·log₁₀ of their number."),
        Slip("decibels added", lambda g: g["L"] * g["N"], "You added decibels, which are logarithms and do not add up: "
             "turn each level into a power, add, and go back."),
    ),
    hints=("Unrelated signals add as powers, not as voltages.",
           "How many times the power of a single track does the bus carry? How many dB is that ratio?"),
    explain="Powers add: {N} tracks carry {N} times the power of one, and 10·log₁₀({N}) = {rise:.2f} dB. {L} dBFS "
        "{rise:+.2f} dB = {key:.2f} dBFS.", terms=lambda g: {"rise": 10 * log10(g["N"])},
    cites=(HANDBOOK, "RMS in dBFS (a full-scale sine reads 0): AES17"),
)  # fmt: skip

DOUBLED = Exercise(
    id="05-2", title="A take doubled, and two others", edition=2,
    parts=(Number("Bus level", "dBFS", tolerance=0.1, points=2),),
    given=draws(**{name: grid(-30, -10, 0.5) for name in "abcd"}, where=lambda g: abs(g["a"] - g["b"]) >= 6),
    statement="Four tracks feed the bus at {a}, {b}, {c} and {d} dBFS RMS. The first two are the same take, "
        "duplicated; the other two are unrelated to it and to each other. What is the RMS level of the bus?",
    solve=lambda g: sum_levels_db([sum_levels_db([g["a"], g["b"]], correlation=1.0), g["c"], g["d"]]),
    slips=(
        Slip("all unrelated", lambda g: sum_levels_db([g[name] for name in "abcd"]), "You added four powers. The first "
            "two are the same signal, so their amplitudes add first."),
        Slip("all identical", lambda g: sum_levels_db([g[name] for name in "abcd"], correlation=1.0), "You added four "
            "amplitudes. Only the first two are the same signal; the others add as powers."),
        Slip("mean of the pair", lambda g: sum_levels_db([(g["a"] + g["b"]) / 2 + 6.02, g["c"], g["d"]]), "You took "
            "the pair for 6 dB over its mean. That holds only where both are equally loud: add the two amplitudes."),
    ),
    hints=("Identical signals add as amplitudes. Add that pair first.",
           "Then treat the pair as one track: it is unrelated to the other two, and powers add."),
    explain="The pair: 20·log₁₀(10^({a}/20) + 10^({b}/20)) = {pair:.3f} dBFS. With the others: "
        "10·log₁₀(10^({pair:.3f}/10) + 10^({c}/10) + 10^({d}/10)) = {key:.3f} dBFS.",
    terms=lambda g: {"pair": sum_levels_db([g["a"], g["b"]], correlation=1.0)},
    cites=(HANDBOOK, "RMS in dBFS (a full-scale sine reads 0): AES17"),
)  # fmt: skip

OFFSET = Exercise(
    id="05-3", title="One number for all faders", edition=2, parts=(OFFSET_TASK.part(),),
    before=Before(tuple(Number(name, "dB", tolerance=0.05) for name in ("Offset", "Position")),
                  lambda g: [g["t"] - g["x"], g["f"] + g["t"] - g["x"]]),
    given=Recipe(_draw_pulled_down, {"track": one_of(*map(short_name, STEMS))}),
    statement="To stop this floating-point bus from clipping, someone pulled the {track} down by {y} dB, and the "
        "balance is gone. Put that fader back, then move **all** faders by one number, so that the bus peaks at {t} "
        "dBTP and the mix is the same as before.",
    solve=lambda g: _restored(g, g["y"], g["t"]),
    slips=(
        Slip("left as it was found", lambda g: _restored(g, 0.0, g["t"]), "The bus is where you want it, but the "
            "balance is not: one track is still pulled down.",
             spots=OFFSET_TASK.spots(True, False)),
        Slip("only that fader", lambda g: _restored(g, g["y"], None), "You put the fader back, so the balance is "
            "right. Now link all faders and move them by the target minus the reading.",
             spots=OFFSET_TASK.spots(False, True)),
    ),
    hints=("By how much does that fader go up before all of them come down?",
           "Link all faders. The move takes the reading to the target: target − reading."),
    explain="With the {track} back, {y} dB up, the bus reads {x:+.2f} dBTP. Every level moves by the same number, and "
        "so does their sum: {t} − ({x:.2f}) = {move:+.2f} dB on every fader.",
    terms=lambda g: {"x": g["t"] - _common(g, g["y"], g["t"]), "move": _common(g, g["y"], g["t"])},
    cites=("Handbook formula: a gain common to all inputs is a gain of the sum", "True peak: ITU-R BS.1770-5, Annex 2"),
    material=pulled_down,
)  # fmt: skip

LOUD_SOURCE = Exercise(
    id="05-4", title="The track that clips the bus",
    parts=(Pick("The track", points=2, options={stem: short_name(stem) for stem in STEMS}, read_off=True),
        Number("Least attenuation of that track", "dB", tolerance=0.2, points=2, read_off=True)),
    edition=2, given=either(*(partial(_draw_loud_source, suspect=stem) for stem in LOUD)),
    statement="One track alone makes this bus clip: with it muted, the bus does not clip; with any other muted, it "
        "still does. Which track is it? And by at least how many dB must it come down for the sample peak of the bus "
        "to be no higher than −1.0 dBFS? Give a positive number, rounded up to one decimal.",
    solve=lambda g: [_leave_one_out(g).culprit, _cure_db(g)],
    slips=(
        Slip("loud on its meter", lambda g: [_loudest_other(g), None], "That track is the highest on its own meter, "
             "but with it muted the bus still clips. What counts is what a track adds at the instant the bus peaks."),
        Slip("own peak", lambda g: [None, _why_loud(g)["own"] - CEILING_DBFS],
             "You brought the track's own peak to the limit. The others play at that instant too, so it has to come "
             "down until the sum fits."),
        Slip("excess of the "
            "bus", lambda g: [None, _leave_one_out(g).bus_dbfs - CEILING_DBFS], "You gave the excess of the bus. "
             "Only one of its parts moves, so that part has to move further."),
    ),
    hints=("Mute one track at a time and watch the sample peak of the bus.",
           "Look at the colours of the bars: which track is a large part of all that are over?",
           "Lower that fader until the bus reads the limit; the track's own meter does not matter."),
    explain="With all tracks, the bus peaks at {bus:+.1f} dBFS. Without the {name} it peaks at {rest:.1f} dBFS; "
        "without any other it stays at {others:+.1f} dBFS or more. By itself the {name} peaks at {own:+.1f} dBFS, less "
        "than the {highest} at {top:+.1f} dBFS. At every sample that is over, the rest + gain × {name} has to fit "
        "under 10^(−1/20) = 0.891; the tightest of them needs {key[1]:.1f} dB.",
    terms=_why_loud, cites=("Sample peak: AES17", "Handbook formula: the samples of a sum add"), material=loud_mix,
)  # fmt: skip

ALL_FADERS = Exercise(
    id="05-5", title="Bring the whole mix down", parts=(ALL_TASK.part(sessions=True),), given=_draw_all_faders,
    statement="The bus of this mix is fixed-point: what exceeds full scale is cut off there, ahead of the master "
        "fader. Set the faders so that the bus reads −7.0 to −6.0 dBTP, nothing is cut off, and the balance between "
        "any two tracks stays within 0.1 dB of what it is now.",
    solve=lambda g: moved(g, offset_db(g)),
    slips=(
        Slip("one fader", lambda g: moved(g, -20.0, stems=(_loudest(g),)), "You moved a single fader, and that changed "
             "the balance. All of them have to come down by the same amount.",
             spots=lambda a, g: _faders_moved(a, g) == 1),
        Slip("master only", lambda g: moved(g, 0.0, master_db=AIM_DBTP), "You moved only the master fader. The sum was "
             "cut off ahead of it, so it only turns down what is already clipped.",
             spots=lambda a, g: _faders_moved(a, g) == 0 and abs(a[MASTER]["fader_db"]) > APART_DB),
    ),
    hints=("Which comes first here, the sum that cuts off or the master fader?",
           "Link all faders, then move them: a common move cannot change the balance.",
           "A clipped sum reads too low. Move down until nothing is cut off, then read again and move the rest of the "
           "way."),
    explain="In floating point, before anything is cut off, the sum peaks at {peak:+.1f} dBTP. The middle of the "
        "window is −6.5 dBTP, so every fader moves by {offset:+.1f} dB; no level between two tracks changes. The "
        "master fader comes behind the sum and cannot restore what was cut off in it.",
    terms=lambda g: {"peak": -common_offset(hot_mix(g), 0.0), "offset": offset_db(g)},
    cites=("True peak: ITU-R BS.1770-5, Annex 2", "A bus at −6 dBTP while working: common practice, no source"),
    material=hot_mix,
)  # fmt: skip

UNCLIPPED = Multi(
    "An unclipped mix comes out", points=3, options=_texts_of, partly_from=0.8, by_chance=0.75, read_off=True
)

ONLY_THE_MASTER = Exercise(
    id="05-6", title="When the master fader is enough", edition=2, parts=(UNCLIPPED,),
    before=Before((replace(UNCLIPPED, partly_from=1.0),), _cured), given=_draw_set_ups,
    statement="Six set-ups clip. In each, the converter comes last, behind the master fader, and cuts off at full "
        "scale. In which of them does an unclipped mix come out if you pull down **only the master fader**?",
    solve=_cured,
    slips=(
        Slip("always", lambda g: list(g["set_ups"]), "You picked all of them. Where something was cut off ahead of the "
             "master fader, pulling it down only lowers the flat tops."),
        Slip("the others", _not_cured, "You picked the ones that stay clipped. The question asks for those in which "
             "nothing is cut off ahead of the master fader."),
        Slip("too late", lambda g: [*_cured(g), _not_cured(g)[0]], "In at least one that you picked, something is cut "
             "off ahead of the master fader, which then comes too late.",
             spots=lambda a, g: len(a) < len(g["set_ups"]) and set(_cured(g)) < set(a)),
        Slip("over is not clipped", lambda g: _cured(g)[1:], "You left out at least one. In floating point a level "
             "above full scale is kept as it is until something cuts it off.",
             spots=lambda a, g: set(a) < set(_cured(g))),
    ),
    hints=("Follow the signal from the tracks to the converter. Does anything cut off ahead of the master fader?",
           "Floating point keeps what is above full scale until something cuts it off; a fixed-point sum does not."),
    explain=_verdicts,
    cites=("Each set-up is rendered with the master fader pulled down; either the unclipped mix comes out or it does "
        "not",),
    material=lambda g: {name: SET_UPS[name].build(g["over_db"]) for name in g["set_ups"]},
)  # fmt: skip

NONE = "no single one"
CHOICES = {"01 kick": "kick", "05 bass": "bass", "08 pad": "pad", "10 backing": "backing"}


def compare() -> tuple[str, str, Table]:
    """Return what muting one stem does to the mix the prediction was about."""
    found = _peaks(song(), song())
    whole, without = found.bus, found.without
    cures = [name for name, each in without.items() if each.over_samples == 0]
    outcome = CHOICES.get(cures[0], cures[0]) if len(cures) == 1 else NONE
    fewest = min(without, key=lambda name: without[name].over_samples)
    lowest = min(without, key=lambda name: without[name].sample_peak_dbfs)
    sentence = (
        f"All together, the tracks peak at {level_text(whole.sample_peak_dbfs, 'dBFS')}, with {whole.over_samples:,} "
        f"samples over full scale. Muting **{short_name(fewest)}** removes most of those samples: "
        f"{without[fewest].over_samples:,} remain. Muting **{short_name(lowest)}** lowers the peak most, to "
        f"{level_text(without[lowest].sample_peak_dbfs, 'dBFS')}. "
        + (f"**{outcome}** alone makes it clip." if len(cures) == 1 else "Muting none of them makes it fit.")
        + f" The worst peak, at {number_text(found.peaks[0].time_s, 2)} s, comes from several tracks together."
    )
    return outcome, sentence, without_table(found)


def _loud_desk(given):
    desk = MixBus(loud_mix(given), master=False, named=False)

    def fine(run):
        peak = level_text(desk.read(run).sample_peak_dbfs, "dBFS", 2)
        return Table("To the hundredth", ("meter", "value"), (("sample peak", peak),))

    return replace(desk.experiment(), numbers=fine)


WORKED = Worked(
    "The sum on a bus peaks at +2.6 dBTP where nothing has cut it off yet. You want −6 dBTP and the same mix. The "
    "fader of the vocal is at −4.5 dB. Where does it end up?",
    ("The move takes the reading to the target: −6 − 2.6 = −8.6 dB.",
     "It is the same for every fader, wherever it stands. Then every level falls by 8.6 dB, the level between two "
     "tracks stays, and so their sum falls by 8.6 dB too."),
    Number("The vocal's fader", "dB", tolerance=0.05), -13.1, "It starts from where it is: −4.5 − 8.6 = −13.1 dB.",
)  # fmt: skip

LAB = Lab(
    title="Summing and the mix bus",
    question="Why does the mix clip when no track does, and which fader do you pull down?",
    minutes=70,
    lessons="two lessons of 50 minutes",
    exercises=(UNRELATED, DOUBLED, OFFSET, LOUD_SOURCE, ALL_FADERS, ONLY_THE_MASTER),
    experiments={"bus": bus},
    tasks={"05-3": OFFSET_TASK, "05-4": _loud_desk, "05-5": ALL_TASK, "05-6": _set_up_desk},
    compare=compare,
    worked=WORKED,
)
