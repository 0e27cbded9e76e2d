"""What the exercises on mixes draw, render and measure; the declarations stand in the bank.

- ``refrain``: the refrain of the demo song as a mix, and its readings.
- ``loud_source``: one source alone makes the bus clip.
- ``all_faders``: everything has to come down together.
- ``setups``: ten ways to clip, of which the master fader cures some.
"""
