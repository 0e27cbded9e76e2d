"""A fader's travel under the hand: its law in mm, what a millimetre is worth, and where a hand lands."""

import ipywidgets as widgets
import numpy as np

from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.travel import Hits, LawCurve, SlopeCurve
from gainlib.notebook.listen import Player
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.background import BackgroundTask
from gainlib.notebook.panels.linked_controls import Together
from gainlib.notebook.prose import LiveRegion, prose
from gainlib.notebook.slider import Slider
from gainlib.session import FaderLaw
from gainlib.session.fader import hits_db, moved_db, nudged, spread_db, travel_db
from gainlib.words import level_text, number_text

PICTURE_PX = (900, 460)
PLACES_DB = (0.0, -40.0)
MOVE_MM = -2.0
SHOWN_DB = (10, 5, 0, -5, -10, -15, -20, -30, -40, -50, -60)
CURVE_MM = np.linspace(0.25, 100, 400)
NOTE = (
    "Both begin at the same level: at −40 dB the trims ahead make up for the fader. Every second the fader goes 2 mm "
    "down, or back."
)


class TravelPanel(Panel):
    """One fader in mm, its law, and a hand that does not hit exactly.

    Parameters
    ----------
    audio : Audio
        What is heard while the fader is nudged.
    start_db : float
        Where the fader stands at first.

    Attributes
    ----------
    fader : Faders
        In mm; holds the memory of all controls.
    exponent, hand : Slider
        k of the law, and the standard deviation of the hand in mm.
    live : LiveFigure
        The picture.
    """

    def __init__(self, audio, start_db: float = -12.0):
        self._audio, self._seed = audio, 0
        self.exponent = Slider("Exponent k", 4.0, 2.0, 6.0, 0.1, page=0.5)
        self.hand = Slider("Hand σ", 0.5, 0.1, 2.0, 0.1, "mm", page=0.5)
        self.again = widgets.Button(
            description="Sixty more hits", tooltip="The same hand tries again", layout=widgets.Layout(width="auto")
        )
        self.fader = Together(
            ("fader",), (start_db,), others=(self.exponent, self.hand), options=(), scale="mm", label="Fader in mm"
        )
        self._draw()
        self._status, self._sound = LiveRegion(), widgets.VBox()
        controls = widgets.VBox([self.exponent, self.hand, widgets.HBox([self.again]).add_class("gl-buttons")])
        stays = widgets.VBox([self.live.widget]).add_class("gl-stays")
        stage = widgets.VBox([stays, self.fader, controls]).add_class("gl-stage")
        super().__init__(stage, self._status, self._sound)
        self.add_class("gl-form").add_class("gl-panel")
        self._beside = BackgroundTask(self, self._work, self._show_sound)
        self._settle()
        self._watch()

    def _watch(self):
        self.fader.observe(self.guarded(lambda change: self._follow()), "values_db")
        self.hand.observe(self.guarded(lambda change: self._follow()), "value")
        self.exponent.observe(self.guarded(lambda change: self._take_law()), "value")
        self.fader.observe(self.guarded(lambda change: self._settle()), "released")
        self.again.on_click(self.guarded(lambda _button: self.throw_again()))

    @property
    def law(self) -> FaderLaw:
        """The law as the controls have it."""
        return FaderLaw(exponent=self.exponent.value)

    @property
    def level_db(self) -> float:
        """Where the fader stands."""
        return self.fader.values_db[0]

    def throw_again(self) -> None:
        """Let the hand try again at every place."""
        self._seed += 1
        self._follow()
        self.live.settle()

    def _take_law(self):
        self.fader.take_law(self.law)
        self._follow()

    # ---- the picture -----------------------------------------------------------------------------------------------

    def _draw(self):
        fig = figures.make_figure(*PICTURE_PX)
        grid = fig.add_gridspec(2, 2, height_ratios=[1.8, 1])
        self._curve = LawCurve(fig.add_subplot(grid[0, 0]))
        self._slope = SlopeCurve(fig.add_subplot(grid[0, 1]))
        self._hits = Hits(fig.add_subplot(grid[1, :]))
        self._update()
        title = "Travel of a fader, and where a hand lands on it"
        self.live = LiveFigure(fig, [self._curve, self._slope, self._hits], title=title)

    def _update(self):
        law, level_db = self.law, self.level_db
        curve = travel_db(law.exponent, law.unity_mm, CURVE_MM)
        self._curve.update(CURVE_MM, curve, (law.mm_at(level_db), level_db), law.mm_at_slope())
        shown = [db for db in SHOWN_DB if db <= law.top_db + 0.01]
        rows = [(db, law.mm_at(db), law.db_per_mm(db)) for db in shown]
        levels = np.linspace(-60, law.top_db, 200)
        slopes = [law.db_per_mm(db) for db in levels]
        self._slope.update(levels, slopes, (level_db, law.db_per_mm(level_db)), rows)
        places = [*PLACES_DB, *([level_db] if level_db > -np.inf else [])]
        hits = [hits_db(law, db, self.hand.value, seed=self._seed) for db in places]
        names = [level_text(db) for db in PLACES_DB] + [f"here, {level_text(level_db)}"] * (len(places) > 2)
        self._hits.update(names, hits, [spread_db(each) for each in hits])

    def _follow(self):
        self._update()
        self.live.refresh()

    def _settle(self):
        self.live.settle()
        law = self.law
        places = [*PLACES_DB, *([self.level_db] if self.level_db > -np.inf else [])]
        moves = [(level_text(db), number_text(moved_db(law, db, MOVE_MM).item(), 2)) for db in places]
        told = ", ".join(f"from {place} by **{by} dB**" for place, by in moves)
        self._status.say("note", "", f"Two millimetres down change the level {told}.")
        self._beside.ask(law)

    # ---- what is heard ---------------------------------------------------------------------------------------------

    def _work(self, progress, law):
        progress(0.2, "Preparing what you can hear …")
        changes = (moved_db(law, db, MOVE_MM).item() for db in PLACES_DB)
        return {f"2 mm at {level_text(db)}": nudged(self._audio, by) for db, by in zip(PLACES_DB, changes, strict=True)}

    def _show_sound(self, sources):
        if not self._sound.children:
            self._player = Player(sources, match=False, note=NOTE)
            self._sound.children = [prose("**Listen.** The same two millimetres at two places."), self._player]
        else:
            self._player.update(sources)
