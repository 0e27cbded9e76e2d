"""Lab 00: what its notebook shows, what its prediction is compared with, and its page to take away."""

from math import log

from gainlib.audio import GainlibError
from gainlib.exercises.binomial import Run, percent, share_of_guessers
from gainlib.exercises.blind import matching, orders
from gainlib.notebook.panels.page import Page
from gainlib.words import Table, level_text, number_text

PAGE = Page(
    title="Safe listening and blind comparison",
    question="Can I trust what I hear here, at this level?",
    minutes=40,
    lessons="one lesson of 50 minutes",
)

QUESTION_RUN = Run(7, 10)
CHOICES = {0.01: "one run in 100", 0.05: "one run in 20", 1 / 6: "one run in 6", 0.5: "every second run"}
GUESSERS = 20_000
CLIP = "e-piano"


def panel(name: str, learner):
    """Return one of the lab's panels: "speakers", "exposure" or "blind"."""
    if name == "speakers":
        from gainlib.notebook.panels.speakers import SpeakerCheck

        return SpeakerCheck()
    if name == "exposure":
        from gainlib.notebook.panels.exposure import ExposurePanel

        return ExposurePanel()
    if name == "blind":
        return level_difference()
    raise GainlibError(f"lab 00 has no panel {name!r}; it has 'speakers', 'exposure', 'blind'")


def level_difference():
    """Return blind runs of one sound at two levels."""
    import ipywidgets as widgets

    from gainlib.exercises.blind.clips import CLIPS, clip, louder
    from gainlib.notebook.panels.abx import AbxPanel
    from gainlib.notebook.slider import Slider

    apart = Slider("B is softer by", 3.0, 0.0, 6.0, 0.25, "dB", page=1.0)
    style = {"description_width": "initial"}
    sound = widgets.Dropdown(
        options=CLIPS, value=CLIP, description="Sound", style=style, layout={"width": "max-content"}
    )

    def comparison():
        name = f"{sound.value}, {number_text(apart.value, 2)} dB"
        return name, louder(clip(sound.value), 0.0), louder(clip(sound.value), -apart.value)

    return AbxPanel(comparison, (apart, sound), match=False, note="Switch while the note lasts. Keys 1, 2, 3: A, B, X.")


def exercise_panel(exercise, given: dict, learner):
    """Return the listening tests of an exercise, or None."""
    if exercise.id == "00-3":
        return _matching(exercise, given)
    if exercise.id == "00-4":
        return _blind(exercise, given)
    return None


def _matching(exercise, given):
    from gainlib.notebook.live import TableView
    from gainlib.notebook.panels.abx import Listening
    from gainlib.notebook.panels.matching import MatchRun, readings_table

    readings = TableView(readings_table(matching.readings(given)))
    run = MatchRun(exercise.material(given), given["clips"], readings)
    return Listening({exercise.parts[0].label: run})


def _blind(exercise, given):
    from gainlib.notebook.live import TableView
    from gainlib.notebook.panels.abx import BlindRun, Listening

    runs = {}
    for part, name in zip(exercise.parts, orders.RUNS, strict=False):
        runs[part.label] = BlindRun(
            lambda name=name: orders.sounds(given, name),
            given[name],
            runs=given["attempt"] + 1,
            sham=name == "sham",
            match=False,
            note=f"Sound: {given['clip']}. Switch while it lasts. Keys 1, 2, 3: A, B, X.",
            readings=TableView(null_table(given, name)),
        )
    return Listening(runs)


def null_table(given: dict, run: str) -> Table:
    """Return what subtracting X from A leaves in every trial of a run."""
    left = orders.residuals_db(given, run)
    rows = tuple((f"trial {k}", level_text(value, "dB")) for k, value in enumerate(left, start=1))
    return Table("What is left of A when X is subtracted", ("trial", "A minus X, against A"), rows)


def compare():
    """Return how often guessing gets 7 of 10: by the formula, and by letting many guess.

    Returns
    -------
    outcome : str
        The choice that it bears out.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    run = QUESTION_RUN
    guessed = share_of_guessers(run.trials, GUESSERS)
    nearest = min(CHOICES, key=lambda share: abs(log(share / run.alone)))
    sentence = (
        f"Of {GUESSERS:,} made-up guessers {percent(guessed[run.right])} got {run.right} or more of "
        f"{run.trials} right; the formula says {percent(run.alone)}, **{CHOICES[nearest]}**. So {run.right} of "
        f"{run.trials} shows nothing. From {run.needed} on a difference counts as shown."
    )
    rows = tuple(
        (f"{right} or more", percent(Run(right, run.trials).alone), percent(guessed[right]))
        for right in range(run.trials, 4, -1)
    )
    return CHOICES[nearest], sentence, Table("Guessing ten times", ("right", "by the formula", "guessers"), rows)
