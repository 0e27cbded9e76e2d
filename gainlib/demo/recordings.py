"""The eleven recordings: their names, tempo and levels, and the files they are kept in.

The clean stems are played once and shipped as 24-bit FLAC files, because decoding them takes a tenth of the time of
playing them again. A process decodes each file once and shares the samples, which are read-only.
"""

import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from math import inf
from pathlib import Path

from gainlib.audio import Audio, GainlibError, prepared, read, write, write_whole

RATE_HZ = 48_000
BEATS_PER_MINUTE = 96
BEAT_S = 60 / BEATS_PER_MINUTE
BARS = 16
FRAMES = round(BARS * 4 * BEAT_S * RATE_HZ)

FOLDER = Path(__file__).parents[2] / "media" / "stems"
SUMS = "SHA256SUMS"
PLAY_AGAIN = "python -m gainlib.demo render"


@dataclass(frozen=True)
class Recording:
    """How a clean stem was recorded.

    The song is played to the sample peak; the active level follows, as the meter reads it.
    """

    channels: int
    peak_dbfs: float
    active_dbfs: float


RECORDINGS = {
    "01 kick": Recording(1, -10.0, -17.9),
    "02 snare": Recording(1, -8.0, -24.9),
    "03 overheads": Recording(2, -10.0, -31.0),
    "04 toms": Recording(2, -6.0, -16.2),
    "05 bass": Recording(1, -12.0, -16.4),
    "06 guitar": Recording(1, -9.1, -22.8),
    "07 e-piano": Recording(2, -13.6, -27.2),
    "08 pad": Recording(2, -10.0, -21.0),
    "09 lead vocal": Recording(1, -10.0, -17.9),
    "10 backing": Recording(2, -7.0, -16.0),
    "11 shaker": Recording(1, -inf, -inf),
}


def recorded(stem: str, folder: Path = FOLDER) -> Audio:
    """Return a clean stem as it is kept in the folder of FLAC files; decoded once a process.

    Where the file is missing, the error names the command that makes it again.
    """
    path = Path(folder) / f"{stem}.flac"
    if not path.is_file():
        raise GainlibError(
            f"{path}: the demo's stem is not there; stems and labs come with the folder of the workbook, not with the "
            f"package alone: install that folder with `pip install -e`, or make the stems again with `{PLAY_AGAIN}`"
        )
    status = path.stat()
    return _decoded(path, status.st_size, status.st_mtime_ns)


@lru_cache(maxsize=2 * len(RECORDINGS))
def _decoded(path, size, changed_ns):
    """Decode a file; its size and time of change are part of the key, so that a new file is read anew."""
    if path.parent != FOLDER:
        return read(path)
    return Audio(prepared.array(f"clean {path.stem}", lambda: read(path).samples), RATE_HZ, path.stem)


def together(make, stems) -> list:
    """Call ``make(stem)`` for every stem on all cores: decoding and array arithmetic run side by side."""
    with ThreadPoolExecutor(min(len(stems), os.cpu_count() or 1)) as pool:
        return list(pool.map(make, stems))


def keep(stems: dict[str, Audio], folder: Path = FOLDER, *, overwrite: bool = False) -> list[Path]:
    """Write stems as 24-bit FLAC files with a list of checksums (as ``sha256sum`` writes and checks it)."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{name}.flac" for name in stems]
    for path, audio in zip(paths, stems.values(), strict=True):
        write(path, audio, "PCM_24", overwrite=overwrite)
    sums = folder / SUMS
    write_whole(sums, "".join(f"{checksum(path)}  {path.name}\n" for path in paths))
    return [*paths, sums]


def checksum(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal digits."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def checksums(folder: Path = FOLDER) -> dict[str, str]:
    """Return the shipped checksums by file name."""
    lines = (Path(folder) / SUMS).read_text(encoding="utf-8").splitlines()
    return {name: digest for digest, _, name in (line.partition("  ") for line in lines)}
