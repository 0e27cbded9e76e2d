"""Where a verb may put a file: asked before anything long begins."""

import os
import stat
from pathlib import Path


def problem_of(target: Path, label: str) -> str:
    """Return why a path is no place for a file, or nothing.

    Whether one may be written there shows only when it is; by then the figures can be printed, so that no work is lost.

    Parameters
    ----------
    target : pathlib.Path
        What stands there already is no problem, unless it is a folder.
    label : str
        What the file is for.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> problem_of(Path(), "the CSV")
    '.: is a folder; name a file in it for the CSV'
    >>> problem_of(Path("marks.csv"), "the CSV")
    ''
    """
    folder = target.resolve().parent
    if os.path.isdir(target):
        return f"{target}: is a folder; name a file in it for {label}"
    try:
        there = stat.S_ISDIR(folder.stat().st_mode)
    except PermissionError:
        return ""
    except OSError:
        there = False
    return "" if there else f"{target}: the folder {folder} does not exist; make it first"
