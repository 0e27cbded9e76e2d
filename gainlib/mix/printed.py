"""A printed mix, or printed stems, that came back from the mixer, against what was planned.

A print of the bus is measured, and subtracted from the planned bus once time, speed, level and polarity are taken out
(:mod:`gainlib.boxes.null`). With linear chains the two cancel; where boxes depend on level they need not, and the
difference of level is what is left to compare.

A printed stem is known by its name, or else by what it holds: its level in time follows that of a strip. What is off is
told apart by measuring: start and polarity by subtracting, the pan by the two sides, and what is left is gain. Which
control that gain belongs to follows from the plan: each control it moved is put back where it was, one at a time, and
one that explains the level is named. The limits are common practice, no source.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.boxes.null import DEEP_DB, NullReport, null_test
from gainlib.levels import ratio_to_db
from gainlib.meters import Reading, active_level, measure
from gainlib.mix.inserts import TOLD, basis_of, db, level_dependent, on_the_way, replaced
from gainlib.mix.moves import FIELDS, Move, Plan, Progress
from gainlib.session import Session, Strip
from gainlib.session.routing import heard, pan_pair
from gainlib.words import number, quantity

PEAK_LIMIT_DB = 0.3


@dataclass(frozen=True)
class PrintReport:
    """A printed mix against the plan.

    Attributes
    ----------
    planned, printed : Reading
        The bus as planned, and as it came back.
    null : NullReport or None
        None where the two have nothing in common.
    linear : bool
        Whether everything on the way to the bus is linear, so that the two ought to cancel.
    sentences : tuple of str
        What it amounts to, the verdict first.
    """

    planned: Reading
    printed: Reading
    null: NullReport | None
    linear: bool
    sentences: tuple[str, ...]

    @property
    def peak_off_db(self) -> float:
        """True peak of the print less the planned one."""
        return self.printed.true_peak_dbtp - self.planned.true_peak_dbtp

    @property
    def passed(self) -> bool:
        """Whether the print peaks where the plan said."""
        return abs(self.peak_off_db) <= PEAK_LIMIT_DB


def compare_print(planned: Session, printed: Audio, progress: Progress | None = None) -> PrintReport:
    """Compare a printed mix, stereo and at the rate of the song, with the bus of a planned session."""
    told = progress or (lambda *_: None)
    if printed.channels == 1:
        raise GainlibError(f"{printed.name or 'the print'} is mono; print the bus in stereo")
    if printed.rate_hz != planned.rate_hz:
        raise GainlibError(
            f"{printed.name or 'the print'} runs at {printed.rate_hz} Hz and the song at {planned.rate_hz} Hz; "
            "print it at the rate of the song"
        )
    told("print", 0, 4)
    bus = planned.render().bus
    told("print", 1, 4)
    readings = measure(bus), measure(printed)
    if not all(math.isfinite(reading.true_peak_dbtp) for reading in readings):
        raise GainlibError("the plan or the print is silent; there is nothing to compare")
    told("print", 2, 4)
    try:
        null = null_test(Audio(bus.samples, bus.rate_hz, "the plan"), printed)
    except GainlibError:
        null = None
    told("print", 4, 4)
    linear = not any(level_dependent(owner.inserts) for owner in (*planned.strips, *planned.groups, planned.master))
    return PrintReport(*readings, null, linear, tuple(_sentences(*readings, null, linear)))


def _sentences(planned, printed, null, linear):
    off = printed.true_peak_dbtp - planned.true_peak_dbtp
    near = f"{'within' if abs(off) <= PEAK_LIMIT_DB else 'NOT within'} {number(PEAK_LIMIT_DB)} dB"
    peaks = (quantity(reading.true_peak_dbtp, "dBTP", 2) for reading in (printed, planned))
    yield f"True peak {', planned '.join(peaks)}: {quantity(off, 'dB', 2, signed=True)}, {near}."
    if null is None or not null.alike:
        yield "The print has nothing in common with the planned bus; is it a print of this song, from the same start?"
        return
    level = f"The print is at {quantity(null.gain_db, 'dB', 2, signed=True)} against the plan"
    turned = ", inverted" if null.polarity < 0 else ""
    start = f", and starts {number(1000 * null.offset_s, 2, signed=True)} ms later" if null.offset_s else ""
    yield f"{level}{turned}{start}."
    depth = quantity(null.depth_db, "dB", 1)
    if not null.whole:
        plan_s, print_s = (quantity(seconds, "s", 1) for seconds in null.left_out_s)
        yield (
            f"The comparison covers {quantity(null.compared_s, 's', 1)}; it leaves out {plan_s} of the plan and "
            f"{print_s} of the print that have sound. Print the whole song, from the same start."
        )
    if null.depth_db <= DEEP_DB:
        yield f"After subtraction, {depth} remain: it is the planned mix{'' if null.whole else ', as far as it goes'}."
    elif linear:
        yield (
            f"After subtraction, {depth} remain, but {quantity(DEEP_DB, 'dB')} is possible, because nothing here "
            f"depends on level: a control is off, or something on the mixer is not in the chains."
        )
    else:
        yield (
            f"After subtraction, {depth} remain. Boxes on the way depend on level, and the real ones are not these "
            f"models, so that proves nothing; go by the levels."
        )


# ---- stems -----------------------------------------------------------------------------------------------------------


STEM_LIMIT_DB, SIDES_DB, EXPLAINS_DB, LATE_S = 0.5, 0.3, 0.2, 0.001
AT = ("post", "out")
BLOCK_S, LAG_S, SAME, CLEARLY = 0.05, 2.0, 0.95, 0.02  # how alike two levels in time are to be the same stem's
HEARD_S = 30.0


@dataclass(frozen=True)
class Fault:
    """Something that is off, and the control that would cure it, as sentences without a full stop."""

    what: str
    cure: str


@dataclass(frozen=True)
class StemPrint:
    """A printed stem against the plan.

    Attributes
    ----------
    strip : str
    printed_as : str
        The name of the print.
    planned_dbfs, printed_dbfs : float
        Active levels; −∞ is silence.
    faults : tuple of Fault
        None where it is as planned.
    told : bool
        Whether a black box that was not measured stands on its way, so that its planned level is a guess.
    """

    strip: str
    printed_as: str
    planned_dbfs: float
    printed_dbfs: float
    faults: tuple[Fault, ...] = ()
    told: bool = False

    @property
    def off_db(self) -> float:
        """Printed less planned; 0 where both are silent."""
        if self.planned_dbfs == self.printed_dbfs:
            return 0.0
        return self.printed_dbfs - self.planned_dbfs

    @property
    def passed(self) -> bool:
        """Whether nothing is off."""
        return not self.faults

    @property
    def renamed(self) -> bool:
        """Whether the print bears another name than its strip."""
        return self.printed_as.casefold() != self.strip.casefold()


@dataclass(frozen=True)
class StemsReport:
    """All prints against the plan.

    Attributes
    ----------
    stems : tuple of StemPrint
    missing : tuple of str
        Strips that sound in the plan and were not printed.
    extra : tuple of str
        Prints that belong to no strip.
    """

    stems: tuple[StemPrint, ...]
    missing: tuple[str, ...]
    extra: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether every strip was printed as planned, and nothing else."""
        return not self.missing and not self.extra and all(each.passed for each in self.stems)


def compare_stems(
    plan: Plan, printed: Iterable[Strip], at: str = "out", progress: Progress | None = None
) -> StemsReport:
    """Compare printed stems, as a folder of them opens, with what a plan has for them.

    They were printed `at` "out", behind fader and pan, or at "post", behind the output trim and ahead of the fader.
    """
    if at not in AT:
        raise GainlibError(f"at is {at!r}; it is {' or '.join(map(repr, AT))}")
    told, work = progress or (lambda *_: None), _Comparison(plan, at)
    known, extra = work.matched(tuple(printed))
    if not known:
        raise GainlibError(
            f"none of {', '.join(each.name for each in extra) or 'these files'} is named as a strip of the song, or "
            "sounds like one; name the prints as the stems"
        )
    stems = []
    for done, (strip, each) in enumerate(known.items()):
        told("print", done, len(known))
        stems.append(work.compared(plan.session.strip(strip), each))
    told("print", len(known), len(known))
    missing = tuple(name for name in work.expected if name not in known)
    return StemsReport(tuple(stems), missing, tuple(each.name for each in extra))


class _Comparison:
    def __init__(self, plan: Plan, at: str):
        self._plan, self._at = plan, at
        names, _ = heard(plan.session)
        self.expected = [each.name for each in plan.session.strips if each.name in names]
        self.expected = [name for name in self.expected if math.isfinite(self._level(plan.session, name))]

    def _audio(self, session: Session, name: str) -> Audio:
        return session.render().audio(f"{name}/{self._at}")

    def _level(self, session, name):
        return active_level(self._audio(session, name))[0]

    # ---- which print is which --------------------------------------------------------------------------------------

    def matched(self, printed: tuple[Strip, ...]) -> tuple[dict[str, Strip], list[Strip]]:
        """Return prints by their strips, in the order of the song, and those that belong to none."""
        by_name = {strip.name.casefold(): strip.name for strip in self._plan.session.strips}
        known = {by_name[each.name.casefold()]: each for each in printed if each.name.casefold() in by_name}
        extra = [each for each in printed if each.name.casefold() not in by_name]
        missing = {
            name: _envelope(self._audio(self._plan.session, name)) for name in self.expected if name not in known
        }
        for each in tuple(extra) if missing else ():
            own = _envelope(_read(each.audio))
            fits = sorted(((_alike(level, own), name) for name, level in missing.items()), reverse=True)
            best, second = fits[0], fits[1] if len(fits) > 1 else (0.0, "")
            if best[0] > SAME and best[0] - second[0] > CLEARLY:
                known[best[1]] = each
                extra.remove(each)
                del missing[best[1]]
                if not missing:
                    break
        return {strip.name: known[strip.name] for strip in self._plan.session.strips if strip.name in known}, extra

    # ---- what is off -----------------------------------------------------------------------------------------------

    def compared(self, strip: Strip, printed: Strip) -> StemPrint:
        """Compare one print with its strip."""
        planned, found = self._audio(self._plan.session, strip.name), _read(printed.audio)
        if found.channels != planned.channels:
            raise GainlibError(
                f"{strip.name}: the print has {found.channels} channels and the plan {planned.channels} there; "
                "behind the pan a strip is stereo, ahead of it as its stem is"
            )
        told = basis_of(on_the_way(self._plan.session, strip.name)) == TOLD
        null = _subtracted(planned, found) if found.rate_hz == planned.rate_hz else None
        levels = (active_level(each)[0] for each in _shared(planned, found, null))
        result = StemPrint(strip.name, printed.name, *levels, told=told)
        return replace(result, faults=tuple(self._faults(strip, planned, found, result, null)))

    def _faults(self, strip, planned, found, result, null):
        if found.rate_hz != planned.rate_hz:
            yield Fault(f"it runs at {found.rate_hz} Hz", f"print it at {planned.rate_hz} Hz")
            return
        if not math.isfinite(result.off_db):
            what = "it is silent" if result.printed_dbfs == -math.inf else "it sounds, though it is silent in the plan"
            yield Fault(what, "look at its mute, its routing and what was printed")
            return
        if null is not None:
            yield from _in_time(null)
        panned, session = _pan_of(strip, planned, found, self._plan.session) if self._at == "out" else None, None
        if panned is not None:
            session = self._plan.session.with_(strip.name, pan=panned)
            yield Fault(
                f"its sides stand as with the pan at {number(panned, 2, signed=True)}",
                f"set the pan to {number(strip.pan, 2, signed=True)}",
            )
        expected = result.planned_dbfs if session is None else self._level(session, strip.name)
        off_db = result.printed_dbfs - expected
        if abs(off_db) > STEM_LIMIT_DB:
            loud = f"{quantity(abs(off_db), 'dB', 1)} too {'loud' if off_db > 0 else 'soft'}"
            yield Fault(f"it is {loud}", self._gain_cure(strip, off_db))

    def _gain_cure(self, strip, off_db):
        """Say which control would bring a strip back to its planned level, and by how much."""
        planned_dbfs = self._level(self._plan.session, strip.name)
        for move in self._plan.moves:
            undone = _undone(self._plan.session, strip, move) if move.strip == strip.name else None
            if undone is None or (self._at == "post" and move.control == "fader"):
                continue
            if abs(self._level(undone, strip.name) - planned_dbfs - off_db) < EXPLAINS_DB:
                control = "input trim" if move.control == "trim" else move.control
                return (
                    f"as if the {control} still stood at {db(move.before_db)}: set it to {db(move.after_db)}, "
                    f"{quantity(abs(move.change_db), 'dB', 1)} {'up' if move.change_db > 0 else 'down'}"
                )
        turn = f"{quantity(abs(off_db), 'dB', 1)} {'down' if off_db > 0 else 'up'}"
        if level_dependent(strip.inserts):
            return f"compare the gains around its processors with the sheet; if they stand, turn its output trim {turn}"
        control = "output trim" if self._at == "post" else "fader or output trim"
        return f"compare its gains with the sheet; if they stand, turn its {control} {turn}"


def _subtracted(planned, found):
    """Return the subtraction of where a strip begins to sound; None where the print is something else there."""
    first = int(np.argmax(np.abs(planned.samples).max(axis=1) > 1e-3 * np.abs(planned.samples).max()))
    part = slice(max(first - round(LAG_S * planned.rate_hz), 0), first + round(HEARD_S * planned.rate_hz))
    try:
        null = null_test(planned.with_samples(planned.samples[part]), found.with_samples(found.samples[part]))
    except GainlibError:
        return None
    return null if null.alike else None


def _shared(planned, found, null):
    """Return what both have of a strip, so that silence ahead of a late print is not taken for a softer one."""
    late = round(null.offset_s * planned.rate_hz) if null is not None and abs(null.offset_s) > LATE_S else 0
    parts = planned.samples[max(-late, 0) :], found.samples[max(late, 0) :]
    frames = min(map(len, parts)) if late else None
    return [each.with_samples(part[:frames]) for each, part in zip((planned, found), parts, strict=True)]


def _in_time(null):
    """Yield what a subtraction shows: another polarity, another start."""
    if null.polarity < 0:
        yield Fault("its polarity is inverted", "turn its polarity switch")
    if abs(null.offset_s) > LATE_S:
        late = f"{quantity(1000.0 * abs(null.offset_s), 'ms', 1)} {'late' if null.offset_s > 0 else 'early'}"
        yield Fault(f"it starts {late}", "print from the start of the song, with delays of processors compensated")


def _pan_of(strip, planned, found, session):
    """Return where the pan seems to stand; None where the sides are as planned, or do not show it."""
    before, after = (np.sqrt(np.mean(np.square(each.samples, dtype=float), axis=0)) for each in (planned, found))
    if before.min() <= 0.0 or after.min() <= 0.0:
        return None
    apart = ratio_to_db(after[0] / after[1]) - ratio_to_db(before[0] / before[1])
    if abs(apart) < SIDES_DB:
        return None
    places = np.linspace(-0.99, 0.99, 199)
    pairs = np.array([pan_pair(place, session.pan_law_db, strip.channels) for place in (*places, strip.pan)])
    sides = ratio_to_db(pairs[:, 0]) - ratio_to_db(pairs[:, 1])
    return float(round(places[int(np.argmin(np.abs(sides[:-1] - sides[-1] - apart)))], 2)) + 0.0


def _undone(session: Session, strip: Strip, move: Move) -> Session | None:
    """Return a session with one control of a strip where it was before the plan; None for one that is no gain."""
    if move.control in FIELDS:
        return session.with_(strip.name, **{FIELDS[move.control]: move.before_db})
    if not move.control.endswith((" in", " out")):
        return None
    count, end = move.control.removeprefix("insert ").split()
    return session.with_(strip.name, inserts=replaced(strip.inserts, int(count), **{f"{end}_db": move.before_db}))


def _read(source) -> Audio:
    return Audio(np.concatenate(list(source.blocks())), source.rate_hz)


def _envelope(audio: Audio) -> np.ndarray:
    """Return the level in blocks of 50 ms, as amplitudes."""
    size = round(BLOCK_S * audio.rate_hz)
    whole = audio.samples[: len(audio.samples) // size * size]
    return np.sqrt(np.square(whole, dtype=float).mean(axis=1).reshape(-1, size).mean(axis=1))


def _alike(one: np.ndarray, other: np.ndarray) -> float:
    """Return how alike two levels in time are, at best within two seconds; 1 is the same but for a gain."""
    best, reach = 0.0, round(LAG_S / BLOCK_S)
    for lag in range(-reach, reach + 1):
        a, b = one[max(lag, 0) :], other[max(-lag, 0) :]
        shared = min(len(a), len(b))
        if shared < reach // 2 or 2 * shared < max(len(one), len(other)):
            continue
        a, b = a[:shared] - a[:shared].mean(), b[:shared] - b[:shared].mean()
        norm = math.sqrt(float(a @ a) * float(b @ b))
        best = max(best, float(a @ b) / norm) if norm else best
    return best
