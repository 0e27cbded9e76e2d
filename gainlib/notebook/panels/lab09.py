"""Lab 09: what its notebook shows, what its prediction is compared with, and its page to take away."""

from functools import cache

from gainlib.notebook.panels.page import Page
from gainlib.words import Table, level_text, number_text

PAGE = Page(
    title="Faders: resolution and the second trim",
    question="Why does taking gain after the processors make a fader finer?",
    minutes=50,
    lessons="one lesson of 50 minutes",
)

STEM = "08 pad"
SECONDS = 8.0
PREDICTED_DB, MOVE_MM = (0.0, -40.0), -2.0
CHOICES = {1.0: "about 1 dB as well", 3.0: "about 3 dB", 10.0: "about 10 dB", 40.0: "about 40 dB"}
EXERCISE_PANELS = ("09-5", "09-6")


@cache
def sound():
    """Return the steady stem the panels play."""
    from gainlib.exercises.mixing.refrain import refrain

    stem = refrain(STEM)
    return stem.with_samples(stem.samples[: round(SECONDS * stem.rate_hz)], "pad")


def start_db(learner) -> float:
    """Return where the strip's fader stands at first: another place for every learner."""
    import numpy as np

    from gainlib.exercises.variants import grid, pick, seed_for

    rng = np.random.Generator(np.random.PCG64(seed_for(learner.name, "09 panel", 0, learner.class_code)))
    return pick(rng, grid(-23.5, -16, 0.5).values)


def panel(name: str, learner):
    """Return one of the lab's two panels."""
    from gainlib.audio import GainlibError

    if name == "travel":
        from gainlib.notebook.panels.travel import TravelPanel

        return TravelPanel(sound())
    if name == "strip":
        from gainlib.notebook.panels.handover import HandOverPanel

        return HandOverPanel(sound(), start_db(learner))
    raise GainlibError(f"lab 09 has no panel {name!r}; it has 'travel' and 'strip'")


def exercise_panel(exercise, given: dict, learner):
    """Return the mix or the measured fader an exercise is answered from, or None."""
    if exercise.id == "09-5":
        from gainlib.exercises.mixing.near_unity import UNITY_BAND_DB
        from gainlib.notebook.panels.unity_faders import FarMixPanel

        controls = exercise.parts[0].controls_for(given)
        return FarMixPanel(exercise.material(given), controls, UNITY_BAND_DB)
    if exercise.id == "09-6":
        from gainlib.notebook.panels.measured import MeasuredPanel

        return MeasuredPanel(given["mm"], given["db"])
    return None


def compare():
    """Return what two millimetres amount to at the two places the prediction was about.

    Returns
    -------
    outcome : str
        The choice that comes nearest.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.session import FaderLaw
    from gainlib.session.fader import hits_db, moved_db, spread_db

    law = FaderLaw()
    moved = {db: float(moved_db(law, db, MOVE_MM)) for db in PREDICTED_DB}
    low = moved[PREDICTED_DB[1]]
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about + low))]
    sentence = (
        f"Two millimetres down from 0 dB take away {number_text(-moved[0.0], 2)} dB, from −40 dB "
        f"**{number_text(-low, 2)} dB**: at −40 dB the fader stands at {number_text(law.mm_at(-40))} mm, "
        "a third of the way to unity, and the slope goes as one over the position."
    )
    places = (10.0, 0.0, -15.0, -30.0, -40.0, -50.0, -60.0)
    rows = tuple(
        (
            level_text(db),
            number_text(law.mm_at(db)),
            number_text(law.db_per_mm(db), 2),
            number_text(float(moved_db(law, db, MOVE_MM)), 2, True),
            number_text(spread_db(hits_db(law, db)), 2),
        )
        for db in places
    )
    heads = ("fader", "position (mm)", "one mm is (dB)", "2 mm down (dB)", "hand of σ 0.5 mm (dB)")
    return outcome, sentence, Table("The example law along its travel", heads, rows)
