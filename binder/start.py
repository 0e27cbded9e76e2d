#!/usr/bin/env python3
"""Set up the workbook and open it: one command for Windows, macOS and Linux.

    python3 binder/start.py               set up (once), then open the labs in your browser
    python3 binder/start.py test          set up, then run the tests of every day; --all runs every test there is;
                                          further arguments go to pytest
    python3 binder/start.py restore       bring the labs back as they were shipped, after a question
    python3 binder/start.py pin           choose the pinned versions anew; --upgrade takes the newest
    python3 binder/start.py --no-browser  any other argument goes to the Jupyter server

Everything is installed into the folder .venv of this project; nothing else on the computer is changed.
"""

# This file finds a Python that can run the workbook, so it keeps to what even a very old Python can read: the reader
# gets a sentence, not a syntax error. The work itself stands in workbook.py.
# ruff: noqa: RUF005, UP

import glob
import os
import platform
import subprocess
import sys
import sysconfig

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(HERE)
VERSIONS = ((3, 13), (3, 12), (3, 11))
WANTED = "Python 3.11, 3.12 or 3.13 (64 bit)"


def unfit():
    """Say in words why the running Python cannot carry the workbook; an empty string if it can."""
    version = ".".join(str(part) for part in sys.version_info[:2])
    if tuple(sys.version_info[:2]) not in VERSIONS:
        return "it is Python " + version
    if platform.python_implementation() != "CPython":
        return "it is " + platform.python_implementation() + ", for which the numeric libraries are not built"
    if sys.maxsize <= 2**32:
        return "it is a 32-bit build"
    if sysconfig.get_config_var("Py_GIL_DISABLED"):
        return "it is the free-threaded build"
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        return "it cannot make a virtual environment (on Debian and Ubuntu: sudo apt install python3-venv)"
    return ""


def candidates():
    """List the commands under which a suitable Python may be found, best first."""
    windows = os.name == "nt"
    found = [[os.path.join(ROOT, ".venv", *(("Scripts", "python.exe") if windows else ("bin", "python")))]]
    for major, minor in VERSIONS:
        dotted = str(major) + "." + str(minor)
        if windows:
            programs = os.path.join(os.environ.get("LOCALAPPDATA", ""), "Programs", "Python")
            found.append(["py", "-" + dotted])
            found.append([os.path.join(programs, "Python" + str(major) + str(minor), "python.exe")])
            continue
        name = "python" + dotted
        found.append([name])
        for folder in ("/usr/local/bin", "/usr/bin", "/opt/homebrew/bin"):
            found.append([os.path.join(folder, name)])
        found.append(["/Library/Frameworks/Python.framework/Versions/" + dotted + "/bin/" + name])
        for home in ("~/.pyenv/versions/" + dotted + ".*", "~/.local/share/uv/python/cpython-" + dotted + ".*"):
            for path in sorted(glob.glob(os.path.join(os.path.expanduser(home), "bin", name))):
                found.append([path])
    return found + [["python3"], ["python"]]


def is_fit(command):
    """Tell whether this command starts a Python that can carry the workbook."""
    ask = "import sys; sys.path.insert(0, sys.argv[1]); import start; sys.exit(1 if start.unfit() else 0)"
    try:
        process = subprocess.Popen(
            command + ["-B", "-c", ask, HERE],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        process.communicate()
    except OSError:
        return False
    return process.returncode == 0


def main(arguments):
    """Go on with this Python if it will do, else with the first one that does, else say what to install."""
    reason = unfit()
    if not reason:
        sys.path.insert(0, HERE)
        import workbook

        return workbook.main(arguments)
    for command in candidates():
        if is_fit(command):
            print("This Python will not do (" + reason + "); going on with " + " ".join(command) + ".")
            sys.stdout.flush()
            whole = command + [os.path.abspath(__file__)] + arguments
            # Where the system allows it this process becomes the other one, so that stopping it stops the workbook.
            return subprocess.call(whole) if os.name == "nt" else os.execvp(whole[0], whole)
    return (
        "The workbook needs "
        + WANTED
        + ". The one that ran this ("
        + sys.executable
        + ") will not do: "
        + reason
        + ", and no other was found. Install one (from python.org or your system's packages) and run the same"
        + " command again."
    )


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
