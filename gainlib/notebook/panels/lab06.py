"""Lab 06: what its notebook shows, what its prediction is compared with, and its page to take away."""

from gainlib.notebook.panels.page import Page
from gainlib.words import Table, level_text, number_text

PAGE = Page(
    title="Linear or nonlinear?",
    question="Does this box care how loud I feed it?",
    minutes=60,
    lessons="two lessons of 45 minutes",
)

CHOICES = {"one": 1, "two": 2, "three": 3, "five": 5, "all eight": 8}


def panel(name: str, learner):
    """Return the lab's panel."""
    import numpy as np

    from gainlib.audio import GainlibError
    from gainlib.exercises.linearity import boxes
    from gainlib.exercises.variants import seed_for
    from gainlib.notebook.panels.boxbench import BoxBench

    if name != "boxes":
        raise GainlibError(f"lab 06 has no panel {name!r}; it has 'boxes'")
    rng = np.random.Generator(np.random.PCG64(seed_for(learner.name, "06 panel", 0, learner.class_code)))
    return BoxBench(boxes.experiment(rng), listen=True)


def exercise_panel(exercise, given: dict, learner):
    """Return the boxes or the readings an exercise is answered from, or None."""
    from gainlib.exercises.linearity import boxes, tasks
    from gainlib.notebook.live import TableView
    from gainlib.notebook.panels.boxbench import BoxBench

    if exercise.id == "06-1":
        return BoxBench({letter: boxes.box(name) for letter, name in tasks.lettered(given["boxes"]).items()})
    if exercise.id == "06-2":
        return TableView(residual_table(given))
    if exercise.id == "06-3":
        return BoxBench({"Y": tasks.limited_box(given)})
    return TableView(noise_table(given)) if exercise.id == "06-4" else None


def residual_table(given: dict) -> Table:
    """Return the readings of the exercise on a residual."""
    from gainlib.exercises.linearity.tasks import READ_RESIDUAL

    what = (
        "output at a, divided by the gain of a",
        "difference: output at b divided by the gain of b, less output at a divided by the gain of a",
        "difference: output at b, less output at a",
        "difference: output at b times the gain of b, less output at a times the gain of a",
    )
    rows = tuple((text, number_text(given[name], 3)) for text, name in zip(what, READ_RESIDUAL, strict=True))
    return Table("What was measured, once settled", ("RMS of the", "thousandths of full scale"), rows)


def noise_table(given: dict) -> Table:
    """Return the readings of the exercise on noise."""
    rows = (
        ("mean of all samples", number_text(given["offset"], 3)),
        ("RMS of all samples, the mean in it", number_text(given["all"], 3)),
    )
    return Table("Output with silence in", ("reading", "millionths of full scale"), rows)


def compare():
    """Return how many of eight boxes care, found by measurement.

    Returns
    -------
    outcome : str
        The choice that the measurement bears out.
    sentence : str
        Markdown.
    table : gainlib.words.Table
    """
    from gainlib.boxes import classify
    from gainlib.exercises.linearity import boxes

    found = {kind: classify(boxes.box(f"{kind} 2")) for kind in boxes.EIGHT}
    caring = [kind for kind, each in found.items() if each.kind in ("nonlinear", "linear up to a level")]
    outcome = next(choice for choice, count in CHOICES.items() if count == len(caring))
    sentence = (
        f"**{len(caring)} of {len(found)}** care how loud they are fed: {', '.join(caring)}. The tremolo moves by the "
        "clock and the hissing stage adds the same noise to everything; neither asks for the level."
    )
    rows = tuple(
        (kind, each.kind, "" if each.linear_up_to_dbfs is None else level_text(each.linear_up_to_dbfs, "dBFS"))
        for kind, each in found.items()
    )
    return outcome, sentence, Table("Eight boxes measured", ("box", "measured as", "up to"), rows)
