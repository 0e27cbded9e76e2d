"""What the pictures of the labs are made of: arrays in, matplotlib artists out.

A drawing is made once on its axes, changed with ``update(…)`` and shown through
:class:`gainlib.notebook.live.LiveFigure`. It holds ``artists`` and can say what it shows: ``sentence()``, ``table()``.

Modules
-------
palette
    The colours, and the marker, line style and hatch that go with each.
axes
    A figure pyplot does not know; decibel, time and full-scale axes.
meters
    Level bars.
bus
    The mix bus: who makes its peaks, and what each source's absence would change.
waves
    A signal from end to end: its waveform and its levels.
drive, inout
    A box at every level: static curve, distortion and gain; spectrum and waves of what goes in and comes out.
diagram
    Levels along a chain, between noise and ceiling.
"""

from gainlib.notebook.figures.axes import db_axis, frame, full_scale_axis, make_figure, time_axis
from gainlib.notebook.figures.bus import Contributions
from gainlib.notebook.figures.diagram import LevelDiagram
from gainlib.notebook.figures.drive import DriveCurves, TransferCurve
from gainlib.notebook.figures.meters import MeterBars
from gainlib.notebook.figures.palette import FILLS, INK, LINES, Fill, Line, fill, line
from gainlib.notebook.figures.spectrum import Spectrum, WavePair
from gainlib.notebook.figures.waves import Envelope, LevelHistogram

__all__ = [
    "FILLS",
    "INK",
    "LINES",
    "Contributions",
    "DriveCurves",
    "Envelope",
    "Fill",
    "LevelDiagram",
    "LevelHistogram",
    "Line",
    "MeterBars",
    "Spectrum",
    "TransferCurve",
    "WavePair",
    "db_axis",
    "fill",
    "frame",
    "full_scale_axis",
    "line",
    "make_figure",
    "time_axis",
]
