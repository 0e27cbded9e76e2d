"""The labs as they were shipped: a copy is kept at set-up, and brought back when somebody asks for it.

Standard library only. Where the folder is a git checkout, git has them; the copy is for a folder that was unpacked.
``python -m gainlib.notebook.shipped keep`` or ``restore``.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

from gainlib import __version__
from gainlib.errors import GainlibError

LABS = Path(__file__).parents[2] / "labs"
COPY = Path(sys.prefix) / "share" / "gainlib" / f"labs-{__version__}"


def keep(labs: Path = LABS, copy: Path = COPY) -> None:
    """Keep a copy of the notebooks, once a version."""
    if copy.exists() or not labs.is_dir():
        return
    unfinished = copy.with_name(f"{copy.name}.{os.getpid()}")
    unfinished.mkdir(parents=True)
    for notebook in labs.glob("*.ipynb"):
        shutil.copy2(notebook, unfinished)
    unfinished.replace(copy)


def restore(labs: Path = LABS, copy: Path = COPY) -> list[str]:
    """Bring the notebooks back as they were shipped, and return the names of those that were not so.

    Whatever else lies beside them stays: records, and notebooks of somebody's own.

    Raises
    ------
    GainlibError
        Where neither git nor the copy has them, or a file cannot be written.
    """
    wanted = _of_git(labs) or {file.name: file.read_bytes() for file in copy.glob("*.ipynb")}
    if not wanted:
        raise GainlibError(
            "there is no copy of the labs as they were shipped; download the workbook again and use its folder labs"
        )
    changed = [name for name, content in wanted.items() if _content(labs / name) != content]
    for name in changed:
        unfinished = labs / f"{name}.{os.getpid()}"
        try:
            unfinished.write_bytes(wanted[name])
            unfinished.replace(labs / name)
        except OSError as problem:
            unfinished.unlink(missing_ok=True)
            raise GainlibError(f"{name} was not restored: {problem.strerror}; close it and try again") from None
    return sorted(changed)


def _content(file):
    return file.read_bytes() if file.exists() else None


def _of_git(labs):
    """Return the notebooks of the checked-out version by name, an empty dict where this is no checkout."""

    def git(*arguments):
        return subprocess.run(["git", *arguments], cwd=labs, capture_output=True, check=True).stdout

    try:
        names = git("ls-tree", "--name-only", "HEAD", "./").decode().splitlines()
        return {name: git("show", f"HEAD:./{name}") for name in names if name.endswith(".ipynb")}
    except (OSError, subprocess.CalledProcessError):
        return {}


def main(arguments: list[str]) -> int | str:
    """Do one of the two, and say what came of it."""
    try:
        if arguments == ["keep"]:
            keep()
            return 0
        changed = restore()
    except GainlibError as error:
        return str(error)
    print(said(changed))
    return 0


def said(changed: list[str]) -> str:
    """Return what was brought back, in words."""
    if not changed:
        return "Every lab is as it was shipped; nothing had to be restored."
    return f"Restored as shipped: {', '.join(changed)}. Records and notebooks of your own are as they were."


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
