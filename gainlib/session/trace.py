"""The level at every point of every path, and the audio there on demand."""

from collections import OrderedDict
from collections.abc import Iterable, Iterator

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.session import routing
from gainlib.session.checks import count, nearest
from gainlib.session.strip import BUS

CACHE_BYTES = 2**28


class Trace:
    """A rendered session: node name → reading, and audio on demand.

    Nothing is rendered before it is asked for, and only what the asked node needs. The last few audios are kept.

    Nodes, inserts counted from 1: ``X/source`` · ``X/trim`` · ``X/insert k/in`` (behind its in_db: what the processor
    gets) · ``X/insert k/out`` (behind its out_db) · ``X/post`` (the pre-fader tap) · ``X/out`` (two channels, as added
    to its sum) · ``X/send Y`` (likewise) · ``G/in`` (a group's sum) … ``G/out`` · ``bus/in`` · ``bus/trim`` ·
    ``bus/insert k/in`` … · ``bus`` (behind the master fader). A bypassed insert is a wire between its two nodes. A
    fixed bus shows its sums clipped, as it holds them.

    Parameters
    ----------
    session : Session
    block_frames : int
        Frames in flight at a time while rendering.

    Attributes
    ----------
    session : Session
    nodes : tuple of str
    notes : tuple of str
        What happened on the way that the numbers do not show, such as padding.
    rate_hz, frames : int
        Rate and length of the audio at every node.

    Examples
    --------
    >>> from gainlib.session import Session, Strip
    >>> trace = Session([Strip("kick", Audio(np.full(480, 0.5), 48000), fader_db=-6)]).render()
    >>> trace.nodes
    ('kick/source', 'kick/trim', 'kick/post', 'kick/out', 'bus/in', 'bus/trim', 'bus')
    >>> trace.bus.samples[0].round(4).tolist()
    [0.1772, 0.1772]
    """

    def __init__(self, session, block_frames: int):
        self.session = session
        self.nodes = routing.node_names(session)
        self.rate_hz, self.frames = session.rate_hz, session.frames
        self.notes = tuple(
            _padding(strip, self.frames, self.rate_hz) for strip in session.strips if strip.audio.frames < self.frames
        )
        self._block_frames = count(block_frames, "block_frames")
        self._audios: OrderedDict[str, Audio] = OrderedDict()
        self._readings = {}

    @property
    def bus(self) -> Audio:
        """Audio behind the master fader."""
        return self.audio(BUS)

    def audio(self, node: str) -> Audio:
        """Return the audio at a node, float64; strips have their source's channels up to their post node.

        Raises
        ------
        GainlibError
            For an unknown node, with the nearest name.
        """
        return self.audios([node])[node]

    def audios(self, nodes: Iterable[str]) -> dict[str, Audio]:
        """Return the audio at several nodes from one run."""
        nodes = list(dict.fromkeys(nodes))
        for node in nodes:
            self._check(node)
        held = {node: self._audios[node] for node in nodes if node in self._audios}
        made = self._render([node for node in nodes if node not in held])
        for node in nodes:
            self._keep(node, held.get(node) or made[node])
        return {node: held.get(node) or made[node] for node in nodes}

    def blocks(self, node: str, block_frames: int | None = None) -> Iterator[np.ndarray]:
        """Yield the audio at a node in blocks of exactly `block_frames`, the last one excepted, and keep nothing."""
        from gainlib.session.render import blocks

        self._check(node)
        size = self._block_frames if block_frames is None else count(block_frames, "block_frames")
        return blocks(self.session, node, size)

    def reading(self, node: str, alignment_dbfs: float = -18.0):
        """Return every meter at a node (:func:`gainlib.meters.measure`)."""
        return self.readings([node], alignment_dbfs)[node]

    def readings(self, nodes: Iterable[str] | None = None, alignment_dbfs: float = -18.0) -> dict:
        """Return every meter at several nodes, all of them by default, in as few runs as memory allows."""
        from gainlib.meters import measure

        nodes = list(self.nodes if nodes is None else dict.fromkeys(nodes))
        missing = [node for node in nodes if (node, alignment_dbfs) not in self._readings]
        at_once = max(1, CACHE_BYTES // (self.frames * 16))
        for start in range(0, len(missing), at_once):
            for node, audio in self.audios(missing[start : start + at_once]).items():
                self._readings[node, alignment_dbfs] = measure(audio, alignment_dbfs)
        return {node: self._readings[node, alignment_dbfs] for node in nodes}

    def _check(self, node):
        if node not in self.nodes:
            raise GainlibError(f"the session has no node {node!r}; {nearest(node, self.nodes)}")

    def _render(self, nodes):
        from gainlib.session.render import run

        arrays, ends = {}, dict.fromkeys(nodes, 0)
        for node, block in run(self.session, nodes, self._block_frames) if nodes else ():
            if node not in arrays:
                arrays[node] = np.empty((self.frames, block.shape[1]))
            arrays[node][ends[node] : ends[node] + len(block)] = block
            ends[node] += len(block)
        short = next((node for node in nodes if ends[node] != self.frames), None)
        if short is not None:
            raise GainlibError(f"node {short!r} came out with {ends[short]} frames instead of {self.frames}")
        return {node: Audio(arrays[node], self.rate_hz, node) for node in nodes}

    def _keep(self, node, audio):
        self._audios[node] = audio
        self._audios.move_to_end(node)
        while sum(each.samples.nbytes for each in self._audios.values()) > CACHE_BYTES and len(self._audios) > 1:
            self._audios.popitem(last=False)


def _padding(strip, frames, rate_hz):
    missing = frames - strip.audio.frames
    return (
        f"{strip.name!r} ends {missing / rate_hz:.3f} s ({missing} frames) ahead of the longest strip; "
        "it is padded with silence"
    )
