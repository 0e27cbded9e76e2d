"""The moving parts of a render: a line of gains and processors, and a sum that waits for its slowest branch."""

from collections.abc import Callable, Iterable, Iterator

import numpy as np

Receiver = Callable[[np.ndarray], None]


class SignalChain:
    """What a block passes on its way through a channel: gains, processors, and taps that look on.

    Build it step by step, then push blocks of shape (n, channels) and flush once. What lies behind the last tap is seen
    by nobody and is not run.
    """

    def __init__(self):
        self._steps, self._seen = [], 0

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
