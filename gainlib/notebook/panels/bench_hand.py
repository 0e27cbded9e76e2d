"""Step 5 of the bench, for who staged by hand first: how far every strip is from the plan, and a reason for it."""

import html

import ipywidgets as widgets

from gainlib.notebook.panels.bench_base import Slot, Step, button, menu
from gainlib.notebook.prose import prose
from gainlib.words import count, level_text

TEXT = """
**Already set it yourself?** This shows where the plan differs: every control that is more than 1 dB off, without the
common move of the bus. Say why, strip by strip: a difference that you can explain is good staging, too.
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
        A menu for each strip that is off.
    """

    def __init__(self, song):
        self.rows, self._list = [], widgets.VBox()
        self.show = button("Show the differences")
        super().__init__(song, prose(TEXT), Slot(self.show), self._list)
        self.at_once(self.show, self.compare)
        song.watch(self._changed)
        self._changed("opened")

    def compare(self) -> None:
        """List the differences of the plan as it stands."""
        from gainlib.mix.moves import REASONS, gaps

        by_strip = {}
        for gap in gaps(self.song.plan_made()):
            by_strip.setdefault(gap.strip, []).append(gap)
        self.rows = [menu(f"{strip}:", (NO_REASON, *REASONS), NO_REASON) for strip in by_strip]
        for each in self.rows:
            each.observe(self.guarded(lambda _change: self._count()), "value")
        lines = [widgets.HTML(html.escape("; ".join(map(_line, found)))) for found in by_strip.values()]
        pairs = zip(lines, self.rows, strict=True)
        self._list.children = [widgets.VBox([each, line]).add_class("gl-box") for line, each in pairs]
        self._count()

    def _count(self):
        told = sum(each.value != NO_REASON for each in self.rows)
        if not self.rows:
            self.tell("right", "Agreed", "No control is more than 1 dB from the plan.")
        elif told < len(self.rows):
            self.tell("note", "Differences", f"{count(len(self.rows), 'strip')} off; {told} have a reason.")
        else:
            own = sum(not each.value.startswith("the plan") for each in self.rows)
            kept = f"{own} of them you keep as you had them" if own else "the plan stays as it is"
            self.tell("right", "Explained", f"All {told} strips have a reason; {kept}.")

    def _changed(self, what):
        if what != "checked":
            self.rows, self._list.children = [], []
            self.note("" if what == "planned" else "There is no plan to compare with yet.")


def _line(gap):
    return f"{gap.control}: you {level_text(gap.by_hand)}, plan {level_text(gap.planned)}"
