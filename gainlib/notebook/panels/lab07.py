"""Lab 07: which of two sounds is liked better, and a blind run of a stage against its bypass."""

import ipywidgets as widgets

from gainlib.exercises import bypass as runs
from gainlib.exercises.experiment import Setting, Slider
from gainlib.exercises.variants import run_number
from gainlib.notebook.controls import Controls
from gainlib.notebook.live import TableView
from gainlib.notebook.panels.blind import PICKS, BlindRun, Listening, Trials, words
from gainlib.notebook.prose import LiveRegion
from gainlib.words import Table, level_text


def exercise_panel(exercise, given: dict, learner):
    """Return the listening tests of 07-5, None for what stands on a desk."""
    if exercise.id != "07-5":
        return None
    first, second = exercise.parts[:2]
    return Listening({first.label: PreferenceRun(given), second.label: StageRun(given)})


class PreferenceRun(Trials):
    """Trials in each of which the one of two that is liked better is picked.

    Parameters
    ----------
    given : dict
        Values of the variant, see ``gainlib.exercises.bypass.RUNS``.
    """

    def __init__(self, given: dict):
        from gainlib.notebook.listen import Player

        self._given, self.said = given, LiveRegion()
        self.player = Player(
            self._pair(0), match=False, blind=True, note="Switch while it plays. Press 1 for A, 2 for B."
        )
        buttons = widgets.HBox(self._picks("I like {} better")).add_class("gl-buttons")
        row = widgets.HBox([buttons, words(self.said, 2)]).add_class("gl-picks")
        super().__init__(self.player, row, total=runs.PREFERENCES, readings=TableView(pairs_table(given)))
        self._say()

    def _pair(self, trial):
        return dict(zip(PICKS, runs.pair(self._given, trial), strict=True))

    def _load(self):
        self.player.update(self._pair(len(self.made)))

    def _say(self):
        if self.complete:
            self.said.say("note", "", f"You have picked in all {self.total} trials.")
        else:
            head = f"Trial {len(self.made) + 1} of {self.total}"
            self.said.say("note", head, "Which of the two do you like better?")

    def show(self, picks) -> None:
        """Show the picks of an answer."""
        if picks is not None and set(picks) <= set(PICKS) and len(picks) == self.total:
            self.made = list(picks)
            self._say()


class StageRun(BlindRun):
    """A blind run of a saturating stage against its bypass, at a drive that is chosen before the first trial.

    Parameters
    ----------
    given : dict
        Values of the variant, see ``gainlib.exercises.bypass.RUNS``.

    Attributes
    ----------
    controls : Controls
        Average level at the stage's input, "fed_dbfs"; stands still from the first pick on.
    """

    def __init__(self, given: dict):
        self._given, self._fed_dbfs = given, runs.START_DBFS
        fed = Slider(
            "fed_dbfs", "Fed on average", runs.LOWEST_DBFS, runs.HIGHEST_DBFS, 1.0, runs.START_DBFS, "dBFS",
            page=6.0, off=lambda _setting: "the run has begun" if self.made else "",
        )  # fmt: skip
        self.controls = Controls([fed], label="Drive of the stage")
        super().__init__(
            self._sounds,
            given["order"],
            runs=run_number(given),
            note=f"Sound: {given['clip']}. A is the bypass, B the stage. Press 1 for A, 2 for B, 3 for X.",
            readings=TableView(residuals_table(given)),
            above=self.controls,
        )
        self.controls.observe(self.guarded(lambda _change: self._feed()), "released")

    def _sounds(self):
        made = runs.passed(self._given["clip"], self.controls.values["fed_dbfs"])
        return made.bypass, made.active

    def _feed(self):
        if self.made:  # the last key may have come to rest behind the first pick
            self.controls.places = [self._fed_dbfs]
            return
        self._fed_dbfs = self.controls.values["fed_dbfs"]
        self._moved()
        self.begin(*self._sounds(), self._given["order"], runs=run_number(self._given))

    def standing(self) -> dict | None:
        """Return the picks so far, and the drive they were made at."""
        found = super().standing() or {}
        return found | {"fed_dbfs": self._fed_dbfs} if found or self._fed_dbfs != runs.START_DBFS else None

    def resume(self, kept: dict) -> None:
        """Go on where it was left, at the same drive."""
        if not self.made and "fed_dbfs" in kept:
            self.controls.set(fed_dbfs=kept["fed_dbfs"])
        super().resume(kept)

    def _say(self):
        super()._say()
        self.controls.turn_off(Setting(self.controls.values))


def pairs_table(given: dict) -> Table:
    """Return the loudness of A and B in every preference."""
    rows = tuple(
        (f"trial {k}", *(level_text(level, "LUFS", 2) for level in pair))
        for k, pair in enumerate(runs.loudness_of_pairs(given), start=1)
    )
    return Table("What the meters read in run 1", ("trial", "loudness of A", "loudness of B"), rows)


def residuals_table(given: dict) -> Table:
    """Return what subtracting X from the bypass leaves in every blind trial, the stage fed at the start's level."""
    left = runs.residuals_db(given)
    rows = tuple((f"trial {k}", level_text(value, "dB")) for k, value in enumerate(left, start=1))
    caption = (
        f"What is left of the bypass when you subtract X, with the stage fed {level_text(runs.START_DBFS, 'dBFS', 0)}"
    )
    return Table(caption, ("trial", "bypass minus X, against the bypass"), rows)
