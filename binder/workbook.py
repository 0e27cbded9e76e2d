"""What start.py does once it runs on a suitable Python: install, open, test, restore, pin. Standard library only."""

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BINDER = ROOT / "binder"
VENV = ROOT / ".venv"
STAMP = VENV / "workbook.json"
LOG = VENV / "setup.log"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
LABS = ROOT / "labs"
SPREAD = ("--dist", "loadgroup", "--no-loadscope-reorder", "-n")
SUITABLE = ("3.11", "3.12", "3.13")


class SetUpError(Exception):
    """Set-up cannot go on; the message says why and what would help."""


def main(arguments):
    """Do what the arguments ask for and return an exit status: a number, or a sentence for the reader."""
    verb, rest = (arguments[0], arguments[1:]) if arguments else ("", [])
    try:
        if verb in ("-h", "--help"):
            import start

            print(start.__doc__)
            return 0
        if verb == "pin":
            return pin(upgrade="--upgrade" in rest)
        if verb == "test":
            return test(rest)
        if verb == "restore":
            return restore(sure="--yes" in rest)
        return serve(arguments)
    except SetUpError as error:
        return str(error)


def serve(arguments):
    """Open the labs as pages; the same server has JupyterLab."""
    set_up()
    page = "/voila/render/labs/index.ipynb" if (LABS / "index.ipynb").exists() else "/lab"
    settings = {"--ServerApp.root_dir": str(ROOT), "--LabApp.default_url": page}
    settings["--ServerApp.jpserver_extensions"] = "{'gainlib.notebook.pages': True}"
    given = {argument.split("=")[0] for argument in arguments}
    ours = [f"{name}={value}" for name, value in settings.items() if name not in given]
    if hasattr(os, "geteuid") and os.geteuid() == 0 and "--allow-root" not in given:
        # In a container there is often no other user; JupyterLab would stop with a refusal.
        ours.append("--allow-root")
    command = [str(PYTHON), "-m", "jupyterlab", *ours, *arguments]
    print("Opening the labs. To stop: Ctrl+C here.", flush=True)
    os.chdir(ROOT)
    if os.name != "nt":
        # This process becomes JupyterLab, so that stopping the one stops the other.
        os.execv(command[0], command)
    process = subprocess.Popen(command)
    while True:
        try:
            return process.wait()
        except KeyboardInterrupt:
            continue  # Ctrl+C reached JupyterLab too; let it finish by itself.


def restore(sure=False):
    """Bring the labs back as they were shipped, if the reader means it."""
    set_up()
    question = "Bring the labs back as they were shipped? What you changed in them is lost, your records stay. [y/N] "
    if not sure and input(question).strip().lower() not in ("y", "yes"):
        print("Nothing was changed.")
        return 0
    return subprocess.run([str(PYTHON), "-m", "gainlib.notebook.shipped", "restore"], cwd=ROOT, check=False).returncode


def test(arguments):
    """Fetch the recorded audio the tests read, run the tests and return pytest's exit status."""
    set_up(for_tests=True)
    subprocess.run([str(PYTHON), str(ROOT / "tests" / "recorded.py")], cwd=ROOT, check=False)
    everything = ["--all"] if "--all" in arguments else []
    if set(arguments) - {"--all"}:
        chosen = any(re.match(r"-n|--numprocesses|(-p)?no:xdist", argument) for argument in arguments)
        return _pytest(*([] if chosen else [*SPREAD, "2"]), *arguments)
    # Pages, which wait a good deal, come behind what keeps both processors at work; what watches the time comes last,
    # and alone.
    runs = (
        [*SPREAD, "2", "-m", "not browser and not timed"],
        [*SPREAD, "3", "-m", "browser and not timed", *_marked("browser")],
        ["-m", "timed", *_marked("timed")],
    )
    with tempfile.TemporaryDirectory() as folder:
        counts = Path(folder) / "counts"
        statuses = [_pytest(*run, *everything, GAINLIB_COUNTS=str(counts)) for run in runs]
        ran, left = (sum(map(int, each)) for each in zip(*map(str.split, counts.read_text().splitlines()), strict=True))
    print(f"In all {ran} tests ran, and {left} were left for --all.", flush=True)
    return next(filter(None, statuses), 0)


def _marked(name):
    """Return the test files that use a mark, so that the others need not be read."""
    files = sorted((ROOT / "tests").glob("test_*.py"))
    return [str(file) for file in files if f"pytest.mark.{name}" in file.read_text(encoding="utf-8")]


def _pytest(*arguments, **environment):
    # Hundreds of processes read the same modules; where they may not be kept compiled, that is most of the time.
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    command = [str(PYTHON), "-m", "pytest", *arguments]
    return subprocess.run(command, cwd=ROOT, env=kept | environment, check=False).returncode


def set_up(for_tests=False):
    """Make .venv what the requirement files ask for; only what changed since the last time is done."""
    done = _stamp()
    if not _is_sound(done):
        done = {}
        _make_venv()
    elif done.get("root", str(ROOT)) != str(ROOT):
        _moved_here()
        done["root"] = str(ROOT)
        _write_stamp(done)
    wanted = {"root": str(ROOT), "python": _venv_python()[0]}
    wanted["requirements"] = _digest(BINDER / "requirements.txt", project=True)
    if done.get("requirements") != wanted["requirements"]:
        print("Setting up, once: about 1 GB into the folder .venv, one to three minutes.", flush=True)
        _pip(BINDER / "requirements.txt")
        done = wanted
        _write_stamp(done)
    if for_tests and done.get("tests") != (digest := _digest(BINDER / "requirements-test.txt")):
        print("Adding what the tests need.", flush=True)
        _pip(BINDER / "requirements-test.txt")
        done = done | {"tests": digest}
        _write_stamp(done)
    kernels = _digest(*sorted((ROOT / "gainlib").rglob("*.py")), BINDER / "prepare.py")
    if done.get("kernels") != kernels:
        print("Compiling the meters and working out the demo song ahead.", flush=True)
        if subprocess.run([str(PYTHON), str(BINDER / "prepare.py")], cwd=ROOT, check=False).returncode == 0:
            _write_stamp(done | {"kernels": kernels})


def pin(upgrade=False):
    """Write both requirement files anew: exact versions for every system, nothing about this machine."""
    tool = shutil.which("uv")
    if tool is None:
        if not _is_sound(_stamp()):
            _make_venv()  # no more than that: what stands in the files now may be what cannot be installed
        subprocess.run([str(PYTHON), "-m", "pip", "install", "--quiet", "uv"], check=True)
        tool = str(PYTHON.with_name("uv.exe" if os.name == "nt" else "uv"))
    run, tests, hub = BINDER / "requirements.txt", BINDER / "requirements-test.txt", BINDER / "hub" / "requirements.txt"
    grader = BINDER / "requirements-nbgrader.txt"
    before = run.read_bytes()
    # The compiler may not meet this line in a list it reads; it comes back as the last one.
    run.write_bytes(re.sub(rb"(?m)^-e \.\s*", b"", before))
    common = ["--universal", "--python-version", "3.11", "--no-header", "--no-annotate", "--quiet"]
    common += ["--upgrade"] * upgrade
    try:
        for output, more in ((run, []), *((each, ["-c", run.name]) for each in (tests, hub, grader))):
            source, name = output.with_suffix(".in").relative_to(BINDER), output.relative_to(BINDER)
            subprocess.run([tool, "pip", "compile", source, *common, *more, "-o", name], cwd=BINDER, check=True)
    except (subprocess.CalledProcessError, OSError) as error:
        run.write_bytes(before)
        raise SetUpError(f"The versions were not pinned: {error}") from None
    run.write_bytes(run.read_bytes().replace(b"\r\n", b"\n") + b"-e .\n")
    print(f"Pinned: {', '.join(str(each.relative_to(ROOT)) for each in (run, tests, hub, grader))}")
    return 0


def _venv_python():
    """Return the version of the Python in .venv and whether it has pip; ("", False) if it does not start."""
    ask = "import sys, importlib.util as u; print('%d.%d' % sys.version_info[:2], bool(u.find_spec('pip')))"
    try:
        answer = subprocess.run([str(PYTHON), "-c", ask], capture_output=True, text=True, check=True).stdout.split()
    except (OSError, subprocess.CalledProcessError):
        return "", False
    return answer[0], answer[1] == "True"


def _is_sound(done):
    """Tell whether .venv can be kept: it starts, and the Python under it was not exchanged."""
    version, has_pip = _venv_python()
    return version in SUITABLE and has_pip and done.get("python", version) == version


def _moved_here():
    """Have .venv read the library from here, where it and the folder lie now; nothing need be fetched for that."""
    packages = VENV / ("Lib" if os.name == "nt" else f"lib/python{_venv_python()[0]}") / "site-packages"
    (packages / "workbook.pth").write_text(f"{ROOT}\n", encoding="utf-8")


def _make_venv():
    """Make .venv with the Python this runs on."""
    command = [_base_python(), "-m", "venv", *(["--clear"] if VENV.exists() else []), str(VENV)]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    if result.returncode != 0:
        reason = (result.stdout + result.stderr).strip()
        raise SetUpError(
            f"The folder {VENV.name} could not be made in {ROOT}: {reason}\n"
            "On Debian and Ubuntu: sudo apt install python3-venv, then run the same command again."
        )


def _pip(requirements):
    """Install a requirement file, with one line that counts; the whole output goes to .venv/setup.log."""
    # Not compiled now: Python does that for the modules in use when they are first read, which is half the time.
    command = [str(PYTHON), "-m", "pip", "install", "--progress-bar", "off", "--no-compile"]
    command += ["-r", str(requirements)]
    total = len(set(re.findall(r"(?m)^([\w.-]+)==", requirements.read_text(encoding="utf-8"))))
    environment = os.environ | {"PIP_USER": "0", "PIP_DISABLE_PIP_VERSION_CHECK": "1"}
    options = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True, "errors": "replace"}
    lines, seen, live = [], 0, sys.stdout.isatty()
    # pip runs in the root of the project, because that is what "-e ." in the file means.
    with subprocess.Popen(command, cwd=ROOT, env=environment, **options) as process:
        for line in process.stdout:
            lines.append(line)
            seen += line.startswith("Collecting ")
            if live:
                state = "installing" if line.startswith("Installing") else "fetching"
                print(f"\r  {state}: {min(seen, total)} of {total} ", end="", flush=True)
    if live:
        print()
    LOG.write_text("".join(lines), encoding="utf-8")
    if process.returncode != 0:
        errors = [line for line in lines if line.startswith(("ERROR", "WARNING", "  ERROR"))][-5:]
        raise SetUpError(
            "".join(errors or lines[-5:])
            + "The packages could not be installed. Is the computer online, and is there 1.5 GB free? "
            f"Run the same command again to go on; the whole output is in {LOG.relative_to(ROOT)}."
        )


def _base_python():
    """Return the Python that makes .venv; when this already runs inside it, the one it was made with."""
    return getattr(sys, "_base_executable", None) or sys.executable


def _digest(*files, project=False):
    """Return a digest of these files and, if asked, of what pyproject.toml says about the package itself."""
    total = hashlib.sha256()
    for file in files:
        total.update(file.read_bytes().replace(b"\r\n", b"\n") if file.exists() else b"")
    if project:
        described = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
        total.update(json.dumps([described["build-system"], described["project"]], sort_keys=True).encode())
    return total.hexdigest()


def _stamp():
    """Return what was set up here before, empty if nothing or if it cannot be read."""
    try:
        return dict(json.loads(STAMP.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return {}


def _write_stamp(done):
    fresh = STAMP.with_suffix(".new")
    fresh.write_text(json.dumps(done, indent=1), encoding="utf-8")
    fresh.replace(STAMP)
