"""The signals of all strips ahead of their faders, to be read again wherever they are needed."""

from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio
from gainlib.session.render import post_blocks
from gainlib.session.strip import Strip, ratio


@dataclass(frozen=True, eq=False)
class Lane:
    """A strip's signal ahead of mute and fader.

    Attributes
    ----------
    source : Audio or AudioFile
        Where the samples come from.
    gain : float
        Factor from the source to the pre-fader tap.
    """

    source: object
    gain: float

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return frames `start` to `stop`, float64, shape (stop − start, channels); silence outside the source."""
        first, last = max(start, 0), min(stop, self.source.frames)
        out = np.zeros((stop - start, self.source.channels))
        if first < last:
            if isinstance(self.source, Audio):
                found = self.source.samples[first:last]
            else:
                found = np.concatenate(list(self.source.blocks(last - first, first, last)))
            np.multiply(found, self.gain, out=out[first - start : last - start])
        return out

    def gather(self, starts: np.ndarray, length: int) -> np.ndarray:
        """Return `length` frames from each of `starts` on, float64, shape (length, len(starts), channels)."""
        if isinstance(self.source, Audio):
            index = starts + np.arange(length)[:, np.newaxis]
            inside = (index >= 0) & (index < self.source.frames)
            found = self.source.samples[np.where(inside, index, 0)]
            return np.where(inside[:, :, np.newaxis], found, 0.0) * self.gain
        return np.stack([self.read(start, start + length) for start in starts], axis=1)


def lane_of(session, strip: Strip) -> Lane:
    """Return the lane of a strip; a strip that is more than gain up to its fader is rendered once and kept as float32.

    Parameters
    ----------
    session : Session
    strip : Strip
        One of its strips.
    """
    if strip.dc_block or any(not insert.bypass for insert in strip.inserts):
        whole = np.concatenate([block.astype(np.float32) for block in post_blocks(session, strip.name)])
        return Lane(Audio(whole, session.rate_hz, strip.name), 1.0)
    return Lane(strip.audio, strip.polarity * ratio(strip.trim_db + strip.post_trim_db))
