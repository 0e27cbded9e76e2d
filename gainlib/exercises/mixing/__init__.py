"""What the exercises on mixes draw, render and measure; the declarations stand in the bank.

- ``refrain``: the refrain of the demo song as a mix, and its readings.
- ``loud_source``: one source alone makes the bus clip.
- ``all_faders``: everything has to come down together.
- ``near_unity``: faders handed over to the post trims, and the sends ahead of them.
- ``measured_fader``: a fader somebody measured.
- ``setups``: ten ways to clip, of which the master fader cures some.
"""
