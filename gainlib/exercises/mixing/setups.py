"""Ten set-ups that clip, and whether pulling the master fader alone would cure it: decided by rendering.

In each the last thing is a converter behind the master fader, which cuts off what exceeds full scale. A set-up is cured
when, with the master fader pulled far enough, what comes out is the unclipped mix, only lower.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np

from gainlib.audio import Audio
from gainlib.exercises.mixing.refrain import refrain
from gainlib.exercises.model import Option
from gainlib.exercises.text import fill
from gainlib.exercises.variants import pick, shuffled
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.processors import HardClip
from gainlib.session import Group, Insert, Master, Session, Strip

PLAYED = ("01 kick", "05 bass", "08 pad", "10 backing")
SECONDS = 2.0
PULLED_DB = -14.0
SAME_DB = -80.0
HOT = "08 pad"
OVER_DB = (2, 3, 4, 5, 6)


@dataclass(frozen=True)
class SetUp:
    """One way to clip.

    Parameters
    ----------
    text : str
        What a learner reads; the field ``over`` is by how many dB full scale is exceeded.
    build : callable
        ``build(over_db)`` returns the session, its master fader at 0.
    """

    text: str
    build: Callable[[float], Session]


@cache
def _played() -> tuple[Audio, ...]:
    """Return the stems at one peak level, so that their sum alone exceeds what none of them does."""
    cut = [refrain(stem) for stem in PLAYED]
    frames = round(SECONDS * cut[0].rate_hz)
    samples = [audio.samples[:frames].astype(np.float64) for audio in cut]
    return tuple(
        audio.with_samples(part / np.abs(part).max(), audio.name) for audio, part in zip(cut, samples, strict=True)
    )


@cache
def _unity_peak() -> float:
    """Return the sample peak of the stems' sum at unity."""
    return float(np.abs(_mix(0.0).render().audio("bus/in").samples).max())


def _strips(trim_db: float, **fields) -> tuple[Strip, ...]:
    return tuple(Strip(audio.name, audio, trim_db=trim_db, **fields) for audio in _played())


def _mix(trim_db: float, **fields) -> Session:
    return Session(_strips(trim_db), **fields)


def _trim_db(over_db: float) -> float:
    """Return the trim that brings the sum of the stems to `over_db` above full scale."""
    return over_db - float(ratio_to_db(_unity_peak()))


def _sum(over_db: float, **fields) -> Session:
    return _mix(_trim_db(over_db), **fields)


def _grouped(over_db: float, group: Group, **fields) -> Session:
    return Session(_strips(_trim_db(over_db), to=(group.name,)), groups=(group,), **fields)


def _hot_track(over_db: float, **fields) -> Session:
    """Return a mix well below full scale but for one track, which is trimmed beyond it by itself."""
    session = _sum(-12.0)
    return session.with_(HOT, trim_db=over_db, **fields)


def _clipped_take(over_db: float) -> Session:
    """Return a mix in which one track was recorded into a converter that it exceeded."""
    session = _sum(over_db)
    take = session.strip(HOT).audio
    cut = np.clip(take.samples * db_to_ratio(over_db), -1.0, 1.0) / db_to_ratio(over_db)
    return session.with_(HOT, audio=take.with_samples(cut))


_CUTS = (Insert(HardClip()),)

SET_UPS = {
    "float sum": SetUp("Floating-point mixer: the sum of the tracks exceeds full scale by {over} dB.", _sum),
    "float group": SetUp(
        "Floating-point mixer: the tracks meet in a group, whose sum exceeds full scale by {over} dB, and go on to the "
        "bus at unity.",
        lambda over: _grouped(over, Group("group")),
    ),
    "hot track": SetUp(
        "Floating-point mixer: one track without inserts is trimmed to {over} dB above full scale, the rest is low.",
        _hot_track,
    ),
    "bypassed ceiling": SetUp(
        "Floating-point mixer: a processor that cuts off at full scale sits on the master, bypassed; the sum exceeds "
        "full scale by {over} dB.",
        lambda over: _sum(over, master=Master(inserts=(replace(_CUTS[0], bypass=True),))),
    ),
    "raised master trim": SetUp(
        "Floating-point mixer: the sum stays below full scale, and the trim of the master, ahead of its fader, lifts "
        "it to {over} dB above.",
        lambda over: _sum(-3.0, master=Master(trim_db=over + 3.0)),
    ),
    "fixed sum": SetUp(
        "Fixed-point mixer: the sum of the tracks exceeds full scale by {over} dB.",
        lambda over: _sum(over, bus="fixed"),
    ),
    "fixed group": SetUp(
        "Fixed-point mixer: the tracks meet in a group, whose sum exceeds full scale by {over} dB; the group's fader "
        "then brings it down, so that the bus itself stays below.",
        lambda over: _grouped(over, Group("group", fader_db=-over - 3.0), bus="fixed"),
    ),
    "ceiling on the master": SetUp(
        "Floating-point mixer: a processor that cuts off at full scale sits on the master, ahead of its fader; the sum "
        "exceeds full scale by {over} dB.",
        lambda over: _sum(over, master=Master(inserts=_CUTS)),
    ),
    "ceiling on a track": SetUp(
        "Floating-point mixer: one track is driven {over} dB above full scale into an insert that cuts off there; "
        "behind it everything stays below.",
        lambda over: _hot_track(over, inserts=_CUTS, fader_db=-6.0),
    ),
    "clipped take": SetUp(
        "Floating-point mixer: one track was recorded {over} dB too hot and has flat tops; the sum exceeds full scale "
        "by {over} dB as well.",
        _clipped_take,
    ),
}


def coming_out(session: Session) -> np.ndarray:
    """Return what the converter behind the master fader gives out."""
    return np.clip(session.render().bus.samples, -1.0, 1.0)


def _unclipped(name, over_db):
    """Return the mix that was meant: nothing cuts off, no converter, the take as it was played."""
    session = SET_UPS[name].build(over_db).with_(bus="float")
    played = {audio.name: audio for audio in _played()}
    strips = tuple(strip.with_(audio=played[strip.name], inserts=()) for strip in session.strips)
    return session.with_(strips=strips, master=session.master.with_(inserts=())).render().bus.samples


def residual_db(name: str, over_db: float, master_db: float) -> float:
    """Return the level of what differs between a set-up's output and the mix that was meant, at one master fader.

    Parameters
    ----------
    name : str
        One of `SET_UPS`.
    over_db : float
        By how much full scale is exceeded.
    master_db : float
        The master fader.

    Returns
    -------
    float
        RMS of the difference over RMS of the mix, in dB; −inf where nothing differs.
    """
    meant = _unclipped(name, over_db)
    session = SET_UPS[name].build(over_db).with_("bus", fader_db=master_db)
    off = coming_out(session) / db_to_ratio(master_db) - meant
    return float(ratio_to_db(np.sqrt(np.mean(off**2) / np.mean(meant**2))))


@lru_cache(maxsize=256)
def is_cured(name: str, over_db: float) -> bool:
    """Whether pulling only the master fader gives the unclipped mix, 80 dB below which nothing differs."""
    return residual_db(name, over_db, PULLED_DB) < SAME_DB


def draw(rng: np.random.Generator) -> dict:
    """Draw six of the ten, two to four of them curable, in any order."""
    curable = [name for name in SET_UPS if is_cured(name, OVER_DB[0])]
    hopeless = [name for name in SET_UPS if name not in curable]
    count = pick(rng, (2, 3, 4))
    names = [*shuffled(rng, curable, count), *shuffled(rng, hopeless, 6 - count)]
    return {"set_ups": shuffled(rng, names), "over_db": pick(rng, OVER_DB)}


def text(name: str, given: dict) -> str:
    """Return a set-up in words, with its number."""
    return fill(SET_UPS[name].text, {"over": given["over_db"]})


def options(given: dict) -> tuple[Option, ...]:
    """Return the six set-ups drawn."""
    return tuple(Option(name, text(name, given)) for name in given["set_ups"])


def sessions(given: dict) -> dict[str, Session]:
    """Return the six set-ups drawn, ready to be rendered."""
    return {name: SET_UPS[name].build(given["over_db"]) for name in given["set_ups"]}


def cured(given: dict) -> list[str]:
    """Return those that the master fader cures."""
    return [name for name in given["set_ups"] if is_cured(name, given["over_db"])]


def not_cured(given: dict) -> list[str]:
    """Return those that stay clipped."""
    return [name for name in given["set_ups"] if not is_cured(name, given["over_db"])]


def some_too_late(answer: tuple, given: dict) -> bool:
    """Whether the right ones were picked, and others with them."""
    return len(answer) < len(given["set_ups"]) and set(cured(given)) < set(answer)


def some_left_out(answer: tuple, given: dict) -> bool:
    """Whether only right ones were picked, but not all."""
    return set(answer) < set(cured(given))


def verdicts(given: dict) -> str:
    """Return each set-up with what became of it, as a list in Markdown."""
    words = {True: "Cured: nothing cuts off ahead of the fader.", False: "Not cured: something cuts off before it."}
    return "\n".join(f"- {text(name, given)} {words[name in cured(given)]}" for name in given["set_ups"])
