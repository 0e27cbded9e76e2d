"""Who works here, and how far they are, at the head of a page; in JupyterLab, which has no such place, nothing."""

import anywidget
import traitlets

from gainlib.notebook import assets
from gainlib.notebook.forms import points_text
from gainlib.notebook.whereabouts import here


class Head(anywidget.AnyWidget):
    """Fills the head of a page and has no look of its own.

    Attributes
    ----------
    text : str
        Name and points.
    done : list of str
        Numbers of the exercises that are right.
    forgets : bool
        Whether the browser asks before the workbook is left, because what was not downloaded is lost.
    """

    _esm = assets.module("head")
    text = traitlets.Unicode("").tag(sync=True)
    done = traitlets.List(traitlets.Unicode()).tag(sync=True)
    forgets = traitlets.Bool().tag(sync=True)

    @traitlets.default("forgets")
    def _forgets(self):
        return here().forgets

    def tell(self, learner: str, class_code: str, points: float, possible: float, done=()) -> None:
        """Say who has how many points, and which exercises are right."""
        who = learner + (f", class {class_code}" if class_code else "")
        self.text = f"{who} · {points_text(round(points, 2))} of {points_text(possible)} points"
        self.done = [id.rpartition("-")[2] for id in done]
