"""A question before something is thrown away, with two answers."""

from collections.abc import Callable

import ipywidgets as widgets

from gainlib.notebook import identity
from gainlib.notebook.prose import LiveRegion
from gainlib.words import number_text

NEWER = "You have moved on here in another tab. What you move last counts."
TAKE_OVER, STAY = "Take over the other tab", "Stay with this"


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

    def _show(self, on):
        self.layout.display = None if on else "none"
        if self._over:
            self._instead.layout.visibility = "hidden" if on else None
        elif self._instead is not None:
            self._instead.layout.display = "none" if on else None

    def _answered(self, then):
        self._show(False)
        self._said.say()
        if then is not None:
            then()


class CodeQuestion(Question):
    """Asked where the same name has more points with another class code, or with none.

    Parameters
    ----------
    become : callable
        ``become(class_code)`` switches to it.
    """

    def __init__(self, become: Callable[[str], None]):
        self._become, self._asked = become, None
        super().__init__()

    def look(self, record, learner: str, class_code: str, lab: str | None = None) -> None:
        """Ask if there is reason to, once for each who works here."""
        if self._asked == (learner, class_code):
            return
        self._asked = (learner, class_code)
        self._answered(None)
        found = identity.elsewhere(record.events(), learner, class_code, lab)
        if found is not None:
            theirs = f"with class code {found.class_code}" if found.class_code else "without a class code"
            own = f"with {class_code}" if class_code else "without it"
            what = "Did you leave it out?" if not class_code else "Is this the right one?"
            points, here = number_text(found.points), number_text(found.own_points) if found.own_points else "none"
            text = f"{theirs[:1].upper()}{theirs[1:]} there are {points} points by this name; {own} {here}. {what}"
            yes = f"Take class code {found.class_code}" if found.class_code else "Go without a class code"
            self.ask(text, yes, lambda: self._become(found.class_code), "This is right")
