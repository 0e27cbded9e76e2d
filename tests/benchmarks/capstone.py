"""Forty capstones marked again from their records: ``python tests/benchmarks/capstone.py``.

A class hands in the six tasks, each learner with two failed tries before (one fader off, a clipped bus), so that a
learner's session is rendered four times: as found and under three settings. Making the records, which takes the plans,
is not timed. Marking runs in a process of its own with nothing cached but the shipped stems on the disk, and the last
line once more with the marks that were kept. Ends with 1 if it takes more than ten minutes, or somebody does not get
every point.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from gainlib.exercises import Record, bank, exercise
from gainlib.exercises.capstone import reference

LIMIT_S, CLASS = 600.0, "7b"
IDS = [each.id for each in bank() if each.lab == "12"]
MARK = """
import json, pathlib, resource, sys, time
from gainlib.exercises.gradebook import gradebook
begun, busy = time.perf_counter(), time.process_time()
marks = gradebook(sys.argv[1], lab="12", processes=int(sys.argv[2]), keep=pathlib.Path(sys.argv[3]))
points = {}
for row in marks.rows:
    points[row.learner] = points.get(row.learner, 0.0) + row.points
used = time.process_time() - busy + sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])
most = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1e6
print(json.dumps([time.perf_counter() - begun, used, most, points, len(marks.disagreements)]))
"""


def hand_in(folder: Path, learner: str) -> None:
    """Write the record of one learner: two failed tries, then all six tasks right."""
    record = Record(folder / learner)
    answers = [("12-4", reference.one_fader), ("12-5", reference.clipped)]
    answers += [(id, exercise(id).solve) for id in IDS]
    for id, answer in answers:
        given = exercise(id).variant(learner, 0, CLASS)
        record.answer(learner, id, 0, answer(given), given, CLASS)


def marked(folder: Path, processes: int, keep: Path) -> tuple[float, float, float, dict, int]:
    """Mark a folder of records in a fresh process; return seconds, processor seconds, GB, points, disagreements."""
    command = [sys.executable, "-c", MARK, str(folder), str(processes), str(keep)]
    found = subprocess.run(command, capture_output=True, text=True, check=True)
    return tuple(json.loads(found.stdout.splitlines()[-1]))


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--learners", type=int, default=40)
    parser.add_argument("--processes", type=int, nargs="+", default=[1, 2])
    chosen = parser.parse_args()
    slow = 0
    with tempfile.TemporaryDirectory() as place, tempfile.TemporaryDirectory() as kept:
        folder, begun = Path(place), time.perf_counter()
        for k in range(chosen.learners):
            hand_in(folder, f"learner {k:02d}")
        print(f"{chosen.learners} records made in {time.perf_counter() - begun:.0f} s, not counted", flush=True)
        print(f"{'processes':>9} {'seconds':>8} {'processor s':>12} {'s a capstone':>13} {'GB':>5} {'all points':>11}")
        runs = [(processes, Path(kept, str(processes))) for processes in chosen.processes]
        for processes, keep in [*runs, runs[-1]]:
            took, busy, most, points, disagreements = marked(folder, processes, keep)
            full = sum(abs(each - 100.0) < 1e-9 for each in points.values())
            row = f"{processes:9d} {took:8.0f} {busy:12.0f} {took / chosen.learners:13.1f} {most:5.1f}"
            print(f"{row} {full:8d}/{len(points)}", flush=True)
            slow += took * 40 / chosen.learners > LIMIT_S or full < chosen.learners or disagreements > 0
    return int(slow > 0)


if __name__ == "__main__":
    sys.exit(main())
