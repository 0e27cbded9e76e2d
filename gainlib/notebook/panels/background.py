"""What panels share: heavy work beside the hand.

A picture follows the hand in some ten milliseconds; finding the worst peaks anew, or rendering for the ear, takes a
hundred times as long. Such work runs in a thread once the hand rests, while the next move is already answered; of
several requests only the newest is worked out.
"""

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

from gainlib.notebook.errors import Panel

REST_S = 0.15  # the last picture of a gesture goes first, and a hand that moves on saves the work
EAR_FIRST_S = 0.5  # what is to be heard is waited for that long

# one thread for all panels: two would only slow each other, and the picture, down
_THREAD = ThreadPoolExecutor(1, thread_name_prefix="gainlib-panel")
EAR = ThreadPoolExecutor(1, thread_name_prefix="gainlib-sound")
"""One thread for all players, beside it."""


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
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
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

        future = _THREAD.submit(work)
        future.add_done_callback(lambda done: loop.call_soon_threadsafe(self._ended, loop, done))

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
