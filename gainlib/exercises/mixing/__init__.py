"""What exercises on mixes draw, render and measure.

- ``refrain``: the refrain of the demo song as a mix.
- ``near_unity``: faders handed over to the output trims, and the sends ahead of them.
- ``measured_fader``: a fader somebody measured.
"""
