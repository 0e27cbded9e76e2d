"""The drawings by the name an experiment calls them: made on axes, changed with ``update``, told in words."""

import importlib

from gainlib.audio import GainlibError

KINDS = {
    "transfer": ("drive", "TransferCurve"),
    "drive": ("drive", "DriveCurves"),
    "reduction": ("reduction", "ReductionTrace"),
    "levels": ("reduction", "LevelPair"),
    "spectrum": ("spectrum", "Spectrum"),
    "waves": ("spectrum", "WavePair"),
    "meters": ("needle", "MeterRows"),
    "needle": ("needle", "NeedleTrace"),
    "crest": ("crest", "CrestCurve"),
    "blocks": ("blocks", "BlockBars"),
    "take": ("take", "TakeWave"),
    "out against in": ("blackbox", "OutAgainstIn"),
    "residuals": ("blackbox", "Residuals"),
    "peak waves": ("peaks", "PeakWaves"),
    "bus meters": ("peaks", "BusMeters"),
    "contributions": ("bus", "Contributions"),
    "envelope": ("waves", "Envelope"),
    "histogram": ("waves", "LevelHistogram"),
    "bars": ("meters", "MeterBars"),
    "diagram": ("diagram", "LevelDiagram"),
    "faders and changes": ("strips", "FadersAndChanges"),
    "fader law": ("travel", "LawCurve"),
    "fader slope": ("travel", "SlopeCurve"),
    "hits": ("travel", "Hits"),
    "laid law": ("law_fit", "LaidLaw"),
    "levels along a strip": ("strips", "TapLadder"),
    "curves": ("curves", "Curves"),
    "routing": ("routing", "RoutingGraph"),
    "safe times": ("exposure", "SafeTimes"),
}
"""Module of :mod:`gainlib.notebook.figures` and class of every kind of plot."""


def drawing(kind: str, *axes, **options):
    """Return a drawing of that kind on its axes; an unknown kind is refused with those there are."""
    if kind not in KINDS:
        raise GainlibError(f"there is no plot {kind!r}; there is {', '.join(KINDS)}")
    module, name = KINDS[kind]
    return getattr(importlib.import_module(f"gainlib.notebook.figures.{module}"), name)(*axes, **options)
