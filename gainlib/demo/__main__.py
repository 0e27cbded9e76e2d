"""Play the demo's stems again, or compare the kept ones with a new performance: ``python -m gainlib.demo``."""

import argparse
import sys
from pathlib import Path

import numpy as np

from gainlib.audio import GainlibError, read
from gainlib.demo import clean_stems
from gainlib.demo.recordings import FOLDER, checksum, checksums, keep

STEP = 2.0**-23


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Returns
    -------
    int
        0 all well, 1 a stem differs or cannot be written, 2 usage.
    """
    parser = argparse.ArgumentParser(prog="python -m gainlib.demo", description="The clean stems of the demo song.")
    verbs = parser.add_subparsers(dest="verb", required=True)
    render = verbs.add_parser("render", help="play all stems and write them as 24-bit FLAC files with checksums")
    render.add_argument("--to", type=Path, default=FOLDER, metavar="FOLDER", help="where to (default: %(default)s)")
    render.add_argument("--overwrite", action="store_true", help="replace files that exist")
    compare = verbs.add_parser("compare", help="play all stems and compare them with the files, in steps of 24 bit")
    compare.add_argument("--in", dest="folder", type=Path, default=FOLDER, metavar="FOLDER", help="where they are")
    chosen = parser.parse_args(arguments)
    try:
        return _render(chosen) if chosen.verb == "render" else _compare(chosen.folder)
    except GainlibError as error:
        print(f"error: {error}", file=sys.stderr)
        return 1


def _render(chosen):
    for path in keep(clean_stems(), chosen.to, overwrite=chosen.overwrite):
        print(f"{path.stat().st_size / 1e6:6.2f} MB  {path}")
    return 0


def _compare(folder):
    sums, unlike = checksums(folder), 0
    for name, played in clean_stems().items():
        path = folder / f"{name}.flac"
        steps = steps_apart(read(path).samples, played.samples)
        shipped = sums.get(path.name) == checksum(path)
        unlike += steps > 1 or not shipped
        print(f"{name:14s} {steps:4.0f} steps apart  checksum {'as listed' if shipped else 'NOT as listed'}")
    return int(unlike > 0)


def steps_apart(kept: np.ndarray, played: np.ndarray) -> float:
    """Return the largest difference of kept samples from played ones rounded to 24 bit, in steps of 24 bit."""
    if kept.shape != played.shape:
        return np.inf
    return float(np.abs(np.rint(kept / STEP) - np.rint(played / STEP)).max())


if __name__ == "__main__":
    sys.exit(main())
