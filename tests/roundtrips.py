"""Boxes, what happens to a recording on its way, and what each pair deserves: the matrix of the round trip.

What befalls a recording is made by scipy and libsndfile: a clock that is 50 ppm off by band-limited interpolation on a
finer grid, a delay by whole samples, rounding and noise by arithmetic, Vorbis by libsndfile's encoder.
"""

import io
from dataclasses import dataclass
from functools import cache

import numpy as np
import soundfile
from boxes import Chain
from scipy import signal

from gainlib.audio import Audio
from gainlib.boxes import classify, read_probe, working_range
from gainlib.boxes.linearity import AS_SHOWN, CANNOT_TELL, LEVEL_DEPENDENT, ROUNDED
from gainlib.boxes.probesignal import Layout
from gainlib.processors import (
    AnalogueStage,
    AsymmetricSaturation,
    Compressor,
    DCBlock,
    Delay,
    Filter,
    Gate,
    HardClip,
    Limiter,
    Polarity,
    Quantiser,
    Reverb,
    Saturation,
    Tape,
    Tremolo,
)

RATE_HZ = 48000
DELAY_S, GAIN_DB, NOISE_DBFS, PPM = 0.037, 3.0, -70.0, 50.0
NEAR_DB = 1.5

BOXES = {
    "wire": Delay(0.0),
    "bell +6 dB": Filter("peaking", 1000.0, 1.0, 6.0),
    "high-pass": Filter("highpass", 150.0),
    "delay": Delay(0.011),
    "polarity": Polarity(),
    "DC block": DCBlock(),
    "room": Reverb(0.3, -12.0),
    "tremolo": Tremolo(4.0, 0.5),
    "slow tremolo": Tremolo(0.5, 0.1),
    "hiss": AnalogueStage(-80.0, 16.0),
    "dithered 16 bit": Quantiser(16, "tpdf"),
    "16 bit": Quantiser(16),
    "12 bit": Quantiser(12),
    "clip −12": HardClip(-12.0),
    "limiter −15": Limiter(-15.0),
    "compressor, corner": Compressor(-20.0, 3.0, 0.0),
    "compressor, knee": Compressor(-20.0, 3.0, 6.0),
    "compressor, small knee": Compressor(-24.0, 1.5, 2.0),
    "saturation": Saturation(),
    "gentle saturation": Saturation(1.5),
    "slight saturation": Saturation(0.3),
    "asymmetric": AsymmetricSaturation(),
    "tape": Tape(),
    "tape with hiss": Tape(2.0, -62.0),
    "stage near its rail": AnalogueStage(-80.0, -6.0),
    "gate": Gate(-30.0),
    "bell, then saturation": Chain((Filter("peaking", 3000.0, 1.0, -6.0), Saturation(4.0))),
    "room, then compressor": Chain((Reverb(0.2, -12.0), Compressor(-18.0, 4.0, 0.0))),
}
LESS = {
    AS_SHOWN: ("linear", "linear plus noise or offset"),
    ROUNDED: ("linear", "linear plus noise or offset", "linear, time-varying"),  # that it sways has to be said
    LEVEL_DEPENDENT: ("nonlinear", "linear up to a level"),
}
HISSING = ("hiss", "tape with hiss", "stage near its rail")


def off_speed(line, ppm=PPM):
    """Return a line as a recorder hears it whose clock is fast: read off a grid 16 times as fine, by cubic pieces."""
    fine = signal.resample_poly(line, 16, 1, window=("kaiser", 14.0))
    at = 16.0 * np.arange(int(len(line) * (1.0 + ppm * 1e-6))) / (1.0 + ppm * 1e-6)
    first = np.clip(at.astype(int), 1, len(fine) - 3)
    part = at - first
    before, here, after, last = (fine[first + k] for k in (-1, 0, 1, 2))
    bend = (3.0 * (here - after) + last - before) / 2.0
    return (
        (bend * part + before - 2.5 * here + 2.0 * after - 0.5 * last) * part + (after - before) / 2.0
    ) * part + here


def coded(line, form="OGG", subtype="VORBIS", rate_hz=RATE_HZ):
    """Return a line through a lossy coder, cut to its length."""
    file = io.BytesIO()
    with soundfile.SoundFile(file, "w", rate_hz, 1, subtype, format=form) as encoder:
        for start in range(0, len(line), 32768):  # long pieces at once are too much for some encoders
            encoder.write(line[start : start + 32768])
    file.seek(0)
    return soundfile.read(file)[0]


def hissing(line, noise_dbfs=NOISE_DBFS):
    noise = np.random.default_rng(7).standard_normal(len(line))
    return line + noise * 10.0 ** ((noise_dbfs - 3.0103) / 20.0)


ON_THE_WAY = {
    "as it is": lambda line: line,
    "50 ppm": off_speed,
    "37 ms": lambda line: np.concatenate([np.zeros(round(DELAY_S * RATE_HZ)), line]),
    "+3 dB": lambda line: line * 10.0 ** (GAIN_DB / 20.0),
    "−3 dB": lambda line: line * 10.0 ** (-GAIN_DB / 20.0),
    "inverted": lambda line: -line,
    "16-bit word": lambda line: np.rint(line * 32768.0) / 32768.0,
    "noise −70": hissing,
    "coder": coded,
}


MOVING = {  # what a wire's gain does while it is recorded, in dB against time as a share of the recording
    "up by 0.1 dB": lambda share: 0.1 * share,
    "down by 0.3 dB": lambda share: -0.3 * share,
    "a step at 10 s": lambda share: -0.5 * (share > 10 / 53.9),
    "a step at 20 s": lambda share: -0.5 * (share > 20 / 53.9),
    "a step at 30 s": lambda share: -0.5 * (share > 30 / 53.9),
    "a step at 40 s": lambda share: -0.5 * (share > 40 / 53.9),
    "a slow sway": lambda share: 0.087 * np.sin(2.0 * np.pi * 0.02 * 53.9 * share),
}


def moving(line, how):
    """Return a line whose gain moves while it is recorded."""
    return line * 10.0 ** (MOVING[how](np.linspace(0.0, 1.0, len(line))) / 20.0)


TOGETHER = ("50 ppm", "37 ms", "+3 dB", "inverted", "noise −70", "16-bit word", "coder")


def all_together(line):
    for name in TOGETHER:
        line = ON_THE_WAY[name](line)
    return line


ON_THE_WAY["all together"] = all_together


@cache
def played():
    """Return the test file as it comes out of a 24-bit file."""
    return np.rint(Layout(RATE_HZ).samples() * 2.0**23) / 2.0**23


@cache
def through(name):
    """Return what a box makes of the test file."""
    box = BOXES[name]
    samples = played()[:, np.newaxis]
    return (box(samples, RATE_HZ) if isinstance(box, Chain) else box.process(Audio(samples, RATE_HZ)).samples)[:, 0]


@cache
def truth(name):
    """Return the kind, and the level it is good to be fed at, as found with the box at hand."""
    box = BOXES[name]

    def hidden(samples, rate_hz):  # without what it says of itself: a recording cannot know that
        return box(samples, rate_hz) if isinstance(box, Chain) else box.process(Audio(samples, rate_hz)).samples

    return classify(box).kind, working_range(hidden), getattr(box, "reference_dbfs", None)


@dataclass(frozen=True)
class Row:
    """One box on one way: what was read, and whether that is right, open or wrong."""

    box: str
    way: str
    report: object
    kind: str
    reference: str

    @property
    def wrong(self):
        return "wrong" in (self.kind, self.reference)


def trial(name, way):
    """Send a box's recording one way, read it, and compare with the truth."""
    report = read_probe(Audio(ON_THE_WAY[way](through(name))[:, np.newaxis], RATE_HZ, name))
    kind, working, built = truth(name)
    return Row(
        name, way, report, _judged_kind(name, report, kind), _judged_reference(name, report, kind, working, built)
    )


def _judged_kind(name, report, kind):
    """Judge a kind: of the three that say less than the box at hand shows, each is right for some boxes only."""
    linear = kind.startswith("linear") and kind != "linear up to a level"
    if report.linear not in (None, linear):
        return "wrong"
    if report.kind == CANNOT_TELL:
        return "open" if report.reason else "wrong"
    if (report.kind == ROUNDED and "sways" in report.reason) != (report.kind == ROUNDED and "varying" in kind):
        return "wrong"
    if report.kind in LESS:
        return "as shown" if kind in LESS[report.kind] or (report.kind, name) == (ROUNDED, "16 bit") else "wrong"
    return "right" if report.kind == kind else "wrong"


def _judged_reference(name, report, kind, working, built):
    """Judge a reference by the working range of the box at hand, or by what it is built for."""
    if report.reference_dbfs is None:
        none_is_right = working is None or (kind.startswith("linear") and "up to" not in kind)
        return "right" if none_is_right else "open" if report.range_reason else "wrong"
    wanted = [] if working is None else [working.best_dbfs]
    wanted += [] if built is None else [built]
    near = any(abs(report.reference_dbfs - each) <= NEAR_DB for each in wanted)
    # With hiss of its own two levels are good: one by noise and distortion together, one by distortion alone.
    inside = name in HISSING and working.low_dbfs <= report.reference_dbfs <= working.high_dbfs
    return "right" if near or inside else "wrong"


def cell(row):
    """Return a row in two letters: kind and reference, each right (+), as far as shown (~), open (?) or wrong (!)."""
    return "".join(
        {"right": "+", "as shown": "~", "open": "?", "wrong": "!"}[each] for each in (row.kind, row.reference)
    )
