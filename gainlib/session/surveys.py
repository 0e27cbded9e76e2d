"""Surveys kept from one sitting to the next, in the user's cache folder.

A survey of the demo song is prepared at set-up (:mod:`gainlib.audio.prepared`). Any other is kept only where all lanes
are files and the pass took a while. Its name is made of the content of the files
(SHA-256) and of the gains up to the faders, so that a changed stem is another survey. A folder appears whole or not at
all; what a killed process leaves is a hidden folder that is cleared away next time.

What is kept may be cut short by a full disk, changed by hand, or rot. Every byte is therefore digested while it is
written, and again before anything in the folder is believed; where it is not as its manifest says, as after deleting
the cache, the survey is taken anew, which costs time only.
The variable ``GAINLIB_CACHE`` names another folder; empty, it keeps nothing.
"""

import hashlib
import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import platformdirs

from gainlib.audio import AudioFile, prepared
from gainlib.audio.atomic import digest_of
from gainlib.session.cross_products import CrossProducts, Table
from gainlib.session.files import ReferencedAudio
from gainlib.session.survey import SIDES, PreFaderTrack, Survey

MANIFEST = "manifest.json"
LAYOUT = 3  # counts up when what is kept, or how it is measured, changes
WORTH_S = 3.0
LARGE_SAMPLES = 100_000_000
KEPT = 4
STALE_S = 24 * 3600.0
PARTS = [(kind, name) for kind in ("envelopes", "sampled") for name in ("low", "high", "steps")]


class ChecksummedFolder:
    """A new file that is digested while it is written; :func:`seal` needs what ``close`` returns."""

    def __init__(self, path: Path):
        self._file, self._digest, self._length = path.open("xb"), hashlib.sha256(), 0

    def write(self, data: bytes) -> int:
        """Append some bytes."""
        self._digest.update(data)
        self._length += len(data)
        return self._file.write(data)

    def close(self) -> dict:
        """Bring the file to the disk and return its length and digest."""
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        return {"bytes": self._length, "sha256": self._digest.hexdigest()}

    def __enter__(self):
        return self

    def __exit__(self, *problem):
        self._file.close()


def seal(folder: Path, about: str, files: dict[str, dict]) -> None:
    """Write the manifest of a folder: `about` it, and for each file what :meth:`ChecksummedFolder.close` returned."""
    with ChecksummedFolder(folder / MANIFEST) as manifest:
        manifest.write(json.dumps({"about": about, "files": files}, indent=1).encode())
        manifest.close()


def intact(folder: Path, about: str) -> bool:
    """Tell whether a folder holds exactly what its manifest states; each file is read once, in pieces.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with ChecksummedFolder(folder / "a") as file:
    ...     _ = file.write(b"one")
    ...     seal(folder, "example", {"a": file.close()})
    >>> before = intact(folder, "example")
    >>> _ = (folder / "a").write_bytes(b"two")
    >>> before, intact(folder, "example")
    (True, False)
    """
    try:
        stated = json.loads((folder / MANIFEST).read_bytes())
        names = {each.name for each in folder.iterdir()}
        whole = stated["about"] == about and names == {MANIFEST, *stated["files"]}
        return whole and all(_found(folder / name) == entry for name, entry in stated["files"].items())
    except (OSError, ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return False


def _found(path):
    return {"bytes": path.stat().st_size, "sha256": digest_of(path)}


def cache_folder() -> Path | None:
    """Return where surveys are kept, or None."""
    named = os.environ.get("GAINLIB_CACHE")
    if named is not None:
        return Path(named) / "surveys" if named else None
    return Path(platformdirs.user_cache_dir("gainlib", appauthor=False)) / "surveys"


def surveyed(
    lanes: list[PreFaderTrack],
    frames: int,
    rate_hz: int,
    anchor: list[np.ndarray],
    told: Callable[[str, int, int], None],
) -> Survey:
    """Return the survey of some lanes, the one that was kept or a new one; see :meth:`Survey.take`."""
    survey = Survey(lanes, frames, rate_hz)
    if all(isinstance(lane.source, ReferencedAudio) for lane in lanes):
        return _surveyed_ahead(survey, anchor, told)
    folder = cache_folder()
    files = folder is not None and all(isinstance(lane.source, AudioFile) for lane in lanes)
    # Reading the files for their checksums is worth it only where a survey of them would be kept.
    large = sum(lane.source.frames * lane.source.channels for lane in lanes) > LARGE_SAMPLES
    place = folder / _key(survey, anchor) if files and large else None
    if place and _load(survey, anchor, place):
        return survey
    start = time.monotonic()
    survey.take(anchor, told)
    if place and time.monotonic() - start > WORTH_S:
        _save(survey, place)
    return survey


def _surveyed_ahead(survey, anchor, told):
    """Return a survey of audio that is the same everywhere: as it was prepared, or taken."""
    name = f"survey {_key(survey, anchor)}"
    kept = prepared.find(name)
    if kept is None:
        survey.take(anchor, told)
        parts = ((part.removesuffix(".npy"), kept) for part, kept in _contents(survey).items())
        prepared.keep(name, {part: kept.whole() if isinstance(kept, Table) else kept for part, kept in parts})
    else:
        _fill(survey, anchor, kept.__getitem__)
    return survey


def _key(survey, anchor):
    about = {
        "layout": LAYOUT,
        "rate_hz": survey.rate_hz,
        "frames": survey.frames,
        "lanes": [(_content(lane.source), lane.gain) for lane in survey.lanes],
        "anchor": [gains.tolist() for gains in anchor],
    }
    return hashlib.sha256(json.dumps(about, default=str).encode()).hexdigest()[:32]


def _content(source):
    return source.reference if isinstance(source, ReferencedAudio) else source.sha256


def _save(survey, place):
    part = place.parent / f".{place.name}-{os.getpid()}"
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        part.mkdir()
        seal(part, place.name, {name: _written(part / name, kept) for name, kept in _contents(survey).items()})
        os.replace(part, place)
        _clear(place.parent)
    except OSError:
        shutil.rmtree(part, ignore_errors=True)  # a full disk, or another process was first: the survey is here anyway


def _contents(survey):
    """Return the arrays and tables that make a survey, by the names of their files."""
    contents = {"raw.npy": survey.raw, "sums.npy": survey.sums, "mix.npy": survey.anchor.source.samples}
    for side in SIDES:
        products = survey.products[side]
        contents |= {f"coarse{side}.npy": products.coarse, f"fine{side}": products.fine}
        for kind, name in PARTS:
            contents[f"{kind}-{name}{side}.npy"] = getattr(getattr(survey, kind)[side], name)
    return contents


def _written(path, kept):
    with ChecksummedFolder(path) as file:
        if isinstance(kept, Table):
            kept.save(file)
        else:
            np.save(file, kept)
        return file.close()


def _load(survey, anchor, place):
    if not os.path.lexists(place):
        return False
    if not intact(place, place.name):
        shutil.rmtree(place, ignore_errors=True)
        return False

    def kept(name):
        if name.startswith("fine"):
            return Table.load(place / name, max(len(survey.edges) - 1, 0))
        return np.load(place / f"{name}.npy")

    try:
        _fill(survey, anchor, kept)
        os.utime(place)
    except (OSError, ValueError, EOFError):  # taken away, or changed, since it was looked at
        shutil.rmtree(place, ignore_errors=True)
        survey.__init__(survey.lanes, survey.frames, survey.rate_hz)
        return False
    return True


def _fill(survey, anchor, kept):
    """Put into a survey what ``kept(name)`` has."""
    for side in SIDES:
        fine = kept(f"fine{side}")
        table = fine if isinstance(fine, Table) else Table(*fine.shape, array=fine)
        survey.products.append(CrossProducts(kept(f"coarse{side}"), table))
        for kind, name in PARTS:
            setattr(getattr(survey, kind)[side], name, kept(f"{kind}-{name}{side}"))
    survey.raw, survey.sums = kept("raw"), kept("sums")
    survey.set_anchor(anchor, kept("mix"))


def _clear(folder):
    """Keep the surveys used last, and nothing that a killed process left long ago."""
    whole = sorted((each for each in folder.iterdir() if not each.name.startswith(".")), key=_used, reverse=True)
    left = [each for each in folder.glob(".*") if time.time() - _used(each) > STALE_S]
    for each in (*whole[KEPT:], *left):
        shutil.rmtree(each, ignore_errors=True)


def _used(path):
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0
