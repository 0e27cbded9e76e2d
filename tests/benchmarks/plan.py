"""How long a plan takes and how much memory it needs: ``python tests/benchmarks/plan.py``.

Two cases, each in a process of its own: the demo session with its chains (11 stems of 40 s), and 20 stems of 5 minutes,
mono and stereo in turn, with one level-dependent processor each, synthesised into a temporary folder that is removed
again. Prints a line for each step; wall-clock time counts, CPU time tells how much of it was another's.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from gainlib.mix import checkup, plan, sheet_of
from gainlib.processors import AsymmetricSaturation, Compressor, Saturation, Tape
from gainlib.session import Insert, Session, open_folder

RATE_HZ = 48000
LIMITS_S = {"demo": 10.0, "long": 180.0}
LIMIT_GB = 1.0
BOXES = (Saturation(), Compressor(-20.0, 3.0), AsymmetricSaturation(), Tape(), Compressor(-26.0, 4.0))


def write_stems(folder: Path, count: int, seconds: int) -> None:
    """Synthesise tones that swell, with noise, as WAV of 24 bit."""
    rng = np.random.default_rng(1)
    for k in range(count):
        width = 1 + k % 2
        with soundfile.SoundFile(folder / f"{k:02d}.wav", "w", RATE_HZ, width, "PCM_24") as file:
            for second in range(seconds):
                time_s = second + np.arange(RATE_HZ)[:, np.newaxis] / RATE_HZ
                swell = 0.5 + 0.5 * np.sin(2 * np.pi * 0.7 * time_s + k)
                tone = 0.3 * np.sin(2 * np.pi * (60 + 37 * k) * time_s) * swell
                file.write(tone + 0.01 * rng.standard_normal((RATE_HZ, width)))


def long_session(folder: Path) -> Session:
    """Return the session of a folder with one level-dependent processor on each strip."""
    session = open_folder(folder)
    return session.with_(
        strips=tuple(
            strip.with_(inserts=(Insert(BOXES[k % len(BOXES)]),), fader_db=-20.0 + k % 7, pan=0.1 * (k % 9) - 0.4)
            for k, strip in enumerate(session.strips)
        )
    )


def run_case(case: str, folder: str) -> dict:
    """Check, plan and gather the sheets; return seconds of each step and the highest memory."""
    if case == "demo":
        from gainlib.demo import demo_session

        session = demo_session(1, chains=True)
    else:
        session = long_session(Path(folder))
    steps, stems, result = {}, None, None
    for name in ("check", "plan", "sheets"):
        start, cpu = time.perf_counter(), time.process_time()
        if name == "check":
            stems = checkup(session.strips)
        elif name == "plan":
            result = plan(session)
        else:
            sheet_of(session, result, stems=stems)
        steps[name] = time.perf_counter() - start, time.process_time() - cpu
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e9 if sys.platform == "darwin" else 1e6)
    return {"steps": steps, "peak_gb": peak_gb, "verified": result.verification.passed, "moves": len(result.moves)}


def main() -> int:
    """Run both cases and print a table; 1 where a plan takes longer, or more memory, than it may."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stems", type=int, default=20)
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--only", choices=tuple(LIMITS_S))
    parser.add_argument("--case", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.case:
        print(json.dumps(run_case(*options.case)))
        return 0
    failed = False
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as folder:
        for case, limit_s in LIMITS_S.items():
            if options.only not in (None, case):
                continue
            if case == "long":
                write_stems(Path(folder), options.stems, options.seconds)
            command = [sys.executable, __file__, "--case", case, folder]
            found = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
            for step, (wall_s, cpu_s) in found["steps"].items():
                print(f"{case:5} {step:7} {wall_s:7.1f} s wall {cpu_s:7.1f} s CPU")
            wall_s = found["steps"]["plan"][0]
            print(f"{case:5} {found['moves']} moves, verified {found['verified']}, {found['peak_gb']:.2f} GB at most")
            print(f"{case:5} plan {wall_s:.1f} s of {limit_s:g} s allowed, {LIMIT_GB:g} GB allowed")
            failed |= wall_s > limit_s or found["peak_gb"] > LIMIT_GB or not found["verified"]
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
