"""The bus and what each strip has in it, block by block."""

from collections.abc import Iterator
from itertools import tee

import numpy as np

from gainlib.session import Session, routing
from gainlib.session.render import BLOCK_FRAMES, blocks, post_blocks
from gainlib.session.signal_chain import place
from gainlib.session.strip import BUS


def parts_of_bus(session: Session) -> Iterator[tuple[np.ndarray, list[np.ndarray | None]]]:
    """Run a session and take its bus apart.

    What strip i has in the bus is the bus less the bus with i muted. Where all behind the faders is gain that is the
    strip's own signal as it arrives there; behind level-dependent inserts the session is run once without each strip.

    Parameters
    ----------
    session : Session

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
    source = _Blocks(strip, posts[strip.name].pop() if used else iter(()))
    bare = strip.with_(audio=source, polarity=1, dc_block=False, trim_db=0, inserts=(), post_trim_db=0)
    return bare.with_(mute=strip.mute or left_out)


class _Blocks:
    """Blocks that come from elsewhere, as the source of a strip."""

    def __init__(self, strip, pieces):
        self.rate_hz, self.channels, self.frames = strip.audio.rate_hz, strip.channels, strip.audio.frames
        self.name, self._pieces = strip.name, pieces

    def blocks(self, frames=BLOCK_FRAMES, start=0, stop=None):
        return self._pieces
