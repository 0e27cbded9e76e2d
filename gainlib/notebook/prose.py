"""Words on the page: Markdown shown in a panel, and the live region that announces what has changed.

Texts of exercises and labs are Markdown; :mod:`gainlib.notebook.markup` turns them to HTML.
"""

from importlib.resources import files

import anywidget
import ipywidgets as widgets
import traitlets

from gainlib.notebook import assets
from gainlib.notebook.markup import html_of

STATES = ("", "right", "partly", "wrong", "invalid", "note", "busy")


def style() -> str:
    """Return the style sheet of all widgets with that of the forms after it."""
    return assets.style() + (files(__package__) / "static" / "forms.css").read_text(encoding="utf-8")


def prose(markdown: str, *classes: str) -> widgets.HTML:
    """Return a widget that shows Markdown; assign another text with :func:`rewrite`.

    Parameters
    ----------
    markdown : str
        Text.
    *classes : str
        More style classes.
    """
    widget = widgets.HTML(html_of(markdown))
    for name in ("gl-prose", *classes):
        widget.add_class(name)
    return widget


def rewrite(widget: widgets.HTML, markdown: str) -> None:
    """Replace the text of a widget from :func:`prose`."""
    widget.value = html_of(markdown)


class LiveRegion(anywidget.AnyWidget):
    """A live region: what it says is announced by a screen reader when it changes.

    Attributes
    ----------
    state : str
        One of :data:`STATES`; a mark and an edge in the region's look.
    word : str
        The state in words, in bold.
    html : str
        What follows.

    Examples
    --------
    >>> said = LiveRegion()
    >>> said.say("wrong", "Not yet", "bus: **−3.2 dBTP** is 2.8 dB too hot")
    >>> said.text
    'Not yet: bus: **−3.2 dBTP** is 2.8 dB too hot'
    """

    _esm = assets.module("said")
    _css = style()
    state = traitlets.Enum(STATES, "").tag(sync=True)
    word = traitlets.Unicode("").tag(sync=True)
    html = traitlets.Unicode("").tag(sync=True)
    text = ""

    def say(self, state: str = "", word: str = "", markdown: str = "") -> None:
        """Say something, or nothing."""
        self.text = ": ".join(part for part in (word, markdown) if part)
        with self.hold_sync():
            self.state, self.word, self.html = state, word, html_of(markdown) if markdown else ""
