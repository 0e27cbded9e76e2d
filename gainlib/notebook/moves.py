"""What a hand moves on the page, on its way to Python.

The widgets' own way waits for each answer before the next value is sent: two to five a second where the server is far
away. Moves are messages of their own instead: several are under way at once, each has a number, and the page is told
when one is done with (``moving`` in ``static/common.js``). Of those that come in while the one before them is worked
through, only the newest is worked through.
"""

import asyncio
import math
import time

IDLE_S = 0.005
"""Whoever has waited as long for a move has no other one waiting."""
LOOK_S = 0.002, 0.03
"""Least and longest time to see what else has come in."""


class Moves:
    """Mixed into a widget whose list named by `MOVED` the page moves."""

    MOVED = ""

    def __init__(self, *args, **kwargs):
        self._waiting, self._due_s, self._timer = None, 0.0, None
        self._ended_s, self._took_s = -math.inf, 0.0
        super().__init__(*args, **kwargs)
        self.on_msg(self._heard)

    def set_state(self, sync_data):
        """Take what the page says of the widget; moves that came before it come first, or are in it."""
        if self.MOVED in sync_data:
            self._pass_over()
        else:
            self._work()
        super().set_state(sync_data)

    def _heard(self, _widget, content, _buffers):
        if content.get("do") != "move":
            self._work()
            return
        now = time.monotonic()
        if self._waiting is None:
            self._due_s = now + min(max(LOOK_S[0], 0.15 * self._took_s), LOOK_S[1])
        self._pass_over()
        self._waiting = content
        if now - self._ended_s > IDLE_S:
            self._work()
        else:
            self._timer = asyncio.get_running_loop().call_later(max(0.0, self._due_s - now), self._work)

    def _pass_over(self):
        if self._timer is not None:
            self._timer.cancel()
        if self._waiting is not None:
            self.send({"moved": self._waiting["number"]})
        self._timer = self._waiting = None

    def _work(self):
        move, self._waiting = self._waiting, None
        if move is None:
            return
        begun_s, wire = time.monotonic(), move["values"]
        values = self.trait_metadata(self.MOVED, "from_json", self._trait_from_json)(wire, self)
        try:
            with self._lock_property(**{self.MOVED: wire}):  # the page has them: they need not go back
                setattr(self, self.MOVED, values)
        finally:
            self._ended_s = time.monotonic()
            self._took_s = self._ended_s - begun_s
            self.send({"moved": move["number"]})
