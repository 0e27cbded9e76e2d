"""In CI a skip is a failure, whatever way a test takes to skip; on a laptop it stays a skip."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent

TESTS = """
import pytest

@pytest.mark.browser
def test_says_so():
    pytest.skip("no browser")

@pytest.mark.skipif(True, reason="not here")
def test_marked():
    pass

@pytest.fixture
def missing():
    pytest.skip("not to be had")

def test_through_a_fixture(missing):
    pass

@pytest.mark.xfail(reason="known", strict=True)
def test_expected_to_fail():
    assert False

def test_runs():
    pass
"""
WHOLE_FILE = 'import pytest\npytest.importorskip("no_such_library_anywhere")\n'
DOCTEST = '"""\n>>> 1 / 0  # doctest: +SKIP\n"""\n'
SETTINGS = "[pytest]\nmarkers =\n    browser: drives a browser\n    recorded: reads recordings\n"


def run(folder, ci, *options):
    """Run the tests above under this project's conftest and return pytest's exit status and its counts."""
    (folder / "tests").mkdir()
    for name in ("conftest.py", "recorded.py", "browser.py"):
        shutil.copy(HERE / name, folder / "tests" / name)
    (folder / "pytest.ini").write_text(SETTINGS, encoding="utf-8")
    (folder / "tests" / "test_some.py").write_text(TESTS, encoding="utf-8")
    (folder / "tests" / "test_whole.py").write_text(WHOLE_FILE, encoding="utf-8")
    (folder / "library.py").write_text(DOCTEST, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--doctest-modules", *options, "."]
    environment = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST")} | {"CI": ci}
    result = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    counts = re.findall(r"(\d+) (passed|failed|skipped|xfailed|errors?)", result.stdout.splitlines()[-1])
    return result.returncode, {kind.rstrip("s"): int(count) for count, kind in counts}, result.stdout


@pytest.mark.parametrize("workers", [(), ("-n", "1")], ids=["alone", "worker"])
def test_in_ci_every_skip_fails(tmp_path, workers):
    """Whether in a test, by a mark, in a fixture, as a whole file or in a doctest; what ran is left alone."""
    status, counts, said = run(tmp_path, "true", *workers, "--continue-on-collection-errors")
    assert status == 1
    assert "skipped" not in counts and counts["passed"] == counts["xfailed"] == 1, said
    for reason in ("no browser", "not here", "not to be had", "no_such_library_anywhere", "+SKIP"):
        assert re.search(rf"Nothing may be skipped in CI\..*{re.escape(reason)}", said), (reason, said)


@pytest.mark.parametrize("ci", ["", "false"])
def test_elsewhere_a_skip_is_a_skip(tmp_path, ci):
    """Nothing fails; the whole file counts twice, as tests and as a place for doctests."""
    status, counts, said = run(tmp_path, ci)
    assert status == 0
    assert counts == {"passed": 1, "xfailed": 1, "skipped": 6}, said
