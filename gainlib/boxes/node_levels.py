"""The few levels a plan works with, at many nodes of a session, in one run and without keeping the audio."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from gainlib.levels import ratio_to_db
from gainlib.meters import AverageMeter, LoudnessMeter, NeedleMeter, TruePeakMeter
from gainlib.session.render import BLOCK_FRAMES, run

ALIGNMENT_DBFS = -18.0
ROUNDING_DBFS = -180.0


@dataclass(frozen=True)
class Level:
    """Levels at one node; −inf for silence.

    Attributes
    ----------
    energy_dbfs : float
        Ungated energy: sine-referred RMS of the whole, each channel's mean taken off.
    active_dbfs : float
        Active level.
    hover_dbfs : float or None
        Where the needle hovers, as the level of a sine that would hold it there. None unless asked for.
    loudness_lufs : float or None
        Integrated loudness. None unless asked for, or where the audio is shorter than 0.4 s.
    peak_dbfs : float
        Highest sample, mean taken off.
    true_peak_dbtp : float or None
        None unless asked for.
    dc_offset : float
    activity : float
    """

    energy_dbfs: float
    active_dbfs: float
    hover_dbfs: float | None
    loudness_lufs: float | None
    peak_dbfs: float
    true_peak_dbtp: float | None
    dc_offset: float
    activity: float

    @property
    def silent(self) -> bool:
        """Whether there is nothing to set a level by."""
        return self.active_dbfs == -np.inf

    @property
    def empty(self) -> bool:
        """Whether there is nothing at all but what rounding leaves."""
        return self.energy_dbfs < ROUNDING_DBFS


class NodeMeter:
    """Reads a :class:`Level` from blocks pushed through.

    Parameters
    ----------
    rate_hz, channels : int
    needle, loudness, true_peak : bool
        Which of the slower meters to run as well.
    """

    def __init__(self, rate_hz: int, channels: int, *, needle=False, loudness=False, true_peak=False):
        self._average = AverageMeter(rate_hz, channels)
        self._needle = NeedleMeter(rate_hz, channels, ALIGNMENT_DBFS) if needle else None
        self._loudness = LoudnessMeter(rate_hz, channels) if loudness else None
        self._true_peak = TruePeakMeter(rate_hz, channels) if true_peak else None

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (frames, channels)."""
        for meter in (self._average, self._needle, self._loudness, self._true_peak):
            if meter is not None:
                meter.push(block)

    def result(self) -> Level:
        """Return the levels of all so far."""
        average = self._average.result()
        hover = self._needle.hover_vu() if self._needle else None
        return Level(
            energy_dbfs=average.rms_dbfs,
            active_dbfs=average.active_dbfs,
            hover_dbfs=None if hover is None else hover + ALIGNMENT_DBFS,
            loudness_lufs=self._loudness.integrated_lufs() if self._loudness else None,
            peak_dbfs=ratio_to_db(average.clear_peak),
            true_peak_dbtp=ratio_to_db(self._true_peak.magnitude()) if self._true_peak else None,
            dc_offset=average.dc_offset,
            activity=average.activity,
        )


def gauge_of(
    samples: np.ndarray, rate_hz: int, passing: Callable[[np.ndarray], np.ndarray] | None = None, **meters
) -> Level:
    """Return the levels of an array of shape (frames, channels).

    Parameters
    ----------
    samples : array
    rate_hz : int
    passing : callable, optional
        What each block, as float64, passes on its way to the meters: a gain, a pan.
    **meters : bool
        See :class:`NodeMeter`.

    Returns
    -------
    level : Level
    """
    gauge = None
    for start in range(0, len(samples), BLOCK_FRAMES):
        block = samples[start : start + BLOCK_FRAMES].astype(np.float64)
        block = passing(block) if passing else block
        gauge = gauge or NodeMeter(rate_hz, block.shape[1], **meters)
        gauge.push(block)
    return gauge.result()


def levels_at(
    session,
    nodes: Iterable[str],
    true_peak_at: Iterable[str] = (),
    keep: dict | None = None,
    frames: int | None = None,
    **meters,
) -> dict[str, Level]:
    """Return the levels at some nodes from one run of the session.

    Parameters
    ----------
    session : Session
    nodes : iterable of str
    true_peak_at : iterable of str
        Of these nodes, where true peak is wanted too.
    keep : dict, optional
        Its keys are nodes among these; each is given the node's samples as float32, shape (frames, channels).
    frames : int, optional
        Length of the run; the longest strip's otherwise. Shorter sources are padded with silence.
    **meters : bool
        ``needle``, ``loudness``: see :class:`NodeMeter`.

    Returns
    -------
    levels : dict of str to Level
    """
    nodes, peaks = list(dict.fromkeys(nodes)), set(true_peak_at)
    gauges: dict[str, NodeMeter] = {}
    frames = session.frames if frames is None else frames
    kept = {node: Collected(frames) for node in keep or ()}
    for node, block in run(session, nodes, frames=frames) if nodes else ():
        if node in kept:
            kept[node].push(block)
        if node not in gauges:
            gauges[node] = NodeMeter(session.rate_hz, block.shape[1], true_peak=node in peaks, **meters)
        gauges[node].push(block)
    for node, collected in kept.items():
        keep[node] = collected.samples
    return {node: gauges[node].result() for node in nodes}


class Collected:
    """Blocks gathered into one float32 array that is made once, so that nothing is ever held twice.

    Parameters
    ----------
    frames : int
        How many will come.
    """

    def __init__(self, frames: int):
        self.samples, self._frames, self._done = None, frames, 0

    def push(self, block: np.ndarray) -> None:
        """Take a block of shape (n, channels)."""
        if self.samples is None:
            self.samples = np.empty((self._frames, block.shape[1]), np.float32)
        self.samples[self._done : self._done + len(block)] = block
        self._done += len(block)
