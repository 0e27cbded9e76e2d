"""How fast one file is measured: ``python tests/benchmarks/measuring.py``.

A stereo file of five minutes, 24 bit, is measured in turns by this package (every meter, decoding included, in a warm
process; with all cores and with one), by the whole process of ffmpeg's ebur128 filter with true and sample peak, by
pyloudnorm (loudness only), and by libebur128 through pyebur128 (loudness and true peak), five times each. The table
shows medians of the time that passed and of processor time, and ratios to this package with all cores. ``--ffmpeg``
names another ffmpeg than the one on the path, such as a newer one; it may be given several times.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import tempfile
import time
from functools import partial
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pyebur128
import pyloudnorm
import soundfile

from gainlib.audio import AudioFile
from gainlib.demo import demo_session
from gainlib.meters import measure, reading

RATE_HZ = 48000


def write_song(path: Path, minutes: float) -> None:
    """Write the demo mix over and over."""
    mix = demo_session(1).render().bus.samples
    mix = 0.5 * mix / np.abs(mix).max()
    frames = round(minutes * 60 * RATE_HZ)
    soundfile.write(path, np.resize(mix, (frames, 2)), RATE_HZ, "PCM_24")


def by_one_core(path: Path) -> None:
    """Measure the file without threads."""
    with patch.object(reading, "cores", lambda: 1):
        measure(AudioFile(path))


def by_ffmpeg(ffmpeg: str, path: Path) -> None:
    """Run ffmpeg's meter over the file."""
    command = [ffmpeg, "-nostats", "-hide_banner", "-i", str(path), "-filter_complex", "ebur128=peak=true+sample",
               "-f", "null", "-"]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True)


def by_pyloudnorm(path: Path) -> None:
    """Read the file and measure its loudness."""
    samples, rate_hz = soundfile.read(path)
    pyloudnorm.Meter(rate_hz).integrated_loudness(samples)


def by_libebur128(path: Path) -> None:
    """Read the file and measure loudness and true peak."""
    samples, rate_hz = soundfile.read(path)
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, rate_hz, modes.MODE_I | modes.MODE_TRUE_PEAK | modes.MODE_SAMPLE_PEAK)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    pyebur128.get_loudness_global(state)


def main() -> None:
    """Time all, in turns."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--ffmpeg", action="append", default=[])
    options = parser.parse_args()
    ways = {"measure (every meter)": lambda path: measure(AudioFile(path)), "the same on one core": by_one_core}
    for name in options.ffmpeg or [each for each in ("ffmpeg",) if shutil.which(each)]:
        version = subprocess.run([name, "-version"], check=True, capture_output=True, text=True).stdout.split()[2]
        ways[f"ffmpeg {version.split('-')[0]} ebur128"] = partial(by_ffmpeg, name)
    ways |= {"pyloudnorm, loudness only": by_pyloudnorm, "libebur128 (pyebur128)": by_libebur128}
    with tempfile.TemporaryDirectory(prefix="gainlib-bench-") as folder:
        path = Path(folder) / "song.wav"
        write_song(path, options.minutes)
        taken = {name: [] for name in ways}
        for _ in range(options.rounds + 1):
            for name, way in ways.items():
                start = time.perf_counter()
                spent = sum(os.times()[:4])
                way(path)
                taken[name].append((time.perf_counter() - start, sum(os.times()[:4]) - spent))
    middle = {name: [statistics.median(each) for each in zip(*rows[1:], strict=True)] for name, rows in taken.items()}
    own = middle["measure (every meter)"]
    print(f"{options.minutes:g} min stereo, 48 kHz, 24 bit; median of {options.rounds} after one to warm up")
    print(f"{'way':28} {'seconds':>8} {'× real time':>12} {'ratio':>6}   {'processor':>9} {'ratio':>6}")
    for name, (passed, spent) in middle.items():
        print(
            f"{name:28} {passed:8.3f} {60 * options.minutes / passed:12.0f} {passed / own[0]:6.2f}   "
            f"{spent:9.3f} {spent / own[1]:6.2f}"
        )


if __name__ == "__main__":
    main()
