"""Plots by type: arrays in, matplotlib artists out.

A plot is made once on its axes, changed with ``update(…)`` and shown through
:class:`gainlib.notebook.live.LiveFigure`. It holds ``artists`` and can say what it shows: ``sentence()``, ``table()``.
An experiment names its plots by kind, see :data:`KINDS`.

Modules
-------
palette, axes, parts
    Colours with the marker, line style and hatch that go with each; figures and axes; what plots are put together from.
lines, transfer, travel
    Curves; what a box does at each level; a fader's law and where a hand lands.
bars, strips, histogram
    Meters lying under each other; strips under each other; upright bars.
waves, contributions, diagram
    Waveforms; the worst peaks of a bus; levels along a signal's way.
"""

from gainlib.audio import GainlibError
from gainlib.notebook.figures.axes import frame, make_figure
from gainlib.notebook.figures.bars import Bars, BusMeters, Contributions, PeakWaves, TapLadder
from gainlib.notebook.figures.diagrams import FadersAndChanges, LevelDiagram, RoutingGraph
from gainlib.notebook.figures.histogram import BlockBars, LevelHistogram
from gainlib.notebook.figures.lines import Curves, LevelPair, ReductionTrace, SafeTimes, Spectrum, WavePair
from gainlib.notebook.figures.palette import fill, line
from gainlib.notebook.figures.transfer import DriveCurves, OutAgainstIn, Residuals, TransferCurve
from gainlib.notebook.figures.travel import Hits, LaidLaw, LawCurve, SlopeCurve
from gainlib.notebook.figures.waves import CrestCurve, Envelope, NeedleTrace, TakeWave

KINDS = {
    "transfer": TransferCurve,
    "drive": DriveCurves,
    "reduction": ReductionTrace,
    "levels": LevelPair,
    "spectrum": Spectrum,
    "waves": WavePair,
    "meters": Bars,
    "needle": NeedleTrace,
    "crest": CrestCurve,
    "blocks": BlockBars,
    "take": TakeWave,
    "out against in": OutAgainstIn,
    "residuals": Residuals,
    "peak waves": PeakWaves,
    "bus meters": BusMeters,
    "contributions": Contributions,
    "envelope": Envelope,
    "histogram": LevelHistogram,
    "diagram": LevelDiagram,
    "faders and changes": FadersAndChanges,
    "fader law": LawCurve,
    "fader slope": SlopeCurve,
    "hits": Hits,
    "laid law": LaidLaw,
    "levels along a strip": TapLadder,
    "curves": Curves,
    "routing": RoutingGraph,
    "safe times": SafeTimes,
}
"""The plots by the name an experiment calls them."""


def drawing(kind: str, *axes, **options):
    """Return a plot of that kind on its axes; an unknown kind is refused with those there are."""
    if kind not in KINDS:
        raise GainlibError(f"there is no plot {kind!r}; there is {', '.join(KINDS)}")
    return KINDS[kind](*axes, **options)


__all__ = ["KINDS", "drawing", "fill", "frame", "line", "make_figure"]
