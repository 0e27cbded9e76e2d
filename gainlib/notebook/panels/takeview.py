"""The panel of the exercise on the crest factor: a take, and the readings its crest factor follows from."""

from gainlib.exercises.metering import takes
from gainlib.notebook import figures
from gainlib.notebook.figures.take import TakeWave
from gainlib.notebook.panels.views import ReadingsView
from gainlib.words import Table, level_text, number_text

PICTURE_PX = (840, 230)


class TakeView(ReadingsView):
    """A take with its readings.

    Parameters
    ----------
    given : dict
        Values of the variant, see :class:`gainlib.exercises.metering.takes.Takes`.
    """

    def __init__(self, given: dict):
        audio = takes.take(given)
        fig = figures.make_figure(*PICTURE_PX)
        wave = TakeWave(fig.subplots(), audio.samples[:, 0], audio.rate_hz, given["offset"])
        super().__init__(fig, [wave], "The take from end to end", readings_table(given))


def readings_table(given: dict) -> Table:
    """Return the readings of a take as they are shown.

    Parameters
    ----------
    given : dict
        Values of the variant.

    Returns
    -------
    Table
    """
    rows = (
        ("highest sample, full scale = 1", number_text(given["highest"], 3, sign=True)),
        ("lowest sample, full scale = 1", number_text(given["lowest"], 3, sign=True)),
        ("offset: mean of all samples, full scale = 1", number_text(given["offset"], 3, sign=True)),
        ("sample peak, offset included", level_text(takes.peak_dbfs(given), "dBFS", 2)),
        ("RMS, offset taken off, a full-scale sine reads 0", level_text(given["rms_dbfs"], "dBFS", 2)),
    )
    return Table("What the meters read", ("reading", "value"), rows)
