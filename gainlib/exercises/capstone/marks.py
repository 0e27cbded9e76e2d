"""What is looked at in a session that was handed in: its drive, and its mix against the one that was found.

The drive: every level-dependent box fed as it is built for, or as far as its peaks allow, and matched behind. The mix:
faders near unity, and every relation as it was: balance, effect to dry, the drum group, the cue.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from statistics import median
from typing import Any, ClassVar

from gainlib.demo.session import CUED, WET
from gainlib.exercises.capstone import assignment
from gainlib.exercises.capstone.assignment import DRUM_STRIPS, GROUPS, SOUNDING, short_name
from gainlib.exercises.capstone.measurements import figures_of, levels_of, strip_levels
from gainlib.exercises.model import Judgement, Part
from gainlib.exercises.practical import Control, State
from gainlib.exercises.text import Unreadable, as_table, describe, sentences, shorten
from gainlib.processors import Processor
from gainlib.words import quantity

MOST_TOLD = 4


@dataclass(frozen=True)
class Found:
    """One thing looked at: whether it is as wanted; measured, wanted and distance in a sentence; whose it is."""

    passed: bool
    said: str
    of: str = ""


@dataclass(frozen=True)
class Staging(State):
    """Controls of the whole session: right when everything that is looked at is as wanted.

    Parameters
    ----------
    controls, from_session : callable
        As of any state; those of the whole session if left out.
    look : callable
        ``look(answer, given)`` returns what was found.
    wanted : str
        What is wanted, in words.
    each : str
        What each earns its share of the points, "box" or "strip", where everything found of it is as wanted; what was
        right before anything moved earns nothing, and counts again when it is lost. Empty for all or nothing.
    first : callable or None
        ``first(answer, given)`` returns what has to be as wanted before anything else of the same strip counts.
    """

    controls: Callable[[dict], tuple[Control, ...]] = assignment.controls
    from_session: Callable[[dict, dict], dict] = assignment.compact
    look: Callable[[Any, dict], list[Found]] = lambda answer, given: []
    wanted: str = ""
    each: str = ""
    first: Callable[[Any, dict], list[Found]] | None = None

    @property
    def band(self) -> str:
        """What is wanted."""
        return self.wanted

    def judge(self, value: dict, key: Any, given: dict, values: list) -> Judgement:
        """Return what is not as wanted, the first few of it; or that all is."""
        found = self.look(value, given)
        failing, waiting = [each.said for each in found if not each.passed], self._waiting(value, given)
        if not failing and not waiting:
            return Judgement(1.0, f"all {len(found)} measurements are right: {self.wanted}")
        share, said = 0.0, []
        if self.each:
            kept, total = len(self._kept(value, given)), len({each.of for each in found})
            was = len(self._kept(assignment.as_found(given), given))
            share = max(0.0, (kept - was) / (total - was)) if total > was else 0.0
            said = [f"{kept} of {total} {'boxes' if self.each == 'box' else 'strips'} are right"]
        if waiting:
            said.append(f"a strip counts once its boxes are fed and matched (12-3); not yet {_listed(waiting)}")
        more = len(failing) - MOST_TOLD
        said += failing[:MOST_TOLD]
        return Judgement(min(share, 0.999), sentences(said) + (f". {more} more are off" if more > 0 else ""))

    def _waiting(self, value, given):
        """Return the strips of which something else has to be right first, and is not."""
        failing = (each for each in (self.first(value, given) if self.first else ()) if not each.passed)
        return list(dict.fromkeys(assignment.owner(each.of) for each in failing))

    def _kept(self, value, given):
        """Return the boxes or strips of which everything is as wanted."""
        found = self.look(value, given)
        lost = {each.of for each in found if not each.passed} | set(self._waiting(value, given))
        return {each.of for each in found} - lost


def _listed(names):
    told = [short_name(name) for name in names]
    return ", ".join(told[:MOST_TOLD]) + (f" and {len(told) - MOST_TOLD} more" if len(told) > MOST_TOLD else "")


@dataclass(frozen=True)
class Beside(Part):
    """Controls of the whole session with something beside them: ``{"controls": {…}, name: …}``.

    What is beside them is judged by what the session measures with these controls in place. Controls left out stay
    where they were found.
    """

    name: ClassVar[str] = ""
    kind: ClassVar[str] = "state"
    keyed: ClassVar[bool] = False

    def controls_for(self, given: dict) -> tuple:
        """Return the controls a learner may move."""
        return assignment.controls(given)

    def read(self, answer: Any, given: dict) -> dict:
        """Return controls and what is beside them."""
        wanted = f"the controls and the {self.name}"
        answer = as_table(answer, wanted)
        if self.name not in answer:
            raise Unreadable(f"{describe(answer)} cannot be read; give {wanted}.")
        unknown = [name for name in answer if name not in ("controls", self.name)]
        if unknown:
            raise Unreadable(f"Give {wanted} only, without “{shorten(unknown[0])}”.")
        controls = Staging().read(answer.get("controls") or {}, given)
        return {"controls": controls, self.name: self.read_more(answer[self.name], given)}

    def read_more(self, entry: Any, given: dict) -> Any:
        """Return what is beside the controls in one form."""
        raise NotImplementedError


# ------------------------------------------------------------------------------------------------------------ the drive

FED_DB, MATCH_DB, PEAK_MAX_DBFS, LINE_UP_DBFS = 1.0, 0.3, -3.0, -18.0
_BINDS_DB = 0.005
DRIVE_WANTED = (
    "active level at the input of every level-dependent box within 1 dB of what it is built for, or its peaks within "
    "1 dB of −3 dBFS where they bind first; every bypass within 0.3 dB"
)


@dataclass(frozen=True)
class FedBox:
    """One box as it is fed, and how it compares with its bypass.

    Attributes
    ----------
    name : str
        What it is called here.
    processor : Processor
    into : NodeReading
        At its input.
    bypass_dbfs, active_dbfs : float
        Energy ahead of it, which its bypass would pass on, and behind it.
    """

    name: str
    processor: Processor
    into: Any
    bypass_dbfs: float
    active_dbfs: float

    @property
    def built_for_dbfs(self) -> float:
        """The level written on it: its reference, or the usual line-up level where it has none."""
        return LINE_UP_DBFS if self.processor.reference_dbfs is None else self.processor.reference_dbfs

    @property
    def difference_db(self) -> float:
        """Active against bypass."""
        return self.active_dbfs - self.bypass_dbfs

    @property
    def wanted_shift_db(self) -> tuple[float, bool]:
        """By how much it should be fed hotter, and whether it is its peaks that decide."""
        by_average = self.built_for_dbfs - self.into.active_dbfs
        by_peak = PEAK_MAX_DBFS - self.into.clear_peak_dbfs
        return min(by_average, by_peak), by_peak < by_average - _BINDS_DB

    def fed(self) -> Found:
        """Return how it is fed."""
        shift, by_peaks = self.wanted_shift_db
        what, shown, centre = "the active level at its input is", self.into.active_dbfs, self.built_for_dbfs
        if by_peaks:
            what, shown, centre = "its input peaks at", self.into.clear_peak_dbfs, PEAK_MAX_DBFS
        said = f"{self.name}: {what} {quantity(shown, 'dBFS', 1)}"
        off = f", {quantity(abs(shift), 'dB', 1)} too {'soft' if shift > 0 else 'hot'}" if abs(shift) > FED_DB else ""
        binds = " (the peaks bind, not the average)" if by_peaks else ""
        return Found(not off, f"{said}{off}; aim for {quantity(centre, 'dBFS', 1)} ± {FED_DB:g} dB{binds}", self.name)

    def matched(self) -> Found:
        """Return how it compares with its bypass."""
        off = self.difference_db
        said = f"{self.name} is {quantity(abs(off), 'dB', 2)} {'louder' if off >= 0 else 'softer'} than its bypass"
        return Found(abs(off) <= MATCH_DB, f"{said}; bring it within {MATCH_DB:g} dB", self.name)


def boxes_of(strip, levels: dict) -> list[FedBox]:
    """Return the boxes of a strip as they are fed, from the left; `levels` by node."""
    found, ahead = [], levels[f"{strip.name}/trim"]
    for number, insert in enumerate(strip.inserts, start=1):
        into, out = (levels[f"{strip.name}/insert {number}/{end}"] for end in ("in", "out"))
        name = assignment.box_name(strip.name, number)
        found.append(FedBox(name, insert.processor, into, ahead.energy_dbfs, out.energy_dbfs))
        ahead = out
    return found


def boxes_at(name: str, levels: dict, given: dict) -> list[FedBox]:
    """Return the boxes of a strip, none of a group."""
    return [] if name in GROUPS else boxes_of(assignment.session(given).strip(name), levels)


def drive(answer: dict, given: dict) -> list[Found]:
    """Return what is found at the input and behind every level-dependent box, strip by strip."""
    levels = strip_levels(given["seed"], answer)
    strips = (strip for strip in assignment.session(given).strips if strip.name in SOUNDING)
    boxes = (box for strip in strips for box in boxes_of(strip, levels) if not box.processor.linear)
    return [found for box in boxes for found in (box.fed(), box.matched())]


# -------------------------------------------------------------------------------------------------------------- the mix

UNITY_DB, BALANCE_DB, WET_DB, REDUCTION_DB, CUE_DB = 3.0, 0.2, 0.2, 0.1, 0.2
DIRECT = (*(stem for stem in SOUNDING if stem not in DRUM_STRIPS), "drums")
MIX_WANTED = (
    "faders within 3 dB of unity; balance, wet to dry and cue within 0.2 dB of what was found; gain reduction of the "
    "drum group within 0.1 dB"
)


class Mix:
    """A mix against the one that was found, line by line.

    With ``told(done)``, called with the share that is done, the bus is run too, and `figures` are there.
    """

    def __init__(self, answer: dict | None, given: dict, told: Callable[[float], None] | None = None):
        self.before = levels_of(None, given)
        self.figures = figures_of(answer, given, told) if told else None
        self.levels = self.figures.levels if told else levels_of(answer, given)

    def moved(self, node: str) -> float:
        """Return by how much the energy at a node has moved."""
        return self.levels[node].energy_dbfs - self.before[node].energy_dbfs

    @cached_property
    def common_db(self) -> float:
        """By how much the mix has moved as a whole: the middle of what all that feeds the bus have moved by."""
        return median(self.moved(f"{name}/out") for name in DIRECT)

    @cached_property
    def drums_db(self) -> float:
        """By how much what feeds the drum group has moved, in the middle."""
        return median(self.moved(f"{name}/out") for name in DRUM_STRIPS)

    @cached_property
    def against_db(self) -> dict[str, float]:
        """By how much each strip, and the drum group, has moved against the others it is summed with."""
        return {
            name: self.moved(f"{name}/out") - (self.drums_db if name in DRUM_STRIPS else self.common_db)
            for name in (*SOUNDING, "drums")
        }

    @property
    def reduction_db(self) -> float:
        """How much the drum group's compressor takes off, by energy."""
        return reduction_db(self.levels)

    @property
    def reduction_found_db(self) -> float:
        """How much it took off as it was found."""
        return reduction_db(self.before)

    @cached_property
    def wet_db(self) -> dict[str, float]:
        """By how much a strip's share of the effect has moved against the strip itself."""
        through = self.moved("reverb/out") - self.moved("reverb/in")
        return {name: self.moved(f"{name}/send reverb") + through - self.moved(f"{name}/out") for name in WET}

    @cached_property
    def cue_db(self) -> dict[str, float]:
        """By how much each strip in the cue has moved there."""
        return {name: self.moved(f"{name}/send cue") for name in CUED}

    # ---- what is found of it ---------------------------------------------------------------------------------------

    def balance(self) -> list[Found]:
        """Return what is found of every track against the others."""
        among = {True: "the other drums", False: "the rest of the mix"}
        return [
            _near(name, off, BALANCE_DB, f"{_louder(name, off)} against {among[name in DRUM_STRIPS]} than it was")
            for name, off in self.against_db.items()
        ]

    def reduction(self) -> Found:
        """Return what is found of the drum group's compressor."""
        now, was = self.reduction_db, self.reduction_found_db
        said = (
            f"the gain reduction of the drum group is {quantity(now, 'dB', 2)} and was {quantity(was, 'dB', 2)}; bring "
            f"it within {REDUCTION_DB:g} dB of that"
        )
        return Found(abs(now - was) <= REDUCTION_DB, said, "drums")

    def effect(self) -> list[Found]:
        """Return what is found of the effect against the dry tracks."""
        more = {name: _louder(name, off, ("more", "less"), "has") for name, off in self.wet_db.items()}
        end = "effect against the dry sound than before"
        return [_near(name, off, WET_DB, f"{more[name]} {end}") for name, off in self.wet_db.items()]

    def cue(self) -> list[Found]:
        """Return what is found of the cue."""
        end = "in the cue than before"
        return [_near(name, off, CUE_DB, f"{_louder(name, off)} {end}") for name, off in self.cue_db.items()]


def _near(name, off, within, said):
    return Found(abs(off) <= within, f"{said}; bring it within {within:g} dB", name)


def _louder(name, off, words=("louder", "softer"), verb="is"):
    return f"{short_name(name)} {verb} {quantity(abs(off), 'dB', 2)} {words[off < 0]}"


def reduction_db(levels: dict) -> float:
    """Return how much the drum group's compressor takes off, by energy."""
    into, out = (levels[f"drums/insert 1/{end}"].energy_dbfs for end in ("in", "out"))
    return into - out


def mix(answer: dict, given: dict) -> list[Found]:
    """Return what is found of the faders and of everything that has to stay as it was."""
    found = Mix(answer, given)
    return [*_faders(answer), found.reduction(), *found.balance(), *found.effect(), *found.cue()]


def _faders(answer):
    for name in (*SOUNDING, *GROUPS):
        at = answer[name]["fader_db"]
        off = abs(at) - UNITY_DB
        said = f"{short_name(name)}: the fader is at {quantity(at, 'dB', 1, signed=True)}"
        far = f", {quantity(off, 'dB', 1)} too far; bring it within {UNITY_DB:g} dB of unity"
        yield Found(off <= 0, said if off <= 0 else said + far, name)


# ------------------------------------------------------------------------------------------------------ what went wrong


def not_matched(answer: dict, given: dict) -> bool:
    """Whether every box is fed well and no output gain was touched."""
    outs = (value for fields in answer.values() for name, value in fields.items() if name.endswith("out_db"))
    return not any(outs) and all(each.passed for each in drive(answer, given)[::2])


def one_fader(answer: dict, given: dict) -> bool:
    """Whether nothing is off but the balance of one track."""
    failing = [each for each in mix(answer, given) if not each.passed]
    return len(failing) == 1 and "than it was" in failing[0].said


def drums_driven_elsewhere(answer: dict, given: dict) -> bool:
    """Whether the drums moved at their own strips, so that the compressor of their group works at another level."""
    found = Mix(answer, given)
    return abs(found.drums_db) > BALANCE_DB and not found.reduction().passed


def cue_forgotten(answer: dict, given: dict) -> bool:
    """Whether the mix is kept and the cue went along with the output trims."""
    found = Mix(answer, given)
    kept = all(each.passed for each in found.balance())
    return kept and not all(each.passed for each in found.cue())
