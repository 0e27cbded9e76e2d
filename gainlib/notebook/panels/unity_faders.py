"""Eight strips whose faders are to come near unity: faders and post trims side by side, the sends below."""

import math

import ipywidgets as widgets

from gainlib.exercises.controls import applied
from gainlib.exercises.mixing.refrain import short_name
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.strips import FadersAndChanges
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.linked_controls import Together, Trims
from gainlib.session import TapLevels

PICTURE_PX = (900, 320)


class FarMixPanel(Panel):
    """A session's faders, post trims and sends.

    Parameters
    ----------
    session : Session
        As it is found.
    controls : tuple of gainlib.exercises.Control
        What may be moved, with its ranges.
    band_db : float
        How near unity the faders should come.

    Attributes
    ----------
    faders, trims, sends : Faders
        The controls; the faders hold the memory of all.
    live : LiveFigure
        The picture.
    """

    def __init__(self, session, controls, band_db: float = 3.0):
        self._start, self._taps = session, TapLevels(session)
        self._found = self._taps.read(session)
        names = {strip.name: short_name(strip.name) for strip in session.strips}
        self._of_sends = [control for control in controls if control.name.startswith("send ")]
        trims = [control for control in controls if control.name == "post_trim_db"]
        sends = [f"{control.name.split()[1]} send of {names[control.target]}" for control in self._of_sends]
        self._send_names = sends
        self.trims = Trims(
            names.values(),
            [control.start for control in trims],
            low_db=trims[0].low,
            high_db=trims[0].high,
            label="Post trims",
        )
        self.sends = Trims(
            sends,
            [control.start for control in self._of_sends],
            low_db=min(control.low for control in self._of_sends),
            high_db=max(control.high for control in self._of_sends),
            label="Levels of the sends ahead of the fader",
        )
        self.faders = Together(
            names.values(),
            [strip.fader_db for strip in session.strips],
            others=(self.trims, self.sends),
            options=(),
            label="Faders",
        )
        self._draw(band_db)
        columns = [
            widgets.VBox([widgets.HTML(f"<b>{title}</b>"), control.add_class("gl-half")]).add_class("gl-column")
            for title, control in (("Faders", self.faders), ("Post trims", self.trims))
        ]
        stays = widgets.VBox([self.live.widget]).add_class("gl-stays")
        below = widgets.HTML("<b>Sends, taken ahead of the fader</b>")
        both = widgets.HBox(columns).add_class("gl-columns")
        stage = widgets.VBox([stays, both, below, self.sends]).add_class("gl-stage")
        super().__init__(stage)
        self.add_class("gl-form").add_class("gl-panel")
        for control in (self.faders, self.trims, self.sends):
            control.observe(self.guarded(lambda change: self._follow()), "values_db")
        self.faders.observe(self.guarded(lambda change: self.live.settle()), "released")

    # ---- the answer ------------------------------------------------------------------------------------------------

    def _places(self):
        """Return where everything stands, as an exercise's answer."""
        rows = zip(self._start.strips, self.faders.values_db, self.trims.values_db, strict=True)
        placed = {strip.name: {"fader_db": _wire(fader), "post_trim_db": trim} for strip, fader, trim in rows}
        for control, level in zip(self._of_sends, self.sends.values_db, strict=True):
            placed[control.target][control.name] = level
        return placed

    def controls(self) -> dict | None:
        """Return where the controls stand as an exercise's answer, or None while none was moved."""
        everything = (self.faders, self.trims, self.sends)
        return None if all(each.values_db == each.start_db for each in everything) else self._places()

    def set_controls(self, answer: dict | None) -> None:
        """Set the controls as an answer has them; None, and what cannot be read, leaves them."""
        if not isinstance(answer, dict) or answer == self.controls():
            return
        places = self._places()
        for target, fields in answer.items():
            if target in places and isinstance(fields, dict):
                places[target] |= {name: value for name, value in fields.items() if name in places[target]}
        strips = [places[strip.name] for strip in self._start.strips]
        values = (
            [-math.inf if place["fader_db"] == "-inf" else place["fader_db"] for place in strips],
            [place["post_trim_db"] for place in strips],
            [places[control.target][control.name] for control in self._of_sends],
        )
        if all(isinstance(value, (int, float)) for group in values for value in group):
            for control, group in zip((self.faders, self.trims, self.sends), values, strict=True):
                control.set_values(group)

    @property
    def session(self):
        """The session as the controls stand."""
        answer = self._places()
        for fields in answer.values():
            fields["fader_db"] = -math.inf if fields["fader_db"] == "-inf" else fields["fader_db"]
        return applied(self._start, answer)

    # ---- the picture -----------------------------------------------------------------------------------------------

    def _draw(self, band_db):
        fig = figures.make_figure(*PICTURE_PX)
        left, right = fig.subplots(1, 2, width_ratios=[1.15, 1])
        self._seen = FadersAndChanges(left, right, self.faders.names, band_db=band_db)
        self._seen.begin(self.faders.values_db)
        self._update()
        title = "Faders against unity, and what has moved at the bus and in the sends"
        self.live = LiveFigure(fig, [self._seen], title=title)

    def _update(self):
        now = self._taps.read(self.session)
        moved = {node: _change(now[node], level) for node, level in self._found.items()}
        strips = [strip.name for strip in self._start.strips]
        bus = [moved[f"{strip}/out"] for strip in strips]
        sends = {
            name: (strips.index(control.target), moved[f"{control.target}/send {control.name.split()[1]}"])
            for name, control in zip(self._send_names, self._of_sends, strict=True)
        }
        self._seen.update(self.faders.values_db, bus, sends)

    def _follow(self):
        self._update()
        self.live.refresh()


def _change(now, before):
    return 0.0 if now == before else now - before  # silence stays silence


def _wire(value):
    return "-inf" if value == -math.inf else value  # JSON has no infinity
