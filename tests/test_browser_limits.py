"""The tests' own browser: no page can keep the others waiting for ever, nor leave anything to them."""

import asyncio
import subprocess
import sys
from pathlib import Path

import pytest
from browser import TIMERS_ENDED, ended, headless, until
from playwright.sync_api import Error

pytestmark = pytest.mark.browser

SCRIPT = """
from browser import at_most, headless

with headless() as browser:
    page = browser.new_page()
    try:
        with at_most(2):
            page.evaluate("() => new Promise(() => {})")
    except Exception as error:
        print(type(error).__name__)
with headless() as browser:
    print(browser.new_page().evaluate("() => 6 * 7"))
"""


def test_a_page_that_never_answers_is_ended_and_the_next_one_opens():
    command = [sys.executable, "-c", SCRIPT]
    result = subprocess.run(command, cwd=Path(__file__).parent, capture_output=True, text=True, timeout=90)
    assert result.stdout.split() == ["TargetClosedError", "42"]
    assert "most recent call first" in result.stderr


def test_every_wait_in_a_page_ends_and_says_what_was_waited_for():
    with headless() as browser:
        page = browser.new_page()
        page.evaluate("() => { window.shortTimers = new Set([1]); }")
        for script in (TIMERS_ENDED, "() => new Promise(() => {})"):
            with pytest.raises(Error, match=r"0\.2 s were not enough for the timers"):
                ended(page, script, "the timers", seconds=0.2)
        with pytest.raises(AssertionError, match=r"0\.2 s were not enough for what never comes"):
            until(page, "() => false", "what never comes", 0.2)
        assert ended(page, "async (n) => 6 * n", "a product", 7) == 42
        page.close()


def test_behind_a_page_no_event_loop_seems_to_run():
    with headless() as browser:
        browser.new_page().close()
        with headless() as again:
            assert again is browser
        browser.new_page().close()
    with pytest.raises(RuntimeError):
        asyncio.get_running_loop()


def test_what_the_server_drops_is_a_problem(open_notebook):
    """The words are the server's own, on the kernel's error stream; there is no error in them."""
    words = "IOPub message rate exceeded.\\nThe Jupyter server will temporarily stop sending output\\n"
    page = open_notebook("dropped", f"import sys; sys.stderr.write('{words}')", "sys.stderr.write('only a remark')")
    assert page.problems() == ["server: IOPub message rate exceeded."]
