"""What a panel has and what it leaves out; apart from the panel, so that a lab can say so before one is made."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Look:
    """What a bus panel has besides faders, meters and peaks.

    Parameters
    ----------
    switch : bool
        The switch between a floating-point and a fixed-point bus.
    master : bool
        The master fader.
    mutes : bool
        Mute and solo.
    without : bool
        The table of what the bus would read without each strip.
    overview : bool
        Waveform and levels from end to end.
    listening : bool
        Before and after, matched in loudness.
    """

    switch: bool = True
    master: bool = True
    mutes: bool = True
    without: bool = True
    overview: bool = True
    listening: bool = True
