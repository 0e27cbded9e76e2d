"""Lab 02: what its notebook shows, what its prediction is compared with, and its page to take away."""

from gainlib.notebook.panels.page import Page
from gainlib.words import Table, level_text, number_text

PAGE = Page(
    title="Meters",
    question="Which meter answers which question?",
    minutes=60,
    lessons="two lessons of 45 minutes",
)

CHOICES = {"0 VU": 0.0, "about −3 VU": -3.0, "about −11 VU": -11.0, "under −20 VU": -25.0}


def panel(name: str, learner):
    """Return the lab's panel."""
    from gainlib.audio import GainlibError
    from gainlib.notebook.panels.meterbench import MeterBench

    if name != "meters":
        raise GainlibError(f"lab 02 has no panel {name!r}; it has 'meters'")
    return MeterBench()


def exercise_panel(exercise, given: dict, learner):
    """Return the readings an exercise is about, or None."""
    from gainlib.notebook.panels.takeview import TakeView

    return TakeView(given) if exercise.id == "02-1" else None


def compare():
    """Return how high the needle swings for bursts of every length.

    Returns
    -------
    outcome : str
        The choice that the measurement bears out.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.exercises.metering import bench
    from gainlib.notebook.panels.meterbench import seconds_text

    seen = bench.bursts()
    burst, steady = seen[bench.PREDICTED_BURST_S], seen[bench.STEADY]
    outcome = min(CHOICES, key=lambda choice: abs(CHOICES[choice] - burst.needle_max_vu))
    sentence = (
        f"The burst of {seconds_text(bench.PREDICTED_BURST_S)} has its highest sample at "
        f"{level_text(burst.sample_peak_dbfs, 'dBFS')}, like the steady tone. The needle swings up to "
        f"**{level_text(burst.needle_max_vu, 'VU')}**, for the steady tone to "
        f"{level_text(steady.needle_max_vu, 'VU')}. The movement needs 300 ms to get there, and a burst that is over "
        "sooner never lets it arrive."
    )
    rows = tuple(
        (
            seconds_text(length),
            number_text(each.sample_peak_dbfs, sign=True),
            number_text(each.needle_max_vu, sign=True),
            number_text(each.momentary_max_lufs, sign=True),
        )
        for length, each in seen.items()
    )
    heads = ("burst", "sample peak (dBFS)", "needle, highest (VU)", "loudest 400 ms (LUFS)")
    return outcome, sentence, Table("A 1 kHz tone at −18 dBFS, where 0 VU is", heads, rows)
