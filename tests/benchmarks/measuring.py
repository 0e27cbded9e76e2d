"""How fast one file is measured: ``python tests/benchmarks/measuring.py``.

A stereo file of five minutes, 24 bit, is measured in turns by this package (every meter, decoding included, in a warm
process), by the whole process of ffmpeg's ebur128 filter with true and sample peak, by pyloudnorm (loudness only), and
by libebur128 through pyebur128 (loudness and true peak), five times each; the table shows medians and ratios.
"""

import argparse
import shutil
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
import pyebur128
import pyloudnorm
import soundfile

from gainlib.audio import AudioFile
from gainlib.demo import demo_session
from gainlib.meters import measure

RATE_HZ = 48000


def write_song(path: Path, minutes: float) -> None:
    """Write the demo mix over and over."""
    mix = demo_session(1).render().bus.samples
    mix = 0.5 * mix / np.abs(mix).max()
    frames = round(minutes * 60 * RATE_HZ)
    soundfile.write(path, np.resize(mix, (frames, 2)), RATE_HZ, "PCM_24")


def by_ffmpeg(path: Path) -> None:
    """Run ffmpeg's meter over the file."""
    command = ["ffmpeg", "-nostats", "-hide_banner", "-i", str(path), "-filter_complex", "ebur128=peak=true+sample",
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
    options = parser.parse_args()
    ways = {"measure (every meter)": lambda path: measure(AudioFile(path))}
    if shutil.which("ffmpeg"):
        ways["ffmpeg ebur128, whole process"] = by_ffmpeg
    ways |= {"pyloudnorm, loudness only": by_pyloudnorm, "libebur128 (pyebur128)": by_libebur128}
    with tempfile.TemporaryDirectory(prefix="gainlib-bench-") as folder:
        path = Path(folder) / "song.wav"
        write_song(path, options.minutes)
        taken = {name: [] for name in ways}
        for _ in range(options.rounds + 1):
            for name, way in ways.items():
                start = time.perf_counter()
                way(path)
                taken[name].append(time.perf_counter() - start)
    own = statistics.median(taken["measure (every meter)"][1:])
    print(f"{options.minutes:g} min stereo, 48 kHz, 24 bit; median of {options.rounds} after one to warm up")
    print(f"{'way':32} {'seconds':>8} {'against measure':>16}")
    for name, each in taken.items():
        middle = statistics.median(each[1:])
        print(f"{name:32} {middle:8.3f} {middle / own:16.2f}")


if __name__ == "__main__":
    main()
