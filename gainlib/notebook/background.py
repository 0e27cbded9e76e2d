"""Long work in threads: what panels do beside the hand, and the one piece of work that the bench is at.

A picture follows the hand in some ten milliseconds; finding the worst peaks anew, or rendering for the ear, takes a
hundred times as long. Such work runs once the hand rests, while the next move is already answered; of several requests
only the newest is worked out.

On the bench one piece of work is done at a time, with a bar and with a button that stops it. What is stopped, or fails,
has changed nothing: results are taken only when they are whole, and files appear whole or not at all
(:mod:`gainlib.mix.paths`, :func:`gainlib.audio.replacing`).
"""

import asyncio
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

from gainlib.audio import GainlibError
from gainlib.notebook.errors import Panel

REST_S = 0.15  # the last picture of a gesture goes first, and a hand that moves on saves the work
EAR_FIRST_S = 0.5  # what is to be heard is waited for that long

# one thread for all panels: two would only slow each other, and the picture, down
_THREAD = ThreadPoolExecutor(1, thread_name_prefix="gainlib-panel")
EAR = ThreadPoolExecutor(1, thread_name_prefix="gainlib-sound")
"""One thread for all players, beside it."""
_BENCH = ThreadPoolExecutor(1, thread_name_prefix="gainlib-bench")

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


def running_loop() -> asyncio.AbstractEventLoop | None:
    """Return the loop that runs here; None in a script."""
    with suppress(RuntimeError):
        return asyncio.get_running_loop()
    return None


def _in_thread(pool, work, loop, ended):
    """Have work done in a thread; ``ended(future)`` runs where widgets may be touched."""
    pool.submit(work).add_done_callback(lambda future: loop.call_soon_threadsafe(ended, future))


class BackgroundTask:
    """Heavy work of one panel, done beside the hand; the newest request wins.

    Parameters
    ----------
    panel : Panel
        Shows progress and failures.
    work : callable
        ``work(progress, *request)`` runs in a thread and touches no widget; ``progress(done, text)`` may be called.
    show : callable
        ``show(result)`` runs where widgets may be touched.
    failed : callable, optional
        ``failed()`` runs when the work or its showing has failed, beside the panel's own notice.

    Examples
    --------
    >>> seen = []
    >>> beside = BackgroundTask(Panel(), lambda progress, x: 2 * x, seen.append)
    >>> beside.ask(21)
    >>> seen
    [42]
    """

    def __init__(self, panel: Panel, work: Callable, show: Callable, failed: Callable | None = None):
        self._panel, self._work = panel, work
        self._show, self._failed = show, failed or (lambda: None)
        self._next, self._asked, self._running = None, 0, False
        self._change = threading.Lock()  # widgets may be answered in another thread than the one that runs cells

    def ask(self, *request) -> None:
        """Have something worked out; at once where no event loop runs, as in a script."""
        loop = running_loop()
        if loop is None:
            self._show(self._work(lambda done, text=None: None, *request))
            return
        with self._change:
            self._next = request
            self._asked += 1
            ticket = self._asked
        loop.call_later(REST_S, self._rested, loop, ticket)

    def _rested(self, loop, ticket):
        with self._change:
            if ticket != self._asked or self._running or self._next is None:
                return  # something newer is on its way, or will be begun when what runs has ended
            request, self._next, self._running = self._next, None, True
        self._begin(loop, request)

    def _begin(self, loop, request):
        self._panel.progress.of("Measuring …").__enter__()

        def report(done, text=None):
            loop.call_soon_threadsafe(self._panel.progress, done, text)

        def work():
            with suppress(TimeoutError):
                EAR.submit(lambda: None).result(EAR_FIRST_S)
            return self._work(report, *request)

        _in_thread(_THREAD, work, loop, lambda future: self._ended(loop, future))

    def _ended(self, loop, future):
        self._panel.progress.__exit__(None, None, None)
        with self._change:
            request, self._next = self._next, None
            self._running = request is not None
        if request is not None:
            self._begin(loop, request)  # what was worked out is out of date
        else:
            self._show_result(future)

    def _show_result(self, future):
        @self._panel.guarded
        def show():
            try:
                self._show(future.result())
            except Exception:
                self._failed()
                raise

        show()


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
        _in_thread(_BENCH, lambda: work(tell), loop, finish)

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
