"""The signals of all strips ahead of their faders, passed through once and read again wherever they are needed."""

import tempfile
from collections import OrderedDict
from collections.abc import Iterator
from pathlib import Path
from threading import Lock

import numpy as np

from gainlib.audio import Audio, AudioFile, GainlibError, write
from gainlib.audio.files import fill, opened
from gainlib.session.render import SignalChain, padded, place, post_blocks
from gainlib.session.scratch import IN_MEMORY_BYTES
from gainlib.session.strip import BUS, Strip, ratio

PIECES_KEPT = 2048
LOSSY = ("OGG", "MP3")


class PreFaderTrack:
    """A strip's signal ahead of mute and fader.

    Parameters
    ----------
    source : Audio or AudioFile
        Where the samples come from. Of a file, the pieces read last are kept.
    gain : float
        Factor from the source to the pre-fader tap.
    """

    def __init__(self, source, gain: float):
        self.source, self.gain = source, gain
        self._file, self._lock = None, Lock()
        self._pieces: OrderedDict[tuple[int, int], np.ndarray] = OrderedDict()

    def blocks(self, size: int, frames: int) -> Iterator[np.ndarray]:
        """Yield the lane in order, float64, in blocks of exactly `size` but for the last, silence up to `frames`."""
        return (block * self.gain for block in padded(self.source, frames, size))

    def gather(self, starts: np.ndarray, length: int) -> np.ndarray:
        """Return `length` frames from each of `starts` on, float64, shape (length, len(starts), channels).

        Outside of the source there is silence.
        """
        if isinstance(self.source, Audio):
            index = starts + np.arange(length)[:, np.newaxis]
            inside = (index >= 0) & (index < self.source.frames)
            found = self.source.samples[np.where(inside, index, 0)]
            return np.where(inside[:, :, np.newaxis], found, 0.0) * self.gain
        return np.stack([self._piece(int(start), length) for start in starts], axis=1) * self.gain

    def _piece(self, start, length):
        key = start, length
        if key in self._pieces:
            self._pieces.move_to_end(key)
            return self._pieces[key]
        first, last = max(start, 0), min(start + length, self.source.frames)
        piece = np.zeros((length, self.source.channels))
        if first < last:
            piece[first - start : last - start] = self._read(first, last)
        self._pieces[key] = piece
        if len(self._pieces) > PIECES_KEPT:
            self._pieces.popitem(last=False)
        return piece

    def _read(self, first, last):
        """Decode a few frames; the file stays open, since opening takes twenty times as long as reading."""
        block = np.empty((last - first, self.source.channels), self.source.dtype)
        with self._lock:
            if self._file is None:
                self._file = opened(self.source.path)
            self._file.seek(first)
            if fill(self._file, block) < len(block):
                raise GainlibError(f"{self.source.path}: the file was changed after it was opened here; open it again")
        return block


def lane_of(session, strip: Strip, chain: tuple[str, ...] = ()) -> PreFaderTrack:
    """Return the lane of a strip, behind the inserts of the sums it passes.

    A lane that is more than gain is worked out once and kept as float32, in a temporary file where it is long; a lossy
    file, which cannot be entered in the middle, is decoded once.

    Parameters
    ----------
    session : Session
    strip : Strip
        One of its strips.
    chain : tuple of str
        Names of the groups (and "bus") whose inserts the lane passes, in order; see :mod:`gainlib.session.routing`.

    Returns
    -------
    lane : PreFaderTrack
        With the channels of the source, or two behind a chain.
    """
    if strip.dc_block or any(not insert.bypass for insert in strip.inserts) or chain:
        return _kept(_worked_out(session, strip, chain), session.rate_hz, strip.name)
    audio = strip.audio
    if getattr(audio, "format", "") in LOSSY:
        audio = audio.load()
    return PreFaderTrack(audio, strip.polarity * ratio(strip.trim_db + strip.post_trim_db))


def _worked_out(session, strip, chain):
    """Return a strip's signal behind a chain, float32, shape (frames, channels)."""
    line, pieces = SignalChain(), []
    for owner in chain:
        inserts = session.master.inserts if owner == BUS else session.group(owner).inserts
        for insert in inserts:
            if not insert.bypass:
                line.gain(ratio(insert.in_db))
                line.process(insert.processor.stream(session.rate_hz, 2))
                line.gain(ratio(insert.out_db))
    line.tap(lambda block: pieces.append(block.astype(np.float32)))
    for block in post_blocks(session, strip.name):
        line.push(place(block, 1.0, 1.0) if chain else block)
    line.flush()
    return np.concatenate(pieces)


def _kept(samples, rate_hz, name):
    audio = Audio(samples, rate_hz, name)
    if samples.nbytes <= IN_MEMORY_BYTES:
        return PreFaderTrack(audio, 1.0)
    folder = tempfile.TemporaryDirectory(prefix="gainlib-lane-", ignore_cleanup_errors=True)
    path = Path(folder.name) / "lane.wav"
    write(path, audio, "FLOAT")
    lane = PreFaderTrack(AudioFile(path), 1.0)
    lane.folder = folder  # goes away with the lane
    return lane
