"""What the questions about working ranges and matched bypass play, measure and draw.

- ``trims``: stems at a drawn level, to be trimmed by their readings; a percussive stem with two limits.
- ``stages``: three stages in a row, each fed at its own reference and matched to its bypass.
- ``bench``: a stem, a trim, a box and an output gain, for the experiment; ``spectra`` and ``wholestem`` are
  part of it.
- ``runs``: a preference between two equal sounds, and a blind run of a stage against its bypass.
"""
