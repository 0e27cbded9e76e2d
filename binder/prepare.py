"""Make the first click fast: compile the meters, build the font list, keep JupyterLab quiet and the labs safe.

Runs inside an environment that has the workbook installed (.venv here, the image on Binder). Each step stands alone:
one that fails says why, and the others are still done.
"""

import importlib
import json
import pkgutil
import sys
import traceback
from pathlib import Path

LAB_DEFAULTS = {
    # No question about news and no look for updates: the workbook needs no network once it is installed.
    "@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False},
    # A panel that is scrolled out of sight stays alive, so that its sound and its state do.
    "@jupyterlab/notebook-extension:tracker": {"windowingMode": "none"},
}


def compile_meters():
    """Import every compiled loop and measure half a second of a quiet tone."""
    import numpy as np

    import gainlib
    from gainlib.audio import Audio
    from gainlib.meters import measure

    for module in pkgutil.iter_modules(gainlib.__path__, "gainlib."):
        if module.name.startswith("gainlib.kernels"):
            importlib.import_module(module.name)
    seconds = np.arange(24000) / 48000
    tone = 0.1 * np.sin(2 * np.pi * 997 * seconds)
    measure(Audio(np.column_stack([tone, tone]), 48000, "tone"))


def list_fonts():
    """Let the plotting library look through the fonts of this computer now rather than at the first picture."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.font_manager


def read_what_labs_read():
    """Import what a notebook and its server import, so that Python has compiled it before the first cell runs."""
    import gainlib

    for name in ("ipykernel.kernelapp", "jupyterlab.labapp", "voila.server_extension"):
        importlib.import_module(name)

    for module in pkgutil.walk_packages(gainlib.__path__, "gainlib."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)


def work_out_the_song():
    """Decode the demo song, cut it, and measure it, once for all who use this environment."""
    from gainlib.audio import prepared
    from gainlib.demo.recordings import RECORDINGS, recorded
    from gainlib.labs import lab05

    with prepared.setting_up():
        for stem in RECORDINGS:
            recorded(stem)
        lab05.work_out()


def set_lab_defaults():
    """Write the defaults of this environment's JupyterLab; what a user sets in its menus still wins."""
    file = Path(sys.prefix) / "share" / "jupyter" / "lab" / "settings" / "overrides.json"
    file.parent.mkdir(parents=True, exist_ok=True)
    present = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {}
    file.write_text(json.dumps(present | LAB_DEFAULTS, indent=1), encoding="utf-8")


def keep_labs():
    """Keep a copy of the labs as they were shipped."""
    from gainlib.notebook.shipped import keep

    keep()


def main():
    """Run every step and return how many failed."""
    failed = 0
    sys.dont_write_bytecode = False  # those who read this environment may not be able to write to it
    for step in (keep_labs, set_lab_defaults, list_fonts, compile_meters, read_what_labs_read, work_out_the_song):
        try:
            step()
        except Exception as error:
            failed += 1
            traceback.print_exc()
            print(f"Not prepared ({step.__name__}): {type(error).__name__}: {error}", file=sys.stderr)
    return failed


if __name__ == "__main__":
    sys.exit(main())
