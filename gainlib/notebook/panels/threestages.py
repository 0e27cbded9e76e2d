"""Three stages in a row under the hand: trim, in and out gains, post trim, and the levels along the way."""

from gainlib.exercises.controls import applied
from gainlib.exercises.working_range import stages
from gainlib.notebook import figures
from gainlib.notebook.panels.linked_controls import Trims
from gainlib.notebook.panels.views import TrimmedPanel
from gainlib.words import Table, level_text, number_text

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


class ThreeStagesPanel(TrimmedPanel):
    """A strip of three stages: its gains, the level diagram, and each stage against its bypass.

    Parameters
    ----------
    given : dict
        Values of the variant, see :class:`gainlib.exercises.working_range.stages.Chains`.
    """

    def __init__(self, given: dict):
        self._given, self._start = given, stages.chain(given)
        controls = stages.controls(given)
        names = [LABELS[control.name] for control in controls]
        starts = [control.start for control in controls]
        trims = Trims(names, starts, low_db=LOW_DB, high_db=HIGH_DB, label="Gains along the strip")
        super().__init__(stages.NAME, [control.name for control in controls], trims)

    def _draw(self):
        fig = figures.make_figure(*PICTURE_PX)
        points = [POINTS[node] for node in stages.NODES]
        self._diagram = figures.LevelDiagram(fig.subplots(), points, -42, 12, shows=("wanted average",))
        return fig, [self._diagram], "Levels along the strip, active level to sample peak"

    def _levels(self):
        return stages.levels(applied(self._start, self._places()))

    def _update(self):
        levels = self._levels()
        wanted = dict(zip(stages.INTO, self._given["references"], strict=True))
        self._diagram.update(
            [levels[node].active_dbfs for node in stages.NODES],
            [levels[node].clear_peak_dbfs for node in stages.NODES],
            reference_db=[wanted.get(node) for node in stages.NODES],
        )

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
