"""Long work of the bench: in a thread, one piece at a time, with a bar, and with a button that stops it.

The page stays alive meanwhile. What is stopped, or fails, has changed nothing: results are taken only when they are
whole, and files appear whole or not at all (:mod:`gainlib.mix.paths`, :func:`gainlib.audio.replacing`).
"""

import asyncio
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from gainlib.audio import GainlibError

WORDS = {
    "check": "Measuring the stems: {done} of {total}",
    "strips": "Staging the strips: step {done} of {total}",
    "groups and bus": "Setting groups and bus: step {done} of {total}",
    "verify": "Rendering the whole to verify it: step {done} of {total}",
    "stems": "Writing stems: {done} of {total} s",
    "excerpt": "Rendering: {done} of {total} s",
    "bus report": "Measuring the bus before and after",
    "survey": "Measuring what each stem contributes to the bus",
    "print": "Comparing with the print: {done} of {total}",
}
REPORT_EVERY_S = 0.1

_THREAD = ThreadPoolExecutor(1, thread_name_prefix="gainlib-bench")


class Stopped(Exception):
    """The work was stopped by hand."""


class Work:
    """The one piece of work a bench is at.

    Attributes
    ----------
    running : str
        What it is at; empty when it is at rest.

    Examples
    --------
    >>> work = Work()
    >>> work.now(lambda tell: tell("check", 1, 2) or 42, print)
    42
    """

    def __init__(self):
        self.running, self._halt = "", threading.Event()

    def stop(self) -> None:
        """Have the work end at its next report."""
        self._halt.set()

    def now(self, work: Callable, done: Callable, told: Callable | None = None) -> None:
        """Do the work here and now.

        Parameters
        ----------
        work : callable
            ``work(tell)``; ``tell(label, done, total)`` reports, and raises :class:`Stopped` when it is to end.
        done : callable
            ``done(result)``.
        told : callable, optional
            ``told(share, text)``.
        """
        self._halt.clear()
        done(work(self._teller(told or (lambda share, text: None))))

    def later(self, name: str, work: Callable, ended: Callable, told: Callable) -> None:
        """Do the work in a thread; ``ended(future)`` and ``told(share, text)`` run where widgets may be touched.

        Parameters
        ----------
        name : str
            What the bench is at, for whoever asks for something else meanwhile.
        work, told : callable
            As in :meth:`now`.
        ended : callable
            Gets the future, whose result may raise.

        Raises
        ------
        GainlibError
            While other work is running.
        """
        if self.running:
            raise GainlibError(f"the bench is busy ({self.running}); wait until that is done, or press Stop there")
        loop = asyncio.get_running_loop()
        self.running = name
        self._halt.clear()

        def finish(future):
            self.running = ""
            ended(future)

        tell = self._teller(lambda share, text: loop.call_soon_threadsafe(told, share, text))
        future = _THREAD.submit(work, tell)
        future.add_done_callback(lambda done: loop.call_soon_threadsafe(finish, done))

    def _teller(self, told):
        last, highest = 0.0, 0.0

        def tell(label, done, total):
            nonlocal last, highest
            if self._halt.is_set():
                raise Stopped
            now = time.monotonic()
            if now - last >= REPORT_EVERY_S or done in (0, total):
                last, highest = now, max(highest, done / total if total else 0.0)  # a bar never goes back
                text = WORDS.get(label, label).format(done=f"{done:.0f}", total=f"{total:.0f}")
                told(highest, text)

        return tell
