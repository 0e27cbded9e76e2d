"""How long a class of 40 takes to mark: ``python tests/benchmarks/gradebook.py``.

Makes records of 40 learners for every exercise there is (or of one lab), three answers each: a wrong one and the right
one to the first numbers, the right one to the second. Then marks them with the command line, as a teacher would, in a
process of its own. The folder of records is removed again.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from gainlib.exercises import bank

LIMIT_S = 120.0


def write_records(folder: Path, learners: int, exercises: list) -> int:
    """Write a file for each learner; return how many answers there are."""
    count = 0
    for learner in (f"learner {number:02d}" for number in range(learners)):
        lines = []
        for each in exercises:
            first, second = each.variant(learner, 0, "7b"), each.variant(learner, 1, "7b")
            right, wrong = each.solve(first), each.slips[0].answer(first) if each.slips else each.solve(second)
            for attempt, given, answer in ((0, first, wrong), (0, first, right), (1, second, each.solve(second))):
                count += 1
                event = {"id": f"{learner} {count}", "time": f"2026-05-04T10:00:00.{len(lines):06d}+00:00"}
                who = {"kind": "answer", "learner": learner, "class_code": "7b", "version": "0"}
                what = {"exercise": each.id, "attempt": attempt, "answer": answer, "given": given}
                lines.append(json.dumps({**event, **who, **what}))
        (folder / f"{learner}.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return count


def main() -> int:
    """Time it and print a line; 1 where it took longer than it may."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--learners", type=int, default=40)
    parser.add_argument("--lab", help="one lab only")
    options = parser.parse_args()
    exercises = [each for each in bank() if options.lab in (None, each.lab)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        count = write_records(folder, options.learners, exercises)
        files = ["--csv", folder / "marks.csv", "--html", folder / "marks.html"]
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "gainlib", "gradebook", folder, *files, "-q"], capture_output=True, text=True
        )
        took = time.perf_counter() - start
        worked = os.times()
        rows = len((folder / "marks.csv").read_text(encoding="utf-8").splitlines()) - 1
    print(
        f"{options.learners} learners, {len(exercises)} exercises, {count} answers: {took:.1f} s, {rows} lines of CSV"
    )
    work = worked.children_user + worked.children_system
    print(
        f"exit code {done.returncode}; allowed {LIMIT_S:g} s; work over all processors {work:.1f} s (0: not told here)"
    )
    return int(done.returncode != 0 or took > LIMIT_S)


if __name__ == "__main__":
    sys.exit(main())
