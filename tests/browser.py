"""JupyterLab and a headless Chromium, shared by every test that looks at a page.

What is listened to: errors in cell outputs, errors on the kernel's own channel (an exception in a widget's callback
shows nowhere else), widgets that could not be made, and the page's console.

Traps already met: a notebook run before its kernel is there opens a dialog; JupyterLab leaves cells outside the window
unrendered unless told otherwise; it announces news in a pop-up; it reads settings of the person who runs the tests.
"""

import contextlib
import faulthandler
import json
import os
import pathlib
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from dataclasses import dataclass, field

import nbformat
import psutil
import pytest

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--mute-audio",
)
TIMEOUT_S = 60
START_S = 60
LONGEST_S = 480
SHOTS = pathlib.Path(__file__).parent / "shots"

KERNEL_IDLE = """() => window.jupyterapp?.shell?.currentWidget?.context?.sessionContext?.session?.kernel?.status
  === 'idle'"""
# Some kernels answer widget messages beside the cells, so running an empty cell does not prove that they are answered;
# what has been sent and not yet answered is counted instead.
LISTEN = """() => { const heard = window.kernelErrors = [], open = window.unanswered = new Set();
  const kernel = window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel;
  kernel.statusChanged.connect((_, status) => /restarting|dead|terminating/.test(status) && open.clear());
  kernel.anyMessage.connect((_, { msg, direction }) => {
    const { header, content, parent_header } = msg;
    if (direction === 'send' && msg.channel === 'shell') open.add(header.msg_id);
    if (direction === 'recv' && header.msg_type === 'status' && content.execution_state === 'idle')
      open.delete(parent_header.msg_id);
    if (direction !== 'recv' || msg.channel !== 'iopub') return;
    if (header.msg_type === 'error') heard.push(`kernel: ${content.ename}: ${content.evalue}`);
    if (header.msg_type === 'stream' && content.name === 'stderr' && /Traceback|Error/.test(content.text))
      heard.push('kernel: ' + content.text.trim().split('\\n').pop()); }); }"""
# a widget holds a message back while the one before it is under way, hence twice
ANSWERED = f"""async () => {{ const end = Date.now() + {TIMEOUT_S} * 1000;
  for (let quiet = 0; quiet < 2; quiet = window.unanswered?.size ? 0 : quiet + 1) {{
    if (Date.now() > end) {{ const left = window.unanswered.size; window.unanswered.clear();
      throw new Error(`${{left}} messages to the kernel were not answered in {TIMEOUT_S} s`); }}
    await new Promise((later) => setTimeout(later, 30)); }} }}"""
PROBLEMS = """() => { const found = window.kernelErrors ? [] : ['nobody listens to the kernel of this page'];
  const cells = window.jupyterapp.shell.currentWidget.content.model.cells;
  for (let i = 0; i < cells.length; i++) { const cell = cells.get(i); if (cell.type !== 'code') continue;
    for (let k = 0; k < cell.outputs.length; k++) { const out = cell.outputs.get(k).toJSON();
      if (out.output_type === 'error') found.push(`cell ${i + 1}: ${out.ename}: ${out.evalue}`); } }
  for (const node of document.querySelectorAll('.jp-Notebook .jp-OutputArea-output')) {
    if (/Error displaying widget|Loading widget\\.\\.\\.|Error creating widget/.test(node.innerText))
      found.push('widget: ' + node.innerText.slice(0, 200)); }
  return [...new Set([...found, ...(window.kernelErrors || [])])]; }"""

SHUT_DOWN = f"""async () => {{ const session = window.jupyterapp?.shell?.currentWidget?.context?.sessionContext;
  await Promise.race([session?.shutdown(), new Promise((later) => setTimeout(later, {TIMEOUT_S} * 1000))]); }}"""

ALL_MADE = """() => ![...document.querySelectorAll('.jp-OutputArea-output')].some(
  (node) => /Loading widget/.test(node.innerText))"""


@contextlib.contextmanager
def at_most(seconds=LONGEST_S):
    """End what takes longer than that: waiting for a script in a page has no limit of its own in Playwright.

    The browsers of this process are ended, so that the wait fails with an error and the other tests can go on; if that
    does not help, everything this process started is ended too. Where it stood is printed first.
    """

    def end(chosen):
        faulthandler.dump_traceback(sys.__stderr__)
        for child in psutil.Process().children(recursive=True):
            with contextlib.suppress(psutil.Error):
                if chosen in child.name():
                    child.kill()

    timers = [threading.Timer(seconds, end, ["chrom"]), threading.Timer(seconds + 30, end, [""])]
    for timer in timers:
        timer.daemon = True
        timer.start()
    try:
        yield
    finally:
        for timer in timers:
            timer.cancel()


def chromium() -> str:
    """Path of a Chromium; skips the test if there is none (which in CI is a failure, see conftest)."""
    names = ("chromium", "chromium-browser", "google-chrome")
    path = os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, names)), None)
    if not path:
        pytest.skip(f"no Chromium found (looked for {', '.join(names)} and $CHROMIUM)")
    return path


def write_notebook(path: pathlib.Path, *sources: str) -> pathlib.Path:
    """Write a notebook whose code cells are `sources`."""
    cells = [nbformat.v4.new_code_cell(source, id=f"cell-{k + 1}") for k, source in enumerate(sources)]
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), path)
    return path


@dataclass
class Server:
    """A running JupyterLab: where it is, its token and the folder it shows."""

    base: str
    token: str
    root: pathlib.Path


def _settings(folder: pathlib.Path):
    wanted = {
        "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
        "notebook-extension/tracker": {"windowingMode": "none"},
    }
    for name, values in wanted.items():
        path = folder / "@jupyterlab" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(values))


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextlib.contextmanager
def jupyterlab(root: pathlib.Path):
    """Start JupyterLab on the folder `root` with settings of its own, and end it; yields a :class:`Server`."""
    home = pathlib.Path(tempfile.mkdtemp(prefix="gainlib-lab-"))
    _settings(home / "settings")
    places = ("config", "data", "runtime", "ipython", "settings", "workspaces")
    names = (
        "JUPYTER_CONFIG_DIR",
        "JUPYTER_DATA_DIR",
        "JUPYTER_RUNTIME_DIR",
        "IPYTHONDIR",
        "JUPYTERLAB_SETTINGS_DIR",
        "JUPYTERLAB_WORKSPACES_DIR",
    )
    own = {name: str(home / place) for name, place in zip(names, places, strict=True)}
    port, token = _free_port(), secrets.token_hex(16)
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--ServerApp.ip=127.0.0.1"]
    command += [f"--ServerApp.port={port}", "--ServerApp.port_retries=0", f"--IdentityProvider.token={token}"]
    command += [f"--ServerApp.root_dir={root}", "--LabApp.expose_app_in_browser=True"]
    log = home / "server.log"
    with log.open("wb") as stream:
        server = subprocess.Popen(command, stdout=stream, stderr=subprocess.STDOUT, env={**os.environ, **own})
        try:
            _wait(server, f"http://127.0.0.1:{port}/api/status?token={token}", log)
            yield Server(f"http://127.0.0.1:{port}", token, pathlib.Path(root))
        finally:
            if server.poll() is None:
                server.send_signal(signal.SIGTERM)
                try:
                    server.wait(15)
                except subprocess.TimeoutExpired:
                    server.kill()
                    server.wait(15)
    shutil.rmtree(home, ignore_errors=True)


def _wait(server, address, log):
    end = time.monotonic() + START_S
    while time.monotonic() < end and server.poll() is None:
        with contextlib.suppress(OSError):
            urllib.request.urlopen(address, timeout=2).close()
            return
        time.sleep(0.1)
    raise RuntimeError(f"JupyterLab did not start:\n{log.read_text(errors='replace')[-3000:]}")


class _Driver:
    """Playwright for whoever needs it: it cannot run twice in one process."""

    running, users = None, 0


@contextlib.contextmanager
def headless():
    """Start a headless Chromium; yields Playwright's browser."""
    from playwright.sync_api import sync_playwright

    path = chromium()
    _Driver.running = _Driver.running or sync_playwright().start()
    _Driver.users += 1
    try:
        browser = _Driver.running.chromium.launch(executable_path=path, args=list(FLAGS), headless=True)
        try:
            yield browser
        finally:
            browser.close()
    finally:
        _Driver.users -= 1
        if not _Driver.users:
            _Driver.running.stop()
            _Driver.running = None


@dataclass
class NotebookPage:
    """One notebook open in a page of its own.

    Attributes
    ----------
    page : playwright Page
        For everything this class has no word for.
    console : list of str
        Errors of the page, console errors included.
    """

    page: object
    server: Server
    console: list[str] = field(default_factory=list)

    def open(self, notebook: pathlib.Path) -> "NotebookPage":
        """Load the notebook and wait for its kernel."""
        where = pathlib.Path(notebook).resolve().relative_to(self.server.root.resolve()).as_posix()
        self.page.on("pageerror", lambda error: self.console.append(str(error)[:400]))
        self.page.on("console", lambda m: m.type == "error" and self.console.append(m.text[:400]))
        self.page.goto(f"{self.server.base}/lab/tree/{where}?token={self.server.token}&reset")
        self.idle()
        self.page.evaluate(LISTEN)
        return self

    def idle(self) -> None:
        """Wait until the kernel is there and has answered all that the page sent."""
        self.page.wait_for_function(KERNEL_IDLE, timeout=TIMEOUT_S * 1000)
        self.page.evaluate(ANSWERED)

    def command(self, name: str) -> None:
        """Run one of JupyterLab's commands to its end."""
        self.page.evaluate("async (name) => { await window.jupyterapp.commands.execute(name); }", name)

    def run_all(self) -> "NotebookPage":
        """Run every cell and wait until the widgets are there."""
        self.command("notebook:run-all-cells")
        self.idle()
        self.page.wait_for_function(ALL_MADE, timeout=TIMEOUT_S * 1000)
        self.page.wait_for_timeout(300)
        return self

    def kernel(self, code: str) -> str:
        """Run `code` in the notebook's kernel and return what it prints."""
        return self.page.evaluate(
            """async (code) => { let text = '';
              const kernel = window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel;
              const future = kernel.requestExecute({ code, store_history: false });
              future.onIOPub = (m) => { if (m.header.msg_type === 'stream') text += m.content.text;
                if (m.header.msg_type === 'error') text += m.content.ename + ': ' + m.content.evalue; };
              await future.done; return text; }""",
            code,
        ).strip()

    def problems(self) -> list[str]:
        """Everything that went wrong so far: outputs, kernel, widgets, console."""
        self.page.evaluate(ANSWERED)
        return [*self.page.evaluate(PROBLEMS), *(f"console: {text}" for text in self.console)]

    def shot(self, name: str) -> pathlib.Path:
        """Save what the window shows under tests/shots (not kept in the repository)."""
        SHOTS.mkdir(exist_ok=True)
        self.page.screenshot(path=str(SHOTS / f"{name}.png"))
        return SHOTS / f"{name}.png"

    def close(self) -> None:
        """End the kernel and the page; a page that has gone already is as good as closed."""
        from playwright.sync_api import Error

        with contextlib.suppress(Error):
            self.page.evaluate(SHUT_DOWN)
        self.page.context.close()


@contextlib.contextmanager
def notebook_page(server: Server, browser, notebook: pathlib.Path, width: int = 1280, height: int = 1000):
    """Open `notebook` in a fresh page; yields a :class:`NotebookPage`."""
    context = browser.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    page.set_default_timeout(TIMEOUT_S * 1000)
    notebook_open = NotebookPage(page, server)
    try:
        yield notebook_open.open(notebook)
    finally:
        notebook_open.close()


@pytest.fixture(scope="session")
def open_notebook(tmp_path_factory):
    """Function (name, *sources) -> a page with that notebook run; one JupyterLab and one Chromium for all tests."""
    root = tmp_path_factory.mktemp("notebooks")
    with contextlib.ExitStack() as opened:
        server, chrome = opened.enter_context(jupyterlab(root)), opened.enter_context(headless())

        def start(name, *sources, **size):
            notebook = write_notebook(root / f"{name}.ipynb", *sources)
            return opened.enter_context(notebook_page(server, chrome, notebook, **size)).run_all()

        yield start
