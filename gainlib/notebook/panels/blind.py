"""Blind tests of fixed length: is X the same as A or as B, and when is B as loud as A.

:class:`Trials` is what they share: a player, one entry a trial, nothing told before the last. :class:`BlindRun` and
:class:`MatchRun` are the tests of an exercise, which :class:`Listening` hands to its form; :class:`AbxPanel` makes
blind runs of any two sounds, counts them, and says what they show.
"""

import logging
import secrets
from collections.abc import Callable, Mapping, Sequence
from functools import partial

from traitlets import TraitError

from gainlib.audio import Audio, GainlibError
from gainlib.exercises.clips import louder, residual_db
from gainlib.exercises.experiment import Choice, Setting, Slider
from gainlib.exercises.listening import Run, guessing_percent, p_text
from gainlib.notebook import figures, widgets
from gainlib.notebook.controls import Controls
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.histogram import GuessBars
from gainlib.notebook.kept import Kept, Place
from gainlib.notebook.listen import heard
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.notebook.prose import LiveRegion
from gainlib.words import Table, level_text, number_text

PICKS = "AB"
LENGTHS = (8, 10, 12, 16, 20, 24)
PICTURE_PX = (640, 236)
REACH_DB, STEP_DB, PAGE_DB = 8.0, 0.25, 1.0
UNHEARD = "Listen first: press Play and switch between X and A or B. If you cannot listen, use the readings instead."
log = logging.getLogger(__name__)


def words(said: LiveRegion, lines: int) -> widgets.VBox:
    """Return a live region with so many lines reserved, so that nothing moves when it grows."""
    return widgets.VBox([said]).add_class("gl-desk-words").add_class(f"gl-lines-{lines}")


class Trials(Panel):
    """Trials of a fixed number: one entry for each, and nothing is told before the last.

    A kind of trials says what is heard in a trial (``_load``), what is asked in each and what is said behind the last.

    Attributes
    ----------
    made : list
        Entries so far.
    total : int
        Trials in all.
    names : tuple of str
        What plays in each trial, where that is told.
    player : Player or None
    readings : TableView or None
        What an exercise shows to somebody who answers without listening.
    said : LiveRegion
    """

    names: tuple[str, ...] = ()
    asks, ends = "", "You have picked in all {} trials."

    def __init__(self, *children: widgets.Widget, total: int = 0, readings: Table | None = None):
        self.made, self.total, self._moved = [], total, lambda: None
        self.readings = None if readings is None else TableView(readings)
        super().__init__(*children)
        # number keys then work from everything around the player, and the player is as low as on a desk
        self.add_class("gl-blind").add_class("gl-desk")

    @property
    def complete(self) -> bool:
        """Whether every trial has its entry."""
        return 0 < self.total == len(self.made)

    def take(self, entry) -> None:
        """Take an entry for the present trial and go on to the next."""
        if len(self.made) < self.total:
            self.made = [*self.made, entry]
            if not self.complete:
                self.player.which = 0  # else the change of the sound would be heard as such
                self._load()
        self._say()
        self._moved()

    def pressed(self, entry) -> None:
        """Take the entry of a button."""
        self.take(entry)

    def _load(self):
        raise NotImplementedError

    def _say(self):
        if self.complete:
            self.said.say("note", "", self.ends.format(self.total))
        else:
            self.said.say("note", self._head(), self.asks)

    def _head(self):
        return f"Trial {len(self.made) + 1} of {self.total}"

    def show(self, entries) -> None:
        """Show the entries of an answer; what does not fit is left out."""
        if entries is not None and len(entries) == self.total and all(map(self._is_entry, entries)):
            self.made = list(entries)
            self._mark()
            self._say()

    def _mark(self):
        """Show what came of it besides, once an answer is marked."""

    @staticmethod
    def _is_entry(entry) -> bool:
        """Whether a trial can have such an entry."""
        return entry in list(PICKS)

    # ---- to be kept ------------------------------------------------------------------------------------------------

    def on_change(self, callback: Callable[[], None]) -> None:
        """Call back whenever something has moved."""
        self._moved = callback

    def standing(self) -> dict | None:
        """Return how far it is, as JSON; None before the first entry."""
        return {"made": list(self.made)} if self.made else None

    def resume(self, kept: dict) -> None:
        """Go on where it was left; what does not fit begins at the first trial."""
        made = kept.get("made", [])
        if made == self.made or len(made) > self.total or not all(map(self._is_entry, made)):
            return
        self.made = list(made)
        if not self.complete:
            self._load()
        self._say()

    def _picks(self, label: str) -> list[widgets.Button]:
        """Return a button for A and one for B."""
        return [self.make_button(label.format(name), partial(self.pressed, name)) for name in PICKS]

    def entries(self) -> list | None:
        """Return the entries so far, None before the first."""
        return list(self.made) or None


class BlindRun(Trials):
    """One run: X is A or B, trial after trial, as an order says that nobody sees.

    Parameters
    ----------
    sounds : callable or None
        ``sounds()`` returns A and B; None waits for :meth:`begin`.
    order : str
        "A" or "B" a trial.
    runs : int
        Which run of the same comparison it is, 1 for the first.
    sham : bool
        Whether A and B are one and the same.
    match : bool
        Whether A and B are matched in loudness; False only where the level is what they differ in.
    note : str
        What to listen for.
    done : callable, optional
        ``done(run)`` is called after the last trial with a :class:`gainlib.exercises.listening.Run`.
    readings : Table, optional
        What an exercise shows to somebody who answers without listening.
    above : widget, optional
        What the sounds are set with.
    opens : str
        Words on the button that opens it; without any it is open. So two runs fit on one screen, one after the other.
    """

    asks = "Is X the same as A, or as B? You see the result after the last trial."

    def __init__(
        self,
        sounds: Callable[[], tuple[Audio, Audio]] | None,
        order: str = "",
        *,
        runs: int = 1,
        sham: bool = False,
        match: bool = True,
        note: str = "",
        done: Callable[[Run], None] | None = None,
        readings: Table | None = None,
        above: widgets.Widget | None = None,
        opens: str = "",
    ):
        self._match, self._note, self._done, self.player, self._marked = match, note, done, None, False
        self.ends += "" if done else " Press **Check** below."
        self._opener = self.make_button(opens, self._open)
        widgets.look(self._opener, width="max-content")
        self._shut = bool(opens)
        self._heard: set[str] = set()  # which sounds were played in this trial
        self.said, self._stage, self._result = LiveRegion(), widgets.VBox(), widgets.VBox()
        self._buttons = widgets.HBox(self._picks("X matches {}"), layout={"display": "none"}).add_class("gl-buttons")
        self._row = widgets.HBox([self._buttons, words(self.said, 4 if done else 3)]).add_class("gl-picks")
        shown = [*([above] if above else []), self._stage, self._row, self._result]
        super().__init__(*([self._opener] if opens else []), *shown, readings=readings)
        if sounds is not None:
            self.begin(*sounds(), order, runs=runs, sham=sham)

    def begin(self, a: Audio, b: Audio, order: str, *, runs: int = 1, sham: bool = False) -> None:
        """Start at the first trial; the number of trials is fixed from here on."""
        if not order or set(order) - set(PICKS):
            raise GainlibError(f"an order of {order!r}; give an A or a B for each trial")
        self._pair, self._order, self._runs, self._sham = {"A": a, "B": b}, order, runs, sham
        self.made, self.total, self._marked, self._result.children = [], len(order), False, []
        self._heard.clear()
        sources = {**self._pair, "X": self._fresh(order[0])}
        if self.player is None:
            from gainlib.notebook.listen import Player

            self.player = Player(sources, match=self._match, blind=True, note=self._note)
            self.player.observe(self.guarded(lambda _change: self._listen()), ["playing", "which"])
        else:
            self.player.which = 0
            self.player.update(sources)
        self._say()

    def _open(self):
        self._shut = False
        self._say()
        self._buttons.children[0].focus()

    def _arrange(self):
        """Keep on the page what can be used now: in an exercise nothing is played behind the last trial."""
        shut, over = self._shut and not self.made, self.complete and self._done is None
        self._stage.children = [] if shut or over else [self.player]  # what is taken off the page falls silent
        for each, on in {self._opener: shut, self._row: not shut, self._buttons: not over}.items():
            widgets.look(each, display="" if on else "none")

    def _fresh(self, name):
        """Return A or B as samples of its own, so that the page fetches it like any other X."""
        sound = self._pair[name]
        return sound.with_samples(sound.samples.copy(), "X")

    def _listen(self):
        if self.player.playing:
            self._heard.add(self.player.names[self.player.which])

    def pressed(self, entry: str) -> None:
        """Take a pick by button, once X and one of the others were heard in this trial."""
        if self.complete or ("X" in self._heard and len(self._heard) > 1):
            self.take(entry)
        else:
            self.said.say("note", self._head(), UNHEARD)

    def _load(self):
        self._heard.clear()
        self._listen()
        self.player.update({"X": self._fresh(self._order[len(self.made)])})

    def take(self, entry: str) -> None:
        """Take a pick for the present trial and go on to the next."""
        over = self.complete
        super().take(entry)
        if self.complete and not over and self._done:
            self._done(self.run)

    def rest_by_chance(self) -> None:
        """Let chance make all picks that are left."""
        while len(self.made) < self.total:
            self.take(secrets.choice(PICKS))

    @property
    def run(self) -> Run:
        """What the picks amount to."""
        right = sum(mine == own for mine, own in zip(self.made, self._order, strict=True))
        return Run(right, self.total, self._runs, self._sham)

    def _say(self):
        self._arrange()
        if self.complete and self._marked:
            self.said.say("note", "Marked", f"{self.run.sentence()} **New numbers** bring another run.")
        else:
            super()._say()

    def _mark(self):
        self._marked = True
        self._result.children = [guess_picture(self.run, self.run.right)[1].widget]


def guess_picture(run: Run, right: int | None = None) -> tuple[GuessBars, LiveFigure]:
    """Return the bars of guessing for runs of that length, with a score or none, and the picture they stand in."""
    fig = figures.make_figure(*PICTURE_PX)
    bars = GuessBars(fig.subplots())
    show_guessing(bars, run, right)
    return bars, LiveFigure(fig, [bars], title="What guessing scores", compact=True)


def show_guessing(bars: GuessBars, run: Run, right: int | None) -> None:
    """Show what guessing scores in runs of that length; nothing is enough in a sham run."""
    bars.show(guessing_percent(run.trials), run.trials + 1 if run.sham else run.needed, right)


class MatchRun(Trials):
    """Pairs of sounds to be matched one after the other: B is turned until it is as loud as A.

    Parameters
    ----------
    pairs : sequence of (Audio, Audio)
        A and B of every trial, as they are found.
    names : sequence of str
        What plays in each.
    readings : Table, optional
        What an exercise shows to somebody who answers without listening.

    Attributes
    ----------
    controls : Controls
        What B is turned by now, "turn_db".
    """

    asks, ends = "Turn B until it is as loud as A.", "You have set all {}. Press **Check** below, or go back."

    def __init__(self, pairs: Sequence[tuple[Audio, Audio]], names: Sequence[str], readings=None):
        from gainlib.notebook.listen import Player

        self._pairs, self.names = list(pairs), tuple(names)
        sources = dict(zip(PICKS, self._pairs[0], strict=True))
        note = "Switch while the sound lasts. Press 1 for A, 2 for B."
        self.player = Player(sources, match=False, blind=True, room_db=REACH_DB, note=note)
        turn = Slider("turn_db", "Turn B by", -REACH_DB, REACH_DB, STEP_DB, page=PAGE_DB, decimals=2)
        self.controls, self.said = Controls([turn], label="Level of B"), LiveRegion()
        self._list = TableView(Table("", ()))
        self.next = self.make_button("Equally loud: next", self._take_turn, button_style="primary")
        self.back = self.make_button("Back to the one before", self.go_back)
        row = widgets.HBox([self.next, self.back]).add_class("gl-buttons")
        hand = widgets.VBox([self.controls, row, words(self.said, 3)]).add_class("gl-desk-picture")
        side = widgets.VBox([self._list]).add_class("gl-desk-side")
        main = widgets.HBox([hand, side]).add_class("gl-desk-main")
        super().__init__(self.player, main, total=len(self._pairs), readings=readings)
        self.controls.observe(self.guarded(lambda _change: self._turn()), "places")
        self._say()

    def _take_turn(self):
        self.take(self.controls.values["turn_db"])

    def _turn(self):
        self.player.trims_db = [0.0, self.controls.values["turn_db"]]
        self._moved()

    @staticmethod
    def _is_entry(entry):
        return isinstance(entry, (int, float)) and abs(entry) <= REACH_DB

    def standing(self) -> dict | None:
        """Return the settings so far, and where B stands now."""
        turn_db = self.controls.values["turn_db"]
        return {"made": list(self.made), "turn_db": turn_db} if self.made or turn_db else None

    def resume(self, kept: dict) -> None:
        """Go on where it was left."""
        super().resume(kept)
        if self._is_entry(kept.get("turn_db")):
            self.controls.set(turn_db=kept["turn_db"])

    def _load(self, setting_db: float = 0.0):
        self.player.which = 0
        self.player.update(dict(zip(PICKS, self._pairs[len(self.made)], strict=True)))
        self.controls.set(turn_db=setting_db)

    def go_back(self) -> None:
        """Take the last setting back."""
        if self.made:
            *self.made, last = self.made
            self._load(last)
        self._say()
        self._moved()

    def _head(self):
        done = len(self.made)
        return f"Sound {done + 1} of {self.total}: {self.names[done]}"

    def _say(self):
        super()._say()
        done = len(self.made)
        rows = tuple(
            (f"{k + 1}. {name}", number_text(self.made[k], 2, signed=True) if k < done else "–")
            for k, name in enumerate(self.names)
        )
        self._list.show(Table("Set so far", ("sound", "B turned by (dB)"), rows))


class Listening(Panel):
    """The listening tests of an exercise, one a part, for the form to put under the part's question.

    Parameters
    ----------
    runs : mapping of str to Trials or the like
        By the label of the part; each has ``entries()``, ``show(entries)``, ``readings`` and ``names``.
    """

    def __init__(self, runs: Mapping[str, Panel]):
        self._runs = dict(runs)
        super().__init__()
        widgets.look(self, display="none")

    def run(self, part) -> Panel:
        """Return the test that belongs to a part."""
        if part.label not in self._runs:
            raise GainlibError(f"no listening test is called {part.label!r}; there is {', '.join(self._runs)}")
        return self._runs[part.label]


class AbxPanel(Panel):
    """Blind runs of any two sounds, as many as one likes, each of a length that is fixed before it starts.

    Parameters
    ----------
    comparison : callable
        ``comparison(setting)`` returns what is compared, in a few words, and A and B as they are to be played. It is
        asked when a run starts; runs of one name count together, since the best of several is a better guess.
    rows : sequence of Slider or Choice
        What the two sounds are chosen with.
    match : bool
        Whether the player matches A and B in loudness; False only where the level is what they differ in.
    note : str
        What to listen for.
    place : Place, optional
        Where the runs are kept, the present one included: whoever leaves a run is still in it on returning.

    Attributes
    ----------
    controls : Controls
        The rows, and "trials" and "sham".
    blind : BlindRun
        The present run.
    history : list of (str, Run or None)
        Finished runs, first to last; None for one that was given up.
    """

    def __init__(
        self,
        comparison: Callable[[Setting], tuple[str, Audio, Audio]],
        rows: Sequence[Slider | Choice] = (),
        *,
        match: bool = True,
        note: str = "",
        place: Place | None = None,
    ):
        self._comparison, self._note, self.history, self._name = comparison, note, [], ""
        self._place = place or Kept().place("runs")
        lengths = Choice("trials", "Trials", {count: str(count) for count in LENGTHS}, 10)
        sham = Choice("sham", "Kind of run", {False: "X is A or B", True: "sham run: A and B the same sound"})
        self.controls = Controls([*rows, lengths, sham], label="What is compared")
        self.start = self.make_button("Start a run", self.begin, button_style="primary")
        self.chance = self.make_button("Let chance pick the rest", lambda: self.blind.rest_by_chance())
        self.blind = BlindRun(None, match=match, note=note, done=self._finished)
        self.said = self.blind.said
        self._bars, self.live = guess_picture(Run(0, 10))
        self._list, self._read_out = TableView(Table("", ())), TableView(Table("", ()))
        self._tables = widgets.VBox().add_class("gl-log")
        buttons = widgets.HBox([self.start, self.chance]).add_class("gl-buttons")
        self._side = widgets.VBox([self.controls, buttons]).add_class("gl-desk-side")
        picture = widgets.VBox([self.live.widget]).add_class("gl-desk-picture")
        super().__init__(widgets.HBox([picture, self._side]).add_class("gl-desk-main"), self.blind, self._tables)
        self.add_class("gl-form").add_class("gl-panel").add_class("gl-desk")
        self.controls.observe(self.guarded(lambda _change: self._draw(None)), "released")
        self.said.say("note", "", "Choose the number of trials, then start. It does not change until the run is over.")
        self._run = None
        self._resume(self._place.value)
        self.controls.observe(self.guarded(lambda _change: self._keep()), "places")
        self.blind.on_change(self.guarded(self._keep))

    # ---- to be kept ------------------------------------------------------------------------------------------------

    def _keep(self):
        history = [[name, run and [run.right, run.trials, run.runs, run.sham]] for name, run in self.history]
        open_run = None if self._run is None or self.blind.complete else [*self._run, self.blind.made]
        places = list(self.controls.places)
        self._place.keep({"places": places, "history": history, "run": open_run})

    def _resume(self, kept):
        """Take up what was kept; what does not fit is left out."""
        if kept is None:
            return
        try:
            self.history = [(str(name), run and Run(*run)) for name, run in kept["history"]]
            self.controls.places = kept["places"]
            if kept["run"] is not None:
                places, order, made = kept["run"]
                self.controls.places = places
                self._begin(order)
                self.blind.resume({"made": made})
                self.controls.places = kept["places"]
        except (GainlibError, TraitError, TypeError, ValueError, KeyError) as problem:
            log.info("the runs begin afresh (%r)", problem)
        self._show_list()
        self._draw(None)

    # ---- the runs --------------------------------------------------------------------------------------------------

    def begin(self) -> None:
        """Start a run; one that was not finished is dropped, and counts as a run."""
        if self.blind.made and not self.blind.complete:
            self.history.append((self._name, None))
        self._begin("".join(secrets.choice(PICKS) for _ in range(self.controls.values["trials"])))
        self._keep()

    def _begin(self, order):
        setting, self._run = Setting(self.controls.values), (list(self.controls.places), order)
        self._name, a, b = self._comparison(setting)
        if setting.sham:
            self._name, b = "sham", a
        runs = sum(name == self._name for name, _ in self.history) + 1
        self.blind.begin(a, b, order, runs=runs, sham=setting.sham)
        self.blind.player.note = f"Compared: {self._name}. {self._note}"
        self._read_out.show(self._read(a, b))
        self._side.children = [*self._side.children[:2], self._read_out]
        self._show_list()
        self._draw(None)

    def _finished(self, run):
        self.history.append((self._name, run))
        self.said.say("note", "Run over", run.sentence())
        self._show_list()
        self._draw(run)
        self._keep()

    def _draw(self, run):
        show_guessing(self._bars, run or Run(0, self.controls.values["trials"]), run.right if run else None)
        self.live.redraw()
        self.live.settle()

    def _show_list(self):
        heads = ("run", "compared", "right", "p (chance)", "times the runs so far", "difference")
        rows = [self._row(index, *each) for index, each in enumerate(self.history, start=1)]
        self._list.show(Table("Your runs, the last one on top", heads, tuple(reversed(rows))))
        self._tables.children = [self._list] if self.history else []

    @staticmethod
    def _row(index, name, run):
        if run is None:
            return (str(index), name, "given up", "", "", "not shown")
        verdict = "none to show" if run.sham else "shown" if run.shown else "not shown"
        chance = "" if run.sham else p_text(run.probability, run.runs)
        return (str(index), name, f"{run.right} of {run.trials}", p_text(run.alone), chance, verdict)

    def _read(self, a, b):
        """Return what meters say of A and B as they are played, for those who cannot listen."""
        a, b = (louder(sound, by) for sound, by in zip((a, b), self.blind.player.gains.match_db, strict=False))
        loudness = [heard(sound).loudness_lufs for sound in (a, b)]
        left = residual_db(a, b) if a.frames == b.frames and a.channels == b.channels else None
        rows = (
            ("loudness of A", level_text(loudness[0], "LUFS", 2)),
            ("loudness of B", level_text(loudness[1], "LUFS", 2)),
            ("what is left of A when you subtract B", level_text(left, "dB", 1)),
        )
        return Table("Without listening: what the meters can tell apart", ("reading", "as they are played"), rows)
