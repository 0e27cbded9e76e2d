"""The listening tests of labs 00, 04 and 07, each with its readings, and lab 00's check of the loudspeakers."""

from collections.abc import Iterable
from functools import cache

import numpy as np

from gainlib.audio import Audio
from gainlib.exercises import bypass, rounds
from gainlib.exercises.clips import CLIPS, clip, louder
from gainlib.exercises.experiment import Choice, Setting, Slider
from gainlib.exercises.variants import run_number
from gainlib.labs import lab00
from gainlib.meters import rms_dbfs
from gainlib.notebook import widgets
from gainlib.notebook.controls import Controls
from gainlib.notebook.errors import Panel
from gainlib.notebook.live import TableView
from gainlib.notebook.panels import place_of
from gainlib.notebook.panels.blind import PICKS, AbxPanel, BlindRun, Listening, MatchRun, Trials, words
from gainlib.notebook.prose import LiveRegion, prose
from gainlib.signals import pink_noise
from gainlib.words import Table, level_text, number_text

LEFT = "What is left of A when you subtract X"


def left_table(left_db: Iterable[float], caption: str = LEFT, head: str = "A minus X, against A") -> Table:
    """Return what subtracting X leaves in every trial."""
    rows = tuple((f"trial {k}", level_text(each, "dB")) for k, each in enumerate(left_db, start=1))
    return Table(caption, ("trial", head), rows)


# ---- lab 00 ----------------------------------------------------------------------------------------------------------


def level_difference(place=None) -> AbxPanel:
    """Return blind runs of one sound at two levels."""
    rows = (
        Slider("apart_db", "B is softer by", 0.0, 6.0, 0.25, 3.0, page=1.0, decimals=2),
        Choice("sound", "Sound", {name: name for name in CLIPS}, "e-piano"),
    )

    def comparison(setting):
        name = f"{setting.sound}, {number_text(setting.apart_db, 2)} dB"
        return name, louder(clip(setting.sound), 0.0), louder(clip(setting.sound), -setting.apart_db)

    note = "Switch while the note lasts. Press 1 for A, 2 for B, 3 for X."
    return AbxPanel(comparison, rows, match=False, note=note, place=place)


def _matching(exercise, given, _learner):
    """Return the five sounds of 00-3, to be matched."""
    run = MatchRun(exercise.material(given), given["clips"], readings_table(given))
    return Listening({exercise.parts[0].label: run})


def _telling_apart(exercise, given, _learner):
    """Return the two runs of 00-4, the second of which opens by a button."""
    labels = [part.label for part in exercise.parts]
    return Listening({label: _blind(given, name) for label, name in zip(labels, lab00.RUNS, strict=False)})


def _blind(given, name):
    return BlindRun(
        lambda: lab00.abx_sounds(given, name),
        given[name],
        runs=run_number(given),
        sham=name == "sham",
        match=False,
        note=f"Sound: {given['clip']}. Switch while it lasts. Press 1 for A, 2 for B, 3 for X.",
        readings=left_table(lab00.abx_residuals_db(given, name)),
        opens="" if name == lab00.RUNS[0] else "Begin this run",
    )


def readings_table(given: dict) -> Table:
    """Return what meters read on the pairs of 00-3."""
    units = ("LUFS", 2), ("LUFS", 2), ("dBFS", 1), ("dBFS", 1)
    rows = tuple(
        (f"{k}. {name}", *(level_text(value, *unit) for value, unit in zip(values, units, strict=True)))
        for k, (name, values) in enumerate(zip(given["clips"], lab00.match_readings(given), strict=True), start=1)
    )
    heads = ("sound", "loudness of A", "loudness of B", "sample peak of A", "sample peak of B")
    return Table("What the meters read, with B as you find it", heads, rows)


NOISE_DBFS, NOISE_S = -20.0, 4.0
SIDES = {"left": (1, 0), "right": (0, 1), "both": (1, 1), "out of polarity": (1, -1)}
WANTED = {
    "left": "only from the left",
    "right": "only from the right",
    "both": "from the middle, firm",
    "out of polarity": "from nowhere, thin in the bass",
}
TEXT = """
**Turn the amplifier or the headphones down first**, then press Play and come up slowly. Go through all four; keys 1 to
4 switch between them.

- If *both* sounds thin and *out of polarity* firm, one loudspeaker has its two wires swapped. Correct that with the
  amplifier off.
- If *left* comes from the right, the cables or the earpieces are swapped.
"""


@cache
def sources() -> dict[str, Audio]:
    """Return pink noise on the left, on the right, on both, and on both with one side inverted."""
    noise = pink_noise(NOISE_DBFS, NOISE_S, seed=3)
    return {
        name: Audio((noise.samples * np.array(gains, float)).astype(np.float32), noise.rate_hz, name)
        for name, gains in SIDES.items()
    }


class SpeakerCheck(Panel):
    """A player with the four, what each should sound like, and what meters read for those who cannot listen."""

    def __init__(self):
        from gainlib.notebook.listen import Player

        self.player = Player(dict(sources()), note="Pink noise. All four are equally loud.")
        super().__init__(prose(TEXT), self.player, TableView(sides_table()))
        self.add_class("gl-form").add_class("gl-desk")


def sides_table() -> Table:
    """Return what each should sound like, and its RMS left, right and as the two added to one."""
    rows = []
    for name, audio in sources().items():
        left, right = (Audio(audio.samples[:, [k]], audio.rate_hz) for k in (0, 1))
        total = Audio(audio.samples.mean(axis=1, keepdims=True), audio.rate_hz)
        rows.append((name, WANTED[name], *(number_text(rms_dbfs(each)) for each in (left, right, total))))
    heads = ("source", "should sound", "left", "right", "half the sum of both")
    return Table("If you cannot listen: what the meters read, in dBFS RMS", heads, tuple(rows))


# ---- lab 04 ----------------------------------------------------------------------------------------------------------

ROUNDS = {rounds.FLOAT_RUN: ("order_1", "float32"), rounds.WORD_RUN: ("order_2", "16 bit")}


def _rounds(_exercise, given, _learner):
    """Return the two runs of 04-5: rounds of gain against the original."""

    def run(order, arithmetic):
        sounds = clip(given["clip"]), rounds.rounds_heard(given["clip"], arithmetic)
        note = f"Sound: {given['clip']}. A is the original, B came through the rounds. Press 1 for A, 2 for B, 3 for X."
        readings = left_table(rounds.left_of_trials(given, order, arithmetic))
        return BlindRun(lambda: sounds, given[order], runs=run_number(given), note=note, readings=readings)

    return Listening({label: run(*which) for label, which in ROUNDS.items()})


# ---- lab 07 ----------------------------------------------------------------------------------------------------------


def _bypass(exercise, given, _learner):
    """Return the two runs of 07-5."""
    first, second = exercise.parts[:2]
    return Listening({first.label: PreferenceRun(given), second.label: StageRun(given)})


class PreferenceRun(Trials):
    """Trials in each of which the one of two that is liked better is picked.

    Parameters
    ----------
    given : dict
        Values of the variant, see ``gainlib.exercises.bypass.RUNS``.
    """

    asks = "Which of the two do you like better?"

    def __init__(self, given: dict):
        from gainlib.notebook.listen import Player

        self._given, self.said = given, LiveRegion()
        self.player = Player(
            self._pair(0), match=False, blind=True, note="Switch while it plays. Press 1 for A, 2 for B."
        )
        buttons = widgets.HBox(self._picks("I like {} better")).add_class("gl-buttons")
        row = widgets.HBox([buttons, words(self.said, 2)]).add_class("gl-picks")
        rows = tuple(
            (f"trial {k}", *(level_text(level, "LUFS", 2) for level in pair))
            for k, pair in enumerate(bypass.loudness_of_pairs(given), start=1)
        )
        read = Table("What the meters read in run 1", ("trial", "loudness of A", "loudness of B"), rows)
        super().__init__(self.player, row, total=bypass.PREFERENCES, readings=read)
        self._say()

    def _pair(self, trial):
        return dict(zip(PICKS, bypass.pair(self._given, trial), strict=True))

    def _load(self):
        self.player.update(self._pair(len(self.made)))


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
        self._given, self._fed_dbfs = given, bypass.START_DBFS
        fed = Slider(
            "fed_dbfs", "Fed on average", bypass.LOWEST_DBFS, bypass.HIGHEST_DBFS, 1.0, bypass.START_DBFS, "dBFS",
            page=6.0, off=lambda _setting: "the run has begun" if self.made else "",
        )  # fmt: skip
        self.controls = Controls([fed], label="Drive of the stage")
        fed = level_text(bypass.START_DBFS, "dBFS", 0)
        caption = f"What is left of the bypass when you subtract X, with the stage fed {fed}"
        super().__init__(
            self._sounds,
            given["order"],
            runs=run_number(given),
            note=f"Sound: {given['clip']}. A is the bypass, B the stage. Press 1 for A, 2 for B, 3 for X.",
            readings=left_table(bypass.residuals_db(given), caption, "bypass minus X, against the bypass"),
            above=self.controls,
        )
        self.controls.observe(self.guarded(lambda _change: self._feed()), "released")

    def _sounds(self):
        made = bypass.passed(self._given["clip"], self.controls.values["fed_dbfs"])
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
        return found | {"fed_dbfs": self._fed_dbfs} if found or self._fed_dbfs != bypass.START_DBFS else None

    def resume(self, kept: dict) -> None:
        """Go on where it was left, at the same drive."""
        if not self.made and "fed_dbfs" in kept:
            self.controls.set(fed_dbfs=kept["fed_dbfs"])
        super().resume(kept)

    def _say(self):
        super()._say()
        self.controls.turn_off(Setting(self.controls.values))


PANELS = {
    ("00", "speakers"): lambda _learner: SpeakerCheck(),
    ("00", "blind"): lambda learner: level_difference(place_of(learner, "panel blind")),
}
EXERCISES = {"00-3": _matching, "00-4": _telling_apart, "04-5": _rounds, "07-5": _bypass}
