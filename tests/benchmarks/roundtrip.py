"""What a recording tells of a box, against the box at hand: ``python tests/benchmarks/roundtrip.py``.

Sends the test file through every box of the matrix, spoils the recording in every way, alone and together, reads it and
prints kind and reference of each: right (+), right as far as the recording shows (~), cannot tell (?), wrong (!). Ends
with 1 if anything is wrong.
"""

import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from roundtrips import BOXES, ON_THE_WAY, cell, trial, truth


def main() -> int:
    """Print the matrix and the counts; 1 if anything is wrong."""
    start, kinds, references, told = time.process_time(), Counter(), Counter(), []
    width = max(map(len, ON_THE_WAY)) + 1
    print(f"{'kind, reference':24}" + "".join(f"{way:>{width}}" for way in ON_THE_WAY) + "  the box at hand")
    for name in BOXES:
        rows = [trial(name, way) for way in ON_THE_WAY]
        kinds.update(row.kind for row in rows)
        references.update(row.reference for row in rows)
        told += [row for row in rows if row.wrong]
        kind, working, _ = truth(name)
        best = "none" if working is None else f"{working.best_dbfs:.1f}"
        print(f"{name:24}" + "".join(f"{cell(row):>{width}}" for row in rows) + f"  {kind}, {best}", flush=True)
    for row in told:
        print(f"wrong: {row.box}, {row.way}: {row.report.kind}, {row.report.reference_dbfs}. {row.report.sentence}")
    for what, count in (("kind", kinds), ("reference", references)):
        print(f"{what:10}: {', '.join(f'{word} {count[word]}' for word in ('right', 'as shown', 'open', 'wrong'))}")
    print(f"{len(BOXES)} boxes × {len(ON_THE_WAY)} ways, {time.process_time() - start:.0f} s of one core")
    return 1 if told else 0


if __name__ == "__main__":
    sys.exit(main())
