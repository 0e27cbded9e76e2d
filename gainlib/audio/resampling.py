"""Audio at another sample rate, block by block: band-limited, without delay, at unity gain.

The filters are those of the soxr library at its "very high quality". Peaks between samples may come out as samples, so
the result is kept as floating point.
"""

from collections.abc import Iterator

import numpy as np
import soxr

from gainlib.audio.files import AudioFile
from gainlib.audio.types import BLOCK_FRAMES, Audio
from gainlib.errors import GainlibError


class Resampled:
    """A source at another rate; :func:`gainlib.audio.write` takes it like any other.

    Parameters
    ----------
    source : Audio or AudioFile
    rate_hz : int

    Examples
    --------
    >>> slow = Resampled(Audio(np.zeros(44100), 44100), 48000)
    >>> slow.frames, sum(len(block) for block in slow.blocks())
    (48000, 48000)
    """

    def __init__(self, source: Audio | AudioFile, rate_hz: int):
        if rate_hz < 1:
            raise GainlibError(f"{source.name}: {rate_hz} Hz is not a sample rate; give one such as 48000")
        self._source, self.rate_hz = source, rate_hz
        self.channels, self.name = source.channels, source.name
        self.frames = max(round(source.frames * rate_hz / source.rate_hz), 1)

    def blocks(self, frames: int = BLOCK_FRAMES) -> Iterator[np.ndarray]:
        """Yield the samples, shape (n, channels); their number does not depend on how the source is cut up."""
        stream = soxr.ResampleStream(
            self._source.rate_hz, self.rate_hz, self.channels, dtype="float64", quality=soxr.VHQ
        )
        left = self.frames
        for block in self._source.blocks(frames):
            come = stream.resample_chunk(np.ascontiguousarray(block, np.float64))[:left]
            left -= len(come)
            yield come
        come = stream.resample_chunk(np.zeros((0, self.channels)), last=True)[:left]
        yield come
        if left > len(come):
            yield np.zeros((left - len(come), self.channels))
