"""A table of channels under the hand: a line for each strip, group and the master, and one for all that are ticked.

It holds text and switches only; what an entry means is for whoever is called. Up and Down go from line to line, Tab
along one line and out of the table, and the focus stays where it was whatever changes.
"""

from collections.abc import Callable

import anywidget
import traitlets

from gainlib.notebook import assets

COLUMNS = {
    "trim_db": "input trim (dB)", "dc_block": "DC block", "chain": "passes", "post_trim_db": "output trim (dB)",
    "to": "goes to", "sends": "sends (dB)",
}  # fmt: skip


class ChannelTable(anywidget.AnyWidget):
    """The lines, what is ticked, and which chain is open.

    Parameters
    ----------
    entered : callable
        ``entered(names, field, value)``: text, or True and False for a switch; for "chain" the names that get the
        chain that is open. False says that it was refused; then the entry stays as it was typed, and is marked.
    pressed : callable
        ``pressed(what, name)``: "open" a chain, "up" or "down" for a line, "remove" for a group.

    Attributes
    ----------
    rows : list of dict
        Name, kind ("strip", "group" or "master") and the text of each column; None where it has none.
    ticked : list of str
    current : str
        The channel whose chain is open.
    """

    _esm = assets.module("channels")
    _css = assets.style() + assets.style("channels")
    columns = traitlets.Dict(COLUMNS).tag(sync=True)
    rows = traitlets.List().tag(sync=True)
    ticked = traitlets.List(traitlets.Unicode()).tag(sync=True)
    current = traitlets.Unicode("").tag(sync=True)

    def __init__(
        self, entered: Callable[[list[str], str, str | bool], bool], pressed: Callable[[str, str], None], **kwargs
    ):
        super().__init__(**kwargs)
        self._entered, self._pressed = entered, pressed
        self.on_msg(lambda _widget, said, _buffers: self.heard(said))

    def heard(self, said: dict) -> None:
        """Take what the page sends."""
        known = {row["name"] for row in self.rows}
        if "field" in said:
            names = [name for name in said["names"] if name in known]
            done = bool(names) and said["field"] in COLUMNS and self._entered(names, said["field"], said["value"])
            self.send({"row": said["row"], "field": said["field"], "done": done})
        elif said.get("name") in known:
            self._pressed(said["do"], said["name"])
