"""Small folders of stems and chains for the tests of sheets, staged stems and the command line."""

import numpy as np

from gainlib.audio import Audio, write

RATE = 48000
SECONDS = 1.5

CHAINS = """\
[stems.kick]
inserts = [{box = "filter", frequency = 30}, {box = "saturation", drive = 2}]

[stems.bass]
inserts = [{box = "black box", reference = -20}]
fader = -8

[stems."vocal*"]
inserts = ["compressor"]
sends = {echo = -12}
pan = -0.2
fader = 9

[stems."guitar é"]
group = "strings"
inverted = true
pan = 0.3

[stems."tom *"]
group = "drums"

[stems."*"]

[groups.echo]
inserts = [{box = "delay", time = 50}]

[groups.strings]
inserts = ["filter"]
fader = -5

[groups.drums]
inserts = ["compressor"]
"""


def samples(kind, seconds=SECONDS, rate=RATE):
    """Return a made-up stem, shape (frames, channels)."""
    time_s = np.arange(round(seconds * rate))[:, np.newaxis] / rate
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * 1.3 * time_s)
    noise = np.random.default_rng(7).standard_normal((len(time_s), 1))
    return {
        "kick": 0.8 * np.sin(2 * np.pi * 60 * time_s) * np.exp(-(time_s % 0.5) / 0.1),
        "bass": 0.4 * np.sin(2 * np.pi * 110 * time_s) * swell,
        "vocal": 0.02 * np.sin(2 * np.pi * 440 * time_s) * swell + 0.06,
        "guitar": 0.3 * np.sin(2 * np.pi * np.array([330.0, 332.0]) * time_s),
        "tom": 0.5 * np.sin(2 * np.pi * 120 * time_s) * np.exp(-(time_s % 0.7) / 0.15),
        "hat": 0.05 * noise * np.exp(-(time_s % 0.25) / 0.03),
    }[kind]


def make(folder):
    """Write six stems of various formats into a new folder; return it and the path of a chains file beside it."""
    folder.mkdir()
    for name, kind, subtype in (
        ("kick.wav", "kick", "PCM_24"),
        ("bass.flac", "bass", "PCM_16"),
        ("vocal.wav", "vocal", "PCM_16"),
        ("guitar é.wav", "guitar", "FLOAT"),
        ("tom 1.wav", "tom", "PCM_24"),
        ("hat.aiff", "hat", "PCM_24"),
    ):
        write(folder / name, Audio(samples(kind), RATE), subtype)
    chains = folder.parent / "chains.toml"
    chains.write_text(CHAINS, encoding="utf-8")
    return folder, chains


def energy_db(array):
    """Return 10·log10 of the sum of squares."""
    power = float(np.sum(np.asarray(array, dtype=float) ** 2))
    return 10 * np.log10(power) if power else -np.inf
