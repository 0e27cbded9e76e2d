"""How long ears may take a level: three sliders, the curves of the limits, and the point they lead to."""

import ipywidgets as widgets
import numpy as np

from gainlib.levels import exposure
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.exposure import SafeTimes
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.prose import prose
from gainlib.notebook.slider import Slider

LEVELS_DBA = (70, 115)
DAY = "a day’s limit (85 dBA for 8 h)"
WEEK = "a week’s allowance (80 dBA for 40 h)"
CHILD = "a child’s week (75 dBA for 40 h)"
WEEKS = {WEEK: exposure.WEEK_DBA, CHILD: exposure.CHILD_WEEK_DBA}
PICTURE_PX = (840, 360)


class ExposurePanel(Panel):
    """Level, hours a day and days a week, and what share of each limit they use.

    Attributes
    ----------
    level, hours, days : Slider
        What is set.
    live : LiveFigure
        The picture.
    """

    def __init__(self):
        self.level = Slider("Level at your ear", 85, *LEVELS_DBA, 1, "dBA", page=3)
        self.hours = Slider("Time a day", 2, 0.25, 12, 0.25, "h", page=1)
        self.days = Slider("Days a week", 5, 1, 7, 1, "days", page=1)
        fig = figures.make_figure(*PICTURE_PX)
        levels = np.arange(LEVELS_DBA[0], LEVELS_DBA[1] + 1)
        self._curve = SafeTimes(fig.subplots(), levels, {name: self._allowed(levels, name) for name in (DAY, *WEEKS)})
        self._follow()
        self.live = LiveFigure(fig, [self._curve], title="How long ears may take a level")
        self.undo = widgets.Button(description="Undo", disabled=True, layout={"width": "auto"})
        self.again = widgets.Button(description="Back to start", layout={"width": "auto"})
        row = widgets.HBox([self.undo, self.again]).add_class("gl-buttons")
        self._sliders = (self.level, self.hours, self.days)
        self._past = [self._values()]
        super().__init__(self.live.widget, row, *self._sliders, prose(NOTE))
        self.add_class("gl-form")
        for slider in self._sliders:
            slider.observe(self.guarded(lambda _change: self._moved()), "value")
            slider.observe(self.guarded(lambda _change: self._let_go()), "released")
        self.undo.on_click(self.guarded(lambda _button: self._take_back()))
        self.again.on_click(self.guarded(lambda _button: self._set([slider.home for slider in self._sliders])))

    def _values(self):
        return [slider.value for slider in self._sliders]

    def _let_go(self):
        self.live.settle()
        if self._values() != self._past[-1]:
            self._past.append(self._values())
        self.undo.disabled = len(self._past) < 2

    def _set(self, values):
        for slider, value in zip(self._sliders, values, strict=True):
            slider.value = value
        self._let_go()

    def _take_back(self):
        if len(self._past) > 1:
            self._past.pop()
            self._set(self._past[-1])

    @staticmethod
    def _allowed(levels, name, days=7):
        """Return minutes a day; a week's allowance is spread over so many days."""
        if name == DAY:
            return [exposure.minutes_a_day(float(level)) for level in levels]
        week = exposure.WEEK_HOURS / days
        return [exposure.minutes_a_day(float(level), WEEKS[name], week) for level in levels]

    def _moved(self):
        self._follow()
        self.live.refresh()

    def _follow(self):
        level, hours, days = self.level.value, self.hours.value, self.days.value
        shares = {DAY: (exposure.minutes_a_day(level), exposure.percent_of_day(level, hours))}
        for name, limit in WEEKS.items():
            used = exposure.percent_of_week([(hours * days, level)], limit)
            shares[name] = (self._allowed([level], name, days)[0], used)
        self._curve.update(level, 60 * hours, shares)


NOTE = (
    "The curves of a week are drawn for all seven days; the table reckons with the days you set. A phone’s level app "
    "is a hint only: it may be off by several dB. These figures are guidance, not medical advice."
)
