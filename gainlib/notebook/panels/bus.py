"""The mix bus under the hand: faders, mute and solo, a bus that can cut, and who makes it peak.

While the hand moves: the meters, the stretches around the worst peaks and who is in them
(:class:`gainlib.session.Remeter`, :class:`gainlib.mix.stretches.Stretches`). When it lets go: the worst peaks
anew, the bus without each strip, its waveform and levels from end to end, and what can be heard.
"""

import math
import threading
from collections.abc import Callable

import ipywidgets as widgets
from matplotlib.ticker import MultipleLocator

from gainlib.mix.stretches import REACH_S, Stretches
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.fader import Fader
from gainlib.notebook.figures.peaks import BusMeters, PeakWaves
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.notebook.panels import busload
from gainlib.notebook.panels.background import BackgroundTask
from gainlib.notebook.panels.mixfaders import MixFaders
from gainlib.notebook.panels.panel_options import Look
from gainlib.notebook.prose import LiveRegion, prose
from gainlib.session import Remeter

UNITS = {"sample peak": "dBFS", "true peak": "dBTP", "RMS": "dBFS", "loudness": "LUFS"}
KINDS = (("floating point, keeps what is over", "float"), ("fixed point, cuts it off", "fixed"))
PICTURE_PX = (900, 450)
MARGINS = {"left": 0.115, "right": 0.85, "top": 0.95, "bottom": 0.1, "hspace": 0.52}
OVERVIEW_PX = (900, 210)
AHEAD, BEHIND = "the sum ahead of the cut", "behind the cut"


class BusPanel(Panel):
    """A session's faders and its bus.

    Parameters
    ----------
    session : Session
        As it is found; nothing but gain may lie behind its faders.
    look : Look, optional
        What else there is; everything if left out.
    another : callable, optional
        ``another(take)`` returns the session of another take, 2 or more; without it there is no button for it.

    Attributes
    ----------
    faders : Faders
        One a strip, by its name.
    master : Fader
        The master, behind the bus.
    live : LiveFigure
        The picture that follows the hand.
    """

    def __init__(self, session, look: Look | None = None, another: Callable | None = None):
        look = look or Look()
        self._look, self._another, self._take = look, another, 1
        self._drawing = threading.RLock()  # widgets may be answered in another thread than the one that runs cells
        self.master = Fader("master", session.master.fader_db).add_class("gl-behind")
        self.switch = widgets.RadioButtons(
            options=KINDS, value=session.bus, description="Bus:", style={"description_width": "initial"}
        )
        self.switch.add_class("gl-across").layout.width = "auto"
        buttons = ("mute", "solo") if look.mutes else ()
        self.faders = MixFaders(self.master, self.switch, session, options=buttons)
        self._status = LiveRegion()
        self._picture, self._tables = widgets.VBox(), widgets.VBox()
        self._sound = widgets.VBox()
        self.again = widgets.Button(
            description="Another take", tooltip="The same song with other faults", layout=widgets.Layout(width="auto")
        )
        top = [*([self.switch] if look.switch else []), *([self.again] if another else [])]
        top = [widgets.HBox(top).add_class("gl-buttons").add_class("gl-apart")] if top else []
        low = [self.master] if look.master else []
        # the picture stays in the window while its faders pass below it, see the style sheet
        stage = widgets.VBox([self._picture.add_class("gl-stays"), self.faders, *low]).add_class("gl-stage")
        super().__init__(*top, stage, self._status, self._tables, self._sound)
        self.add_class("gl-form").add_class("gl-panel")
        self._beside = BackgroundTask(self, self._work, self._found, self._at_a_loss)
        self.load(session)
        self._watch()

    def load(self, session) -> None:
        """Take a session as it is found: faders, pictures and sound start anew."""
        self._loading = True
        with self._drawing:
            self._load(session)
        self._loading = False
        self._settle()

    def _load(self, session):
        self._start = session
        self._remeter = Remeter(session.with_(bus="float", master=session.master.with_(fader_db=0.0)))
        self._before = None
        found = busload.contributions(busload.shadow_of(session), remeter=self._remeter)
        self._stretches = Stretches(session, found.peaks)
        self._draw(found)
        self.switch.value = session.bus
        self.master.restart([session.master.fader_db])
        self.faders.restart([strip.fader_db for strip in session.strips])
        if session.bus == "float":
            self._meters.begin(self._levels(self._read()))
        self._follow()

    def _watch(self):
        self.faders.observe(self.guarded(lambda change: self._follow()), ["values_db", "mute", "solo"])
        self.master.observe(self.guarded(lambda change: self._follow()), "values_db")
        self.faders.observe(self.guarded(lambda change: self._settle()), "released")
        self.switch.observe(self.guarded(lambda change: self._follow()), "value")
        self.again.on_click(self.guarded(lambda _button: self.next_take()))

    def next_take(self) -> None:
        """Take the next take."""
        self._take += 1
        self._status.say("busy", "", "Opening another take …")
        self.load(self._another(self._take))

    # ---- the state -------------------------------------------------------------------------------------------------

    @property
    def session(self):
        """The session as the controls stand."""
        mute, solo = set(self.faders.mute), set(self.faders.solo)
        session = self._start.with_(bus=self.switch.value).with_("bus", fader_db=self.master.value_db)
        session = session.with_faders(self.faders.as_dict())
        return session.with_(strips=tuple(s.with_(mute=s.name in mute, solo=s.name in solo) for s in session.strips))

    def controls(self) -> dict | None:
        """Return where the faders stand as an exercise's answer, or None while none was moved."""
        moved = {name: {"fader_db": _wire(value)} for name, value in self.faders.as_dict().items()}
        if self._look.master:
            moved["master"] = {"fader_db": _wire(self.master.value_db)}
        return None if self._untouched() else moved

    def _untouched(self):
        return self.faders.values_db == self.faders.start_db and self.master.values_db == self.master.start_db

    def set_controls(self, answer: dict | None) -> None:
        """Set the faders as an answer has them; None, and what cannot be read, leaves them."""
        if not isinstance(answer, dict) or answer == self.controls():
            return
        places = {name: fields.get("fader_db") for name, fields in answer.items() if isinstance(fields, dict)}
        values = {name: -math.inf if value == "-inf" else value for name, value in places.items() if value is not None}
        if all(isinstance(value, (int, float)) for value in values.values()):
            master = values.pop("master", None)
            self.faders.set_values({name: value for name, value in values.items() if name in self.faders.names})
            if master is not None:
                self.master.set_values([master])

    # ---- the picture that follows the hand -------------------------------------------------------------------------

    def _draw(self, found):
        names = [busload.short_name(name) for name in self._stretches.names]
        limit = busload.picture_limit(found)
        fig = figures.make_figure(*PICTURE_PX)
        fig.set_layout_engine("none")  # it would give the legend's height to the axes beside it
        upper, middle, lower = fig.subplots(3, 1, gridspec_kw=MARGINS, height_ratios=[1.3, 1.2, 2.6])
        self._meters = BusMeters(upper, marks=self._start.bus == "float")
        self._waves = PeakWaves(middle, reach_ms=REACH_S * 1000, limit=limit)
        self._parts = figures.Contributions(lower, names, limit=limit)
        lower.set_ylabel("full scale = 1")
        self.live = LiveFigure(fig, [self._meters, self._waves, self._parts], title="The bus and its ten worst peaks")
        self._picture.children = [self.live.widget]
        self._without = TableView(busload.without_table(found))
        self._overview = None
        self._tables.children = [self._without] if self._look.without else []
        self._sound.children = []

    def _read(self):
        return self._remeter.read(self.faders.as_dict(), mute=self.faders.silenced, master_trim_db=self.master.value_db)

    @staticmethod
    def _levels(reading):
        values = (reading.sample_peak_dbfs, reading.true_peak_dbtp, reading.rms_dbfs, reading.loudness_lufs)
        return {name: (value, unit) for (name, unit), value in zip(UNITS.items(), values, strict=True)}

    def _follow(self):
        """Redraw what follows the hand."""
        with self._drawing:
            self._redraw()

    def _redraw(self):
        followed = self._stretches.at(
            self.faders.as_dict(),
            mute=self.faders.silenced,
            master_trim_db=self.master.value_db,
            fixed=self.switch.value == "fixed",
        )
        self._meters.update(self._levels(self._read()), AHEAD if self.switch.value == "fixed" else "")
        self._waves.update(followed.waves, followed.over, cut=self.switch.value == "fixed")
        self._parts.update(followed.time_s, followed.parts)
        self.live.refresh()

    # ---- what is worked out when the hand lets go ------------------------------------------------------------------

    def _settle(self):
        if self._loading:
            return
        with self._drawing:
            self.live.settle()
        self._status.state, self._status.word = "busy", "Measuring …"
        self._beside.ask(self.session, self._start)

    def _at_a_loss(self):
        self._status.say("note", "", "The numbers here are those of an earlier setting.")

    def _work(self, progress, session, start):
        look = self._look
        return busload.examine(session, start, progress, look.listening, look.overview, remeter=self._remeter)

    def _found(self, load):
        """Show what was worked out for the controls as they stood when it was asked for."""
        with self._drawing:
            if load.start is self._start:  # and not of the take before
                self._show(load)

    def _show(self, load):
        self._stretches = Stretches(self._start, load.contributions.peaks)
        self._follow()
        if load.reading is not None and load.session == self.session:
            self._meters.update(self._levels(load.reading), BEHIND)
            self.live.refresh()
        self.live.settle()
        self._without.show(busload.without_table(load.contributions))
        self._status.say("note", "", busload.summary(load))
        if self._look.overview:
            self._show_overview(load)
        if self._look.listening:
            self._show_sound(load)

    def _show_overview(self, load):
        if self._overview is None:
            fig = figures.make_figure(*OVERVIEW_PX)
            left, right = fig.subplots(1, 2, width_ratios=[1.6, 1])
            limit = busload.picture_limit(load.contributions)
            self._wave = figures.Envelope(left, load.duration_s, limit=limit)
            self._levels_seen = figures.LevelHistogram(right, busload.EDGES_DB, title="Bus level")
            right.xaxis.set_major_locator(MultipleLocator(12))
            self._overview = LiveFigure(fig, [self._wave, self._levels_seen], title="The bus from end to end")
            self._tables.children = [*self._tables.children, self._overview.widget]
        self._wave.update(*load.envelope, load.over_samples)
        self._levels_seen.update(load.percent)
        self._overview.refresh()
        self._overview.settle()

    def _show_sound(self, load):
        if load.excerpt is None:
            return
        if self._before is None:
            from gainlib.notebook.listen import Player

            self._before = load.excerpt_before
            self._player = Player(
                {"as found": self._before, "as you set it": load.excerpt},
                note=busload.LISTEN_NOTE,
            )
            self._sound.children = [prose("**Listen.** " + load.where), self._player]
        else:
            self._player.update({"as you set it": load.excerpt})


def _wire(value):
    return "-inf" if value == -math.inf else value  # JSON has no infinity
