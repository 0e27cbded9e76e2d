"""``labs``: open JupyterLab on the labs, at their index."""

import argparse
import subprocess
import sys
from pathlib import Path

from gainlib.cli import Verb

DESCRIPTION = """\
Open the labs in JupyterLab, in the browser of this computer. Press Ctrl-C twice here to end it.

Other options are handed to JupyterLab, for example --no-browser or --port 9000.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare nothing: all options are JupyterLab's."""


def run(options: argparse.Namespace) -> int:
    """Start JupyterLab and wait for its end."""
    folder = labs_folder()
    if folder is None:
        options.report.problem("There is no folder labs with notebooks here; start this in the project's own folder.")
        return 1
    index = folder / "index.ipynb"
    place = index if index.exists() else folder
    options.report.result["opened"] = place.name
    server = subprocess.Popen([sys.executable, "-m", "jupyter", "lab", str(place), *options.rest], stdout=sys.stderr)
    while True:
        try:
            return 1 if server.wait() else 0
        except KeyboardInterrupt:
            continue  # JupyterLab got it as well and asks whether it is meant


def labs_folder() -> Path | None:
    """Find the labs: beside the package, where a copy of the project has them, or in the working folder."""
    for parent in (Path(__file__).resolve().parents[2], Path.cwd()):
        if any((parent / "labs").glob("*.ipynb")):
            return parent / "labs"
    return None


VERBS = (Verb("labs", "open the labs in JupyterLab", DESCRIPTION, arguments, run, passes_on=True),)
