"""The session at work: sources run in blocks through strips, groups and master, into float64 sums.

All strips advance together, block by block, so a session needs memory for a block of each and not for its stems. A
processor that keeps samples back for a while is waited for. Only what the wanted nodes need is run.

Only :class:`~gainlib.session.trace.Trace` and the remeter call on this module.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from itertools import tee

import numpy as np

from gainlib.audio.types import Blocks
from gainlib.meters.series import cores
from gainlib.processors import DCBlock
from gainlib.session import routing
from gainlib.session.strip import BUS, Strip, ratio

Receiver = Callable[[np.ndarray], None]
BLOCK_FRAMES = 16384


class SignalChain:
    """What a block passes on its way through a channel: gains, processors, and taps that look on.

    Build it step by step, then push blocks of shape (n, channels) and flush once. What lies behind the last tap is seen
    by nobody and is not run.
    """

    def __init__(self):
        self._steps, self._seen, self._waiting = [], 0, []

    @property
    def works(self) -> bool:
        """Whether a processor is run."""
        return any(not isinstance(step, float | _Tap) for step in self._steps[: self._seen])

    def gain(self, factor: float) -> None:
        """Scale; gains in a row become one."""
        if self._steps and isinstance(self._steps[-1], float):
            factor *= self._steps.pop()
        self._steps.append(float(factor))

    def tap(self, receiver: Receiver) -> None:
        """Show every block that passes here to `receiver`, which must not change it."""
        self._steps.append(_Tap(receiver))
        self._seen = len(self._steps)

    def process(self, stream) -> None:
        """Send every block through a processor at work."""
        self._steps.append(stream)

    def later(self, receiver: Receiver) -> Receiver:
        """Return what holds blocks for `receiver` back until :meth:`deliver`: sums are added to in one order."""
        return lambda block: self._waiting.append((receiver, block))

    def deliver(self) -> None:
        """Hand over what was held back."""
        for receiver, block in self._waiting:
            receiver(block)
        self._waiting.clear()

    def push(self, block: np.ndarray) -> None:
        """Pass a block on as far as it comes."""
        self._pass(block, 0)

    def flush(self) -> None:
        """Empty every processor through what follows it."""
        for index, step in enumerate(self._steps[: self._seen]):
            if not isinstance(step, float | _Tap):
                self._pass(step.flush(), index + 1)

    def _pass(self, block, start):
        for step in self._steps[start : self._seen]:
            if len(block) == 0:
                return
            if isinstance(step, float):
                block = block if step == 1.0 else block * step
            elif isinstance(step, _Tap):
                step.receiver(block)
            else:
                block = step.push(block)


class _Tap:
    def __init__(self, receiver):
        self.receiver = receiver


class Sum:
    """A stereo sum in float64 whose branches may run ahead of each other.

    Parameters
    ----------
    clip : bool
        Cut the sum at full scale, as fixed-point arithmetic does.
    """

    def __init__(self, clip: bool):
        self._clip = clip
        self._ends, self._base = [], 0
        self._held = np.zeros((0, 2))

    def branch(self) -> Receiver:
        """Return what adds the blocks of one more branch."""
        index = len(self._ends)
        self._ends.append(0)
        return lambda block: self._add(index, block)

    def _add(self, index, block):
        start = self._ends[index] - self._base
        end = start + len(block)
        if end > len(self._held):
            self._held = np.concatenate([self._held, np.zeros((end - len(self._held), 2))])
        self._held[start:end] += block
        self._ends[index] += len(block)

    def take(self, clock: int) -> np.ndarray:
        """Return what is complete and was not taken before; without branches that is silence up to frame `clock`."""
        count = min(self._ends, default=clock) - self._base
        done = self._held[:count] if self._ends else np.zeros((count, 2))
        self._held = self._held[count:]
        self._base += count
        return np.clip(done, -1.0, 1.0) if self._clip else done


def place(block: np.ndarray, left: float, right: float) -> np.ndarray:
    """Return a mono or stereo block as stereo, its sides scaled by `left` and `right`."""
    wide = np.empty((len(block), 2))
    np.multiply(block[:, 0], left, out=wide[:, 0])
    np.multiply(block[:, -1], right, out=wide[:, 1])
    return wide


def padded(source, frames: int, size: int) -> Iterator[np.ndarray]:
    """Yield a source in float64 blocks of exactly `size` frames, the last one excepted, with silence up to `frames`."""
    return even(_with_silence(source, frames, size), size)


def _with_silence(source, frames, size):
    done = 0
    for block in source.blocks(size):
        done += len(block)
        yield np.asarray(block, dtype=np.float64)
    while done < frames:
        count = min(size, frames - done)
        done += count
        yield np.zeros((count, source.channels))


def even(pieces: Iterable[np.ndarray], size: int) -> Iterator[np.ndarray]:
    """Yield the same frames in blocks of exactly `size`, the last one excepted."""
    held, count = [], 0
    for piece in pieces:
        held.append(piece)
        count += len(piece)
        if count < size:
            continue
        whole = held[0] if len(held) == 1 else np.concatenate(held)
        for start in range(0, count - size + 1, size):
            yield whole[start : start + size]
        count %= size
        held = [whole[len(whole) - count :]] if count else []
    if count:
        yield np.concatenate(held)


def run(
    session,
    wanted: Iterable[str],
    block_frames: int = BLOCK_FRAMES,
    frames: int | None = None,
    receivers: Mapping[str, Receiver] | None = None,
):
    """Run a session once and hand out the audio of some nodes.

    Parameters
    ----------
    session : Session
    wanted : iterable of str
        Names of nodes (``routing.node_names``).
    block_frames : int
        Frames in flight at a time.
    frames : int, optional
        Length of the run; the longest strip's otherwise. Shorter sources are padded with silence.
    receivers : mapping of str to callable, optional
        Who takes the blocks of some of these nodes in place of the caller, in the thread that a strip is run in.

    Yields
    ------
    node : str
    block : float64 array, shape (n, channels)
        Blocks of a node follow each other without a gap; different nodes may run ahead of each other.
    """
    frames = session.frames if frames is None else frames
    graph = _Graph(session, frozenset(wanted), frames, block_frames, receivers or {})
    with graph.helpers() as pool:
        for end in range(block_frames, graph.frames + block_frames, block_frames):
            graph.advance(min(end, graph.frames), pool)
            yield from graph.ready()
        graph.finish()
        yield from graph.ready()


def blocks(session, node: str, block_frames: int = BLOCK_FRAMES, frames: int | None = None):
    """Yield the audio of one node in blocks of exactly `block_frames`, the last one excepted; see :func:`run`."""
    return even((block for _, block in run(session, [node], block_frames, frames)), block_frames)


def post_blocks(session, name: str, block_frames: int = BLOCK_FRAMES) -> Iterator[np.ndarray]:
    """Yield a strip's signal ahead of mute and fader in blocks of exactly `block_frames`, the last one excepted.

    It equals node "X/post" of a strip that is neither muted nor silenced by another's solo, and has the length of
    the session.
    """
    strip = session.strip(name).with_(mute=False, solo=False, sends=(), to=())
    alone = session.with_(strips=(strip,), groups=())
    return blocks(alone, f"{name}/post", block_frames, session.frames)


def parts_of_bus(session) -> Iterator[tuple[np.ndarray, list[np.ndarray | None]]]:
    """Run a session and take its bus apart.

    What strip i has in the bus is the bus less the bus with i muted. Where all behind the faders is gain that is the
    strip's own signal as it arrives there; behind level-dependent inserts the session is run once without each strip.

    Yields
    ------
    bus : array, shape (n, 2)
        The next block of node "bus".
    parts : list of array, shape (n, 2), or None
        In the order of the strips; None for a strip that never arrives.
    """
    paths = routing.bus_paths(session)
    return _by_muting(session) if paths.gains is None else _by_gains(session, paths)


def _by_gains(session, paths):
    # No way to the bus crosses the sides, so the row sums of a gain matrix are all of it.
    pairs = {name: gains.sum(axis=1) * paths.master_gain for name, gains in paths.gains.items()}
    arriving = {name: post_blocks(session, name) for name, pair in pairs.items() if pair.any()}
    for start in range(0, session.frames, BLOCK_FRAMES):
        total = np.zeros((min(BLOCK_FRAMES, session.frames - start), 2))
        parts = {name: place(next(post), *pairs[name]) for name, post in arriving.items()}
        for part in parts.values():
            total += part
        yield total, [parts.get(name) for name in pairs]


def _by_muting(session):
    names = [strip.name for strip in session.strips]
    reaching = routing.upstream(session, [BUS])
    absent = [name for name in names if name in reaching]
    # Every strip runs once; its blocks go to the run with all strips and to those that lack another one.
    posts = {name: list(tee(post_blocks(session, name), len(absent))) for name in absent}
    runs = []
    for left_out in (None, *absent):
        strips = [_played(strip, strip.name == left_out, posts) for strip in session.strips]
        runs.append(blocks(session.with_(strips=strips), BUS))
    for total, *others in zip(*runs, strict=True):
        lacking = dict(zip(absent, others, strict=True))
        yield total, [total - lacking[name] if name in lacking else None for name in names]


def _played(strip, left_out, posts):
    used = strip.name in posts and not left_out
    pieces = posts[strip.name].pop() if used else iter(())
    source = Blocks.like(strip.audio, lambda *_: pieces)
    bare = strip.with_(audio=source, polarity=1, dc_block=False, trim_db=0, inserts=(), post_trim_db=0)
    return bare.with_(mute=strip.mute or left_out)


class _Graph:
    """The parts of a session that the wanted nodes need, connected and ready to run."""

    def __init__(self, session, wanted, frames, block_frames, receivers):
        self.frames = frames
        self._session, self._wanted, self._receivers, self._out = session, wanted, receivers, []
        self._heard, edges = routing.heard(session)
        order = routing.topological_order(session)
        owners = {node.split("/")[0] for node in wanted}
        needed = routing.upstream(session, owners & {*order, BUS})
        self._edges = frozenset(edge for edge in edges if edge.to in needed)
        self._passing = frozenset(edges)
        self._sums = {name: Sum(clip=session.bus == "fixed") for name in (*order, BUS) if name in needed}
        self._strips = [
            (padded(strip.audio, frames, block_frames), self._channel(strip))
            for strip in session.strips
            if strip.name in needed | owners
        ]
        self._ways = [(self._sums[name], self._channel(session.group(name))) for name in order if name in needed]
        if BUS in needed:
            self._ways.append((self._sums[BUS], self._master()))

    def helpers(self):
        """Return the threads that strips are run in beside this one, as a context; none where little is to be run."""
        busy = len(self._strips) if self._receivers else sum(line.works for _, line in self._strips)
        self._more = max(min(cores(), busy) - 1, 0)
        return ThreadPoolExecutor(self._more, "gainlib-render") if self._more else nullcontext()

    def advance(self, clock, pool):
        """Take the block that ends at frame `clock` from every source and pass it on as far as it goes."""
        left = iter(self._strips)

        def work():
            for source, line in left:  # each takes the next that nobody has taken
                line.push(next(source))

        others = [pool.submit(work) for _ in range(self._more)]
        work()
        for other in others:
            if not other.cancel():  # one that has not begun finds nothing to do
                other.result()
        for _, line in self._strips:
            line.deliver()
        for total, line in self._ways:
            line.push(total.take(clock))

    def finish(self):
        """Empty every processor, from the sources to the bus."""
        for _, line in self._strips:
            line.flush()
            line.deliver()
        for total, line in self._ways:
            line.push(total.take(self.frames))
            line.flush()

    def ready(self):
        """Return the wanted blocks gathered since the last call."""
        out = list(self._out)
        self._out.clear()
        return out

    def _show(self, line, node):
        if node in self._wanted:
            line.tap(self._collector(node))

    def _collector(self, node):
        return self._receivers.get(node) or (lambda block: self._out.append((node, block)))

    def _channel(self, channel):
        line, owner = SignalChain(), channel.name
        self._show(line, f"{owner}/{'source' if isinstance(channel, Strip) else 'in'}")
        if isinstance(channel, Strip):
            line.gain(channel.polarity)
            if channel.dc_block:
                line.process(DCBlock().stream(channel.audio.rate_hz, channel.channels))
        self._middle(line, owner, channel, channel.channels)
        line.gain(ratio(channel.post_trim_db))
        if f"{owner}/post" in self._wanted:
            collect, factor = self._collector(f"{owner}/post"), float(owner in self._heard)
            line.tap(lambda block: collect(block if factor else np.zeros_like(block)))
        for pair, sums, seen in self._outputs(channel):
            if sums or seen:
                held = [line.later(each) for each in sums] if isinstance(channel, Strip) else sums
                line.tap(_spreader(pair, [*held, *seen]))
        return line

    def _master(self):
        line, master = SignalChain(), self._session.master
        self._show(line, f"{BUS}/in")
        self._middle(line, BUS, master, 2)
        line.gain(ratio(master.fader_db))
        self._show(line, BUS)
        return line

    def _middle(self, line, owner, channel, width):
        line.gain(ratio(channel.trim_db))
        self._show(line, f"{owner}/trim")
        for k, insert in enumerate(channel.inserts, 1):
            if not insert.bypass:
                line.gain(ratio(insert.in_db))
            self._show(line, f"{owner}/insert {k}/in")
            if not insert.bypass:
                line.process(insert.processor.stream(self._session.rate_hz, width))
                line.gain(ratio(insert.out_db))
            self._show(line, f"{owner}/insert {k}/out")

    def _outputs(self, channel):
        """Yield gains, sums that are added to, and who looks on, of the main way and of each send."""
        edges = routing.edges_of(channel)
        main = tuple(edge for edge in edges if edge.kind == "out")
        sends = (((edge,), edge) for edge in edges if edge.kind != "out")
        for branch, edge in ((main, routing.Edge(channel.name, "", "out")), *sends):
            pair = routing.edge_pair(channel, edge, self._session.pan_law_db, channel.fader_db, channel.pan)
            sums = [self._sums[each.to].branch() for each in branch if each in self._edges]
            passes = any(each in self._passing for each in branch) or (not branch and channel.name in self._heard)
            seen = [self._collector(edge.node)] if edge.node in self._wanted else []
            yield pair if passes else (0.0, 0.0), sums, seen


def _spreader(pair, receivers):
    def spread(block):
        wide = place(block, *pair)
        for receive in receivers:
            receive(wide)

    return spread
