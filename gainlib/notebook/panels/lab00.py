"""Lab 00: the check of loudspeakers or headphones, and its blind tests."""

from functools import cache

import numpy as np

from gainlib.audio import Audio
from gainlib.exercises.clips import CLIPS, clip, louder
from gainlib.exercises.experiment import Choice, Slider
from gainlib.exercises.variants import run_number
from gainlib.labs import lab00
from gainlib.meters import rms_dbfs
from gainlib.notebook.errors import Panel
from gainlib.notebook.live import TableView
from gainlib.notebook.panels import place_of
from gainlib.notebook.panels.blind import AbxPanel, BlindRun, Listening, MatchRun
from gainlib.notebook.prose import prose
from gainlib.signals import pink_noise
from gainlib.words import Table, level_text, number_text

PANELS = ("speakers", "blind")


def panel(name: str, learner):
    """Return the panels that are no desk: "speakers", "blind"."""
    if name == "speakers":
        return SpeakerCheck()
    return level_difference(place_of(learner, "panel blind")) if name == "blind" else None


def exercise_panel(exercise, given: dict, learner):
    """Return the listening tests of an exercise, or None."""
    if exercise.id == "00-3":
        readings = TableView(readings_table(given))
        return Listening({exercise.parts[0].label: MatchRun(exercise.material(given), given["clips"], readings)})
    if exercise.id == "00-4":
        labels = [part.label for part in exercise.parts]
        return Listening({label: _run(given, name) for label, name in zip(labels, lab00.RUNS, strict=False)})
    return None


# ---- blind tests -----------------------------------------------------------------------------------------------------


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


def _run(given, name):
    return BlindRun(
        lambda: lab00.abx_sounds(given, name),
        given[name],
        runs=run_number(given),
        sham=name == "sham",
        match=False,
        note=f"Sound: {given['clip']}. Switch while it lasts. Press 1 for A, 2 for B, 3 for X.",
        readings=TableView(null_table(given, name)),
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


def null_table(given: dict, run: str) -> Table:
    """Return what subtracting X from A leaves in every trial of a run of 00-4."""
    left = lab00.abx_residuals_db(given, run)
    rows = tuple((f"trial {k}", level_text(value, "dB")) for k, value in enumerate(left, start=1))
    return Table("What is left of A when you subtract X", ("trial", "A minus X, against A"), rows)


# ---- loudspeakers ----------------------------------------------------------------------------------------------------

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
