"""One render of a session, and every level a mark is made of.

A session is rendered once for all tasks that ask about it: what is kept is figures, never audio. The null is that of
files of 24 bit: what arrives at the bus from each strip and group, rounded and cut as such a file has it, summed and
held against the bus treated alike. Rounding to whole steps of 2^−23 (handbook formula) without dither, so that the
figure is the same every time; with dither the null is shallower by a few dB and still far below what is asked.
"""

import json
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from gainlib.exercises.capstone import assignment
from gainlib.levels import ratio_to_db
from gainlib.meters import NodeReading
from gainlib.session import Session
from gainlib.session.strip import BUS

STEPS_24 = 2.0**23
METERS = ("sample_peak", "rms", "active")
_KEPT = 256


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


_HELD: OrderedDict = OrderedDict()


def figures_of(answer: dict | None, given: dict, told: Callable[[float], None] | None = None) -> Figures:
    """Return the figures of the session with an answer's controls in place.

    Parameters
    ----------
    answer : dict or None
        Controls; None takes the session as it is found.
    given : dict
        The variant.
    told : callable, optional
        ``told(done)`` is called with the share that is done, where it has to be rendered.

    Returns
    -------
    Figures
        Those of the last few hundred settings are kept.
    """
    placed = assignment.as_found(given) if answer is None else answer
    key = given["seed"], json.dumps(placed, sort_keys=True)
    if key not in _HELD:
        _HELD[key] = measured(assignment.staged(placed, given), told)
        while len(_HELD) > _KEPT:
            _HELD.popitem(last=False)
    return _HELD[key]


def nodes_of(session: Session) -> tuple[str, ...]:
    """Return the nodes that are measured: all along the sounding strips, the groups, and the bus."""
    nodes = []
    for strip in session.strips:
        if strip.name != assignment.SILENT:
            nodes += [f"{strip.name}/source", f"{strip.name}/trim", *_around(strip), f"{strip.name}/post"]
            nodes += [f"{strip.name}/out", *(f"{strip.name}/send {send.to}" for send in strip.sends)]
    for group in session.groups:
        nodes += [f"{group.name}/in"]
        if group.to:
            nodes += [f"{group.name}/trim", *_around(group), f"{group.name}/post", f"{group.name}/out"]
    return (*nodes, BUS)


def _around(channel):
    return [f"{channel.name}/insert {k}/{end}" for k in range(1, len(channel.inserts) + 1) for end in ("in", "out")]


def parts_of(session: Session) -> tuple[str, ...]:
    """Return the nodes that are summed at the bus: a compressed group, and a return, come as they are."""
    return tuple(
        f"{channel.name}/out"
        for channel in (*session.strips, *session.groups)
        if BUS in channel.to and channel.name != assignment.SILENT
    )


def measured(session: Session, told: Callable[[float], None] | None = None) -> Figures:
    """Render a session once and measure it.

    Parameters
    ----------
    session : Session
        With its chains and groups; its master moves nothing.
    told : callable, optional
        ``told(done)``, from 0 to 1.

    Returns
    -------
    Figures
    """
    parts = parts_of(session)
    bus, left = np.zeros((2, session.frames, 2))
    mix, stems = _As24Bit(bus), {node: _As24Bit(left) for node in parts}

    def of_bus(block):
        mix.add(block)
        if told:
            told(mix.done / session.frames)

    meters = dict.fromkeys(nodes_of(session), METERS) | {BUS: (*METERS, "true_peak", "loudness", "over")}
    levels = session.render().levels(meters, meters, watch={BUS: of_bus, **{node: stems[node].add for node in parts}})
    loudest = max(parts, key=lambda node: stems[node].peak)
    return Figures(
        levels=levels,
        null_db=_null_db(bus, left),
        loudest_part=loudest.removesuffix("/out"),
        part_peak_dbfs=float(ratio_to_db(stems[loudest].peak)),
    )


class _As24Bit:
    """What passes a node, as a file of 24 bit holds it, added to a sum."""

    def __init__(self, total):
        self.done, self.peak, self._total = 0, 0.0, total

    def add(self, block):
        self._total[self.done : self.done + len(block)] += in_24_bit(block)
        self.done += len(block)
        self.peak = max(self.peak, float(np.abs(block).max(initial=0.0)))


def in_24_bit(block: np.ndarray) -> np.ndarray:
    """Return samples as a file of 24 bit holds them: on whole steps, and cut at full scale.

    Examples
    --------
    >>> in_24_bit(np.array([1.5, 2.0**-23, 2.0**-25])).tolist()
    [0.9999998807907104, 1.1920928955078125e-07, 0.0]
    """
    return np.clip(np.rint(block * STEPS_24), -STEPS_24, STEPS_24 - 1) / STEPS_24


def _null_db(mix, parts):
    scale = float(np.linalg.norm(mix))
    return float(ratio_to_db(np.linalg.norm(mix - parts) / scale)) if scale else 0.0
