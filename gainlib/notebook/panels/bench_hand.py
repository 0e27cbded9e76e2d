"""Step 5 of the bench, for who has staged by hand first: every difference from the plan, and a reason for each."""

import ipywidgets as widgets

from gainlib.notebook.panels.bench_base import Slot, Step, button, menu
from gainlib.notebook.prose import prose
from gainlib.notebook.words import level_text

TEXT = """
**Set it by hand first?** Then what the plan moves is what it would do otherwise. Here is every control that is more
than 1 dB off, without the common move of the bus. Say why for each: a difference you can explain is staging, too.
"""
NO_REASON = "choose …"


class HandStep(Step):
    """Differences between hand and plan, with a menu of reasons beside each.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    rows : list of Dropdown
        A menu for each difference.
    """

    def __init__(self, song):
        self.rows, self._gaps, self._list = [], (), widgets.VBox()
        self.show = button("Show the differences")
        super().__init__(song, prose(TEXT), Slot(self.show), self._list)
        self.at_once(self.show, self.compare)
        song.watch(self._changed)
        self._changed("opened")

    def compare(self) -> None:
        """List the differences of the plan as it stands."""
        from gainlib.staging.byhand import REASONS, gaps

        self._gaps = gaps(self.song.plan_made())
        self.rows = [menu(_line(gap), (NO_REASON, *REASONS), NO_REASON) for gap in self._gaps]
        for each in self.rows:
            each.layout.width = "min(58em, 97%)"
            each.observe(self.guarded(lambda _change: self._count()), "value")
        self._list.children = self.rows
        self._count()

    def _count(self):
        told = sum(each.value != NO_REASON for each in self.rows)
        if not self.rows:
            self.said.say("right", "Agreed", "No control is more than 1 dB from the plan.")
        elif told < len(self.rows):
            self.said.say("note", "Differences", f"{len(self.rows)} controls are off; {told} have a reason.")
        else:
            own = sum(not each.value.startswith("the plan") for each in self.rows)
            kept = f"{own} of them you keep: set those back after the plan" if own else "the plan stands as it is"
            self.said.say("right", "Explained", f"All {told} differences have a reason; {kept}.")

    def _changed(self, what):
        if what != "checked":
            self.rows, self._list.children = [], []
            self.note("" if what == "planned" else "There is no plan to compare with yet.")


def _line(gap):
    return f"{gap.strip}, {gap.control}: you {level_text(gap.by_hand)}, plan {level_text(gap.planned)}:"
