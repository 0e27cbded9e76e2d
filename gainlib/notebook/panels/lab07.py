"""Lab 07: which of two sounds is liked better, and a blind run of a stage against its bypass."""

import ipywidgets as widgets

from gainlib.audio import Audio
from gainlib.exercises.blind import bypass as runs
from gainlib.notebook.errors import Panel
from gainlib.notebook.live import TableView
from gainlib.notebook.panels.blind import PICKS, BlindRun, Listening
from gainlib.notebook.prose import LiveRegion
from gainlib.notebook.slider import Slider
from gainlib.words import Table, level_text

AUTO = {"width": "auto"}


def exercise_panel(exercise, given: dict, learner):
    """Return the listening tests of 07-5, None for what stands on a desk."""
    if exercise.id != "07-5":
        return None
    first, second = exercise.parts[:2]
    return Listening({first.label: PreferenceRun(given), second.label: StageRun(given)})


class PreferenceRun(Panel):
    """Trials in each of which the one of two that is liked better is picked.

    Parameters
    ----------
    given : dict
        Values of the variant, see :class:`gainlib.exercises.blind.bypass.Runs`.

    Attributes
    ----------
    picks : list of str
        Made so far.
    player : Player
        With the sources A and B, their levels as they are.
    readings : TableView
        What meters read on every trial.
    """

    names: tuple[str, ...] = ()

    def __init__(self, given: dict):
        from gainlib.notebook.listen import Player

        self._given, self.picks = given, []
        self.readings = TableView(pairs_table(given))
        self.player = Player(self._pair(0), match=False, blind=True, note="Switch while it plays. Keys 1, 2: A, B.")
        self.said = LiveRegion()
        buttons = []
        for name in PICKS:
            button = widgets.Button(description=f"I like {name} better", layout=AUTO)
            button.on_click(self.guarded(lambda _button, name=name: self.pick(name)))
            buttons.append(button)
        super().__init__(self.player, widgets.HBox(buttons).add_class("gl-buttons"), self.said)
        self.add_class("gl-blind")
        self._say()

    def _pair(self, trial) -> dict[str, Audio]:
        return dict(zip(PICKS, runs.pair(self._given, trial), strict=True))

    def pick(self, name: str) -> None:
        """Take a pick for the present trial and go on to the next."""
        if len(self.picks) < runs.PREFERENCES:
            self.picks = [*self.picks, name]
            if len(self.picks) < runs.PREFERENCES:
                self.player.which = 0
                self.player.update(self._pair(len(self.picks)))
        self._say()

    def _say(self):
        done = len(self.picks)
        if done == runs.PREFERENCES:
            self.said.say("note", "", f"All {done} trials have their pick.")
        else:
            self.said.say("note", f"Trial {done + 1} of {runs.PREFERENCES}", "Which of the two do you like better?")

    def entries(self) -> list[str] | None:
        """Return the picks so far, None before the first."""
        return list(self.picks) or None

    def show(self, picks) -> None:
        """Show the picks of an answer."""
        if picks is not None and set(picks) <= set(PICKS) and len(picks) == runs.PREFERENCES:
            self.picks = list(picks)
            self._say()


class StageRun(Panel):
    """A blind run of a saturating stage against its bypass, at a drive that is chosen before the first trial.

    Parameters
    ----------
    given : dict
        Values of the variant, see :class:`gainlib.exercises.blind.bypass.Runs`.

    Attributes
    ----------
    drive : Slider
        Average level at the stage's input; stands still from the first pick on.
    blind : BlindRun
        The run.
    readings : TableView
        What subtracting X from the bypass leaves in every trial.
    """

    names: tuple[str, ...] = ()

    def __init__(self, given: dict):
        self._given = given
        self.drive = Slider(
            "Fed on average", runs.START_DBFS, runs.LOWEST_DBFS, runs.HIGHEST_DBFS, 1.0, "dBFS", page=6.0
        )
        note = f"Sound: {given['clip']}. A is the bypass, B the stage. Keys 1, 2, 3: A, B, X."
        self.blind = BlindRun(self._sounds, given["order"], runs=given["attempt"] + 1, note=note)
        self.readings = TableView(residuals_table(given))
        super().__init__(self.drive, self.blind)
        self.drive.observe(self.guarded(lambda _change: self._feed()), "released")

    def _sounds(self):
        made = runs.passed(self._given["clip"], self.drive.value)
        return made.bypass, made.active

    def _feed(self):
        if self.blind.made:
            self.drive.value = self._fed  # the run has begun, so its drive stays
            return
        self._fed = self.drive.value
        self.blind.begin(*self._sounds(), self._given["order"], runs=self._given["attempt"] + 1)

    _fed = runs.START_DBFS

    def entries(self) -> list[str] | None:
        """Return the picks so far, None before the first."""
        return self.blind.entries()

    def show(self, picks) -> None:
        """Show picks that were marked."""
        self.blind.show(picks)


def pairs_table(given: dict) -> Table:
    """Return the loudness of A and B in every preference."""
    rows = tuple(
        (f"trial {k}", *(level_text(level, "LUFS", 2) for level in pair))
        for k, pair in enumerate(runs.loudness_of_pairs(given), start=1)
    )
    return Table("What meters read in run 1", ("trial", "loudness of A", "loudness of B"), rows)


def residuals_table(given: dict) -> Table:
    """Return what subtracting X from the bypass leaves in every blind trial, the stage fed at the start's level."""
    left = runs.residuals_db(given)
    rows = tuple((f"trial {k}", level_text(value, "dB")) for k, value in enumerate(left, start=1))
    caption = f"What is left of the bypass when X is subtracted, the stage fed {level_text(runs.START_DBFS, 'dBFS', 0)}"
    return Table(caption, ("trial", "bypass minus X, against the bypass"), rows)
