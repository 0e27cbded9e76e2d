"""What the questions about dynamics play, measure and draw.

- ``readings``: a bar of a stem through a drawn compressor, and what meters read on both sides.
- ``setting``: a compressor to be set by hand: reduction, match and peak.
- ``bench``: a stem, a drive, a compressor or a gate, and makeup, for the experiment.
"""
