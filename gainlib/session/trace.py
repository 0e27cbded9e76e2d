"""The level at every point of every path, and the audio there on demand.

This is the only way to the audio and the levels of a session: who wants either asks a trace.
"""

from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.meters import METERS, NodeMeter, NodeReading, Reading, levels_of
from gainlib.meters.reading import EVERY, every_meter, known_meters
from gainlib.session import render, routing
from gainlib.session.checks import count, nearest
from gainlib.session.strip import BUS, Strip

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
        self._read: dict[tuple[str, float, str], NodeReading] = {}  # by node, alignment and meter

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
        self._check(node)
        return render.blocks(self.session, node, self._size(block_frames))

    def parts(self) -> Iterator[tuple[np.ndarray, list[np.ndarray | None]]]:
        """Yield the bus and what each strip has in it, block by block (:func:`gainlib.session.render.parts_of_bus`)."""
        return render.parts_of_bus(self.session)

    def levels(
        self,
        nodes: Iterable[str],
        meters: Iterable[str] | Mapping[str, Iterable[str]],
        *,
        alignment_dbfs: float = -18.0,
        watch: Mapping[str, Callable[[np.ndarray], None]] | None = None,
    ) -> dict[str, NodeReading]:
        """Return what some meters show at some nodes, from one run; audio is not kept, readings are.

        Parameters
        ----------
        nodes : iterable of str
        meters : iterable of str, or mapping of str to iterable of str
            Names of meters (:data:`gainlib.meters.METERS`) for all nodes, or by node. The others' fields are None.
        alignment_dbfs : float
            Level of a sine that reads 0 VU.
        watch : mapping of str to callable, optional
            Nodes, each with who is shown every block that passes there, in order and of no fixed length; none may
            change it. They are run whether anything is to be read there or not.

        Raises
        ------
        GainlibError
            For an unknown node or meter, with the names there are.
        """
        nodes, watch = list(dict.fromkeys(nodes)), dict(watch or {})
        by_node = {node: known_meters(meters[node] if isinstance(meters, Mapping) else meters) for node in nodes}
        for node in (*nodes, *watch):
            self._check(node)
        missing, found = {}, {}
        for node in nodes:
            if left := [meter for meter in by_node[node] if (node, alignment_dbfs, meter) not in self._read]:
                missing[node] = left
        for node in [node for node in missing if node in self._audios and node not in watch]:
            found[node] = levels_of(self._audios[node], missing[node], alignment_dbfs)
        left = {node: meters for node, meters in missing.items() if node not in found}
        for node, reading in (found | self._metered(left, alignment_dbfs, watch)).items():
            self._read |= {(node, alignment_dbfs, meter): reading for meter in missing[node]}
        return {node: self._asked(node, alignment_dbfs, by_node[node]) for node in nodes}

    def reading(self, node: str, alignment_dbfs: float = -18.0) -> Reading:
        """Return every meter at a node (:func:`gainlib.meters.measure`)."""
        return self.readings([node], alignment_dbfs)[node]

    def readings(self, nodes: Iterable[str] | None = None, alignment_dbfs: float = -18.0) -> dict[str, Reading]:
        """Return every meter at several nodes, all of them by default, from one run."""
        found = self.levels(self.nodes if nodes is None else nodes, EVERY, alignment_dbfs=alignment_dbfs)
        return {node: every_meter(reading) for node, reading in found.items()}

    def _size(self, block_frames):
        return self._block_frames if block_frames is None else count(block_frames, "block_frames")

    def _metered(self, meters, alignment_dbfs, watch):
        running = {}

        def meter(node, block):
            if node not in running:
                running[node] = NodeMeter(self.rate_hz, block.shape[1], meters[node], alignment_dbfs)
            running[node].push(block)

        wanted = dict.fromkeys((*meters, *watch))
        # Who watches may share something between nodes, so only meters work in the threads of the strips.
        receivers = {node: partial(meter, node) for node in meters if node not in watch}
        for node, block in render.run(self.session, wanted, self._block_frames, None, receivers) if wanted else ():
            watch[node](block)
            if node in meters:
                meter(node, block)
        return {node: each.result() for node, each in running.items()}

    def _asked(self, node, alignment_dbfs, meters):
        read = {meter: self._read[node, alignment_dbfs, meter] for meter in meters}
        return NodeReading(**{name: getattr(found, name) for meter, found in read.items() for name in METERS[meter]})

    def _check(self, node):
        if node not in self.nodes:
            raise GainlibError(f"the session has no node {node!r}; {nearest(node, self.nodes)}")

    def _render(self, nodes):
        arrays, ends = {}, dict.fromkeys(nodes, 0)
        for node, block in render.run(self.session, nodes, self._block_frames) if nodes else ():
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


class TapLevels:
    """RMS levels at the nodes of a session's strips, for other output trims, faders and send levels.

    Parameters
    ----------
    session : Session
        Rendered once when this is made; only its strips are.

    Attributes
    ----------
    nodes : tuple of str
        The strips' nodes, named as in :class:`~gainlib.session.trace.Trace`.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Group, Send, Session, Strip
    >>> tone = Audio(np.sin(np.arange(48000) * 0.13), 48000)
    >>> strip = Strip("tone", tone, fader_db=-20, sends=(Send("cue", -6, "pre"),))
    >>> session = Session([strip], [Group("cue", to=())])
    >>> taps = TapLevels(session)
    >>> handed_over = session.with_("tone", fader_db=0, post_trim_db=-20)
    >>> [round(taps.read(each)["tone/send cue"], 1) for each in (session, handed_over)]
    [-9.0, -29.0]
    """

    def __init__(self, session):
        self._flat = _flat(session)
        owners = {strip.name for strip in session.strips}
        trace = self._flat.render()
        self.nodes = tuple(node for node in trace.nodes if node.partition("/")[0] in owners and "/" in node)
        self._level = {node: level.rms_dbfs for node, level in trace.levels(self.nodes, ("rms",)).items()}

    def read(self, session) -> dict[str, float]:
        """Return the level at every node of the strips, in dBFS RMS; a full-scale sine reads 0.

        Parameters
        ----------
        session : Session
            The same session with other output trims, faders or send levels on its strips.

        Raises
        ------
        GainlibError
            When anything else was changed: then it has to be rendered.
        """
        if _flat(session) != self._flat:
            raise GainlibError("more than output trims, faders and sends was changed; render the session instead")
        shifts = {node: db for strip in session.strips for node, db in shifts_db(strip).items()}
        return {node: level + shifts.get(node, 0.0) for node, level in self._level.items()}


def _flat(session):
    """Return the session with all output trims, faders and sends of its strips at 0 dB."""
    return session.with_(strips=tuple(map(flat_strip, session.strips)))


def flat_strip(strip: Strip) -> Strip:
    """Return a strip with its output trim, fader and sends at 0 dB."""
    sends = tuple(replace(send, level_db=0.0) for send in strip.sends)
    return strip.with_(post_trim_db=0.0, fader_db=0.0, sends=sends)


def shifts_db(strip: Strip) -> dict[str, float]:
    """Return by how much each node behind the inserts is louder than in :func:`flat_strip`."""
    tap = strip.post_trim_db
    sends = {
        f"{strip.name}/send {send.to}": tap + send.level_db + (strip.fader_db if send.tap == "post" else 0.0)
        for send in strip.sends
    }
    return {f"{strip.name}/post": tap, f"{strip.name}/out": tap + strip.fader_db, **sends}
