"""Lab 07: what its notebook shows, what its prediction is compared with, and its page to take away."""

from gainlib.audio import GainlibError
from gainlib.notebook.panels.page import Page
from gainlib.words import Table, level_text, number_text

PAGE = Page(
    title="Working range and level-matched bypass",
    question="How hot do I feed it, and is it better or just louder?",
    minutes=80,
    lessons="two lessons of 45 minutes",
)

CHOICES = {1.0: "about 1 % as well", 4.0: "about 4 %", 11.0: "about 11 %", 50.0: "about 50 %"}
LEVELS_DBFS = (-30.0, -18.0, -6.0)
SATURATING, LINEAR = "symmetrical saturation", "high-pass filter"


def panel(name: str, learner):
    """Return the lab's panel."""
    from gainlib.notebook.panels.drivebench import DriveBench

    if name != "drive":
        raise GainlibError(f"lab 07 has no panel {name!r}; it has 'drive'")
    return DriveBench()


def exercise_panel(exercise, given: dict, learner):
    """Return the readings, the strip or the listening tests an exercise is answered from, or None."""
    if exercise.id == "07-1":
        from gainlib.notebook.panels.stemview import StemView

        return StemView(given)
    if exercise.id == "07-4":
        from gainlib.notebook.panels.threestages import ThreeStagesPanel

        return ThreeStagesPanel(given)
    if exercise.id == "07-5":
        from gainlib.notebook.panels.blind import Listening
        from gainlib.notebook.panels.preferring import PreferenceRun, StageRun

        first, second = exercise.parts[:2]
        return Listening({first.label: PreferenceRun(given), second.label: StageRun(given)})
    return None


def compare():
    """Return distortion and gain of a saturating stage and of a filter, fed three ways.

    Returns
    -------
    outcome : str
        The choice that comes nearest.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.exercises.working_range import bench
    from gainlib.notebook.figures.drive import percent_text

    rows, thd = [], {}
    for box in (SATURATING, LINEAR):
        curve = bench.curve(box)
        for level in LEVELS_DBFS:
            at = list(curve.level_dbfs).index(level)
            thd[box, level] = curve.thd_percent[at]
            row = (box, level_text(level, "dBFS", 0), percent_text(curve.thd_percent[at]))
            rows.append((*row, number_text(curve.gain_db[at], 2, sign=True)))
    hot = thd[SATURATING, -6.0]
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about - hot))]
    sentence = (
        f"Fed 12 dB hotter, the stage goes from {percent_text(thd[SATURATING, -18.0])} to **{percent_text(hot)}**, and "
        "its fundamental sags. While distortion is small its share grows 2 dB per dB, which would be sixteenfold; up "
        "here the curve has begun to level off. The filter does the same at every level."
    )
    heads = ("box", "fed", "THD", "gain of the fundamental (dB)")
    return outcome, sentence, Table("A sine through two boxes", heads, tuple(rows))
