"""A, B or X: a blind test of fixed length, and what its score allows to say.

:class:`BlindRun` is one run: a player with A, B and X, two buttons to pick with, and nothing said before the last pick.
:class:`AbxPanel` makes runs of any two sounds, counts them, and says what they show; :class:`Listening` hands the runs
of an exercise to its form.
"""

import secrets
from collections.abc import Callable, Mapping

import ipywidgets as widgets

from gainlib.audio import Audio, GainlibError
from gainlib.exercises.binomial import Run, guessing_percent, p_text
from gainlib.exercises.blind.clips import louder, residual_db
from gainlib.notebook import figures
from gainlib.notebook.errors import Panel
from gainlib.notebook.figures.guessing import GuessBars
from gainlib.notebook.limits import heard
from gainlib.notebook.live import LiveFigure, TableView
from gainlib.notebook.prose import LiveRegion
from gainlib.words import Table, level_text

PICKS = "AB"
TRIALS = (8, 10, 12, 16, 20, 24)
PICTURE_PX = (840, 300)
AUTO = {"width": "auto"}


class BlindRun(Panel):
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
        ``done(run)`` is called after the last trial with a :class:`gainlib.exercises.binomial.Run`.
    readings : widget, optional
        What an exercise shows to somebody who answers without listening.

    Attributes
    ----------
    picks : list of str
        Made so far.
    player : Player
        With the sources A, B and X.
    """

    names: tuple[str, ...] = ()

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
        readings: widgets.Widget | None = None,
    ):
        self.readings, self._match, self._note, self._done = readings, match, note, done
        self.picks, self.player, self._marked = [], None, False
        self.said = LiveRegion()
        self._buttons = [
            widgets.Button(description=f"X is {name}", tooltip=f"Pick {name} for this trial", layout=AUTO)
            for name in PICKS
        ]
        self._place = widgets.VBox()
        self._result = widgets.VBox()
        super().__init__(self._place, widgets.HBox(self._buttons).add_class("gl-buttons"), self.said, self._result)
        self.add_class("gl-blind")  # the player's number keys then work from the buttons too
        self.layout.display = "none"
        for name, button in zip(PICKS, self._buttons, strict=True):
            button.on_click(self.guarded(lambda _button, name=name: self.pick(name)))
        if sounds is not None:
            self.begin(*sounds(), order, runs=runs, sham=sham)

    def begin(self, a: Audio, b: Audio, order: str, *, runs: int = 1, sham: bool = False) -> None:
        """Start at the first trial; the number of trials is fixed from here on."""
        if not order or set(order) - set(PICKS):
            raise GainlibError(f"an order of {order!r}; give an A or a B for each trial")
        self._pair, self._order, self._runs, self._sham = {"A": a, "B": b}, order, runs, sham
        self.picks, self._marked = [], False
        self._result.children = []
        sources = {**self._pair, "X": self._fresh(order[0])}
        if self.player is None:
            from gainlib.notebook.listen import Player

            self.player = Player(sources, match=self._match, blind=True, note=self._note)
            self._place.children = [self.player]
        else:
            self.player.which = 0
            self.player.update(sources)
        self.layout.display = ""
        self._say()

    def _fresh(self, name):
        """Return A or B as samples of its own, so that the page fetches it like any other X."""
        sound = self._pair[name]
        return sound.with_samples(sound.samples.copy(), "X")

    def pick(self, name: str) -> None:
        """Take a pick for the present trial and go on to the next."""
        if self.player is None or len(self.picks) == len(self._order):
            return self._say()
        self.picks = [*self.picks, name]
        if len(self.picks) < len(self._order):
            self.player.which = 0  # else the change of X would be heard as such
            self.player.update({"X": self._fresh(self._order[len(self.picks)])})
        self._say()
        if len(self.picks) == len(self._order) and self._done:
            self._done(self.run)
        return None

    def rest_by_chance(self) -> None:
        """Let chance make all picks that are left."""
        while self.player is not None and len(self.picks) < len(self._order):
            self.pick(secrets.choice(PICKS))

    @property
    def complete(self) -> bool:
        """Whether every trial has its pick."""
        return self.player is not None and len(self.picks) == len(self._order)

    @property
    def run(self) -> Run:
        """What the picks amount to."""
        right = sum(mine == own for mine, own in zip(self.picks, self._order, strict=True))
        return Run(right, len(self._order), self._runs, self._sham)

    def _say(self):
        if self.player is None:
            self.said.say("note", "", "Start a run first.")
        elif self.complete and self._marked:
            self.said.say("note", "Marked", f"{self.run.sentence()} **New numbers** bring another run.")
        elif self.complete:
            ask = "" if self._done else " Press **Check** below."
            self.said.say("note", "", f"All {len(self._order)} trials have their pick.{ask}")
        else:
            self.said.say(
                "note",
                f"Trial {len(self.picks) + 1} of {len(self._order)}",
                "Is X the same as A, or as B? Nothing is told before the last trial.",
            )

    # ---- as an answer ----------------------------------------------------------------------------------------------

    def entries(self) -> list[str] | None:
        """Return the picks so far, None before the first."""
        return list(self.picks) or None

    def show(self, picks) -> None:
        """Show picks that were marked; a complete run stays as it is."""
        if picks is None or not set(picks) <= set(PICKS) or len(picks) != len(self._order):
            return
        self.picks, self._marked = list(picks), True
        self._result.children = [score_picture(self.run).widget]
        self._say()


def score_picture(run: Run) -> LiveFigure:
    """Return the bars of guessing with a run's score."""
    fig = figures.make_figure(*PICTURE_PX)
    bars = GuessBars(fig.subplots())
    bars.show(guessing_percent(run.trials), _enough(run), run.right)
    return LiveFigure(fig, [bars], title="What guessing scores")


def _enough(run):
    return run.trials + 1 if run.sham else run.needed


class Listening(Panel):
    """The listening tests of an exercise, one a part, for the form to put under the part's question.

    Parameters
    ----------
    runs : mapping of str to BlindRun, MatchRun or the like
        By the label of the part; each has ``entries()``, ``show(entries)``, ``readings`` and ``names``.
    """

    def __init__(self, runs: Mapping[str, Panel]):
        self._runs = dict(runs)
        super().__init__()
        self.layout.display = "none"

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
        ``comparison()`` returns what is compared, in a few words, and A and B as they are to be played. It is asked
        when a run starts; runs of one name count together, since the best of several is a better guess.
    controls : sequence of widgets
        What the two sounds are chosen with; shown on top.
    match : bool
        Whether the player matches A and B in loudness; False only where the level is what they differ in.
    trials : sequence of int
        Lengths to choose from.
    note : str
        What to listen for.

    Attributes
    ----------
    blind : BlindRun
        The present run.
    history : list of (str, Run)
        Finished runs, first to last.
    """

    def __init__(
        self,
        comparison: Callable[[], tuple[str, Audio, Audio]],
        controls=(),
        *,
        match: bool = True,
        trials=TRIALS,
        note: str = "",
    ):
        self._comparison, self._match = comparison, match
        self.history, self._name = [], ""
        self.length = widgets.Dropdown(
            options=list(trials),
            value=trials[min(1, len(trials) - 1)],
            description="Trials",
            style={"description_width": "initial"},
            layout=AUTO,
        )
        self.sham = widgets.Checkbox(description="Sham run: A and B the same sound", indent=False, layout=AUTO)
        self.start = widgets.Button(
            description="Start a run", button_style="primary", tooltip="The number of trials is fixed then", layout=AUTO
        )
        self.chance = widgets.Button(
            description="Let chance pick the rest", tooltip="Shows what guessing scores", layout=AUTO
        )
        self.blind = BlindRun(None, match=match, note=note, done=self._finished)
        self.said = LiveRegion()
        fig = figures.make_figure(*PICTURE_PX)
        self._bars = GuessBars(fig.subplots())
        self._bars.show(guessing_percent(self.length.value), Run(0, self.length.value).needed)
        self.live = LiveFigure(fig, [self._bars], title="What guessing scores")
        self._list, self._read_out = TableView(self._table()), TableView(Table("", ("reading",)))
        self._tables = widgets.VBox()
        row = widgets.HBox([self.length, self.sham, self.start, self.chance]).add_class("gl-buttons")
        super().__init__(*controls, row, self.blind, self.said, self.live.widget, self._tables)
        self.add_class("gl-form")
        self.start.on_click(self.guarded(lambda _button: self.begin()))
        self.chance.on_click(self.guarded(lambda _button: self.blind.rest_by_chance()))
        self.length.observe(self.guarded(lambda _change: self._draw(None)), "value")
        self.said.say("note", "", "Choose the number of trials, then start. It does not change until the run is over.")

    def begin(self) -> None:
        """Start a run; one that was not finished is dropped, and counts as a run."""
        if self.blind.picks and not self.blind.complete:
            self.history.append((self._name, None))
        self._name, a, b = self._comparison()
        if self.sham.value:
            self._name, b = "sham", a
        order = "".join(secrets.choice(PICKS) for _ in range(self.length.value))
        self.blind.begin(a, b, order, runs=self._count() + 1, sham=self.sham.value)
        self._read_out.show(self._read(a, b))
        self.said.say("note", "Run begun", f"{len(order)} trials, {self._name}. Play, switch, pick.")
        self._show_list()
        self._draw(None)

    def _count(self):
        return sum(name == self._name for name, _ in self.history)

    def _finished(self, run):
        self.history.append((self._name, run))
        self.said.say("note", "Run over", run.sentence())
        self._show_list()
        self._draw(run)

    def _draw(self, run):
        trials = run.trials if run else self.length.value
        found = run or Run(0, trials)
        self._bars.show(guessing_percent(trials), _enough(found), run.right if run else None)
        self.live.redraw()
        self.live.settle()

    def _show_list(self):
        self._list.show(self._table())
        self._tables.children = [*([self._list] if self.history else []), self._read_out]

    def _table(self):
        heads = ("run", "compared", "right", "probability by guessing", "times the runs so far", "difference")
        rows = tuple(self._row(index, *each) for index, each in enumerate(self.history, start=1))
        return Table("Your runs", heads, rows)

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
            ("what is left of A when B is subtracted", level_text(left, "dB", 1)),
        )
        return Table("Without listening: what meters tell apart", ("reading", "as they are played"), rows)
