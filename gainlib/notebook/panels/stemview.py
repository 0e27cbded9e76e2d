"""A stem at its level: waveform and readings, to work out a trim from."""

from gainlib.exercises.mixing.refrain import short_name
from gainlib.exercises.working_range import trims
from gainlib.notebook import figures
from gainlib.notebook.panels.views import ReadingsView
from gainlib.words import Table, level_text

PICTURE_PX = (840, 210)


class StemView(ReadingsView):
    """A stem with its readings.

    Parameters
    ----------
    given : dict
        Values of the variant, see :class:`gainlib.exercises.working_range.trims.LevelledStems`.
    """

    def __init__(self, given: dict):
        audio = trims.levelled(given)
        low, high = figures.envelope_of(audio.samples)
        fig = figures.make_figure(*PICTURE_PX)
        limit = max(1.1, 1.1 * float(max(high.max(), -low.min())))
        wave = figures.Envelope(fig.subplots(), audio.duration_s, limit, title=short_name(given["stem"]).capitalize())
        wave.update(low, high, int((abs(audio.samples) > 1.0).sum()))
        super().__init__(fig, [wave], "The stem from end to end", readings_table(given))


def readings_table(given: dict) -> Table:
    """Return the readings of a stem as they are shown.

    Parameters
    ----------
    given : dict
        Values of the variant.

    Returns
    -------
    Table
    """
    rows = (
        ("sample peak", level_text(given["peak"], "dBFS")),
        ("RMS of the whole file", level_text(given["whole"], "dBFS")),
        ("active level: where something plays", level_text(given["active"], "dBFS")),
    )
    return Table("What the meters read", ("reading", "value"), rows)
