"""Fader moves on a full-length session: ``python tests/benchmarks/full_session.py [--quick]``.

Stems are made from the demo's, each at another speed and start, and written as 24-bit stereo WAV into a temporary
folder. One table shows the survey (as a multiple of real time per stem), the moves, and the memory in use, for several
counts of stems and lengths; another holds a sample of the moves against rendering and measuring the bus.
"""

import argparse
import os
import resource
import tempfile
import time
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import psutil
import soundfile

from gainlib.demo import demo_session
from gainlib.meters import measure
from gainlib.mix import contributions
from gainlib.session import Remeter, Session, open_folder

RATE_HZ = 48000
SIZES = ((4, 5.0), (12, 5.0), (24, 5.0), (48, 5.0), (12, 1.0), (12, 20.0))
QUICK = ((4, 0.5), (12, 0.5))


def write_stems(folder: Path, count: int, minutes: float) -> None:
    """Write stems that differ from each other, a block at a time."""
    rng = np.random.default_rng(count)
    clean = [strip.audio.samples for strip in demo_session(1, faults=False).strips[:10]]
    frames = round(minutes * 60 * RATE_HZ)
    for k in range(count):
        samples = clean[k % len(clean)]
        wide = samples if samples.shape[1] == 2 else np.repeat(samples, 2, axis=1)
        speed, start, gain = rng.uniform(0.75, 1.3), rng.integers(len(wide)), rng.uniform(0.1, 0.5)
        with soundfile.SoundFile(folder / f"stem {k:02}.wav", "w", RATE_HZ, 2, "PCM_24") as file:
            for first in range(0, frames, 2**18):
                index = (start + np.arange(first, min(first + 2**18, frames)) * speed).astype(int) % len(wide)
                file.write(gain * wide[index])


def memory_mb() -> float:
    """Return the memory this process holds now."""
    return psutil.Process().memory_info().rss / 1e6


def times(remeter, session, moves: int) -> dict[str, np.ndarray]:
    """Return the seconds that moves of each kind take."""
    rng, names = np.random.default_rng(3), [strip.name for strip in session.strips]
    kinds = {
        "one fader": lambda: ({str(rng.choice(names)): float(rng.uniform(-20, 6))}, {}),
        "all faders": lambda: ({name: float(rng.uniform(-6, 3)) for name in names}, {}),
        "mute": lambda: ({}, {"mute": [str(rng.choice(names))]}),
        "solo": lambda: ({}, {"solo": [str(name) for name in rng.choice(names, 2, replace=False)]}),
    }
    found = {}
    for kind, move in kinds.items():
        taken = []
        for _ in range(moves):
            faders, others = move()
            start = time.perf_counter()
            remeter.read(faders, **others)
            taken.append(time.perf_counter() - start)
        found[kind] = np.array(taken)
    return found


def check(remeter, session: Session, moves: int) -> float:
    """Return the largest difference to measuring the rendered bus, dB or LU."""
    rng, names, worst = np.random.default_rng(4), [strip.name for strip in session.strips], 0.0
    for _ in range(moves):
        faders = {name: float(rng.uniform(-12, 3)) for name in rng.choice(names, int(rng.integers(1, len(names))))}
        reading, wanted = remeter.read(faders), measure(session.with_faders(faders).render().bus)
        for name in ("sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "loudness_lufs", "momentary_max_lufs",
                     "short_term_max_lufs"):  # fmt: skip
            worst = max(worst, abs(getattr(reading, name) - getattr(wanted, name)))
    return worst


def who_peaks(remeter, session) -> tuple[float, float]:
    """Return the seconds that the worst peaks, and the bus without each stem, take from the remeter and in a pass."""
    start = time.perf_counter()
    contributions(session, remeter=remeter)
    middle = time.perf_counter()
    contributions(session)
    return middle - start, time.perf_counter() - middle


def main() -> None:
    """Run all sizes and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="small sizes only")
    parser.add_argument("--moves", type=int, default=60)
    parser.add_argument("--checked", type=int, default=3, help="moves held against a render, for each size")
    parser.add_argument("--size", nargs=2, type=float, metavar=("STEMS", "MINUTES"), help="one size only")
    options = parser.parse_args()
    sizes = QUICK if options.quick else SIZES
    if options.size:
        sizes = ((int(options.size[0]), options.size[1]),)
    os.environ["GAINLIB_CACHE"] = ""
    print("stems  min   survey s  x real time/stem   MB  kind         median ms   95 % ms   largest difference dB")
    for count, minutes in sizes:
        with tempfile.TemporaryDirectory(prefix="gainlib-bench-") as folder:
            writer = get_context("spawn").Process(target=write_stems, args=(Path(folder), count, minutes))
            writer.start()  # in a process of its own: its memory is not the remeter's
            writer.join()
            session = open_folder(folder)
            start = time.perf_counter()
            remeter = Remeter(session)
            survey = time.perf_counter() - start
            rows, held = times(remeter, session, options.moves), memory_mb()
            worst, shares = check(remeter, session, options.checked), who_peaks(remeter, session)
        speed = count * minutes * 60 / survey
        for kind, taken in rows.items():
            middle, late = 1e3 * np.percentile(taken, [50, 95])
            row = f"{count:5} {minutes:5.1f} {survey:9.1f} {speed:17.0f} {held:5.0f}  {kind:12} {middle:9.2f} "
            print(f"{row}{late:9.2f}   {worst:.6f}", flush=True)
        print(f"{'':33}who makes it peak: {1e3 * shares[0]:.0f} ms, {shares[1] / shares[0]:.0f} x sooner than a pass")
    print(f"highest memory of the whole run, the checks by rendering included: "
          f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")  # fmt: skip


if __name__ == "__main__":
    main()
