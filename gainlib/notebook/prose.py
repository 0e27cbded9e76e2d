"""Words on the page: Markdown shown in a panel, the live region that announces what has changed, and a question.

Texts of exercises and labs are Markdown; :func:`gainlib.notebook.assets.html_of` turns them to HTML.
"""

from collections.abc import Callable

import traitlets

from gainlib.notebook import widgets
from gainlib.notebook.assets import html_of

STATES = ("", "right", "partly", "wrong", "invalid", "note", "busy")


def prose(markdown: str, *classes: str) -> widgets.HTML:
    """Return a widget that shows Markdown; assign another text with :func:`rewrite`.

    Parameters
    ----------
    markdown : str
        Text.
    *classes : str
        More style classes.
    """
    return widgets.HTML(html_of(markdown), _dom_classes=("gl-prose", *classes))


def rewrite(widget: widgets.HTML, markdown: str) -> None:
    """Replace the text of a widget from :func:`prose`."""
    widget.value = html_of(markdown)


class LiveRegion(widgets.Scripted):
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

    FILES = ("said.js", "forms.css")
    state = traitlets.Enum(STATES, "").tag(sync=True)
    word = traitlets.Unicode("").tag(sync=True)
    html = traitlets.Unicode("").tag(sync=True)
    text = ""

    def say(self, state: str = "", word: str = "", markdown: str = "") -> None:
        """Say something, or nothing."""
        self.text = ": ".join(part for part in (word, markdown) if part)
        with self.hold_sync():
            self.state, self.word, self.html = state, word, html_of(markdown) if markdown else ""


class Question(widgets.HBox):
    """A question with two answers, out of sight until it is asked; then it stands in the place of something else.

    Parameters
    ----------
    instead : widget, optional
        What is out of sight meanwhile; with :meth:`over` it keeps its room, so that nothing moves.

    Examples
    --------
    >>> gone, question = [], Question()
    >>> question.ask("All of it?", "Yes, all", lambda: gone.append("all"))
    >>> question.no.click()
    >>> question.ask("All of it?", "Yes, all", lambda: gone.append("all"))
    >>> question.yes.click()
    >>> gone, question.layout.display
    (['all'], 'none')
    """

    def __init__(self, instead: widgets.Widget | None = None):
        self._said, self._then, self._instead, self._over = LiveRegion(), None, instead, False
        self.yes, self.no = (widgets.Button(description=text, layout={"width": "auto"}) for text in ("Yes", "No"))
        super().__init__([self._said, self.yes, self.no], layout={"display": "none"})
        self.add_class("gl-question")
        self.yes.on_click(lambda _button: self._answered(self._then))
        self.no.on_click(lambda _button: self._answered(None))

    def over(self) -> widgets.Box:
        """Return what stands there with the question over it: as large as the larger of the two, whoever shows."""
        self._over = True
        return widgets.Box([self._instead, self]).add_class("gl-over")

    def ask(self, text: str, yes: str, then: Callable[[], None], no: str = "No") -> None:
        """Ask, and do something if the answer is yes."""
        self._then, self.yes.description, self.no.description = then, yes, no
        self._show(True)
        self._said.say("note", "", text)

    def take_over(self, take: Callable[[], None]) -> None:
        """Ask whether what another tab has made since is to be taken over."""
        asked = "You have moved on here in another tab. What you move last counts."
        self.ask(asked, "Take over the other tab", take, "Stay with this")

    def _show(self, on):
        widgets.look(self, display=None if on else "none")
        if self._over:
            widgets.look(self._instead, visibility="hidden" if on else None)
        elif self._instead is not None:
            widgets.look(self._instead, display="none" if on else None)

    def _answered(self, then):
        self._show(False)
        self._said.say()
        if then is not None:
            then()
