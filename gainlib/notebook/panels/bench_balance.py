"""Step 4 of the bench: the balance that is to be kept, and what the bus does with it."""

import time
from typing import NamedTuple

from gainlib.errors import said_of
from gainlib.mix.channels import take_balance
from gainlib.mix.live import checked_start
from gainlib.mix.paths import text_of
from gainlib.notebook import figures, widgets
from gainlib.notebook.controls import Fader, Faders, fader_ties
from gainlib.notebook.errors import row
from gainlib.notebook.figures.bars import BusMeters
from gainlib.notebook.live import LiveFigure
from gainlib.notebook.panels.steps import Entry, NumberEntry, Slot, Step, WorkButton, from_kept, menu, to_kept
from gainlib.notebook.prose import Question, prose
from gainlib.session import Remeter
from gainlib.session.fader import law_up_to
from gainlib.session.routing import bus_routes
from gainlib.session.strip import BUS
from gainlib.words import level_text, number_text

SAVED = "**Or take faders, pans and mutes from a saved song**, by name."
HEAR = "**Hear it.** Turn your amplifier down, press play, and come up slowly."
PAN_LAWS = (("−3 dB", -3.0), ("0 dB", 0.0), ("−4.5 dB", -4.5), ("−6 dB", -6.0))
BUSES = (("floating point", "float"), ("fixed point, which cuts off at full scale", "fixed"))
TOPS = (("+10 dB", 9.995), ("+20 dB", 20.0), ("+30 dB", 30.0))
LENGTH_S = 20.0
KEPT_STEPS = 40
ASKS = "Put faders, pans and mutes back to where they were when you opened the song?"
AGAIN_S = 6.0  # what takes no longer is measured anew after every move
NOTE = "Move faders, mutes and pans while it plays. What depends on level ahead of them is heard as it is now."
NOW = "as it is now"


class Stand(NamedTuple):
    """Where the fader of a channel stands, its pan and its mute."""

    name: str
    fader_db: float
    pan: float
    mute: bool


class Balance(NamedTuple):
    """Where all of them stand, the master's fader, the pan law and the kind of bus; kept as lists in this order."""

    channels: tuple[Stand, ...]
    master_db: float
    pan_law_db: float
    bus: str

    @classmethod
    def of(cls, session) -> "Balance":
        """Return the balance of a session."""
        channels = (*session.strips, *session.groups)
        stands = tuple(Stand(each.name, each.fader_db, each.pan, each.mute) for each in channels)
        return cls(stands, session.master.fader_db, session.pan_law_db, session.bus)

    @property
    def names(self) -> list[str]:
        """Names of the channels."""
        return [each.name for each in self.channels]

    @property
    def highest_db(self) -> float:
        """Where the highest fader stands."""
        return max(self.master_db, *(each.fader_db for each in self.channels))

    def put(self, session):
        """Return a session with this balance."""
        stands = {each.name: each._asdict() for each in self.channels}
        session = session.with_(pan_law_db=self.pan_law_db, bus=self.bus).with_(BUS, fader_db=self.master_db)
        return session.each(lambda channel: channel.with_(**stands[channel.name]))


class BalanceStep(Step):
    """Faders, pans, and the meters of the bus.

    Attributes
    ----------
    faders, master : Faders, Fader
        Of strips and groups, and of the master; None while there is no song.
    pans : dict of str to BoundedFloatText
    measure, hear, read_balance : WorkButton
    """

    def __init__(self, song):
        self.faders = self.master = self._remeter = None
        self.pans, self._quiet = {}, False
        self._reason, self._took_s, self._pending = "", 0.0, False
        self._place, self._picture, self._sound = widgets.VBox(), widgets.VBox(), widgets.VBox()
        self.top = menu("Faders go up to:", TOPS, TOPS[0][1])
        self.pan_law, self.bus = menu("Mono in the centre:", PAN_LAWS, -3.0), menu("Bus:", BUSES, "float")
        self.measure = WorkButton(
            "Measure the bus", _survey, self._surveyed, "Measuring the bus …",
            asks=(song.opened,), button_style="primary",
        )  # fmt: skip
        self.back, self.to_start = self.make_button("Undo", self.undo), self.make_button("Back to start", self._ask)
        hand = row(self.back, self.to_start)
        self.question = Question(instead=hand)
        self.file = Entry("Balance of a saved song (.json):", "the path of the saved song")
        self.read_balance = WorkButton(
            "Take its faders and pans", _read, self._balance_read, "Reading …", asks=(song.opened, self.file.path)
        )
        self.start = NumberEntry("From second", 0.0, "s", 0.0)
        self.hear = WorkButton(
            "Hear it as it is now", lambda _tell, session, start_s: (session, checked_start(session, start_s)),
            self._heard, "Rendering …", asks=(song.opened, self.start.number),
        )  # fmt: skip
        stage = widgets.VBox([self._picture.add_class("gl-stays"), self._place]).add_class("gl-stage")
        super().__init__(
            song, row(self.pan_law, self.bus, self.top), Slot(self.measure), hand, self.question, stage,
            prose(SAVED), self.file, Slot(self.read_balance), prose(HEAR), Slot(self.start, self.hear), self._sound,
        )  # fmt: skip
        self.add_class("gl-panel")
        self.top.observe(self.guarded(lambda change: self._fit(change["old"])), "value")
        for each in (self.pan_law, self.bus):
            each.observe(self.guarded(lambda _change: self._settle("mixer")), "value")

    # ---- taking back -----------------------------------------------------------------------------------------------

    shows_song = ("pan_law", "bus", "top")

    def _remember(self, what):
        """Note a balance that is new; with other stems or another song the past is over."""
        if self.song.session is not None:
            now = Balance.of(self.song.session)
            self.remember(now, what == "opened" or any(now.names != each.names for each in self.past[-1:]))
        self.back.disabled = self.to_start.disabled = len(self.past) < 2
        self.noted()

    def standing(self) -> dict:
        """Return what is entered, and the balances that can be gone back to."""
        return super().standing() | {"past": to_kept([*self.past[:1], *self.past[1:][-KEPT_STEPS:]])}

    def resume(self, kept: dict) -> None:
        """Enter what was kept; the way back, if it led to the balance that stands now."""
        super().resume(kept)
        past = from_kept(list[Balance], kept.get("past", [])) or []
        if past and self.song.session is not None and past[-1] == (now := Balance.of(self.song.session)):
            self.past = [each for each in past if each.names == now.names]
            self._remember("kept")

    def undo(self) -> None:
        """Go back by one move, of whatever: fader, master, pan, mute, pan law, bus."""
        if len(self.past) > 1:
            self.past.pop()
            self._take(self.past[-1])

    def _ask(self):
        self.question.ask(ASKS, "Yes, back to start", self.guarded(lambda: self._take(self.past[0])))

    def _take(self, balance):
        before, session = self.song.session, balance.put(self.song.session)
        same = (session.pan_law_db, session.bus) == (before.pan_law_db, before.bus)
        self.song.change(session, "balance" if same else "mixer")

    # ---- faders and pans -------------------------------------------------------------------------------------------

    def _build(self, balance):
        """Put faders and pans on the page."""
        highest, values = balance.highest_db, [each.fader_db for each in balance.channels]
        self.top.value = next((top for _, top in TOPS if highest <= top + 0.005), TOPS[-1][1])
        law = law_up_to(max(self.top.value, highest))
        self.faders = Faders(balance.names, values, law=law, options=("mute",), label="Balance")
        self.master = Fader("master", balance.master_db, law=law).add_class("gl-behind")
        self.pans = {each.name: _pan(each) for each in balance.channels}
        for each in (self.faders, self.master):
            each.observe(self.guarded(lambda _change: self._follow()), "values_db")
            each.observe(self.guarded(lambda _change: self._settle()), "released")
        self.faders.observe(self.guarded(lambda _change: self._follow()), "mute")
        for pan in self.pans.values():
            pan.observe(self.guarded(lambda _change: self._settle()), "value")
        pans = widgets.HBox(list(self.pans.values())).add_class("gl-buttons")
        about = prose("**Pans**, from −1 (left) over 0 (centre) to 1 (right):")
        self._place.children = [self.faders, self.master, about, pans]

    def _show_balance(self, balance):
        """Have faders and pans stand as in a balance; they are made anew only where they have to be."""
        self._quiet = True
        try:
            faders = self.faders
            if faders is None or faders.names != balance.names or balance.highest_db > faders.top_db + 0.01:
                self._build(balance)
            self.pan_law.value, self.bus.value = balance.pan_law_db, balance.bus
            self.master.value_db = balance.master_db
            self.faders.set_values([each.fader_db for each in balance.channels])
            self.faders.mute = [each.name for each in balance.channels if each.mute]
            for each in balance.channels:
                self.pans[each.name].value = each.pan
        finally:
            self._quiet = False

    def _on_page(self):
        """Return the balance as faders and pans show it."""
        faders, muted = self.faders.as_dict(), set(self.faders.mute)
        channels = (Stand(name, faders[name], pan.value, name in muted) for name, pan in self.pans.items())
        return Balance(tuple(channels), self.master.value_db, self.pan_law.value, self.bus.value)

    def _fit(self, before):
        """Give the faders another travel, as long as it holds where they stand."""
        if self.faders is None or self._quiet:
            return
        highest = self._on_page().highest_db
        if highest > self.top.value + 0.005:
            self._quiet = True
            self.top.value = before
            self._quiet = False
            text = f"a fader is at {level_text(highest)}; bring it down before you shorten the travel"
            self.tell("wrong", "Not done", f"{text}.", of=self.measure)
            return
        for each in (self.faders, self.master):
            each.take_law(law_up_to(self.top.value))

    def _settle(self, what="balance"):
        """Take the balance into the song."""
        if self._quiet or self.song.session is None:
            return
        self.song.change(self._on_page().put(self.song.session), what)
        if self._sound.children:
            self._sound.children[0].update({NOW: self.song.session})
        self._follow()
        if self._remeter is not None:
            self._live.settle()
        elif self._reason and self._took_s <= AGAIN_S:
            self._again()

    def _again(self):
        """Measure once more, now or when the bench has come to rest."""
        if self.song.work.running:
            self._pending = True
        else:
            self.measure.click()

    # ---- the bus ---------------------------------------------------------------------------------------------------

    def _surveyed(self, found):
        self._remeter, reading, self._reason, self._took_s = found
        if self._reason:
            self._remeter = None
        self.song.peak_s = reading.peak_time_s
        self.start.show(round(max((reading.peak_time_s or 0.0) - LENGTH_S / 2, 0.0), 1))
        if not self._picture.children:
            fig = figures.make_figure(840, 200)
            self._meters = BusMeters(fig.subplots(), marks=False)
            self._live = LiveFigure(fig, [self._meters], title="The bus")
            self._picture.children = [self._live.widget]
        self._show(reading)
        self._live.settle()
        if self._pending:  # something has moved meanwhile
            self._pending = False
            self.measure.click()
            return
        follow = "the meters follow the faders now"
        if self._reason:
            follow = f"{self._reason}, so every move is rendered"
            follow += "" if self._took_s <= AGAIN_S else "; press Measure again after a move"
        self.tell("right", "The bus", f"{_levels(reading)}; {follow}.", of=self.measure)

    def _follow(self):
        """Show what the bus reads now, where that needs no rendering."""
        if self._quiet or self._remeter is None:
            return
        now = self._on_page()
        reading = self._remeter.read(
            faders={each.name: each.fader_db for each in now.channels},
            pan={each.name: each.pan for each in now.channels},
            mute=tuple(each.name for each in now.channels if each.mute),
            master_trim_db=now.master_db,
        )
        self._show(reading)
        self.tell("note", "The bus", f"{_levels(reading)}.", of=self.measure)

    def _show(self, reading):
        values = (reading.sample_peak_dbfs, reading.true_peak_dbtp, reading.rms_dbfs, reading.loudness_lufs)
        units = ("dBFS", "dBTP", "dBFS", "LUFS")
        self._meters.update(dict(zip(BusMeters.ROWS, zip(values, units, strict=True), strict=True)))
        self._live.refresh()

    # ---- sound and files -------------------------------------------------------------------------------------------

    def _heard(self, asked):
        from gainlib.notebook.mixing import MixPlayer

        session, start_s = asked
        ties = [*fader_ties(self.faders), *fader_ties(self.master, owners={"master": BUS})]
        for name, pan in self.pans.items():
            pan_of = [[name, "pan", 1.0, 0.0]]
            ties.append({"model": f"IPY_MODEL_{pan.model_id}", "trait": "value", "drives": pan_of})
        player = MixPlayer({NOW: session}, start_s, LENGTH_S, ties=ties, note=NOTE)
        self._sound.children = [player]
        self.tell("right", "Ready", f"{number_text(player.length_s, 0)} s from second {self.start.value}.")

    def _balance_read(self, found):
        self.song.change(found.session, "balance")
        parts = [f"{len(found.taken)} faders and pans taken"]
        parts += [f"left as they were: {', '.join(found.left)}"] if found.left else []
        parts += [f"not in this song: {', '.join(found.unknown)}"] if found.unknown else []
        self.tell("partly" if found.left else "right", "Read", f"{'; '.join(parts)}.")

    def _changed(self, what):
        self._remember(what)
        session, standing = self.song.session, self.faders is not None and self._on_page()
        if what in ("planned", "checked") or (what == "balance" and standing == Balance.of(session)):
            return  # a move made here brings no news to the faders, and the measuring stays good
        self._sound.children = []
        if what in ("opened", "stems", "chains", "mixer"):
            self._remeter, self._reason, self._pending, self._picture.children = None, "", False, []
        if session is None:
            self.note("Open a song first; its faders appear here.")
            return
        if what == "opened":
            self.faders = None
        self._show_balance(Balance.of(session))
        if self._remeter is not None:
            self._follow()
        else:
            self.note("Measure the bus to see what it does with this balance.")


def _pan(channel):
    return widgets.BoundedFloatText(
        channel.pan, min=-1.0, max=1.0, step=0.1, description=f"{channel.name}:",
        style={"description_width": "initial"}, layout={"width": f"{len(channel.name) * 0.58 + 6:.1f}em"},
    )  # fmt: skip


def _levels(reading):
    return (
        f"true peak {level_text(reading.true_peak_dbtp, 'dBTP')}, RMS {level_text(reading.rms_dbfs, 'dBFS')}, "
        f"loudness {level_text(reading.loudness_lufs, 'LUFS')}"
    )


def _survey(tell, session):
    """Measure what every stem brings to the bus.

    Returns
    -------
    tuple
        Remeter, reading, why it will not follow the hand, and how long it took.
    """
    begun = time.monotonic()
    muted = tuple(each.name for each in (*session.strips, *session.groups) if each.mute)
    loud = session.with_(bus="float").with_(BUS, fader_db=0.0).each(lambda channel: channel.with_(mute=False))
    remeter = Remeter(loud, tell)
    reading = remeter.read(mute=muted, master_trim_db=session.master.fader_db)
    return remeter, reading, bus_routes(loud, mute=muted).reason, time.monotonic() - begun


def _read(tell, session, path):
    text = text_of(path, "a saved song")
    with said_of(path.name):
        return take_balance(session, text)
