"""What a hand moves on the page, on its way to Python.

The widgets' own way waits for each answer before the next value is sent, which is two to five a second where the server
is far away. Moves are messages of their own instead: several are under way at once, each has a number, and the page is
told when it has been worked through (``moving`` in ``static/common.js``).
"""


class Moves:
    """Mixed into a widget whose list named by `MOVED` the page moves."""

    MOVED = ""

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.on_msg(self._moved)

    def _moved(self, _widget, content, _buffers):
        if content.get("do") != "move":
            return
        values = self.trait_metadata(self.MOVED, "from_json", self._trait_from_json)(content["values"], self)
        try:
            with self._lock_property(**{self.MOVED: content["values"]}):  # the page has them: they need not go back
                setattr(self, self.MOVED, values)
        finally:
            self.send({"moved": content["number"]})
