"""Three stages in a row under the hand: trim, in and out gains, post trim, and the levels along the way."""

import threading

import ipywidgets as widgets

from gainlib.exercises.controls import applied
from gainlib.exercises.driving import stages
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.notebook.panels.together import Trims
from gainlib.notebook.words import Table, level_text, number_text

PICTURE_PX = (900, 330)
LOW_DB, HIGH_DB = -24.0, 24.0
LABELS = {"trim_db": "trim", "post_trim_db": "post trim"}
LABELS |= {
    f"insert {k} {side}_db": f"stage {k}, gain {side}" for k in range(1, stages.STAGES + 1) for side in ("in", "out")
}
POINTS = {
    stages.SOURCE: "stem",
    stages.AHEAD[0]: "trim",
    **{node: f"into {k}" for k, node in enumerate(stages.INTO, start=1)},
    **{node: f"out of {k}" for k, node in enumerate(stages.OUT_OF, start=1)},
    stages.POST: "strip",
}


class ThreeStagesPanel(Panel):
    """A strip of three stages.

    Parameters
    ----------
    given : dict
        Values of the variant, see :class:`gainlib.exercises.driving.stages.Chains`.

    Attributes
    ----------
    trims : Trims
        All gains, from the left to the right of the strip.
    live : LiveFigure
        The level diagram.
    readings : TableView
        Each stage against its bypass, and the strip against the stem.
    """

    def __init__(self, given: dict):
        self._given, self._start = given, stages.chain(given)
        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        self._controls = stages.controls(given)
        names = [LABELS[control.name] for control in self._controls]
        starts = [control.start for control in self._controls]
        self.trims = Trims(names, starts, low_db=LOW_DB, high_db=HIGH_DB, label="Gains along the strip")
        fig = figures.make_figure(*PICTURE_PX)
        points = [POINTS[node] for node in stages.NODES]
        self._diagram = figures.LevelDiagram(fig.subplots(), points, -42, 12, shows=("wanted average",))
        self._update()
        self.live = LiveFigure(fig, [self._diagram], title="Levels along the strip, active level to sample peak")
        self.readings = TableView(self._table())
        stays = widgets.VBox([self.live.widget]).add_class("gl-stays")
        super().__init__(widgets.VBox([stays, self.trims, self.readings]).add_class("gl-stage"))
        self.add_class("gl-form").add_class("gl-panel")
        self.trims.observe(self.guarded(lambda change: self._follow()), "values_db")
        self.trims.observe(self.guarded(lambda change: self._settle()), "released")

    # ---- the answer ------------------------------------------------------------------------------------------------

    def _places(self):
        rows = zip(self._controls, self.trims.values_db, strict=True)
        return {stages.NAME: {control.name: value for control, value in rows}}

    def controls(self) -> dict | None:
        """Return where the gains stand as an exercise's answer, or None while none was moved."""
        return None if self.trims.values_db == self.trims.start_db else self._places()

    def set_controls(self, answer: dict | None) -> None:
        """Set the gains as an answer has them, as far as they reach; None, and what cannot be read, leaves them."""
        fields = answer.get(stages.NAME) if isinstance(answer, dict) else None
        if not isinstance(fields, dict) or answer == self.controls():
            return
        now = self._places()[stages.NAME]
        values = [fields.get(name, value) for name, value in now.items()]
        if all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in values):
            self.trims.set_values([min(max(float(value), LOW_DB), HIGH_DB) for value in values])

    # ---- the picture -----------------------------------------------------------------------------------------------

    def _levels(self):
        return stages.levels(applied(self._start, self._places()))

    def _update(self):
        levels = self._levels()
        wanted = dict(zip(stages.INTO, self._given["references"], strict=True))
        self._diagram.update(
            [levels[node].active_dbfs for node in stages.NODES],
            [levels[node].peak_dbfs for node in stages.NODES],
            reference_db=[wanted.get(node) for node in stages.NODES],
        )

    def _follow(self):
        with self._drawing:
            self._update()
            self.live.refresh()

    def _settle(self):
        with self._drawing:
            self.live.settle()
            self.readings.show(self._table())

    def _table(self):
        levels = self._levels()
        pairs = [(f"stage {k}", *pair) for k, pair in enumerate(zip(stages.AHEAD, stages.OUT_OF, strict=True), start=1)]
        rows = []
        for place, (name, bypass, active) in enumerate([*pairs, ("the whole strip", stages.SOURCE, stages.POST)]):
            into = "–"
            if place < stages.STAGES:
                fed, wanted = levels[stages.INTO[place]].active_dbfs, self._given["references"][place]
                into = f"{number_text(fed, 2)}, wanted {level_text(wanted, 'dBFS', 0)}"
            ahead, behind = levels[bypass].energy_dbfs, levels[active].energy_dbfs
            row = (name, into, number_text(ahead, 2), number_text(behind, 2), number_text(behind - ahead, 2, True))
            rows.append(row)
        heads = ("", "active level at its input (dBFS)", "bypass, RMS (dBFS)", "active, RMS (dBFS)", "difference (dB)")
        return Table("Each against its bypass", heads, tuple(rows))
