"""Recorded audio for the tests: speech, drums and guitar out of two Debian packages, unpacked but not installed.

The files stay in tests/data, which is never committed. On a system without Debian's tools nothing is fetched and the
tests that want recordings skip; with CI set a skip counts as a failure (see conftest.py).

Sources: alsa-utils (spoken WAV, GPL-2) and sonic-pi-samples (the files below are CC0 by its copyright file).
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

FOLDER = Path(__file__).resolve().parent / "data" / "recorded"

PACKAGES = {
    "alsa-utils": (
        "usr/share/sounds/alsa",
        "Front_Center.wav Front_Left.wav Front_Right.wav Rear_Center.wav Rear_Left.wav Rear_Right.wav "
        "Side_Left.wav Side_Right.wav Noise.wav".split(),
    ),
    "sonic-pi-samples": (
        "usr/share/sonic-pi/samples",
        "ambi_choir.flac ambi_piano.flac bass_hit_c.flac drum_snare_hard.flac guit_em9.flac loop_tabla.flac "
        "perc_bell.flac".split(),
    ),
}
NAMES = tuple(sorted(name for _, names in PACKAGES.values() for name in names))


def is_complete(folder=FOLDER):
    """Tell whether every file is there."""
    return all((folder / name).is_file() for name in NAMES)


def fetch(folder=FOLDER):
    """Fetch what is missing.

    Returns
    -------
    pathlib.Path or None
        The folder with the files, or None where Debian's tools or the packages cannot be had.
    """
    if is_complete(folder):
        return folder
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        return None
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        # The package tool reads as a user of its own when root runs it.
        os.chmod(scratch, 0o755)
        if not _download(scratch):
            _run("apt-get", "update", where=scratch, as_root=True)
            if not _download(scratch):
                return None
        for package, (inside, names) in PACKAGES.items():
            archive = next(Path(scratch).glob(f"{package}_*.deb"))
            unpacked = Path(scratch) / package
            if not _run("dpkg-deb", "-x", str(archive), str(unpacked), where=scratch):
                return None
            for name in names:
                partial = folder / f".{name}.part"
                shutil.copyfile(unpacked / inside / name, partial)
                partial.replace(folder / name)
    return folder


def _download(where):
    return _run("apt-get", "download", "-qq", *PACKAGES, where=where)


def _run(*command, where, as_root=False):
    """Run a system tool; tell whether it worked, and pass on what it says if not."""
    if as_root and os.geteuid() != 0:
        if shutil.which("sudo") is None:
            return False
        command = ("sudo", "-n", *command)
    result = subprocess.run(command, cwd=where, capture_output=True, text=True, check=False)
    if result.returncode != 0:
        print(f"{' '.join(command)}: {result.stderr.strip()}", file=sys.stderr)
    return result.returncode == 0


if __name__ == "__main__":
    found = fetch()
    print(f"Recorded audio: {len(NAMES)} files" if found else "Recorded audio: not to be had on this system")
