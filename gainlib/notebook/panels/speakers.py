"""Left, right, both, and out of polarity: whether two loudspeakers or headphones are connected as they should be."""

from functools import cache

import numpy as np

from gainlib.audio import Audio
from gainlib.meters import rms_dbfs
from gainlib.notebook.errors import Panel
from gainlib.notebook.live import TableView
from gainlib.notebook.prose import prose
from gainlib.signals import pink_noise
from gainlib.words import Table, number_text

NOISE_DBFS, NOISE_S = -20.0, 4.0
SIDES = {"left": (1, 0), "right": (0, 1), "both": (1, 1), "out of polarity": (1, -1)}
WANTED = {
    "left": "only from the left",
    "right": "only from the right",
    "both": "from the middle, firm",
    "out of polarity": "from nowhere, thin in the bass",
}
TEXT = """
**Turn the amplifier or the headphones down first**, then press Play and come up slowly. Go through the four; keys 1 to
4 switch.

- *both* thin and *out of polarity* firm: one loudspeaker has its two wires swapped. Mend it with the amplifier off.
- *left* comes from the right: the cables, or the earpieces, are exchanged.
"""


@cache
def sources() -> dict[str, Audio]:
    """Return pink noise on the left, on the right, on both, and on both with one side inverted."""
    noise = pink_noise(NOISE_DBFS, NOISE_S, seed=3)
    return {
        name: Audio((noise.samples * np.array(gains, float)).astype(np.float32), noise.rate_hz, name)
        for name, gains in SIDES.items()
    }


class SpeakerCheck(Panel):
    """A player with the four, what each should sound like, and what meters read for those who cannot listen."""

    def __init__(self):
        from gainlib.notebook.listen import Player

        self.player = Player(dict(sources()), note="Pink noise. All four are equally loud.")
        super().__init__(prose(TEXT), self.player, TableView(table()))
        self.add_class("gl-form")


def table() -> Table:
    """Return what each should sound like, and its RMS left, right and as the two added to one."""
    rows = []
    for name, audio in sources().items():
        left, right = (Audio(audio.samples[:, [k]], audio.rate_hz) for k in (0, 1))
        total = Audio(audio.samples.mean(axis=1, keepdims=True), audio.rate_hz)
        rows.append((name, WANTED[name], *(number_text(rms_dbfs(each)) for each in (left, right, total))))
    heads = ("source", "should sound", "left", "right", "half the sum of both")
    return Table("Cannot listen? What meters read, in dBFS RMS", heads, tuple(rows))
