"""How many times faster than real time each processor runs: ``python tests/benchmarks/processors.py``.

Stereo, 48 kHz, 64-bit, in blocks of 16384 frames as a session renders. Two clocks: seconds of this process's own work
(``cpu``), which a busy machine does not change much, and seconds on the wall. The best of some runs counts. "wanted" is
the least that is asked of each; one that falls short of it on the first clock ends the run with status 1.
"""

import argparse
import sys
import time

import numpy as np
from scipy import signal

from gainlib import processors
from gainlib.audio import Audio

RATE_HZ = 48000
BLOCK_FRAMES = 16384
# 100 for memoryless stages and dynamics, 30 for tape and limiter; nothing was asked of the rest.
CASES = [
    ("Saturation", {}, 100),
    ("Saturation", {"drive": 10.0}, 100),
    ("AsymmetricSaturation", {}, 100),
    ("HardClip", {"ceiling_dbfs": 0.0}, 100),
    ("HardClip", {"ceiling_dbfs": -15.0}, 100),
    ("AnalogueStage", {}, 100),
    ("Quantiser", {}, 100),
    ("Quantiser", {"dither": "tpdf"}, 100),
    ("Polarity", {}, 100),
    ("Compressor", {}, 100),
    ("Gate", {}, 100),
    ("Limiter", {"ceiling_dbtp": -12.0}, 30),
    ("Tape", {}, 30),
    ("Tape", {"drive": 5.0, "hiss_dbfs": -62.0}, 30),
    ("Filter", {}, None),
    ("DCBlock", {}, None),
    ("Tremolo", {}, None),
    ("Delay", {"time_s": 0.01}, None),
    ("Delay", {"time_s": 0.0101}, None),
    ("Reverb", {}, None),
]


def material(seconds: float) -> Audio:
    """Return made-up stereo material: pink-like noise in swells, peaks near 0 dBFS, with content up to the top."""
    rng = np.random.default_rng(1)
    frames = int(seconds * RATE_HZ)
    noise = signal.lfilter([0.05], [1, -0.95], rng.standard_normal((frames, 2)), axis=0)
    noise += 0.02 * rng.standard_normal((frames, 2))
    noise *= (0.2 + np.abs(np.sin(np.arange(frames) / RATE_HZ * 3.0)))[:, np.newaxis]
    return Audio(noise * (0.95 / np.abs(noise).max()), RATE_HZ)


def once(processor, audio: Audio) -> tuple[float, float]:
    """Return the seconds of work and of the wall that one run takes."""
    wall, cpu = time.perf_counter(), time.process_time()
    run = processor.stream(audio.rate_hz, audio.channels)
    for block in audio.blocks(BLOCK_FRAMES):
        run.push(block)
    run.flush()
    return time.process_time() - cpu, time.perf_counter() - wall


def main() -> int:
    """Time them all, print a table, and return 1 if one is too slow."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--runs", type=int, default=3)
    options = parser.parse_args()
    audio, slow = material(options.seconds), []
    print(f"{options.seconds:g} s stereo, {RATE_HZ} Hz; times real time, best of {options.runs}")
    print(f"{'processor':52} {'cpu':>8} {'wall':>8} {'wanted':>8}")
    for name, settings, wanted in CASES:
        processor = processors.named(name)(**settings)
        once(processor, material(0.5))
        cpu, wall = (
            options.seconds / min(each)
            for each in zip(*(once(processor, audio) for _ in range(options.runs)), strict=True)
        )
        label = f"{name}({', '.join(f'{key}={value!r}' for key, value in settings.items())})"
        print(f"{label:52} {cpu:8.0f} {wall:8.0f} {wanted or '':>8}")
        if wanted and cpu < wanted:
            slow.append(label)
    for label in slow:
        print(f"too slow: {label}", file=sys.stderr)
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
