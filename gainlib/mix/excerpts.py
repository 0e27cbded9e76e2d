"""A stretch of the mix for the ear, rendered without the rest of the song.

What rings on or holds back, a tail, a compressor, a delay, comes from before the stretch; so some seconds ahead of it
are rendered along and cut off. How many are enough is a choice of our own, far above the times of the models.
"""

import math
from collections.abc import Callable

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.session import Session
from gainlib.session.strip import BUS

AHEAD_S = 10.0


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

    Returns
    -------
    Audio
        Two channels.

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
    if not 0.0 <= start_s < whole / rate:
        raise GainlibError(f"the song is {whole / rate:.1f} s long and has no second {start_s:g}; start before its end")
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
