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

from gainlib.boxes.node_levels import Level, NodeMeter
from gainlib.exercises.capstone import assignment
from gainlib.levels import ratio_to_db
from gainlib.session import Session
from gainlib.session.render import run
from gainlib.session.strip import BUS

STEPS_24 = 2.0**23
_KEPT = 256


@dataclass(frozen=True)
class Figures:
    """What a session measures.

    Attributes
    ----------
    levels : dict of str to Level
        By node; the bus has true peak and loudness too.
    over_samples : int
        Samples of the bus beyond full scale, both channels counted.
    null_db : float
        What is left when the parts of the mix, as files of 24 bit, are subtracted from the mix as one.
    loudest_part : str
        The strip or group whose part peaks highest.
    part_peak_dbfs : float
        That peak.
    """

    levels: dict[str, Level]
    over_samples: int
    null_db: float
    loudest_part: str
    part_peak_dbfs: float

    @property
    def bus(self) -> Level:
        """Levels of the bus."""
        return self.levels[BUS]

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
    nodes, parts = nodes_of(session), parts_of(session)
    gauges: dict[str, NodeMeter] = {}
    left, mix = np.zeros((session.frames, 2)), np.zeros((session.frames, 2))
    done, peaks, over = dict.fromkeys((*parts, BUS), 0), dict.fromkeys(parts, 0.0), 0
    for node, block in run(session, nodes):
        if node not in gauges:
            more = {"true_peak": node == BUS, "loudness": node == BUS}
            gauges[node] = NodeMeter(session.rate_hz, block.shape[1], **more)
        gauges[node].push(block)
        if node in done:
            place = slice(done[node], done[node] + len(block))
            done[node] = place.stop
            if node == BUS:
                over += int((np.abs(block) > 1.0).sum())
                mix[place] = in_24_bit(block)
                if told:
                    told(place.stop / session.frames)
            else:
                peaks[node] = max(peaks[node], float(np.abs(block).max(initial=0.0)))
                left[place] += in_24_bit(block)
    loudest = max(parts, key=peaks.get)
    return Figures(
        levels={node: gauge.result() for node, gauge in gauges.items()},
        over_samples=over,
        null_db=_null_db(mix, left),
        loudest_part=loudest.removesuffix("/out"),
        part_peak_dbfs=float(ratio_to_db(peaks[loudest])),
    )


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
