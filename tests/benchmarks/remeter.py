"""How much sooner the remeter answers than summing and measuring: ``python tests/benchmarks/remeter.py``.

Both ways run in this one process, one after the other, on 16 stereo stems of 60 s at 48 kHz. The other way is what one
would write with general libraries: sum the stems with numpy, integrated loudness by pyloudnorm, true peak by
scipy's ``resample_poly`` eightfold.
"""

import argparse
import statistics
import time

import numpy as np
import pyloudnorm
from scipy import signal

from gainlib.audio import Audio
from gainlib.session import Remeter, Session, Strip

RATE_HZ = 48000


def stems(count: int, seconds: float) -> list[np.ndarray]:
    """Return made-up stems: band-limited noise in swells and bursts, each in its own range."""
    rng = np.random.default_rng(1)
    frames = int(seconds * RATE_HZ)
    time_s = np.arange(frames) / RATE_HZ
    made = []
    for k in range(count):
        low_hz = 40 * 1.35 ** (k % 16)
        sos = signal.butter(1, [low_hz, 4 * low_hz], "bandpass", fs=RATE_HZ, output="sos")
        noise = signal.sosfilt(sos, rng.standard_normal((frames, 2)), axis=0)
        noise *= (0.2 + np.abs(np.sin(np.pi * rng.uniform(0.3, 4) * time_s + k)) ** 3)[:, np.newaxis]
        made.append((0.4 * noise / np.abs(noise).max()).astype(np.float32))
    return made


def the_long_way(samples: list[np.ndarray], faders_db: list[float]) -> tuple[float, float, float]:
    """Return sample peak, true peak and loudness of the sum, the way one would write it."""
    gains = 10.0 ** (np.array(faders_db) / 20)
    bus = sum(gain * stem for gain, stem in zip(gains, samples, strict=True))
    loudness = pyloudnorm.Meter(RATE_HZ).integrated_loudness(bus)
    between = np.abs(signal.resample_poly(bus, 8, 1, axis=0)).max()
    return 20 * np.log10(np.abs(bus).max()), 20 * np.log10(between), loudness


def main() -> None:
    """Time both and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stems", type=int, default=16)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--moves", type=int, default=100)
    options = parser.parse_args()
    samples = stems(options.stems, options.seconds)
    session = Session(tuple(Strip(f"s{k}", Audio(stem, RATE_HZ)) for k, stem in enumerate(samples)))
    start = time.perf_counter()
    remeter = Remeter(session)
    built = time.perf_counter() - start
    rng = np.random.default_rng(2)
    names = [strip.name for strip in session.strips]

    long = []
    for _ in range(5):
        faders = [0.0] * options.stems
        faders[3] = float(rng.uniform(-20, 6))
        start = time.perf_counter()
        expected = the_long_way(samples, faders)
        long.append(time.perf_counter() - start)
        reading = remeter.read(dict(zip(names, faders, strict=True)))
        assert abs(reading.sample_peak_dbfs - expected[0]) < 0.001
        assert abs(reading.true_peak_dbtp - expected[1]) < 0.1, "two interpolators"
        assert abs(reading.loudness_lufs - expected[2]) < 0.1, "pyloudnorm's filter reads 0.04 LU low"
    base = statistics.median(long)

    print(f"{options.stems} stereo stems x {options.seconds:g} s, survey {built:.2f} s")
    print(f"{'way':34} {'median ms':>10} {'95 % ms':>10} {'ratio':>8}")
    print(f"{'sum + pyloudnorm + 8x resample_poly':34} {1e3 * base:10.1f} {1e3 * max(long):10.1f} {1.0:8.0f}")
    kinds = {
        "remeter, one fader": lambda: {names[int(rng.integers(len(names)))]: float(rng.uniform(-20, 6))},
        "remeter, all faders, 3 dB about": lambda: {name: float(rng.uniform(-3, 3)) for name in names},
        "remeter, all faders by one step": lambda: dict.fromkeys(names, float(rng.uniform(-20, 6))),
    }
    for label, move in kinds.items():
        taken = []
        for _ in range(options.moves):
            faders = move()
            start = time.perf_counter()
            remeter.read(faders)
            taken.append(time.perf_counter() - start)
        middle, late = np.percentile(taken, [50, 95])
        print(f"{label:34} {1e3 * middle:10.2f} {1e3 * late:10.2f} {base / middle:8.0f}")


if __name__ == "__main__":
    main()
