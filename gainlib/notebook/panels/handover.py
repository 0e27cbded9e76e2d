"""One strip under the hand: gain that moves between fader and post trim, a send ahead of the fader and one behind."""

import math

import ipywidgets as widgets

from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.strips import TapLadder
from gainlib.notebook.figures.travel import Hits
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.linked_controls import Together, Trims
from gainlib.notebook.prose import LiveRegion
from gainlib.processors import Saturation
from gainlib.session import FaderLaw, Group, Insert, Send, Session, Strip, TapLevels
from gainlib.session.fader import hits_db, spread_db
from gainlib.words import level_text, number_text

PICTURE_PX = (900, 330)
NAME = "strip"
POINTS = {
    "into the processor": f"{NAME}/insert 1/in",
    "out of the processor": f"{NAME}/insert 1/out",
    "cue send, ahead of the fader": f"{NAME}/send cue",
    "effect send, behind it": f"{NAME}/send effect",
    "at the bus": f"{NAME}/out",
}
SENDS = (("cue", -14.0, "pre"), ("effect", -14.0, "post"))
SIGMA_MM = 0.5


def one_strip(audio, fader_db: float) -> Session:
    """Return a session of one strip: a processor, a send ahead of the fader and one behind it."""
    sends = tuple(Send(to, level, tap) for to, level, tap in SENDS)
    strip = Strip(NAME, audio, inserts=(Insert(Saturation()),), fader_db=fader_db, sends=sends)
    return Session((strip,), (Group("cue", to=()), Group("effect")))


class HandOverPanel(Panel):
    """A strip's fader, post trim and sends, and the levels along it.

    Parameters
    ----------
    audio : Audio
        What the strip plays.
    start_db : float
        Where the fader stands at first, the post trim at 0 dB.

    Attributes
    ----------
    fader, trim, sends : Faders
        The controls; the fader holds the memory of all.
    keep : ipywidgets.Checkbox
        Whether fader and post trim keep their sum.
    live : LiveFigure
        The picture.
    """

    def __init__(self, audio, start_db: float):
        self._session = one_strip(audio, start_db)
        self._taps, self._law = TapLevels(self._session), FaderLaw()
        self.trim = Trims(("post trim",), label="Post trim")
        names = ("cue send", "effect send")
        levels = [level for _, level, _ in SENDS]
        self.sends = Trims(names, levels, low_db=-48, high_db=24, label="Send levels")
        self.fader = Together(
            ("fader",), (start_db,), others=(self.trim, self.sends), options=(), scale="mm", label="Fader in mm"
        )
        self.keep = widgets.Checkbox(
            value=False,
            description="Keep the level at the bus: what one of the two gives up, the other takes",
            indent=False,
            layout=widgets.Layout(width="auto"),
        )
        self._draw(start_db)
        self._status = LiveRegion()
        stays = widgets.VBox([self.live.widget]).add_class("gl-stays")
        stage = widgets.VBox([stays, self.keep, self.fader, self.trim, self.sends]).add_class("gl-stage")
        super().__init__(stage, self._status)
        self.add_class("gl-form").add_class("gl-panel")
        self._settle()
        self._watch()

    def _watch(self):
        self._sum_db, self._answering = self._total(), False
        self.keep.observe(self.guarded(lambda change: self._begin_to_keep()), "value")
        self.fader.observe(self.guarded(lambda change: self._moved(self.fader, self.trim, -24.0, 24.0)), "values_db")
        self.trim.observe(
            self.guarded(lambda change: self._moved(self.trim, self.fader, -100.0, self._law.top_db)), "values_db"
        )
        self.sends.observe(self.guarded(lambda change: self._follow()), "values_db")
        self.fader.observe(self.guarded(lambda change: self._settle()), "released")

    @property
    def session(self) -> Session:
        """The session as the controls stand."""
        sends = tuple(Send(to, db, tap) for (to, _, tap), db in zip(SENDS, self.sends.values_db, strict=True))
        fader_db, trim_db = self.fader.values_db[0], self.trim.values_db[0]
        return self._session.with_(NAME, fader_db=fader_db, post_trim_db=trim_db, sends=sends)

    def _total(self):
        return self.fader.values_db[0] + self.trim.values_db[0]

    def _begin_to_keep(self):
        self._sum_db = self._total()

    def _moved(self, control, other, low_db, high_db):
        """Follow a move; where the sum is kept, let the other control answer it."""
        if self._answering:
            return
        kept = self.keep.value and not self.fader.recalling
        if kept and self._sum_db > -math.inf and control.values_db[0] > -math.inf:
            self._answering = True
            other.values_db = [round(min(max(self._sum_db - control.values_db[0], low_db), high_db), 4)]
            self._answering = False
        self._follow()

    # ---- the picture -----------------------------------------------------------------------------------------------

    def _draw(self, start_db):
        fig = figures.make_figure(*PICTURE_PX)
        left, right = fig.subplots(1, 2, width_ratios=[1.35, 1])
        self._ladder = TapLadder(left, POINTS)
        self._hits = Hits(right, 2, reach_db=2.5, title="Where a hand lands: ● one hit", above=True)
        self._ladder.begin(self._levels())
        self._start = (f"start, {level_text(start_db)}", hits_db(self._law, start_db, SIGMA_MM))
        self._throw()
        title = "Levels along a strip, and where a hand lands on its fader"
        self.live = LiveFigure(fig, [self._ladder, self._hits], title=title)

    def _levels(self):
        levels = self._taps.read(self.session)
        return [levels[node] for node in POINTS.values()]

    def _throw(self):
        rows, fader_db = [self._start], self.fader.values_db[0]
        if fader_db > -math.inf:
            rows.append((f"now, {level_text(fader_db)}", hits_db(self._law, fader_db, SIGMA_MM)))
        self._hits.update(*zip(*rows, strict=True), [spread_db(hits) for _, hits in rows])

    def _follow(self):
        self._ladder.update(self._levels())
        self._throw()
        self.live.refresh()

    def _settle(self):
        if self.fader.recalling or not self.keep.value:
            self._sum_db = self._total()
        self.live.settle()
        fader_db, trim_db = self.fader.values_db[0], self.trim.values_db[0]
        total = level_text(self._total())
        said = f"Post trim {level_text(trim_db)}, fader {level_text(fader_db)}: together **{total}**."
        if fader_db > -math.inf:
            mm, slope = self._law.mm_at(fader_db), self._law.db_per_mm(fader_db)
            said += f" At {number_text(mm)} mm one millimetre is **{number_text(slope, 2)} dB**."
        if self.keep.value and abs(self._total() - self._sum_db) > 0.005:
            said += " The other control is at its end, so the level is not kept any more."
        self._status.say("note", "", said)
