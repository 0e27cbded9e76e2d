"""A fader somebody measured: its points, to be changed for one's own, and a law laid through them by hand."""

import ipywidgets as widgets

from gainlib.audio import GainlibError
from gainlib.exercises.fader_fit import LAW, OWN, points_as_text, points_from_text, read_points
from gainlib.exercises.mixing.measured_fader import RANGES
from gainlib.exercises.text import Unreadable
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.law_fit import LaidLaw
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.prose import LiveRegion
from gainlib.notebook.slider import Slider
from gainlib.session.fader import misfit_db, travel_db, usable_points
from gainlib.words import number_text

PICTURE_PX = (640, 360)


class MeasuredPanel(Panel):
    """Points of a fader and a law through them.

    Parameters
    ----------
    positions_mm, levels_db : sequence
        The printed points; the bottom may be "-inf".

    Attributes
    ----------
    points : ipywidgets.Textarea
        One point a line; changed, they are the learner's own.
    exponent, unity : Slider
        The law.
    """

    def __init__(self, positions_mm, levels_db):
        self._printed = points_as_text(positions_mm, levels_db)
        self.points = widgets.Textarea(
            self._printed,
            continuous_update=False,
            description="mm and dB, one pair a line",
            style={"description_width": "initial"},
            rows=12,
            layout=widgets.Layout(width="210px", height="290px"),
        )
        self.points.add_class("gl-points")
        exponent, unity = RANGES
        self.exponent = Slider("k", exponent.start, exponent.low, exponent.high, 0.01, page=0.1)
        self.unity = Slider("x₀", unity.start, unity.low, unity.high, 0.1, "mm", page=2.0)
        self.reset = widgets.Button(
            description="Back to start", layout=widgets.Layout(width="auto", align_self="flex-start")
        )
        self._said, self._picture = LiveRegion(), widgets.VBox()
        left = widgets.VBox([self.points, self.reset])
        right = widgets.VBox([self._picture, self.exponent, self.unity])
        super().__init__(widgets.HBox([left, right]).add_class("gl-beside"), self._said)
        self.add_class("gl-form").add_class("gl-panel")
        self._take_points()
        self.points.observe(self.guarded(lambda change: self._take_points()), "value")
        for slider in (self.exponent, self.unity):
            slider.observe(self.guarded(lambda change: self._follow()), "value")
            slider.observe(self.guarded(lambda change: self._settle()), "released")
        self.reset.on_click(self.guarded(lambda _button: self._back()))

    # ---- the answer ------------------------------------------------------------------------------------------------

    def controls(self) -> dict | None:
        """Return the law, with the learner's own points where they were changed; None while all is as found."""
        law = {"exponent": self.exponent.value, "unity_mm": self.unity.value}
        own = self._own()
        untouched = law == {control.name: control.start for control in RANGES} and own is None
        return None if untouched else {LAW: law, **({} if own is None else {OWN: own})}

    def _own(self):
        """Return the points as lists, as they were typed where they cannot be read, None while they are the printed."""
        if self.points.value.strip() == self._printed:
            return None
        try:
            return points_from_text(self.points.value)
        except Unreadable:
            return self.points.value

    def set_controls(self, answer: dict | None) -> None:
        """Set law and points as an answer has them; None, and what cannot be read, leaves them."""
        if not isinstance(answer, dict) or not isinstance(answer.get(LAW), dict) or answer == self.controls():
            return
        own, law = answer.get(OWN), answer[LAW]
        if isinstance(own, dict):
            self.points.value = points_as_text(own["mm"], own["db"])
        for control, slider in zip(RANGES, (self.exponent, self.unity), strict=True):
            if isinstance(law.get(control.name), (int, float)):
                slider.value = law[control.name]
        self._settle()

    def _back(self):
        self.points.value = self._printed
        self.exponent.restart()
        self.unity.restart()
        self._settle()

    # ---- the picture -----------------------------------------------------------------------------------------------

    def _take_points(self):
        """Draw other points, or say what is wrong with them and leave the picture."""
        try:
            points = read_points(self.points.value)
        except Unreadable as problem:
            self._said.say("invalid", "These points will not do", str(problem))
            return
        self._positions, self._levels = usable_points(points["mm"], points["db"])
        fig = figures.make_figure(*PICTURE_PX)
        self._laid = LaidLaw(fig.subplots(), self._positions, self._levels)
        self._update()
        self._live = LiveFigure(fig, [self._laid], title="Gain of a measured fader, and a law through it")
        self._picture.children = [self._live.widget]
        self._say()

    def _update(self):
        k, x0 = self.exponent.value, self.unity.value
        self._law = f"k = {number_text(k, 2)}, x₀ = {number_text(x0)} mm"
        self._misfit = misfit_db(k, x0, self._positions, self._levels)
        self._laid.update(travel_db(k, x0, self._positions), self._law, self._misfit)

    def _follow(self):
        if not hasattr(self, "_laid"):
            raise GainlibError("there are no points to lay a law through; type at least six")
        self._update()
        self._live.refresh()

    def _settle(self):
        self._live.settle()
        self._say()

    def _say(self):
        count = len(self._positions)
        self._said.say("note", "", f"{count} points with a finite gain. **Misfit {number_text(self._misfit, 2)} dB.**")
