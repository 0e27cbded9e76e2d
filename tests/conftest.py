"""What all tests share: recorded audio, steady random tests, records of their own, and no silent skips in CI."""

import contextlib
import os
import tempfile

import pytest
import recorded
from browser import at_most, open_notebook  # noqa: F401 (a fixture)
from filelock import FileLock
from hypothesis import HealthCheck, settings

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
    """Let the whole set be asked for."""
    parser.addoption("--all", action="store_true", help="run everything, the tests marked exhaustive included")


def pytest_configure(config):
    """Keep the user's records and cache out of the tests, and let no skip pass in CI, doctests included."""
    records = tempfile.TemporaryDirectory(prefix="gainlib-records-")
    config.add_cleanup(records.cleanup)
    os.environ["GAINLIB_RECORDS"] = records.name
    os.environ["GAINLIB_CACHE"] = records.name
    if IN_CI:
        config.pluginmanager.register(SkipsFail(), "skips-fail")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config, items):
    """Leave out what is not for every day; keep the browser tests on one worker, and let them begin first."""
    if not config.getoption("--all"):
        left = [item for item in items if item.get_closest_marker("exhaustive")]
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if not item.get_closest_marker("exhaustive")]
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.xdist_group("browser"))
    items.sort(key=lambda item: item.get_closest_marker("browser") is None)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item):
    """Let no page keep the others waiting for ever, its setting up and its end included."""
    with at_most() if item.get_closest_marker("browser") else contextlib.nullcontext():
        return (yield)


@pytest.fixture(scope="session")
def recorded_folder():
    """Folder with recorded WAV and FLAC files, fetched once even when several workers ask."""
    recorded.FOLDER.mkdir(parents=True, exist_ok=True)
    with FileLock(recorded.FOLDER.parent / "recorded.lock"):
        folder = recorded.fetch()
    if folder is None:
        pytest.skip("recorded audio comes from Debian packages, which cannot be had here")
    return folder
