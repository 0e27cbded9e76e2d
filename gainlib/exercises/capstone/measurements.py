"""What the session measures under an answer's controls: every level that a mark is made of, and what is heard of it.

A strip is run by itself, once for every setting of what stands ahead of its output trim; from there on it is gain,
which only shifts a level. Groups and bus are then summed from these strips, in one run. Kept are figures, and of the
strips that were run last the audio, as 32-bit float. The levels are those of a plain render to a millionth of a dB.

The null is that of the files of 24 bit that an export writes: what arrives at the bus from each strip and group,
rounded and cut as such a file has it, summed and held against the bus treated alike. The stems have triangular dither,
of a variance of 1/6 of a squared step (handbook formula); its power is added, so the figure is the same every time.
"""

import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np

from gainlib.audio import Audio
from gainlib.demo import demo_session
from gainlib.exercises.capstone import assignment
from gainlib.exercises.experiment import Kept
from gainlib.exercises.marking import remembered
from gainlib.exercises.practical import applied
from gainlib.levels import ratio_to_db
from gainlib.meters import NodeReading, Reading
from gainlib.mix import checkup
from gainlib.mix.findings import REACH_S, Snapshots, main_correlation
from gainlib.session import Session
from gainlib.session.strip import BUS
from gainlib.session.trace import flat_strip, shifts_db

STEPS_24 = 2.0**23
DITHER, SILENT_PART = 1 / 6, 1.5  # of the silent stem the dither is rounded too
METERS = ("sample_peak", "rms", "active")
_AUDIO_BYTES, _READ, _FIGURES, _WORKERS = 2**27, 512, 256, 2


# -------------------------------------------------------------------------------------------------------- single strips


class _Passed(NamedTuple):
    """A strip run by itself, its output trim, fader and sends at 0 dB."""

    levels: dict[str, NodeReading]
    post: Audio


_LEVELS = Kept(_READ)
_PASSED = Kept(_AUDIO_BYTES, lambda found: found.post.samples.nbytes)


def _key(seed, name, fields):
    ahead = {key: value for key, value in fields.items() if key == "trim_db" or key.startswith("insert ")}
    return seed, name, tuple(sorted(ahead.items()))


def _passed(seed, name, fields):
    key = _key(seed, name, fields)
    return _PASSED.get(key, lambda: _run(seed, name, dict(key[2])))


def _run(seed, name, ahead):
    session = assignment.session_of(seed)
    strip = applied(session, {name: ahead}).strip(name)
    trace, post = session.with_(strips=(flat_strip(strip),)).render(), f"{name}/post"
    samples, done = np.empty((session.frames, strip.channels), np.float32), 0

    def collect(block):
        nonlocal done
        samples[done : done + len(block)] = block
        done += len(block)

    nodes = [node for node in trace.nodes if node.startswith(f"{name}/")]
    return _Passed(trace.levels(nodes, METERS, watch={post: collect}), Audio(samples, session.rate_hz, name))


def along(seed: int, name: str, fields: dict) -> dict[str, NodeReading]:
    """Return the levels at all nodes of a strip that sounds, under its controls."""
    found = _LEVELS.get(_key(seed, name, fields), lambda: _passed(seed, name, fields).levels)
    strip = applied(assignment.session_of(seed), {name: fields}).strip(name)
    behind = shifts_db(strip)
    return {node: level.shifted(behind.get(node, 0.0)) for node, level in found.items()}


def moved_db(seed: int, name: str, was: dict, now: dict) -> float:
    """Return by how much a strip has moved at the sum it feeds, by energy, from some controls to others."""
    before, after = (along(seed, name, fields)[f"{name}/out"].energy_dbfs for fields in (was, now))
    return after - before


# ---------------------------------------------------------------------------------------------------- the whole session


@dataclass(frozen=True)
class Figures:
    """What a session measures.

    Attributes
    ----------
    levels : dict of str to NodeReading
        By node; the bus has true peak, loudness and samples beyond full scale too.
    null_db : float
        What is left when the parts of the mix, as files of 24 bit, are subtracted from the mix as one.
    loudest_part : str
        The strip or group whose part peaks highest.
    part_peak_dbfs : float
        That peak.
    """

    levels: dict[str, NodeReading]
    null_db: float
    loudest_part: str
    part_peak_dbfs: float

    @property
    def bus(self) -> NodeReading:
        """Levels of the bus."""
        return self.levels[BUS]

    @property
    def over_samples(self) -> int:
        """Samples of the bus beyond full scale, both channels counted."""
        return self.bus.over_samples

    def energy(self, node: str) -> float:
        """Return the ungated energy at a node, sine-referred."""
        return self.levels[node].energy_dbfs


_HELD, _SUMMED = Kept(_FIGURES), Kept(_FIGURES)


def figures_of(answer: dict | None, given: dict, told: Callable[[float], None] | None = None) -> Figures:
    """Return the figures of the session with an answer's controls in place, or as it is found where there is none.

    Those of the last few hundred settings are kept, so that no mark is made twice; where the session has to be run,
    ``told(done)`` is called with the share that is done.
    """
    key, placed = _setting(answer, given)
    return _HELD.get(key, lambda: _measured(given["seed"], placed, told or (lambda done: None)))


def levels_of(answer: dict | None, given: dict) -> dict[str, NodeReading]:
    """Return the levels along all strips and groups, as found where there is no answer.

    The bus is run, and stands in them, only where it was asked for.
    """
    key, placed = _setting(answer, given)

    def made():
        return group_levels(given["seed"], placed, *assignment.GROUPS) | strip_levels(given["seed"], placed)

    if key in _HELD:
        return _HELD.get(key, None).levels
    if answer is None:  # every mix of a learner is held against that of the session as it is found
        return _SUMMED.get(key, lambda: remembered(("levels as found", given["seed"]), made, always=True))
    return _SUMMED.get(key, made)


def strip_levels(seed: int, placed: dict) -> dict[str, NodeReading]:
    """Return the levels along all strips that sound, each run by itself."""
    return {node: level for name in assignment.SOUNDING for node, level in along(seed, name, placed[name]).items()}


def _setting(answer, given):
    placed = assignment.as_found(given) if answer is None else answer
    return (given["seed"], json.dumps(placed, sort_keys=True)), placed


def mixed(seed: int, placed: dict, names=assignment.SOUNDING) -> Session:
    """Return the session under an answer's controls, some of its strips run as far as their output trims."""
    session = applied(assignment.session_of(seed), placed)
    with ThreadPoolExecutor(_WORKERS) as pool:
        posts = pool.map(lambda name: _passed(seed, name, placed[name]).post, names)
        found = dict(zip(names, posts, strict=True))
    strips = (
        strip.with_(audio=found[strip.name], polarity=1, dc_block=False, trim_db=0.0, inserts=())
        if strip.name in found
        else strip
        for strip in session.strips
    )
    return session.with_(strips=tuple(strips))


def group_levels(seed: int, placed: dict, *names: str, meters=METERS) -> dict[str, NodeReading]:
    """Return the levels along some groups; only what feeds them is run."""
    session = assignment.session_of(seed)
    feeders = [
        strip.name
        for strip in session.strips
        if strip.name in assignment.SOUNDING and {*strip.to, *(send.to for send in strip.sends)} & {*names}
    ]
    trace = mixed(seed, placed, feeders).render()
    return trace.levels([node for node in trace.nodes if node.split("/")[0] in names and "/" in node], meters)


def levels_at(name: str, placed: dict, given: dict) -> dict[str, NodeReading]:
    """Return the levels along a strip or a group."""
    seed = given["seed"]
    return group_levels(seed, placed, name) if name in assignment.GROUPS else along(seed, name, placed[name])


def parts_of(session: Session) -> tuple[str, ...]:
    """Return the nodes that are summed at the bus: a compressed group, and a return, come as they are."""
    return tuple(
        f"{channel.name}/out"
        for channel in (*session.strips, *session.groups)
        if BUS in channel.to and channel.name != assignment.SILENT
    )


def _measured(seed, placed, told):
    session = mixed(seed, placed)
    trace, parts = session.render(), parts_of(session)
    left = np.zeros((session.frames, 2))
    mix, stems = _As24Bit(left), {node: _As24Bit(left, taken_off=True) for node in parts}

    def of_bus(block):
        mix.add(block)
        told(mix.done / session.frames)

    groups = tuple(f"{group.name}/" for group in session.groups)
    nodes = [node for node in trace.nodes if node.startswith(groups)]
    meters = dict.fromkeys(nodes, METERS) | {BUS: (*METERS, "true_peak", "loudness", "over")}
    levels = trace.levels(meters, meters, watch={BUS: of_bus, **{node: stems[node].add for node in parts}})
    levels |= strip_levels(seed, placed)
    loudest = max(parts, key=lambda node: stems[node].peak)
    return Figures(
        levels=levels,
        null_db=_null_db(mix.energy, left, (len(parts) + SILENT_PART) * left.size * DITHER),
        loudest_part=loudest.removesuffix("/out"),
        part_peak_dbfs=float(ratio_to_db(stems[loudest].peak)),
    )


class _As24Bit:
    """What passes a node, as a file of 24 bit holds it, added to a sum in whole steps or taken off it."""

    def __init__(self, total, taken_off=False):
        self.done, self.peak, self.energy, self._total, self._taken_off = 0, 0.0, 0.0, total, taken_off

    def add(self, block):
        steps, part = in_24_bit(block), self._total[self.done : self.done + len(block)]
        (np.subtract if self._taken_off else np.add)(part, steps, out=part)
        self.energy += float(np.einsum("fc,fc->", steps, steps))  # a matrix library shares this out, and waits
        self.done += len(block)
        self.peak = max(self.peak, float(block.max(initial=0.0)), -float(block.min(initial=0.0)))


def in_24_bit(block: np.ndarray) -> np.ndarray:
    """Return samples as a file of 24 bit holds them, in its steps: whole, and cut at full scale.

    Examples
    --------
    >>> in_24_bit(np.array([1.5, 2.0**-23, 2.0**-25])).tolist()
    [8388607.0, 1.0, 0.0]
    """
    steps = block * STEPS_24
    return np.clip(np.rint(steps, out=steps), -STEPS_24, STEPS_24 - 1, out=steps)


def _null_db(energy, left, dither):
    over = float(np.linalg.norm(left)) ** 2 + dither
    return float(ratio_to_db(np.sqrt(over / energy))) if energy else 0.0


# ------------------------------------------------------------------------------------------------- stems as they arrive

OVERHEADS = "03 overheads"
_ARRIVED = Kept(2)


@dataclass(frozen=True)
class Arrived:
    """A stem as it arrives, in figures and without a verdict: what a fault report is made from.

    Attributes
    ----------
    name : str
    channels : int
    reading : Reading
    floor_dbfs : float or None
        A steady floor in its pauses; None where there is none to be measured.
    correlation : float or None
        Between left and right.
    side_db : float or None
        Left minus right against the whole.
    lag_ms, against_overheads : float or None
        Where the main correlation with the overheads lies within 10 ms, and its value.
    """

    name: str
    channels: int
    reading: Reading
    floor_dbfs: float | None
    correlation: float | None
    side_db: float | None
    lag_ms: float | None
    against_overheads: float | None


def arrived(seed: int, told: Callable[[float], None] | None = None) -> tuple[Arrived, ...]:
    """Return the stems of a session in figures; some seconds of work the first time."""
    return _ARRIVED.get(seed, lambda: tuple(_looked_at(seed, told or (lambda done: None))))


def _looked_at(seed, told):
    strips = assignment.session_of(seed).strips
    spectra = {}
    for k, strip in enumerate(strips):
        told(k / (2 * len(strips)))
        spectra[strip.name] = _spectra(strip.audio)
    checked = checkup(strips, lambda label, done, count: told((1 + done / count) / 2))
    for stem, strip in zip(checked, strips, strict=True):
        lag, value = None, None
        if strip.name not in (OVERHEADS, assignment.SILENT):
            reach = round(REACH_S * strip.audio.rate_hz)
            frames, value = main_correlation(spectra[strip.name], spectra[OVERHEADS], reach)
            lag = 1000.0 * frames / strip.audio.rate_hz
        figures = (stem.noise_dbfs, stem.correlation, stem.side_db)
        yield Arrived(stem.name, stem.channels, stem.reading, *figures, lag, value)


def _spectra(audio):
    snapshots = Snapshots(audio.rate_hz, audio.frames / audio.rate_hz)
    for block in audio.blocks():
        snapshots.push(block)
    return snapshots.result()


# -------------------------------------------------------------------------------- drums moved ahead of their compressor


class DrumsMoved(NamedTuple):
    """By how much the drums of the demo move at the bus, and what their compressor takes off then and before."""

    group_db: float
    reduction_db: float
    reduction_before_db: float


@cache
def drums_moved(by_db: float) -> DrumsMoved:
    """Return what becomes of the drums when their four strips move, on the demo as it is."""
    into, out, bus = nodes = ("drums/insert 1/in", "drums/insert 1/out", "drums/out")
    session = demo_session(1, True, "rough", chains=True)
    moved = session.with_faders({n: session.strip(n).fader_db + by_db for n in assignment.DRUM_STRIPS})
    before, after = (each.render().levels(nodes, ("rms",)) for each in (session, moved))
    taken = [each[into].energy_dbfs - each[out].energy_dbfs for each in (after, before)]
    return DrumsMoved(after[bus].energy_dbfs - before[bus].energy_dbfs, *taken)
