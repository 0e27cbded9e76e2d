"""The worked example of a lab: its steps open one after the other, and the last one is the learner's."""

import ipywidgets as widgets

from gainlib.exercises.lab import Worked
from gainlib.notebook.answering import EXPLAINED_FROM, Newest, ShortQuestion
from gainlib.notebook.fields import field_for
from gainlib.notebook.kept import Place
from gainlib.notebook.prose import LiveRegion, html_of, prose

YOURS = "The last step is yours. It earns no points."


class WorkedExample(Newest):
    """A worked example.

    Parameters
    ----------
    worked : Worked
        The declaration.
    place : Place
        Where it is kept how far it was opened, and what was answered.

    Attributes
    ----------
    next : ipywidgets.Button
        Opens the next step.
    turn : ShortQuestion
        The last step; out of sight until all others are open.
    """

    def __init__(self, worked: Worked, place: Place):
        self._worked, self._place = worked, place
        self._before, self._newest = widgets.VBox(), LiveRegion()
        self.next = widgets.Button(description="Next step", button_style="primary", layout={"width": "auto"})
        self._row = widgets.HBox([self.next]).add_class("gl-buttons")
        self.turn = ShortQuestion([field_for(worked.last, {})], self.guarded, self.submit, self._typed)
        self._yours = widgets.VBox([prose(YOURS), self.turn])
        super().__init__(prose(worked.question), self._before, self._newest, self._row, self._yours)
        self.add_class("gl-form")
        self.next.on_click(self.guarded(lambda _button: self.open_next()))
        place.watch(self.guarded(self._moved_elsewhere))
        self.update()

    @property
    def standing(self) -> dict:
        """How many steps are open, what stands in the field, and the tries that could be read."""
        kept = self._place.value if isinstance(self._place.value, dict) else {}
        opened, entry, tries = kept.get("steps"), kept.get("entry"), kept.get("tries")
        return {
            "steps": min(opened, len(self._worked.steps)) if type(opened) is int and opened > 0 else 0,
            "entry": entry if isinstance(entry, str) else "",
            "tries": [each for each in tries if isinstance(each, str)] if isinstance(tries, list) else [],
        }

    def open_next(self) -> None:
        """Open the next step; behind the last one the field takes the focus, for the button is gone."""
        self._place.keep(self.standing | {"steps": self.standing["steps"] + 1})
        self.update()
        if self._all_open:
            self.turn.fields[0].focus()

    def submit(self) -> None:
        """Judge the last step."""
        now, answer = self.standing, self.turn.fields[0].value() or ""
        state, _ = self._worked.judge(answer)
        if state in ("right", "wrong") and answer not in now["tries"][-1:]:
            now["tries"] = [*now["tries"], answer]
        self._place.keep(now | {"entry": answer})
        self._say(answer, now["tries"])

    @property
    def _all_open(self):
        return self.standing["steps"] >= len(self._worked.steps)

    def _typed(self):
        self._place.keep(self.standing | {"entry": self.turn.fields[0].standing() or ""})

    def _say(self, answer, tries):
        state, sentence = self._worked.judge(answer)
        over = state == "right" or len(tries) >= EXPLAINED_FROM
        self.turn.say(state, sentence, self._worked.explain if over else "")

    def update(self) -> None:
        """Show it as it is kept."""
        now = self.standing
        steps = [numbered(k, text) for k, text in enumerate(self._worked.steps[: now["steps"]], start=1)]
        if len(self._before.children) != max(len(steps) - 1, 0):
            self._before.children = [prose(text) for text in steps[:-1]]
        self._newest.say("", "", steps[-1] if steps else "")
        self._row.layout.display = "none" if self._all_open else None
        self._yours.layout.display = None if self._all_open else "none"
        field = self.turn.fields[0]
        if (field.standing() or "") != now["entry"]:
            field.resume(now["entry"])
        if now["tries"]:
            self._say(now["tries"][-1], now["tries"])
        else:
            self.turn.say("unattempted")
            self.turn.said.say()


def numbered(number: int, text: str) -> str:
    """Return a step behind its number; a list, a table or a formula begins on a line of its own."""
    return f"**{number}.**" + ("\n\n" if text.startswith(("- ", "| ", "$$")) else " ") + text


def in_full(worked: Worked) -> str:
    """Return a worked example to be printed, every step of it, as HTML."""
    steps = [*worked.steps, f"{worked.last.label_for({})}: {worked.explain}"]
    listed = "".join(f"<li>{html_of(step)}</li>" for step in steps)
    return f"<h2>A worked example</h2>{html_of(worked.question)}<ol>{listed}</ol>"
