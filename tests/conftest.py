"""What all tests share: how much is run and in what order, records of their own, recorded audio, no silent skips in CI.

By day the tests marked `exhaustive` are left out; `--all` runs them too. The summary tells how many were left. With
`--dist loadgroup` a file stays on one worker, the costly ones begin first, and whatever works on the capstone's songs
stays together, since a song that was measured once is not measured again.
"""

import contextlib
import os
import pathlib
import re
import sys
import tempfile

import pytest
import recorded
from browser import at_most, close_all, open_notebook, pages_root  # noqa: F401 (two are fixtures)
from filelock import FileLock
from hypothesis import HealthCheck, settings

EVERYTHING = "GAINLIB_ALL"
"""Set to 1 where tests are to try as many learners as they can."""
LEFT = pytest.StashKey[int]()
CAPSTONE = ("test_capstone_marking", "test_lab12_panels")
COSTLY = (
    "test_labs_headless", "test_plan", "test_linearity", "test_probe_matrix", "test_probe", "test_demo", "test_checkup",
    "test_bench_headless", "test_gradebook", "test_null", "test_cli_plan", "test_compliance",
    "test_pages_browser", "test_lab05_browser", "test_bench_browser", "test_kept_browser", "test_lab10_browser",
)  # fmt: skip
"""Files whose tests take longest, the longest first; the others follow as they come."""
IN_CI = os.environ.get("CI", "").lower() not in ("", "0", "false")

# Compiled loops make the first example slow, so there is no deadline; in CI every run draws the same examples.
settings.register_profile("here", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", settings.get_profile("here"), derandomize=True, print_blob=True)
settings.load_profile("ci" if IN_CI else "here")


class SkipsFail:
    """In CI a test, or a whole file of tests, that skips has failed: nothing may go unrun without a word."""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self, item, call):
        """Turn a skipped test into a failed one."""
        return _failed_if_skipped((yield))

    @pytest.hookimpl(wrapper=True)
    def pytest_make_collect_report(self, collector):
        """Turn a file that skips as a whole into an error."""
        return _failed_if_skipped((yield))


def _failed_if_skipped(report):
    # An expected failure is reported as skipped too; it ran, so it stays what it is.
    if report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[-1] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"Nothing may be skipped in CI. {reason}"
    return report


def pytest_addoption(parser):
    """Let everything be asked for."""
    parser.addoption("--all", action="store_true", help="run everything, the tests marked exhaustive included")


def pytest_configure(config):
    """Keep the user's records and cache out of the tests, and let no skip pass in CI, doctests included."""
    records = tempfile.TemporaryDirectory(prefix="gainlib-records-")
    config.add_cleanup(records.cleanup)
    os.environ["GAINLIB_RECORDS"] = records.name
    os.environ["GAINLIB_CACHE"] = records.name
    os.environ["GAINLIB_BENCH"] = os.path.join(records.name, "bench")
    if config.getoption("--all"):
        os.environ[EVERYTHING] = "1"
    if IN_CI:
        config.pluginmanager.register(SkipsFail(), "skips-fail")


@pytest.hookimpl(wrapper=True)
def pytest_collection_modifyitems(config, items):
    """Put the tests in order, and leave out what is not for every day once all else has chosen."""
    spread = config.pluginmanager.hasplugin("xdist")
    for item in items:
        if spread and item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(_group(item)))
    items.sort(key=_turn)
    result = yield
    if not config.getoption("--all"):
        left = [item for item in items if item.get_closest_marker("exhaustive")]
        config.stash[LEFT] = len(left)
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if not item.get_closest_marker("exhaustive")]
    return result


@pytest.fixture(autouse=True, scope="module")
def no_widget_outlives_its_file():
    """Close what a file's tests have shown."""
    yield from widgets_closed()


def widgets_closed():
    """Close the widgets made meanwhile: ipywidgets keeps each alive that nobody closes, and the audio behind it."""
    before = set(_widgets())
    yield
    for name in set(_widgets()) - before:
        if name in _widgets():  # a box closes what it holds
            _widgets()[name].close()


def _widgets():
    module = sys.modules.get("ipywidgets.widgets.widget")
    return module._instances if module else {}


def _group(item):
    if item.get_closest_marker("timed"):
        return "timed"
    return "capstone" if item.path.stem in CAPSTONE or re.search(r"\[12-(\d|capstone)", item.nodeid) else item.path.stem


def _turn(item):
    name = item.path.stem
    costly = COSTLY.index(name) if name in COSTLY else len(COSTLY)
    timed, page = (item.get_closest_marker(mark) is not None for mark in ("timed", "browser"))
    return timed, page, _group(item) != "capstone", costly


def pytest_sessionfinish(session):
    """End what the browser tests started; tell how many tests were left out."""
    close_all()
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["left"] = session.config.stash.get(LEFT, 0)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node):
    """Take over what a worker left out, which is what every worker left out."""
    if hasattr(node, "workeroutput"):
        node.config.stash[LEFT] = node.workeroutput["left"]


def pytest_terminal_summary(terminalreporter, config):
    """Say how many tests ran and how many did not, and write it where it shall be added up."""
    kinds = ("passed", "failed", "error", "xfailed", "xpassed")
    ran, left = sum(len(terminalreporter.stats.get(kind, ())) for kind in kinds), config.stash.get(LEFT, 0)
    terminalreporter.write_line(f"{ran} tests ran, {left} were left for --all")
    if "GAINLIB_COUNTS" in os.environ and not hasattr(config, "workerinput"):  # a worker's are among them
        with open(os.environ["GAINLIB_COUNTS"], "a", encoding="utf-8") as counts:
            counts.write(f"{ran} {left}\n")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item):
    """Let no page keep the others waiting for ever, its setting up and its end included."""
    with at_most() if item.get_closest_marker("browser") else contextlib.nullcontext():
        return (yield)


@pytest.fixture
def entered_folder():
    """A folder that other accounts may enter: those of pytest are closed to them."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o711)
        yield pathlib.Path(folder)


@pytest.fixture(scope="session")
def recorded_folder():
    """Folder with recorded WAV and FLAC files, fetched once even when several workers ask."""
    recorded.FOLDER.mkdir(parents=True, exist_ok=True)
    with FileLock(recorded.FOLDER.parent / "recorded.lock"):
        folder = recorded.fetch()
    if folder is None:
        pytest.skip("recorded audio comes from Debian packages, which cannot be had here")
    return folder
