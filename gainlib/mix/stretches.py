"""The stretches around the worst instants of a bus, followed from fader move to fader move without rendering.

Behind the faders a mix is a weighted sum as long as nothing there depends on level or time. The short stretches of
every strip around the instants are kept once; any faders, mutes and master trim then give the bus there as a product
of gains and stretches. Which instants are the worst is not looked for again: that is what
:func:`gainlib.mix.contributions` does when the hand lets go.

A stretch for the ear is rendered without the rest of the song. What rings on or holds back, a tail, a compressor, a
delay, comes from before the stretch; so some seconds ahead of it are rendered along and cut off. How many are enough is
a choice of our own, far above the times of the models.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.mix.bus import BusPeak
from gainlib.session import Session, routing
from gainlib.session.prefader import lane_of
from gainlib.session.strip import BUS

REACH_S = 0.002

AHEAD_S = 10.0


@dataclass(frozen=True, eq=False)
class Followed:
    """The bus around its worst instants at some faders.

    Attributes
    ----------
    time_s : array, shape (peaks,)
        The instants.
    parts : array, shape (peaks, strips)
        What each strip adds in the direction of the float sum there; a row adds up to the absolute value of the sum, as
        it leaves a float bus, and of a fixed one ahead of the master, where it is cut.
    waves : array, shape (peaks, frames)
        The bus around each instant, as it leaves; a fixed bus is cut at full scale ahead of the master trim.
    over : bool array, shape (peaks, frames)
        Samples over full scale: of a float bus those that leave it so, of a fixed bus those that it has cut.
    """

    time_s: np.ndarray
    parts: np.ndarray
    waves: np.ndarray
    over: np.ndarray


class Stretches:
    """Short stretches of every strip around the worst instants of a bus.

    Parameters
    ----------
    session : Session
        Nothing but gain may lie behind its faders.
    peaks : iterable of BusPeak
        The instants, as :func:`gainlib.mix.contributions` gives them.
    reach_s : float
        How far a stretch goes to either side of its instant.

    Attributes
    ----------
    names : tuple of str
        The strips, in the order of the columns of ``parts``.
    offsets_s : array, shape (frames,)
        Time of each frame of a stretch, from its instant.

    Raises
    ------
    GainlibError
        When something behind the faders depends on level or time.

    Examples
    --------
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Session, Strip
    >>> from gainlib.mix import contributions
    >>> spike = np.zeros(4800)
    >>> spike[2400] = 1.0
    >>> session = Session([Strip(name, Audio(spike, 48000), pan=-1) for name in ("kick", "bass")])
    >>> stretches = Stretches(session, contributions(session).peaks)
    >>> stretches.at({"bass": -20.0}).parts.round(3).tolist()
    [[1.0, 0.1]]
    """

    def __init__(self, session: Session, peaks: Iterable[BusPeak], reach_s: float = REACH_S):
        self._session = session.with_(bus="float")
        reason = routing.bus_paths(self._session).reason
        if reason:
            raise GainlibError(f"the peaks cannot be followed without rendering: {reason}")
        self._fixed = session.bus == "fixed"
        self.names = tuple(strip.name for strip in session.strips)
        peaks = tuple(peaks)
        self._sides = np.array([peak.channel for peak in peaks], dtype=int)
        self._time_s = np.array([peak.time_s for peak in peaks])
        reach = max(1, round(reach_s * session.rate_hz))
        self._middle = reach
        self.offsets_s = np.arange(-reach, reach + 1) / session.rate_hz
        self._kept = np.zeros((len(self.names), len(peaks), 2 * reach + 1))
        for row, strip in enumerate(session.strips):
            lane = lane_of(session, strip)
            for column, peak in enumerate(peaks):
                frame = round(peak.time_s * session.rate_hz)
                stretch = _stretch(lane.source, frame - reach, frame + reach + 1)
                self._kept[row, column] = stretch[:, -1 if peak.channel else 0] * lane.gain

    def at(
        self,
        faders: Mapping[str, float] | None = None,
        *,
        mute: Iterable[str] = (),
        master_trim_db: float | None = None,
        fixed: bool | None = None,
    ) -> Followed:
        """Return the bus around the instants at other faders.

        Parameters
        ----------
        faders : mapping of str to float, optional
            Faders in dB; names left out keep the session's value.
        mute : iterable of str
            Names muted besides those of the session.
        master_trim_db : float, optional
            Stands in for the session's.
        fixed : bool, optional
            Whether the bus is cut at full scale ahead of the master trim; the session's own kind if left out.

        Raises
        ------
        GainlibError
            For a fixed bus with groups, which may cut on their own.
        """
        fixed = self._fixed if fixed is None else fixed
        if fixed and self._session.groups:
            raise GainlibError("the groups of a fixed bus may cut on their way; render the session to see it")
        paths = routing.bus_paths(self._session, faders=faders, mute=tuple(mute), master_trim_db=master_trim_db)
        gains = np.array([[paths.gains[name][side, -1 if side else 0] for side in (0, 1)] for name in self.names])
        scaled = self._kept * gains[:, self._sides][:, :, np.newaxis]
        sums = scaled.sum(axis=0)
        leaving = (np.clip(sums, -1.0, 1.0) if fixed else sums) * paths.master_gain
        over = np.abs(sums if fixed else leaving) > 1.0
        signs = np.where(sums[:, self._middle] < 0, -1.0, 1.0)
        behind = 1.0 if fixed else paths.master_gain
        parts = scaled[:, :, self._middle].T * signs[:, np.newaxis] * behind
        return Followed(self._time_s, parts, leaving, over)


def _stretch(source, start, stop):
    """Return frames `start` to `stop` of a source, with silence beyond its ends."""
    first, last = max(start, 0), min(stop, source.frames)
    out = np.zeros((stop - start, source.channels))
    if first < last:
        out[first - start : last - start] = np.concatenate(list(source.blocks(last - first, first, last)))
    return out


# ---- for the ear -----------------------------------------------------------------------------------------------------


class Stretch:
    """A stretch of a source, as a source of its own; silent where the source has ended.

    Parameters
    ----------
    source : Audio or AudioFile
        What it is taken from.
    start, stop : int
        Frames; `stop` may lie behind the end of the source.
    """

    def __init__(self, source, start: int, stop: int):
        self.rate_hz, self.channels, self.name = source.rate_hz, source.channels, source.name
        self.frames = stop - start
        self._source, self._start = source, start

    def blocks(self, frames: int = 65536, start: int = 0, stop: int | None = None):
        """Iterate over float arrays of shape (n, channels)."""
        first = self._start + start
        last = self._start + (self.frames if stop is None else min(stop, self.frames))
        inside = min(last, self._source.frames)
        if first < inside:
            yield from self._source.blocks(frames, first, inside)
        for at in range(max(first, inside), last, frames):
            yield np.zeros((min(frames, last - at), self.channels))


def bus_excerpt(
    session: Session,
    start_s: float,
    length_s: float,
    progress: Callable[[str, int, int], None] | None = None,
) -> Audio:
    """Return a stretch of a session's bus.

    Parameters
    ----------
    session : Session
        Its whole way to the bus is rendered, with what lies some seconds ahead of the stretch.
    start_s, length_s : float
        Where it begins, and how long it is at most; it ends with the song.
    progress : callable, optional
        Called with a label, the seconds done and those in all.

    Raises
    ------
    GainlibError
        For a start that is not in the song, and no length.

    Examples
    --------
    >>> from gainlib.session import Strip
    >>> song = Session([Strip("ramp", Audio(np.arange(480) / 480, 48))])
    >>> excerpt = bus_excerpt(song, 5.0, 2.0)
    >>> excerpt.frames, round(float(excerpt.samples[0, 0]), 4)
    (96, 0.3536)
    """
    rate, whole = session.rate_hz, session.frames
    checked_start(session, start_s)
    if not 0.0 < length_s < math.inf:
        raise GainlibError(f"a stretch of {length_s:g} s; give a length above 0 s")
    start = round(start_s * rate)
    first = max(start - round(AHEAD_S * rate), 0)
    stop = min(start + max(round(length_s * rate), 1), whole)
    cut = session.with_(strips=tuple(strip.with_(audio=Stretch(strip.audio, first, stop)) for strip in session.strips))
    told, done, kept = progress or (lambda *_: None), 0, []
    for block in cut.render().blocks(BUS):
        kept.append(block)
        done += len(block)
        told("excerpt", done // rate, math.ceil((stop - first) / rate))
    return Audio(np.concatenate(kept)[start - first :], rate, session.name)


def checked_start(session: Session, start_s: float) -> float:
    """Return a second of a session's song, or refuse one that it has not got."""
    length_s = session.frames / session.rate_hz
    if not 0.0 <= start_s < length_s:
        raise GainlibError(f"the song is {length_s:.1f} s long and has no second {start_s:g}; start before its end")
    return start_s
