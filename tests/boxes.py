"""Boxes of every kind with random settings, the verdict each deserves, and what two of them in a row deserve.

The verdicts follow from the equations alone: a convolution or a gain that moves with the clock obeys superposition; a
dithered quantiser adds a noise that does not depend on what it is fed (Lipshitz, Wannamaker, Vanderkooy, "Quantization
and Dither", JAES 40(5), 1992), an undithered one does not; a clip, a limiter and a compressor without a knee are wires
up to their ceiling or threshold (Giannoulis, Massberg, Reiss, JAES 60(6), 2012, eq. 2); whatever bends has no such
level.
"""

from dataclasses import dataclass

import numpy as np

from gainlib.audio import Audio
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

LINEAR, TIME_VARYING, NOISY, UP_TO, NONLINEAR = (
    "linear",
    "linear, time-varying",
    "linear plus noise or offset",
    "linear up to a level",
    "nonlinear",
)
FILTERS = ("highpass", "lowpass", "peaking", "lowshelf", "highshelf")


def between(rng, low, high):
    return float(rng.uniform(low, high))


def octaves(rng, low, high):
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def seed(rng):
    return int(rng.integers(1000))


def compressor(rng, knee_db):
    times = between(rng, 0.0, 0.05), between(rng, 0.03, 0.5)
    return Compressor(between(rng, -36, -6), octaves(rng, 1.5, 20), knee_db, *times, between(rng, -6, 12))


def gate(rng):
    times = between(rng, 0.0, 0.01), between(rng, 0.0, 0.08), between(rng, 0.02, 0.3)
    return Gate(between(rng, -52, -12), between(rng, 0, 8), between(rng, 6, 80), *times)


DRAWS = {
    "Filter": (
        LINEAR,
        lambda rng: Filter(
            str(rng.choice(FILTERS)), octaves(rng, 30, 15000), octaves(rng, 0.4, 4), between(rng, -15, 15)
        ),
    ),
    "Delay": (LINEAR, lambda rng: Delay(between(rng, 0.0, 0.05) * float(rng.choice([0.1, 1.0, 10.0])))),
    "Reverb": (
        LINEAR,
        lambda rng: Reverb(octaves(rng, 0.1, 1.2), between(rng, -20, 0), bool(rng.random() < 0.5), seed(rng)),
    ),
    "Polarity": (LINEAR, lambda rng: Polarity()),
    "DCBlock": (LINEAR, lambda rng: DCBlock(octaves(rng, 1, 40))),
    "Tremolo": (TIME_VARYING, lambda rng: Tremolo(octaves(rng, 0.3, 15), between(rng, 0.05, 1.0))),
    "Quantiser, dithered": (NOISY, lambda rng: Quantiser(int(rng.integers(4, 25)), "tpdf", seed(rng))),
    "AnalogueStage": (NOISY, lambda rng: AnalogueStage(between(rng, -95, -60), between(rng, 4, 16), seed(rng))),
    "HardClip": (UP_TO, lambda rng: HardClip(between(rng, -36, 0))),
    "Compressor, no knee": (UP_TO, lambda rng: compressor(rng, 0.0)),
    "Limiter": (UP_TO, lambda rng: Limiter(between(rng, -36, 0), octaves(rng, 5e-4, 5e-3), between(rng, 0.02, 0.3))),
    "Saturation": (NONLINEAR, lambda rng: Saturation(octaves(rng, 0.3, 12))),
    "AsymmetricSaturation": (
        NONLINEAR,
        lambda rng: AsymmetricSaturation(octaves(rng, 0.3, 8), float(rng.choice([-1, 1])) * between(rng, 0.05, 0.8)),
    ),
    "Tape": (
        NONLINEAR,
        lambda rng: Tape(octaves(rng, 0.5, 6), between(rng, -75, -55) if rng.random() < 0.5 else None, seed(rng)),
    ),
    "Gate": (NONLINEAR, gate),
    "Compressor, knee": (NONLINEAR, lambda rng: compressor(rng, between(rng, 2, 12))),
    "Quantiser, undithered": (NONLINEAR, lambda rng: Quantiser(int(rng.integers(3, 25)))),
}


def limit_dbfs(box):
    """Return the peak level of a sine up to which a box is a wire, from its own settings."""
    if isinstance(box, Compressor):
        return box.threshold_dbfs - box.knee_db / 2
    return box.ceiling_dbfs if isinstance(box, HardClip) else box.ceiling_dbtp


# ---- two in a row ----------------------------------------------------------------------------------------------------

# Milder settings: what stands first may raise peaks by a few decibels, and noise stays well under every threshold.
IN_PAIRS = DRAWS | {
    "Filter": (
        LINEAR,
        lambda rng: Filter(str(rng.choice(FILTERS)), octaves(rng, 60, 9000), 0.7071, between(rng, -6, 6)),
    ),
    "Delay": (LINEAR, lambda rng: Delay(between(rng, 0.0, 0.02))),
    "Reverb": (LINEAR, lambda rng: Reverb(octaves(rng, 0.1, 0.6), between(rng, -20, -8), True, seed(rng))),
    "Tremolo": (TIME_VARYING, lambda rng: Tremolo(octaves(rng, 1, 12), between(rng, 0.1, 0.6))),
    "Quantiser, dithered": (NOISY, lambda rng: Quantiser(int(rng.integers(14, 25)), "tpdf", seed(rng))),
    "AnalogueStage": (NOISY, lambda rng: AnalogueStage(between(rng, -95, -75), 16.0, seed(rng))),
    "Gate": (NONLINEAR, lambda rng: Gate(between(rng, -52, -30), between(rng, 0, 8), between(rng, 6, 60))),
    "HardClip": (UP_TO, lambda rng: HardClip(between(rng, -24, -9))),
    "Limiter": (UP_TO, lambda rng: Limiter(between(rng, -24, -9))),
    "Compressor, no knee": (UP_TO, lambda rng: Compressor(between(rng, -24, -12), octaves(rng, 2, 8), 0.0)),
    "Compressor, knee": (
        NONLINEAR,
        lambda rng: Compressor(between(rng, -24, -12), octaves(rng, 2, 8), between(rng, 3, 8)),
    ),
    "Saturation": (NONLINEAR, lambda rng: Saturation(octaves(rng, 1, 8))),
    "AsymmetricSaturation": (NONLINEAR, lambda rng: AsymmetricSaturation(octaves(rng, 1, 4), between(rng, 0.1, 0.6))),
}
LEVELLERS = {"HardClip", "Limiter", "Compressor, no knee", "Compressor, knee"}
SOFT_APART_DB = 4.0


@dataclass(frozen=True)
class Chain:
    """Processors in a row, as a function of samples and rate."""

    boxes: tuple

    def __call__(self, samples, rate_hz):
        audio = Audio(samples, rate_hz)
        for box in self.boxes:
            audio = box.process(audio)
        return audio.samples


def pair_kinds(names, boxes):
    """Return the verdicts that two boxes in a row may get; empty where the equations leave it open.

    The graver of the two rules, with two exceptions. Where a knee and a ceiling meet, the one that sets in first
    decides. And beside noise an undithered quantiser may count as noise: noise ahead of it is a dither, noise behind it
    hides what it does.
    """
    order = (LINEAR, TIME_VARYING, NOISY, UP_TO, NONLINEAR)
    graver = max((DRAWS[name][0] for name in names), key=order.index)
    if set(names) <= LEVELLERS and "Compressor, knee" in names:
        knees = [limit_dbfs(box) for name, box in zip(names, boxes, strict=True) if name == "Compressor, knee"]
        corners = [limit_dbfs(box) for name, box in zip(names, boxes, strict=True) if name != "Compressor, knee"]
        if corners and abs(min(knees) - min(corners)) < SOFT_APART_DB:
            return ()
        return (NONLINEAR,) if not corners or min(knees) < min(corners) else (UP_TO,)
    if "Quantiser, undithered" in names and {"Quantiser, dithered", "AnalogueStage"} & set(names):
        return NOISY, NONLINEAR
    return (graver,)


def label(box):
    """Return what a box is called in the list of tests; plain functions have no lasting name."""
    return str(box) if hasattr(box, "process") else None
