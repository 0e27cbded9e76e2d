"""One pass over all lanes of a session: everything the remeter needs to answer without them.

A lane is the signal of a strip ahead of its fader, passed through once and read again wherever it is needed.
"""

import tempfile
from collections import OrderedDict
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Lock

import numpy as np

from gainlib import kernels_mixing
from gainlib.audio import Audio, AudioFile, GainlibError, write
from gainlib.audio.files import fill, opened
from gainlib.meters import KFilter, interpolator
from gainlib.meters.peak import TAPS
from gainlib.session.cross_products import (
    IN_MEMORY_BYTES,
    Nearby,
    ProductsBuilder,
    Table,
    hop_edges,
    one_thread,
    pairs,
)  # fmt: skip
from gainlib.session.peak_bounds import COARSE_FRAMES, FINE_FRAMES, Envelope, PeakBounds
from gainlib.session.render import SignalChain, padded, place, post_blocks
from gainlib.session.strip import BUS, Strip, ratio

SIDES = (0, 1)
CHUNK_FRAMES = 32 * COARSE_FRAMES
SUM_FRAMES = 2**16
WORKERS = 2
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
    """Return the lane of a strip, behind the inserts of the sums in `chain` (:mod:`gainlib.session.routing`).

    A lane that is more than gain is worked out once and kept as float32, in a temporary file where it is long; a lossy
    file, which cannot be entered in the middle, is decoded once. Behind a chain it has two channels.
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


class Survey:
    """What was measured of the lanes, and their sum at one setting.

    Attributes
    ----------
    edges : array of int
        Borders of the 10 ms hops.
    products : list of CrossProducts
        For the left and for the right of the bus.
    nearby : list of Nearby
        The same, leaning on the anchor.
    raw : array, shape (2, lanes, lanes)
        Products of the samples over the whole length.
    sums : array, shape (2, lanes)
        Sums of the samples.
    envelopes : list of Envelope
        Extremes of anchor and lanes, left and right.
    sampled : list of Envelope
        The same of the samples alone, in longer blocks.
    extremes : list of PeakBounds
        Both, on all levels.
    anchor : PreFaderTrack
        The sum at the anchor's setting.
    """

    def __init__(self, lanes: list[PreFaderTrack], frames: int, rate_hz: int):
        self.lanes, self.frames, self.rate_hz = lanes, frames, rate_hz
        self.interpolator = interpolator(rate_hz)
        self.edges = hop_edges(frames, rate_hz)
        count = len(lanes)
        self.raw, self.sums = np.zeros((2, count, count)), np.zeros((2, count))
        self.envelopes = [Envelope(1 + count, -(-frames // FINE_FRAMES)) for _ in SIDES]
        self.sampled = [Envelope(1 + count, -(-frames // COARSE_FRAMES)) for _ in SIDES]
        self.products, self.nearby, self.extremes, self.anchor = [], [], [], None

    def take(self, anchor: list[np.ndarray], told: Callable[[str, int, int], None]) -> "Survey":
        """Pass over the lanes once; `anchor` holds the gains of the first anchor, left and right.

        `told` is called with a label, the frames done and the frames in all.
        """
        lanes = len(self.lanes)
        tables = [Table(max(len(self.edges) - 1, 0), len(pairs(lanes)[0])) for _ in SIDES]
        builders = [ProductsBuilder(lanes, self.edges, table) for table in tables]
        filters = [KFilter(self.rate_hz, lane.source.channels) for lane in self.lanes]
        weighted = np.empty((2, lanes, CHUNK_FRAMES))
        mix = np.empty((self.frames, 2), np.float32)
        before = self.interpolator.before

        def one(index, start, count, padded):
            channels = self.lanes[index].source.channels
            block = padded[:channels, index, before : before + count]
            heavy = filters[index](np.ascontiguousarray(block.T))
            weighted[0, index, :count], weighted[1, index, :count] = heavy[:, 0], heavy[:, -1]
            self._note(1 + index, start, padded[:channels, index])

        # The lanes are shared out already; a matrix library that shares out small products as well only waits.
        with one_thread(), ThreadPoolExecutor(WORKERS) as pool:
            for start, stop, padded in self._chunks():
                count = stop - start
                jobs = [pool.submit(one, index, start, count, padded) for index in range(lanes)]
                plain = padded[:, :, before : before + count]
                mix[start:stop] = np.stack([gain @ parts for gain, parts in zip(anchor, plain, strict=True)], axis=1)
                self.raw += plain @ plain.transpose(0, 2, 1)
                self.sums += plain.sum(axis=2)
                for job in jobs:
                    job.result()
                list(pool.map(lambda side, count=count: builders[side].push(weighted[side, :, :count]), SIDES))
                told("survey", stop, self.frames)
        self.products = [builder.result() for builder in builders]
        self.set_anchor(anchor, mix)
        return self

    def renew_anchor(self, gains: list[np.ndarray], told: Callable[[str, int, int], None]) -> None:
        """Pass over the lanes again and take their sum at `gains`, left and right, as the anchor."""
        mix = np.empty((self.frames, 2), np.float32)
        lanes = [
            (lane.blocks(SUM_FRAMES, self.frames), *pair)
            for lane, *pair in zip(self.lanes, *gains, strict=True)
            if any(pair)
        ]

        def share(worker, sums):
            for stream, left, right in lanes[worker::WORKERS]:
                block = next(stream)
                sums[:, 0] += left * block[:, 0]
                sums[:, 1] += right * block[:, -1]
            return sums

        with ThreadPoolExecutor(WORKERS) as pool:
            for start in range(0, self.frames, SUM_FRAMES):
                stop = min(start + SUM_FRAMES, self.frames)
                parts = pool.map(share, range(WORKERS), np.zeros((WORKERS, stop - start, 2)))
                mix[start:stop] = sum(parts)
                told("sum", stop, self.frames)
        self.set_anchor(gains, mix)

    def set_anchor(self, gains: list[np.ndarray], mix: np.ndarray) -> None:
        """Hold `mix`, shape (frames, 2), as the sum at `gains`."""
        before, after = self.interpolator.before, self.interpolator.after
        for start in range(0, self.frames, CHUNK_FRAMES):
            stop = min(start + CHUNK_FRAMES, self.frames)
            inside = mix[max(start - before, 0) : stop + after].T.astype(np.float64)
            short = before + stop - start + after - inside.shape[1]
            ahead = max(before - start, 0)
            self._note(0, start, np.pad(inside, ((0, 0), (ahead, short - ahead))))
        both = zip(self.envelopes, self.sampled, gains, strict=True)
        self.extremes = [PeakBounds.of(*each) for each in both]
        self.anchor = PreFaderTrack(Audio(mix, self.rate_hz), 1.0)
        self.nearby = [Nearby(each, gain) for each, gain in zip(self.products, gains, strict=True)]

    def sums_at(self, side: int, blocks: np.ndarray, gains: np.ndarray) -> np.ndarray:
        """Return the sum of anchor and lanes in some fine blocks with their neighbours, shape (frames, blocks)."""
        starts = blocks * FINE_FRAMES - self.interpolator.before
        length = FINE_FRAMES + TAPS - 1
        total = np.zeros((length, len(blocks)))
        for lane, gain in zip((self.anchor, *self.lanes), gains, strict=True):
            if gain:
                total += gain * lane.gather(starts, length)[:, :, -side]
        return total

    def _note(self, row, start, padded):
        """Put the extremes of a chunk, shape (channels, frames), into a row of the envelopes."""
        between, samples = self.interpolator, np.ascontiguousarray(padded.T)
        blocks = -(-(len(samples) - TAPS + 1) // FINE_FRAMES)
        low, high = np.empty((2, samples.shape[1], blocks), np.float32)
        kernels_mixing.interpolated_envelope(samples, between.even, between.odd, FINE_FRAMES, low, high)
        plain = samples[between.before : len(samples) - between.after]
        starts = np.arange(0, len(plain), COARSE_FRAMES)
        lowest, highest = (reduce.reduceat(plain, starts).T for reduce in (np.minimum, np.maximum))
        for envelope, sampled, column in zip(self.envelopes, self.sampled, (0, -1), strict=True):
            envelope.put(row, start // FINE_FRAMES, low[column], high[column])
            sampled.put(row, start // COARSE_FRAMES, lowest[column], highest[column])

    def _chunks(self) -> Iterator[tuple[int, int, np.ndarray]]:
        """Yield borders and samples of chunk after chunk, shape (2, lanes, frames), with neighbours on either side."""
        before, after = self.interpolator.before, self.interpolator.after
        streams = [lane.blocks(CHUNK_FRAMES, self.frames) for lane in self.lanes]
        held = np.zeros((2, len(streams), before))
        waiting = _next(streams)
        for start in range(0, self.frames, CHUNK_FRAMES):
            stop = min(start + CHUNK_FRAMES, self.frames)
            current, waiting = waiting, _next(streams) if stop < self.frames else None
            ahead = np.zeros((2, len(streams), after))
            if waiting is not None:
                count = min(after, waiting.shape[2])
                ahead[:, :, :count] = waiting[:, :, :count]
            yield start, stop, np.concatenate([held, current, ahead], axis=2)
            held = np.concatenate([held, current], axis=2)[:, :, -before:]


def _next(streams):
    blocks = [next(stream) for stream in streams]
    return np.array([[block[:, 0] for block in blocks], [block[:, -1] for block in blocks]])
