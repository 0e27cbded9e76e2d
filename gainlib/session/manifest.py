"""A folder of files with a manifest of their lengths and digests, so that damage to any of them shows.

What is kept from one sitting to the next may be cut short by a full disk, changed by hand, or rot. Every byte is
therefore digested (SHA-256) while it is written, and again before anything in the folder is believed.
"""

import hashlib
import json
import os
from pathlib import Path

MANIFEST = "manifest.json"


class ChecksummedFolder:
    """A new file that is digested while it is written; :func:`seal` needs what ``close`` returns.

    Parameters
    ----------
    path : Path
    """

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
    """Write the manifest of a folder.

    Parameters
    ----------
    folder : Path
    about : str
        What the folder is; a folder under another name is not taken for it.
    files : dict
        By name, what :meth:`ChecksummedFolder.close` returned.
    """
    with ChecksummedFolder(folder / MANIFEST) as manifest:
        manifest.write(json.dumps({"about": about, "files": files}, indent=1).encode())
        manifest.close()


def intact(folder: Path, about: str) -> bool:
    """Tell whether a folder holds exactly what its manifest states; each file is read once, in pieces.

    Parameters
    ----------
    folder : Path
    about : str
        As it was given to :func:`seal`.

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
    with path.open("rb") as file:
        return {"bytes": path.stat().st_size, "sha256": hashlib.file_digest(file, "sha256").hexdigest()}
