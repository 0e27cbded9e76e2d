"""Whether boxes are told apart by what they do: ``python tests/benchmarks/classification.py``.

Draws every model of the truth table many times with random settings, and every pair of them in a row, classifies each
by measurement and prints a matrix: what each deserves against what it got. Ends with 1 if any verdict is wrong.
"""

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

from gainlib.boxes import classify

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from boxes import DRAWS, IN_PAIRS, LINEAR, NOISY, NONLINEAR, TIME_VARYING, UP_TO, Chain, limit_dbfs, pair_kinds

KINDS = (LINEAR, TIME_VARYING, NOISY, UP_TO, NONLINEAR)
SHORT = ("linear", "in time", "noise", "up to", "nonlinear")


def singles(draws: int) -> int:
    """Classify every model, print the matrix and return how many verdicts were wrong."""
    print(
        f"{'one box':24} {'deserves':28}" + "".join(f"{short:>10}" for short in SHORT) + f"{'limit off':>11}{'ms':>6}"
    )
    wrong = 0
    for number, (name, (kind, draw)) in enumerate(DRAWS.items()):
        got, off, start = Counter(), 0.0, time.process_time()
        for k in range(draws):
            box = draw(np.random.default_rng((number, k)))
            found = classify(box, seed=k)
            got[found.kind] += 1
            if found.kind == kind == UP_TO:
                off = max(off, abs(found.linear_up_to_dbfs - limit_dbfs(box)))
            if found.kind != kind:
                print(f"  {box}: {found}")
        wrong += draws - got[kind]
        spent = 1e3 * (time.process_time() - start) / draws
        limits = f"{off:8.3f} dB" if kind == UP_TO else " " * 11
        print(f"{name:24} {kind:28}" + "".join(f"{got[each]:10}" for each in KINDS) + f"{limits}{spent:6.0f}")
    return wrong


def pairs(draws: int) -> tuple[int, int]:
    """Classify every pair in a row, print a matrix of verdicts, and return how many were tried and how many wrong."""
    names = list(IN_PAIRS)
    print(f"\n{'two in a row: the first':24}" + "".join(f" {name[:5]:>5}" for name in names) + "  (right of tried)")
    tried, wrong = 0, 0
    for one, first in enumerate(names):
        line = []
        for two, second in enumerate(names):
            right = open_ended = 0
            for k in range(draws):
                rng = np.random.default_rng((one, two, k))
                boxes = tuple(IN_PAIRS[name][1](rng) for name in (first, second))
                may_be = pair_kinds((first, second), boxes)
                if not may_be:
                    open_ended += 1
                    continue
                found = classify(Chain(boxes), seed=k)
                right += found.kind in may_be
                if found.kind not in may_be:
                    print(f"  {boxes}: wanted {may_be}, got {found}")
            tried, wrong = tried + draws - open_ended, wrong + draws - open_ended - right
            line.append(f" {right:>2}/{draws - open_ended:<2}")
        print(f"{first:24}" + "".join(line))
    return tried, wrong


def main() -> int:
    """Print both matrices; 1 if anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=200, help="random settings of each model")
    parser.add_argument("--pair-draws", type=int, default=3, help="random settings of each pair")
    options = parser.parse_args()
    start = time.process_time()
    wrong = singles(options.draws)
    tried, wrong_pairs = pairs(options.pair_draws)
    total = options.draws * len(DRAWS)
    print(
        f"\n{total - wrong} of {total} boxes and {tried - wrong_pairs} of {tried} pairs are told apart as they should"
    )
    print(f"{time.process_time() - start:.0f} s of one core")
    return 1 if wrong or wrong_pairs else 0


if __name__ == "__main__":
    sys.exit(main())
