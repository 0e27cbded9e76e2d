"""One JupyterLab and one headless Chromium a process, for every test that looks at a page.

Each notebook has its records in the folder it lies in. What a page waits for is counted, never guessed: messages to
the kernel that were not answered, timers of the page about to end, and work begun beside the hand.

What is listened to: errors in cell outputs, errors on the kernel's own channel (an exception in a widget's callback
shows nowhere else), widgets that could not be made, and the page's console.

Traps already met: a notebook run before its kernel is there opens a dialog; JupyterLab leaves cells outside the window
unrendered unless told otherwise; it announces news in a pop-up; it reads settings of the person who runs the tests.
"""

import asyncio
import atexit
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
LONGEST_WORK_S = 120
LONGEST_RUN_S = 300
LONGEST_S = 480
SHOTS = pathlib.Path(__file__).parent / "shots"

KERNEL_IDLE = """() => window.jupyterapp?.shell?.currentWidget?.context?.sessionContext?.session?.kernel?.status
  === 'idle'"""
# Some kernels answer widget messages beside the cells, so running an empty cell does not prove that they are answered;
# what has been sent and not yet answered is counted instead.
LISTEN = """() => { const heard = window.kernelErrors = [], open = window.unanswered = new Set();
  const kernel = window.jupyterapp.widgetManager?.kernel  // of a page; else of a notebook
    ?? window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel;
  kernel.statusChanged.connect((_, status) => /restarting|dead|terminating/.test(status) && open.clear());
  kernel.anyMessage.connect((_, { msg, direction }) => {
    const { header, content, parent_header } = msg;
    if (direction === 'send' && msg.channel === 'shell') open.add(header.msg_id);
    if (direction === 'recv' && header.msg_type === 'status' && content.execution_state === 'idle')
      open.delete(parent_header.msg_id);
    if (direction !== 'recv' || msg.channel !== 'iopub') return;
    if (header.msg_type === 'error') heard.push(`kernel: ${content.ename}: ${content.evalue}`);
    if (header.msg_type !== 'stream' || content.name !== 'stderr') return;
    const lines = content.text.trim().split('\\n'), lost = lines.find((line) => /rate exceeded/.test(line));
    if (lost) heard.push(`server: ${lost}`);  // it says so in the kernel's name, and drops what comes next
    else if (/Traceback|Error/.test(content.text)) heard.push(`kernel: ${lines.pop()}`); }); }"""
# a widget holds a message back while the one before it is under way, hence twice
ANSWERED = f"""async () => {{ const end = Date.now() + {TIMEOUT_S} * 1000;
  for (let quiet = 0; quiet < 2; quiet = window.unanswered?.size ? 0 : quiet + 1) {{
    if (Date.now() > end) {{ const left = window.unanswered.size; window.unanswered.clear();
      throw new Error(`${{left}} messages to the kernel were not answered in {TIMEOUT_S} s`); }}
    await new Promise((later) => setTimeout(later, 30)); }} }}"""
# keys a quarter of a second apart are one gesture, which ends by a timer
TIMERS = """(() => { const set = window.setTimeout, clear = window.clearTimeout, open = window.shortTimers = new Set();
  window.setTimeout = (run, ms, ...rest) => { if (!(ms >= 100 && ms <= 600)) return set(run, ms, ...rest);
    const id = set((...given) => { open.delete(id); run(...given); }, ms, ...rest); open.add(id); return id; };
  window.clearTimeout = (id) => { open.delete(id); clear(id); }; })()"""
TIMERS_ENDED = """async () => { const mine = [...(window.shortTimers ?? [])];
  while (mine.some((id) => window.shortTimers.has(id))) await new Promise((later) => setTimeout(later, 20)); }"""
# The answer comes behind all that the kernel sent before it, and is handled behind it.
BESIDE = """async () => {
  const kernel = window.jupyterapp.widgetManager?.kernel
    ?? window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel;
  const left = "__import__('sys').modules['at_rest'].left()";
  const asked = kernel.requestExecute({ code: '', silent: true, user_expressions: { left } });
  const late = new Promise((lost) => setTimeout(lost, 5000));  // what a kernel is asked while it restarts is lost
  const reply = await Promise.race([asked.done, late]);
  if (!reply) window.unanswered?.delete(asked.msg.header.msg_id);
  return reply ? Number(reply.content.user_expressions.left.data['text/plain']) : -1; }"""
# Runs in every kernel before its notebook: keeps its record beside it, and knows what the library has put off or is
# doing in a thread.
STARTUP = """
def _at_rest():
    import asyncio, os, sys, types
    from concurrent.futures import ThreadPoolExecutor

    os.environ["GAINLIB_RECORDS"] = os.path.join(os.getcwd(), "records")
    os.environ["GAINLIB_BENCH"] = os.path.join(os.getcwd(), "bench")
    put_off, jobs = set(), set()
    later, submit = asyncio.BaseEventLoop.call_later, ThreadPoolExecutor.submit

    def call_later(loop, delay, callback, *args, **context):
        def run(*args):
            put_off.discard(handle)
            callback(*args)

        handle = later(loop, delay, run, *args, **context)
        if str(getattr(callback, "__module__", "")).startswith("gainlib."):
            put_off.add(handle)
        return handle

    def submitted(pool, *args, **named):
        job = submit(pool, *args, **named)
        if pool._thread_name_prefix.startswith("gainlib-"):
            jobs.add(job)
        return job

    def left():
        ended = {job for job in jobs if job.done()}
        jobs.difference_update(ended)  # what they lead to may still be on its way, so they count once more
        return len(jobs) + len(ended) + sum(not handle.cancelled() for handle in put_off)

    asyncio.BaseEventLoop.call_later, ThreadPoolExecutor.submit = call_later, submitted
    sys.modules["at_rest"] = types.SimpleNamespace(left=left)


_at_rest()
del _at_rest
"""
PROBLEMS = """() => { const found = window.kernelErrors ? [] : ['nobody listens to the kernel of this page'];
  const cells = window.jupyterapp.shell.currentWidget.content.model.cells;
  for (let i = 0; i < cells.length; i++) { const cell = cells.get(i); if (cell.type !== 'code') continue;
    for (let k = 0; k < cell.outputs.length; k++) { const out = cell.outputs.get(k).toJSON();
      if (out.output_type === 'error') found.push(`cell ${i + 1}: ${out.ename}: ${out.evalue}`); } }
  for (const node of document.querySelectorAll('.jp-Notebook .jp-OutputArea-output')) {
    if (/Error displaying widget|Loading widget\\.\\.\\.|Error creating widget/.test(node.innerText))
      found.push('widget: ' + node.innerText.slice(0, 200)); }
  return [...new Set([...found, ...(window.kernelErrors || [])])]; }"""

ALL_MADE = """() => ![...document.querySelectorAll('.jp-OutputArea-output')].some(
  (node) => /Loading widget/.test(node.innerText))"""


@contextlib.contextmanager
def at_most(seconds=LONGEST_S):
    """End what takes longer than that: waiting for a script in a page has no limit of its own in Playwright.

    The browsers of this process are ended, so that the wait fails with an error and the other tests can go on; if that
    does not help, everything this process started is ended too. Where it stood is printed first.
    """

    def end(chosen):
        print(f"{seconds:g} s were not enough for what stands here:", file=sys.__stderr__, flush=True)
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
    code = {"cell_type": "code", "metadata": {}, "outputs": [], "execution_count": None}
    cells = [{**code, "id": f"cell-{k + 1}", "source": source} for k, source in enumerate(sources)]
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    path.write_text(json.dumps({"nbformat": 4, "nbformat_minor": 5, "metadata": kernel, "cells": cells}))
    return path


@dataclass
class Server:
    """A running JupyterLab: where it is, its token and the folder it shows."""

    base: str
    token: str
    root: pathlib.Path

    def ask(self, what: str, **how):
        """Ask for something of its interface for programs."""
        address = f"{self.base}/api/{what}?token={self.token}"
        try:
            return urllib.request.urlopen(urllib.request.Request(address, **how), timeout=TIMEOUT_S)
        except TimeoutError:
            raise TimeoutError(f"{TIMEOUT_S} s were not enough for the server to answer about {what}") from None


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
    """Start this process's JupyterLab where it does not run yet; yields its :class:`Server`, which shows `root` too."""
    if _Shared.process is None or _Shared.process.poll() is not None:
        _Shared.root = _Shared.root or pathlib.Path(root).resolve()  # a benchmark has no folder of pytest's
        _start(_Shared.root)
    assert pathlib.Path(root).resolve().is_relative_to(_Shared.root), root
    yield _Shared.server


class _Shared:
    """What runs once a process: the server, Playwright (which cannot run twice) and its browser."""

    process, server, home, playwright, browser, loop = None, None, None, None, None, None
    root: pathlib.Path | None = None


@pytest.fixture(scope="session", autouse=True)
def pages_root(tmp_path_factory):
    """Have all of pytest's folders seen by the server."""
    _Shared.root = tmp_path_factory.getbasetemp().resolve()


def _start(root):
    atexit.register(close_all)
    home = _Shared.home = pathlib.Path(tempfile.mkdtemp(prefix="gainlib-lab-"))
    _settings(home / "settings")
    startup = home / "ipython" / "profile_default" / "startup" / "at_rest.py"
    startup.parent.mkdir(parents=True)
    startup.write_text(STARTUP, encoding="utf-8")
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
    command += ["--ServerApp.jpserver_extensions={'gainlib.notebook.pages': True}"]
    log = home / "server.log"
    with log.open("wb") as stream:
        process = subprocess.Popen(command, stdout=stream, stderr=subprocess.STDOUT, env={**os.environ, **own})
    _Shared.process, _Shared.server = process, Server(f"http://127.0.0.1:{port}", token, root)
    _wait(process, f"http://127.0.0.1:{port}/api/status?token={token}", log)


def close_all() -> None:
    """End the server and the browser of this process."""
    if _Shared.playwright is not None:
        with _looping():
            with contextlib.suppress(Exception):  # a browser that was ended by force says so
                _Shared.browser.close()
            _Shared.playwright.stop()
    if _Shared.process is not None and _Shared.process.poll() is None:
        _Shared.process.send_signal(signal.SIGTERM)
        try:
            _Shared.process.wait(15)
        except subprocess.TimeoutExpired:
            _Shared.process.kill()
            _Shared.process.wait(15)
    if _Shared.home is not None:
        shutil.rmtree(_Shared.home, ignore_errors=True)
    _Shared.playwright = _Shared.browser = _Shared.process = _Shared.home = None


def _wait(server, address, log):
    end = time.monotonic() + START_S
    while time.monotonic() < end and server.poll() is None:
        with contextlib.suppress(OSError):
            urllib.request.urlopen(address, timeout=2).close()
            return
        time.sleep(0.1)
    raise RuntimeError(f"JupyterLab did not start:\n{log.read_text(errors='replace')[-3000:]}")


@contextlib.contextmanager
def headless():
    """Start this process's headless Chromium where it does not run yet; yields Playwright's browser."""
    path = chromium()
    with _looping():
        if _Shared.browser is None or not _Shared.browser.is_connected():
            _Shared.browser = _Shared.playwright.chromium.launch(executable_path=path, args=list(FLAGS), headless=True)
            atexit.register(close_all)
        yield _Shared.browser


@contextlib.contextmanager
def _looping():
    """Start Playwright where it does not run yet, and let this thread have its event loop meanwhile.

    It leaves its loop behind as the running one, though that turns during its calls alone: a test without a page would
    then wait for ever for what the library puts off where it finds a loop.
    """
    from playwright.sync_api import sync_playwright

    before = asyncio._get_running_loop()
    try:
        if _Shared.playwright is None:
            _Shared.playwright, _Shared.loop = sync_playwright().start(), asyncio.get_running_loop()
        asyncio._set_running_loop(_Shared.loop)
        yield
    finally:
        asyncio._set_running_loop(before)


def ended(page, script: str, what: str, given=None, seconds: float = TIMEOUT_S):
    """Return what a script in a page gives, or say what was waited for: a promise has no end of its own."""
    late = f"(_, end) => setTimeout(() => end(new Error('{seconds:g} s were not enough for {what}')), {seconds * 1000})"
    return page.evaluate(f"(given) => Promise.race([({script})(given), new Promise({late})])", given)


def until(page, script: str, what: str, seconds: float = TIMEOUT_S) -> None:
    """Wait for what a page shows, or say what was waited for."""
    from playwright.sync_api import TimeoutError

    try:
        page.wait_for_function(script, timeout=seconds * 1000)
    except TimeoutError:
        raise AssertionError(f"{seconds:g} s were not enough for {what}") from None


def at_rest(page) -> None:
    """Wait until nothing is under way on a page that is listened to."""
    end, quiet, left = time.monotonic() + LONGEST_WORK_S, 0, 0
    while quiet < 2:
        what = "the kernel to answer" if left < 0 else f"{left} things put off or in threads of the kernel"
        assert time.monotonic() < end, f"{LONGEST_WORK_S} s were not enough for {what}"
        ended(page, TIMERS_ENDED, "the timers of a gesture to end")
        page.evaluate(ANSWERED)
        left = page.evaluate(BESIDE)
        quiet = 0 if left else quiet + 1


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
    _path: str = ""

    def open(self, notebook: pathlib.Path) -> "NotebookPage":
        """Load the notebook and wait for its kernel."""
        self._path = pathlib.Path(notebook).resolve().relative_to(self.server.root).as_posix()
        self.page.on("pageerror", lambda error: self.console.append(str(error)[:400]))
        self.page.on("console", lambda m: m.type == "error" and self.console.append(m.text[:400]))
        self.page.goto(f"{self.server.base}/lab/tree/{self._path}?token={self.server.token}&reset")
        self.idle()
        self.page.evaluate(LISTEN)
        return self

    def idle(self) -> None:
        """Wait until nothing is under way: no message, no timer of a gesture, nothing put off or in a thread."""
        until(self.page, KERNEL_IDLE, "the kernel to be idle")
        at_rest(self.page)

    def command(self, name: str) -> None:
        """Run one of JupyterLab's commands to its end."""
        script = "async (name) => { await window.jupyterapp.commands.execute(name); }"
        ended(self.page, script, f"JupyterLab to be through with {name}", name, LONGEST_RUN_S)

    def run_all(self) -> "NotebookPage":
        """Run every cell and wait until the widgets are there."""
        self.command("notebook:run-all-cells")
        self.idle()
        until(self.page, ALL_MADE, "all widgets to be made")
        self.page.wait_for_timeout(300)
        return self

    def kernel(self, code: str) -> str:
        """Run `code` in the notebook's kernel and return what it prints."""
        return ended(
            self.page,
            """async (code) => { let text = '';
              const kernel = window.jupyterapp.shell.currentWidget.context.sessionContext.session.kernel;
              const future = kernel.requestExecute({ code, store_history: false });
              future.onIOPub = (m) => { if (m.header.msg_type === 'stream') text += m.content.text;
                if (m.header.msg_type === 'error') text += m.content.ename + ': ' + m.content.evalue; };
              await future.done; return text; }""",
            "the kernel to run what a test gave it",
            code,
            LONGEST_RUN_S,
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
        """Close the page and end its kernel, whatever state they are in."""
        from playwright.sync_api import Error

        with contextlib.suppress(Error):
            self.page.context.close()
        with contextlib.suppress(OSError):
            for session in json.load(self.server.ask("sessions")):
                if session["path"] == self._path:
                    self.server.ask(f"sessions/{session['id']}", method="DELETE")


@contextlib.contextmanager
def notebook_page(server: Server, browser, notebook: pathlib.Path, width: int = 1280, height: int = 1000):
    """Open `notebook` in a fresh page; yields a :class:`NotebookPage`."""
    context = browser.new_context(viewport={"width": width, "height": height})
    context.add_init_script(TIMERS)
    page = context.new_page()
    page.set_default_timeout(TIMEOUT_S * 1000)
    notebook_open = NotebookPage(page, server)
    try:
        yield notebook_open.open(notebook)
    finally:
        notebook_open.close()


@contextlib.contextmanager
def opened(notebook: pathlib.Path, **size):
    """Open a notebook that lies in a folder of pytest's, in a page of this process's browser."""
    with (
        jupyterlab(notebook.parent) as server,
        headless() as browser,
        notebook_page(server, browser, notebook, **size) as page,
    ):
        yield page


@pytest.fixture(scope="module")
def open_notebook(tmp_path_factory):
    """Function (name, *sources) -> a page with that notebook run."""
    root = tmp_path_factory.mktemp("notebooks")
    with contextlib.ExitStack() as pages:

        def start(name, *sources, **size):
            notebook = write_notebook(root / f"{name}.ipynb", *sources)
            return pages.enter_context(opened(notebook, **size)).run_all()

        yield start
