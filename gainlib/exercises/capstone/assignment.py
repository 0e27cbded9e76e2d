"""Whose session it is: the demo with faults, chains and faders drawn for one learner, and what may be moved on it.

Every strip has its DC block switched on, so that an offset is something to report and nothing to stumble over. The
master stays where it is: what moves the bus has to be moved ahead of it.
"""

import gc
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.demo import demo_session, fault_list
from gainlib.demo.faults import TAGS
from gainlib.demo.recordings import RECORDINGS
from gainlib.demo.session import DRUMS
from gainlib.exercises.practical import Control, answer_from, applied, controls_of
from gainlib.exercises.recordings import bad_take
from gainlib.exercises.variants import grid, kept_by, pick
from gainlib.session import Session

SILENT = "11 shaker"
STEMS = tuple(RECORDINGS)
SOUNDING = tuple(stem for stem in STEMS if stem != SILENT)
GROUPS = ("drums", "reverb")
DRUM_STRIPS = DRUMS
SEEDS = 1_000_000
MOST_INSERTS = 3
SENDS_DB = (-48.0, 36.0)
GAINS_DB = (-24.0, 24.0)
_OPEN = 1  # a session holds its stems, a hundred megabytes; learners come one after the other
_KEPT = 64


@dataclass(frozen=True)
class SessionDraw:
    """The draw of a session for one task: its number first, so that all tasks of a run get the same one."""

    task: str

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return the values of a variant."""
        return {"task": self.task, "seed": int(rng.random() * SEEDS)}

    def holds(self, given: dict) -> bool:
        """Whether these values could have been drawn here."""
        seed = given["seed"]
        return given["task"] == self.task and isinstance(seed, int) and 0 <= seed < SEEDS


RETAKES = ("01 kick", "05 bass", "06 guitar", "09 lead vocal")
RETAKE_KINDS = ("good", "preamp", "converter", "low")
_OVER_DB, _PEAKS_DBFS = grid(3, 8, 0.5), grid(-12, -1, 0.5)


@dataclass(frozen=True)
class RetakesDraw(SessionDraw):
    """The draw of a session and of four retakes: what went wrong with each at the microphone, and how far."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return the values of a variant; the retakes are of two kinds or more, and one has clipped in the preamp."""
        given = super().__call__(rng)
        kinds = [pick(rng, RETAKE_KINDS) for _ in RETAKES]
        while not self._mixed(kinds):
            kinds = [pick(rng, RETAKE_KINDS) for _ in RETAKES]
        over, peaks = ([field.draw(rng) for _ in RETAKES] for field in (_OVER_DB, _PEAKS_DBFS))
        return {**given, "kinds": kinds, "over_db": over, "peaks_dbfs": peaks}

    def holds(self, given: dict) -> bool:
        """Whether these values could have been drawn here."""
        lists = ((RETAKE_KINDS, "kinds"), (_OVER_DB.values, "over_db"), (_PEAKS_DBFS.values, "peaks_dbfs"))
        drawn = all(set(given[name]) <= set(known) and len(given[name]) == len(RETAKES) for known, name in lists)
        return super().holds(given) and drawn and self._mixed(given["kinds"])

    @staticmethod
    def _mixed(kinds):
        return len(set(kinds)) >= 2 and "preamp" in kinds


def retakes(given: dict) -> dict[str, Audio]:
    """Return the four retakes, each brought to some peak afterwards."""
    drawn = zip(RETAKES, given["kinds"], given["over_db"], given["peaks_dbfs"], strict=True)
    return {name: bad_take(name, kind, over, peak, k) for k, (name, kind, over, peak) in enumerate(drawn)}


def retake_kinds(given: dict) -> dict[str, str]:
    """Return what went wrong with each retake."""
    return dict(zip(RETAKES, given["kinds"], strict=True))


def session(given: dict) -> Session:
    """Return the session that is handed out."""
    return session_of(given["seed"])


@lru_cache(maxsize=_OPEN)
def session_of(seed: int) -> Session:
    """Return the session of a number: eleven strips with drawn chains, a compressed drum group, an effect and a cue."""
    if not 0 <= seed < SEEDS:
        raise GainlibError(f"there is no session no. {seed}; they go from 0 up to {SEEDS - 1}")
    gc.collect()  # what a render was made of refers to itself, and holds the stems of the session before
    opened = demo_session(seed, "drawn", "spread", chains="drawn")
    return opened.with_(strips=tuple(strip.with_(dc_block=True) for strip in opened.strips))


@kept_by("seed", most=_KEPT)
def controls(given: dict) -> tuple[Control, ...]:
    """Return everything that may be moved: gains along the strips, sends, and the trims and faders of the groups."""
    found = session(given)
    boxes = [f"insert {k} {side}_db" for k in range(1, MOST_INSERTS + 1) for side in ("in", "out")]
    sends = [f"send {group.name} level_db" for group in found.groups]
    of_strips = controls_of(found, ("trim_db", *boxes, "post_trim_db", "fader_db", *sends), STEMS)
    of_groups = controls_of(found, ("trim_db", "post_trim_db", "fader_db"), GROUPS)
    return tuple(map(_within_reach, (*of_strips, *of_groups)))


def _within_reach(control):
    ranges = {"insert": GAINS_DB, "send": SENDS_DB}.get(control.name.split()[0])
    return replace(control, low=ranges[0], high=ranges[1]) if ranges else control


def compact(document: dict, given: dict) -> dict:
    """Return the answer that a whole session in JSON amounts to."""
    return answer_from(document, session(given), controls(given))


def staged(answer: dict, given: dict) -> Session:
    """Return the session with an answer's controls in place."""
    return applied(session(given), answer)


def as_found(given: dict) -> dict:
    """Return where everything stands before anybody has moved anything, in the shape of an answer."""
    placed: dict = {}
    for control in controls(given):
        placed.setdefault(control.target, {})[control.name] = control.start
    return placed


def complete(answer: dict, given: dict) -> dict:
    """Return an answer with every control in it; what it leaves out stays where it was found."""
    return {target: {**fields, **answer.get(target, {})} for target, fields in as_found(given).items()}


def short_name(name: str) -> str:
    """Return the name of a strip or group without its number.

    Examples
    --------
    >>> short_name("05 bass"), short_name("drums")
    ('bass', 'drums')
    """
    number, _, rest = name.partition(" ")
    return rest if number.isdigit() else name


# ----------------------------------------------------------------------------------------- faults and boxes, as options


_TEXTS = {
    "DC": "DC offset", "noisy": "hum or hiss", "polarity": "polarity reversed", "sparse": "low activity",
    "none": "none of these",
}  # fmt: skip
TAG_TEXTS = {tag: _TEXTS.get(tag, tag) for tag in TAGS}
"""What a fault report may say of a stem, and how it reads."""


def faults(given: dict) -> dict[str, list[str]]:
    """Return what is wrong with each stem, in the order of the tags."""
    found = fault_list(given["seed"], "drawn")
    return {stem: [tag for tag in TAGS if tag in found[stem]] for stem in STEMS}


def boxes(given: dict) -> dict[str, tuple[str, int]]:
    """Return every insert of the session by the name a learner sees: its strip or group, and its place from 1."""
    found = session(given)
    channels = (*found.strips, *found.groups)
    return {
        box_name(channel.name, number): (channel.name, number)
        for channel in channels
        for number in range(1, len(channel.inserts) + 1)
    }


def box_names(given: dict) -> dict[str, str]:
    """Return every insert as something to be marked."""
    return {name: name for name in boxes(given)}


def box_name(owner: str, number: int) -> str:
    """Return what an insert is called here."""
    return f"{owner}, box {number}"


def owner(box: str) -> str:
    """Return the strip or group of a box.

    Examples
    --------
    >>> owner(box_name("05 bass", 2))
    '05 bass'
    """
    return box.rpartition(", box ")[0]


def processor(given: dict, name: str):
    """Return the processor of an insert by the name a learner sees."""
    owner, number = boxes(given)[name]
    found = session(given)
    channel = next(each for each in (*found.strips, *found.groups) if each.name == owner)
    return channel.inserts[number - 1].processor


def kinds(given: dict) -> dict[str, str]:
    """Return for every insert whether it is linear; what depends on level in any way is not."""
    return {name: "linear" if processor(given, name).linear else "nonlinear" for name in boxes(given)}
