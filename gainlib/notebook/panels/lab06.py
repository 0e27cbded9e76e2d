"""What lab 06 has besides its desks: a field for each of the eight boxes, checked, and worth nothing."""

from gainlib.exercises.text import Unreadable
from gainlib.labs.lab06 import NAMING, eight, kind_of
from gainlib.notebook.fields import field_for
from gainlib.notebook.panels import drawn_for, place_of
from gainlib.notebook.ungraded import Newest, ShortQuestion
from gainlib.words import sentence


class Naming(Newest):
    """A list to choose from for each of the eight boxes on the desk above, with its own Check.

    Attributes
    ----------
    question : ShortQuestion
    """

    def __init__(self, learner):
        boxes = eight(drawn_for(learner, "06"))
        self._key = {letter: (kind_of(name),) for letter, name in boxes.items()}
        self._place, self._tries = place_of(learner, "panel naming"), []
        self.question = ShortQuestion(self, [field_for(NAMING, {})], self.submit, self._keep)
        super().__init__(self.question)
        self.add_class("gl-form")
        self.update()
        self._watch()

    def submit(self) -> None:
        """Say how far the names are right; how many, and which are not, from the second try on."""
        entered = self.question.fields[0].value()
        if entered is None:
            self.question.say("unattempted")
            return
        try:
            value = NAMING.read(entered, {})
        except Unreadable as problem:
            self.question.say("invalid", str(problem))
            return
        if value not in self._tries:
            self._tries.append(value)
        found = NAMING.judge(value, self._key, {}, [value])
        said = found.closer if found.closer and len(self._tries) > 1 else found.feedback
        self.question.say("right" if found.share >= 1 else "wrong", sentence(said))

    def update(self) -> None:
        """Enter what was kept."""
        if isinstance(self._place.value, dict):
            self.question.fields[0].resume(self._place.value)

    def _keep(self):
        self._place.keep(self.question.fields[0].standing())


PANELS, EXERCISES = {("06", "naming"): Naming}, {}
