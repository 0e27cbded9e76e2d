"""Step 6 of the bench: the mix before and after the plan, for the ear, at one loudness."""

import ipywidgets as widgets

from gainlib.notebook.panels.bench_base import NumberEntry, Slot, Step, button
from gainlib.notebook.prose import prose
from gainlib.words import number_text

LENGTH_S = 30.0
TEXT = """
You hear up to 30 s of the bus before and after the plan, rendered here and matched in loudness: any difference you hear
is not one of level. A plan that **keeps** every drive sounds the same; one that **restages** may sound different where
a box depends on level. A black box passes everything unchanged here, because the workbook cannot run it.
"""
NOTE = (
    "Switch while it plays. Hearing no difference does not prove that there is none; hearing one does not prove that "
    "it is good."
)


class ListenStep(Step):
    """The stretch to hear, and the player.

    Parameters
    ----------
    song : gainlib.notebook.bench_song.Song

    Attributes
    ----------
    start : NumberEntry
    player : Player or None
    render : callable
        What the button does, at once.
    """

    def __init__(self, song):
        self.start, self.player, self._sound = NumberEntry("From second", 0.0, "s", 0.0), None, widgets.VBox()
        self.ready = button("Make both ready", button_style="primary")
        super().__init__(song, prose(TEXT), Slot(self.start, self.ready), self._sound)
        self.render = self.action(self.ready, _both, self._show, "Rendering …", self._asked)
        song.watch(self._changed)
        self._changed("opened")

    def _asked(self):
        return self.song.session, self.song.plan_made().session, self.start.number()

    def _show(self, both):
        from gainlib.notebook.listen import Player

        before, after = both
        self.player = Player({"before": before, "after": after}, note=NOTE)
        self._sound.children = [self.player]
        length = number_text(before.duration_s, 0)
        self.tell("right", "Ready", f"{length} s from second {self.start.value}, matched in loudness.")

    def _changed(self, what):
        if what == "checked":
            return
        self._sound.children, self.player = [], None
        if what == "opened" and self.song.session is not None:
            self.start.show(0.0 if self.song.duration_s < 2 * LENGTH_S else round(self.song.duration_s * 0.4))
        if what == "planned" and self.song.peak_s is not None:
            self.start.show(round(max(self.song.peak_s - LENGTH_S / 2, 0.0)))
        self.note("Make both ready." if what == "planned" else "There is no plan to listen to yet.")


def _both(tell, before, after, start_s):
    from gainlib.mix.live import bus_excerpt

    def half(k):
        return lambda label, done, total: tell(label, k * total + done, 2 * total)

    return tuple(bus_excerpt(each, start_s, LENGTH_S, half(k)) for k, each in enumerate((before, after)))
